"""Listening from end to end: an independent E1.31 sender, a running duskward, a broker, a simulated site.

The sender is the library `sacn`, which shares no code with ours.
"""

import asyncio
import os
import resource
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import sacn
import yaml
from structlog.testing import capture_logs
from support import LOOPBACK, BrokerAddress, Observer, free_port, run_async, until
from test_count_whole import ONE, TWO, powered, running

import bridge.pixels.hearing as hearing_task
from bridge.config.show_data import ListenSettings
from rules.door import LearnedLoaded
from rules.ports import PortId, Target, TargetKind
from rules.show_data import comparison, hearing

EVENING = datetime(2025, 12, 1, 19, 0, tzinfo=UTC)
SHOW = [{"name": "Tea", "when": {"from": "18:00", "to": "22:00"}, "needs": ["arch"], "data": "needs"}]


@contextmanager
def sender(*ports: int, universes: tuple[int, ...] = (1,)) -> Iterator[list[Any]]:
    """One source of `universes` for each UDP port of loopback in `ports`."""
    made = []
    for port in ports:
        source = sacn.sACNsender(bind_address=LOOPBACK, bind_port=free_port(), source_name="a show", fps=20)
        sock = source._sender_handler.socket
        # The library sends to the standard's port, which may be in use on the machine of the test.
        sock.send_packet = lambda data, destination, sock=sock, port=port: sock._socket.sendto(
            bytearray(data), (destination, port)
        )
        source.start()
        for universe in universes:
            source.activate_output(universe)
            source[universe].destination = LOOPBACK
        made.append(source)
    try:
        yield made
    finally:
        for source in made:
            source.stop()


def light(sources: list[Any], pixels: int, level: int, universe: int = 1) -> None:
    """Light the first `pixels` in white."""
    for source in sources:
        source[universe].dmx_data = tuple([level] * (3 * pixels))


def listening(port: int, **send: Any) -> dict[str, Any]:
    """The section e131 of a site that listens on loopback."""
    return {"listen": {"enabled": True, "multicast": False, "bind": LOOPBACK, "port": port}, **send}


def test_a_show_follows_its_data(tmp_path: Path, site_id: str, broker: BrokerAddress) -> None:
    """Data of a real sender power the show's ports; its end (terminated packets) and run-on take it away."""
    port = free_port()
    observer = Observer(broker.host, broker.port, f"homie/5/{site_id}/site/universes")

    async def scenario() -> None:
        show = [{**SHOW[0], "run_on": "0.5 s"}]
        async with running(tmp_path, site_id, broker, EVENING, shows=show, e131=listening(port)) as held:
            await until(lambda: held.app.show_data.address is not None)
            assert not powered(held, ONE)
            with sender(port, universes=(1, 2)) as sources:
                light(sources, 10, 100)
                await until(lambda: powered(held, ONE) and powered(held, TWO), what="power for the show")
                await until(lambda: observer.latest.get(f"homie/5/{site_id}/site/universes") == b"1 to 2")
                assert held.told(ONE, "reason").startswith("On for Tea")
                for source in sources:
                    source.stop()
                await until(lambda: not powered(held, ONE), 5.0, "the ports dark after the end")
            site = held.app.told[Target(TargetKind.SITE, site_id)]
            assert site["universes"] == ""
            assert site["show"] == ""

    try:
        run_async(scenario())
    finally:
        observer.close()


def test_a_reload_silences_nothing(tmp_path: Path, site_id: str, broker: BrokerAddress) -> None:
    """While a show follows its data a port gets another name, then another map: nothing blinks."""
    port = free_port()

    async def scenario() -> None:
        show = [{**SHOW[0], "run_on": "0 s"}]
        async with running(tmp_path, site_id, broker, EVENING, shows=show, e131=listening(port)) as held:
            with sender(port, universes=(1,)) as sources:
                light(sources, 10, 100)
                await until(lambda: powered(held, ONE), what="power for the show")
                told = []
                held.app.mirror.on_told = lambda target, name, value: told.append((name, value))
                file = yaml.safe_load(held.file.read_text())
                file["controllers"]["eave"]["ports"][1]["name"] = "Long arch"
                held.file.write_text(yaml.safe_dump(file))
                held.app.reload()
                await until(lambda: held.app.plan.ports[PortId(ONE)].name == "Long arch", what="the reload")
                file["controllers"]["eave"]["ports"][3]["show_data"]["universe"] = 9
                before = held.app.plan
                held.file.write_text(yaml.safe_dump(file))
                held.app.reload()
                await until(lambda: held.app.plan is not before, what="the second reload")
                await asyncio.sleep(1.0)  # far longer than the dark moment of an end would take to be told
                assert ("universes", "") not in told
                assert ("power", False) not in told
                for source in sources:
                    source.stop()
                await until(lambda: not powered(held, ONE), 5.0, "the ports dark after the end")

    run_async(scenario())


def learned(plan: Any, port: str) -> LearnedLoaded:
    """What earlier evenings left in the store of a port that draws just what its model says."""
    model = hearing.models(plan)[PortId(port)]
    state = comparison.fresh(model.dark_a, model.full_a, None, learned=False)
    line = state.line
    for above_a in (0.0, 0.1, 0.3) * 10:
        line = line.taught(above_a, model.dark_a + above_a, 0.01, state.prior)
    return LearnedLoaded(PortId(port), hearing.DATA, comparison.pack(replace(state, line=line)))


def test_expected_and_a_dark_tail(tmp_path: Path, site_id: str, broker: BrokerAddress) -> None:
    """Levels of a real sender become `expected`; a tail that goes dark is told within half a minute."""
    port = free_port()

    async def scenario() -> None:
        show = [{**SHOW[0], "data": [2]}]
        async with running(tmp_path, site_id, broker, EVENING, shows=show, e131=listening(port)) as held:
            held.app.runner.feed([learned(held.app.plan, TWO)])
            with sender(port, held.hears[1], universes=(2,)) as sources:
                light(sources, 30, 80, universe=2)
                await until(lambda: powered(held, TWO), what="power for the show")
                # 30 dark pixels, and 90 channels of 18.5 mA (WS2811 data sheet) at 80 / 255.
                wanted_a = 30 * 6.1 / 2700.0 + 90 * 0.0185 * 80 / 255
                await until(lambda: held.told(TWO, "expected") == pytest.approx(wanted_a, rel=0.05), 15.0)
                await asyncio.sleep(2.0)
                assert held.told(TWO, "fault") == "none"
                held.site.port(TWO).fault("data-tail", at=24)
                alert = "alert undercurrent"
                await until(lambda: held.told(TWO, alert), 32.0, "the dark tail told")
                assert "Its show data ask for 0.5" in held.told(TWO, alert)
                assert powered(held, TWO)

    run_async(scenario(), 90.0)


def test_our_own_test_pattern_is_no_show(tmp_path: Path, site_id: str, broker: BrokerAddress) -> None:
    """Test patterns of a count that come back to the listener start no show that follows its data."""
    port = free_port()

    async def scenario() -> None:
        send = {"send": {"to": {"eave": LOOPBACK}, "port": port}}
        async with running(
            tmp_path, site_id, broker, EVENING, shows=SHOW, e131=listening(port, **send)
        ) as held:
            await until(lambda: held.app.show_data.address is not None)
            from bridge.pixels.e131 import LevelSender

            for cid, heard in ((held.app.jobs.counts.cid, False), (bytes(16), True)):
                async with LevelSender(LOOPBACK, source_name="x", priority=150, cid=cid, port=port) as ours:
                    ours.show({1: bytes(30)})
                    await asyncio.sleep(0.6)
                    assert bool(held.app.runner.engine.state.heard) is heard
                    assert (held.told(ONE, "reason") or "").startswith("On for Tea") is heard

    run_async(scenario())


def test_a_port_in_use_is_told_and_nothing_else_suffers(
    tmp_path: Path, site_id: str, broker: BrokerAddress
) -> None:
    """Where the UDP port can't be had, that is logged and tried again; the site runs."""
    import socket

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind((LOOPBACK, 0))
        port = taken.getsockname()[1]

        async def scenario() -> None:
            async with running(tmp_path, site_id, broker, EVENING, shows=SHOW, e131=listening(port)) as held:
                await asyncio.sleep(0.2)
                assert held.app.show_data.address is None
                assert held.told(ONE, "power") is False

        run_async(scenario())


def test_no_file_descriptor_left_is_told_and_tried_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the system gives no socket, that is told and hearing begins when it does; nothing ends by it."""
    monkeypatch.setattr(hearing_task, "AGAIN_S", 0.05)
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)

    def descriptors() -> list[int]:
        return [int(one.name) for one in Path("/proc/self/fd").iterdir()]

    async def scenario() -> None:
        settings = ListenSettings.model_validate(listening(free_port())["listen"])
        listener = hearing_task.Hearing(
            settings, (), {}, feed=lambda _events: None, now_s=time.monotonic, own=b""
        )
        highest = max(descriptors())
        with capture_logs() as logs:
            resource.setrlimit(resource.RLIMIT_NOFILE, (highest + 1, hard))
            task = asyncio.create_task(listener.run())
            held = []
            try:
                with suppress(OSError):
                    while True:
                        held.append(os.dup(0))
                await until(lambda: [line for line in logs if line["event"] == "show_data.not_heard"])
            finally:
                resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
                for descriptor in held:
                    os.close(descriptor)
            await until(lambda: listener.address is not None)
            task.cancel()
            await asyncio.wait({task})

    run_async(scenario())
