"""Counting from end to end: a running duskward, a real broker, a simulated site that hears E1.31 packets."""

import asyncio
import json
import os
import signal
import sys
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import yaml
from support import BrokerAddress, MovedClock, Observer, run_async, until

from bridge import control
from bridge.app import App
from bridge.clock import PacedClock
from bridge.config import load
from bridge.simulator.scenarios import reach_of
from bridge.simulator.site import SimulatedSite
from bridge.simulator.spec import ControllerSpec, FuseSpec, PortSpec, SensorSpec, SiteSpec, StringSpec
from rules.door import Verb
from rules.ports import Target, TargetKind
from rules.power.jobs import SHOW_MARGIN_S

PIXELS = 41
NOON = datetime(2025, 12, 1, 12, 0, tzinfo=UTC)
ONE, TWO = "eave/1", "eave/2"
SIX_TO_TEN = {"from": "18:00", "to": "22:00"}
FAST = SensorSpec(noise_a=0.003, step_a=0.004, refresh_s=0.005)


def site_spec() -> SiteSpec:
    """Two ports that feed one prop, and one alone."""
    ports = tuple(
        PortSpec(number, StringSpec(pixels), FuseSpec(rating_a=4.0), FAST)
        for number, pixels in ((1, PIXELS), (2, 30), (3, 20))
    )
    return SiteSpec("slate-yard", (ControllerSpec("eave", ports),))


def site_file(
    folder: Path, site: str, broker: BrokerAddress, url: str, hears: tuple[str, int], **more: Any
) -> Path:
    """The configuration file of that site."""
    ports = {
        number: {
            "name": f"Arch {number}",
            "show_data": {"universe": number, "capacity": 120},
            "pixels": pixels,
        }
        for number, pixels in ((1, 50), (2, 30), (3, 20))
    }
    config = {
        "site": {
            "id": site,
            "name": "Slate Yard",
            "timezone": "Europe/Dublin",
            "latitude": 53.35,
            "longitude": -6.26,
            "require_synchronised_clock": False,
            "state_dir": str(folder / "state"),
        },
        "broker": {"host": broker.host, "port": broker.port},
        "supplies": {"shed": {"volts": "12 V", "rating": "29 A"}},
        "e131": {"send": {"to": {"eave": hears[0]}, "port": hears[1], "source": "Slate Yard tests"}},
        "controllers": {
            "eave": {
                "reach": reach_of("rows", url) | {"every": "0.01 s", "slow_every": "0.01 s"},
                "every_port": {"supply": "shed", "chip": "ws2811-12v", "rating": "4 A"},
                "ports": ports,
            }
        },
        "props": {"arch": {"fed_by": [ONE, TWO]}},
        "shows": [{"name": "Tea", "when": SIX_TO_TEN, "needs": ["arch"]}],
    }
    path = folder / "duskward.yaml"
    path.write_text(yaml.safe_dump(config | more))
    return path


@dataclass
class Running:
    """What a test holds in its hands."""

    app: App
    site: SimulatedSite
    file: Path
    hears: tuple[str, int]
    """Where the site hears E1.31."""

    def told(self, port: str, name: str) -> Any:
        """The last published value."""
        return self.app.told.get(Target(TargetKind.PORT, port), {}).get(name)

    async def ready(self) -> None:
        """Wait until every port was read."""
        await until(lambda: all(self.told(p, "power") is not None for p in self.app.plan.ports), 30.0)


@asynccontextmanager
async def running(
    folder: Path,
    site_id: str,
    broker: BrokerAddress,
    utc: datetime = NOON,
    *,
    clock: MovedClock | None = None,
    **more: Any,
):
    """A whole site at work, from `utc` on or by `clock`; more: sections of its configuration."""
    site = SimulatedSite(site_spec(), seed=3)
    async with site.serve(e131=True) as addresses:
        assert addresses.e131 is not None
        file = site_file(folder, site_id, broker, addresses.controllers["eave"], addresses.e131, **more)
        app = App(load(file), file=file, clock=clock or PacedClock(utc, 1.0))
        task = asyncio.create_task(app.run())
        try:
            held = Running(app, site, file, addresses.e131)
            await asyncio.wait_for(app.ready.wait(), 10.0)
            await held.ready()
            yield held
        finally:
            app.stop()
            await task


async def counted(held: Running, port: str, *, stop_at: str = "") -> list[dict[str, Any]]:
    """Ask on the control socket as the command does; all answers. `stop_at`: leave at that stage."""
    answers = []
    follow = control.follow(held.app.folder, {"verb": "count", "target": port})
    async for answer in follow:
        answers.append(answer)
        if stop_at and answer.get("progress", {}).get("stage") == stop_at:
            break
    await follow.aclose()
    return answers


def powered(held: Running, port: str) -> bool:
    """Whether the string has power, in truth."""
    return held.site.truth(port).power


def test_a_string_is_counted_over_real_sockets(tmp_path: Path, site_id: str, broker: BrokerAddress) -> None:
    """HTTP, E1.31 and MQTT together: the true number comes out, is published, and all is dark again."""
    observer = Observer(broker.host, broker.port, f"homie/5/{site_id}-eave-port-1/port/+")

    async def scenario() -> None:
        async with running(tmp_path, site_id, broker) as held:
            seen = set()

            def watch(target: Target, name: str, value: Any) -> None:
                if name == "power" and value:
                    seen.add(target.id)

            held.app.mirror.on_told = watch
            answers = await counted(held, ONE)
            assert answers[0]["goes_on"]
            assert "Off meanwhile: Arch 2" in answers[0]["text"]
            assert {"dark", "search"} & {answer["progress"]["stage"] for answer in answers[1:-1]}
            last = answers[-1]
            assert last["accepted"], last
            assert last["count"]["pixels"] == PIXELS
            assert last["count"]["confidence"] > 0.999
            # 100 dark pixels of this kind draw 225 to 227 mA (common practice); the sensor's step is 4 mA.
            assert last["count"]["dark_per_pixel_a"] == pytest.approx(0.00226, rel=0.1)
            assert last["count"]["line"] == f"pixels: {PIXELS}"
            assert "50 are configured" in last["text"]
            await until(lambda: not powered(held, ONE), what="the port dark again")
            assert seen == {ONE}
            assert held.told(ONE, "pixels") == PIXELS
            assert held.told(ONE, "last-answer") == last["text"]
            await until(lambda: observer.latest.get(f"homie/5/{site_id}-eave-port-1/port/pixels") == b"41")

    try:
        run_async(scenario())
    finally:
        observer.close()


def test_a_count_by_mqtt(tmp_path: Path, site_id: str, broker: BrokerAddress) -> None:
    """`start` on the port's topic counts; `stop` ends it and takes the power away."""
    port = f"homie/5/{site_id}-eave-port-1/port"
    observer = Observer(broker.host, broker.port, f"{port}/+")

    async def scenario() -> None:
        async with running(tmp_path, site_id, broker) as held:
            await until(lambda: held.app.broker.outlet.opened)
            await until(lambda: f"{port}/pixels" in observer.latest)
            observer.publish(f"{port}/count/set", "start", qos=0)
            await until(lambda: powered(held, ONE), what="power for the count")
            observer.publish(f"{port}/count/set", "stop", qos=0)
            await until(lambda: not powered(held, ONE), what="the port dark")
            await until(
                lambda: b"asked to stop" in observer.latest.get(f"{port}/last-answer", b""), what="the answer"
            )
            observer.publish(f"{port}/count/set", "start", qos=0)
            await until(
                lambda: b"41 pixels" in observer.latest.get(f"{port}/last-answer", b""), 60.0, "the answer"
            )

    try:
        run_async(scenario(), 90.0)
    finally:
        observer.close()


def test_a_count_while_another_ends(tmp_path: Path, site_id: str, broker: BrokerAddress) -> None:
    """Stop and start in one breath: the new count has power, readings and an answer of its own."""

    async def scenario() -> None:
        async with running(tmp_path, site_id, broker) as held:
            first = asyncio.create_task(counted(held, ONE))
            await until(lambda: held.site.truth(ONE).lit > 0, what="lit pixels")
            target = Target(TargetKind.PORT, ONE)
            stop = asyncio.create_task(held.app.ask(Verb.COUNT, target, "stop"))
            await asyncio.sleep(0)  # the stop is asked for first, and not answered yet
            follow = held.app.jobs.followers[Verb.COUNT.value]({"target": ONE})
            answers = [answer async for answer in follow]
            assert (await stop).accepted
            assert "asked to stop" in (await first)[-1]["text"]
            assert answers[-1]["accepted"], answers[-1]
            assert answers[-1]["count"]["pixels"] == PIXELS
            await until(lambda: not powered(held, ONE), what="the port dark again")

    run_async(scenario(), 60.0)


def ends(tmp_path: Path, site_id: str, broker: BrokerAddress, happen: Any, says: str, **options: Any) -> None:
    """`happen(held)` in the middle of a count ends it, says why, and takes the power away at once."""

    async def scenario() -> None:
        async with running(tmp_path, site_id, broker, **options) as held:
            counting = asyncio.create_task(counted(held, ONE))
            await until(lambda: powered(held, ONE), what="power for the count")
            await until(lambda: held.site.truth(ONE).lit > 0, what="lit pixels")
            await happen(held)
            last = (await asyncio.wait_for(counting, 20.0))[-1]
            assert not last["accepted"]
            assert says in last["text"]
            await until(lambda: not powered(held, ONE), 3.0, "the port dark")
            assert held.told(ONE, "pixels") == 50

    run_async(scenario())


def test_a_trip_in_the_middle(tmp_path: Path, site_id: str, broker: BrokerAddress) -> None:
    """The fuse opens during the count: the count ends, and the port stays off with its fault."""

    async def trip(held: Running) -> None:
        held.site.port(ONE).fault("lying-flag", state="tripped")
        await until(lambda: held.told(ONE, "fault") == "fuse-trip", what="the trip told")

    ends(tmp_path, site_id, broker, trip, "its fuse tripped")


def test_a_short_in_the_middle(tmp_path: Path, site_id: str, broker: BrokerAddress) -> None:
    """A short during the count ends it, by the fuse or by the current seen before, whichever is first."""

    async def short(held: Running) -> None:
        held.site.port(ONE).short()

    ends(tmp_path, site_id, broker, short, "")


def test_a_hold_in_the_middle(tmp_path: Path, site_id: str, broker: BrokerAddress) -> None:
    """Somebody holds the other feed of the prop: the count ends at once."""

    async def hold(held: Running) -> None:
        await held.app.ask(Verb.HOLD, Target(TargetKind.PORT, TWO), "Ann")

    ends(tmp_path, site_id, broker, hold, "held by Ann")


def test_a_controller_that_goes_away(tmp_path: Path, site_id: str, broker: BrokerAddress) -> None:
    """A controller that no longer answers ends the count; on its return the port is switched off."""

    async def fall_silent(held: Running) -> None:
        held.site.controller("eave").misbehave("status", code=503)
        await until(lambda: "does not answer" in held.told(ONE, "last-answer"), what="the end of the count")
        held.site.controller("eave").behave()

    ends(tmp_path, site_id, broker, fall_silent, "its controller does not answer")


def test_too_much_current(tmp_path: Path, site_id: str, broker: BrokerAddress) -> None:
    """Current above what a count may draw stops it: something else hangs on the port."""

    async def overload(held: Running) -> None:
        held.site.port(ONE).fault("overload", amps=3.6)

    ends(tmp_path, site_id, broker, overload, "above the limit of this count, 3.20 A")


def test_a_show_that_is_started(tmp_path: Path, site_id: str, broker: BrokerAddress) -> None:
    """A show started by hand takes the prop from the count; its ports stay on for the show."""

    async def scenario() -> None:
        async with running(tmp_path, site_id, broker) as held:
            counting = asyncio.create_task(counted(held, ONE))
            await until(lambda: held.site.truth(ONE).lit > 0, what="lit pixels")
            await held.app.ask(Verb.START_SHOW, Target(TargetKind.SITE, site_id), "Tea")
            last = (await counting)[-1]
            assert "Tea needs it now" in last["text"]
            await until(lambda: powered(held, ONE) and powered(held, TWO), what="power for the show")

    run_async(scenario())


def test_a_show_about_to_start(tmp_path: Path, site_id: str, broker: BrokerAddress) -> None:
    """Right before a show no count begins; the refusal names the show."""

    async def scenario() -> None:
        async with running(tmp_path, site_id, broker, datetime(2025, 12, 1, 17, 59, 30, tzinfo=UTC)) as held:
            (only,) = await counted(held, ONE)
            assert not only["accepted"]
            assert "Tea needs it for Mon 01 Dec 18:00" in only["text"]
            assert not powered(held, ONE)
            (only,) = await counted(held, "eave/9")
            assert "is no port" in only["text"]

    run_async(scenario())


def test_a_count_that_is_at_work_when_a_show_comes(
    tmp_path: Path, site_id: str, broker: BrokerAddress
) -> None:
    """A count let in just before a show ends before the show's lead, dark; then both feeds get its power."""

    async def scenario() -> None:
        clock = MovedClock(datetime(2025, 12, 1, 17, 58, tzinfo=UTC))
        shows = [{"name": "Tea", "needs": ["arch"], "when": SIX_TO_TEN, "warm_up": "30 s"}]
        async with running(tmp_path, site_id, broker, clock=clock, shows=shows) as held:
            (show,) = held.app.runner.engine.state.shows.values()
            lead = datetime(2025, 12, 1, 18, 0, tzinfo=UTC) - show.lead
            counting = asyncio.create_task(counted(held, ONE))
            await until(lambda: held.site.truth(ONE).lit > 0, what="lit pixels")
            clock.move_to(lead - timedelta(seconds=SHOW_MARGIN_S))
            last = (await asyncio.wait_for(counting, 10.0))[-1]
            assert "Tea needs it for Mon 01 Dec 18:00" in last["text"]
            await until(lambda: not powered(held, ONE), 3.0, "the port dark")
            assert clock.now().utc < lead
            assert held.site.truth(ONE).lit == 0.0
            clock.move_to(lead)
            await until(lambda: powered(held, ONE) and powered(held, TWO), what="power for the show")
            await until(lambda: held.told(ONE, "reason") == "On: warming up for Tea.")
            assert held.told(ONE, "fault") == "none"

    run_async(scenario())


def test_leaving_ends_it(tmp_path: Path, site_id: str, broker: BrokerAddress) -> None:
    """The client that asked closes its connection: the count ends, dark and without power."""

    async def scenario() -> None:
        async with running(tmp_path, site_id, broker) as held:
            await counted(held, ONE, stop_at="calibrate")
            await until(lambda: not powered(held, ONE), 3.0, "the port dark")
            await until(lambda: "the one who asked for it left" in held.told(ONE, "last-answer"))
            assert held.site.truth(ONE).lit == 0.0

    run_async(scenario())


def test_stopping_duskward_ends_it(tmp_path: Path, site_id: str, broker: BrokerAddress) -> None:
    """A stop in the middle of a count leaves no power behind, though other ports stay as they are."""

    async def scenario() -> None:
        async with running(tmp_path, site_id, broker) as held:
            counting = asyncio.create_task(counted(held, ONE))
            await until(lambda: held.site.truth(ONE).lit > 0, what="lit pixels")
            held.app.stop()
            last = (await counting)[-1]
            assert "duskward is stopping" in last["text"]
            await until(lambda: not powered(held, ONE), 3.0, "the port dark")

    run_async(scenario())


def command(*words: str) -> Any:
    """The command line, as a process of its own."""
    return asyncio.create_subprocess_exec(
        sys.executable, "-m", "bridge.cli", *words,
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE, cwd=Path(__file__).parents[2],
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
    )  # fmt: skip


def test_the_command(tmp_path: Path, site_id: str, broker: BrokerAddress) -> None:
    """`duskward count` prints how it goes, the answer and the line for the file; as JSON with --json."""

    async def scenario() -> None:
        async with running(tmp_path, site_id, broker) as held:
            process = await command("count", str(held.file), ONE)
            out, err = await process.communicate()
            assert process.returncode == 0, err
            assert "41 pixels" in out.decode()
            assert "under controllers.eave.ports.1" in out.decode()
            assert "pixels: 41" in out.decode()
            assert "what the dark string draws" in err.decode()
            process = await command("count", str(held.file), "eave/3", "--json")
            out, _ = await process.communicate()
            assert json.loads(out)["count"]["pixels"] == 20
            await held.app.ask(Verb.HOLD, Target(TargetKind.PORT, ONE), "Ann")
            process = await command("count", str(held.file), ONE)
            _, err = await process.communicate()
            assert process.returncode == 1
            assert "held by Ann" in err.decode()

    run_async(scenario(), 90.0)


def test_ctrl_c(tmp_path: Path, site_id: str, broker: BrokerAddress) -> None:
    """Ctrl-C at the command ends the count: the port is dark within seconds, the site goes on."""

    async def scenario() -> None:
        async with running(tmp_path, site_id, broker) as held:
            process = await command("count", str(held.file), ONE)
            await until(lambda: held.site.truth(ONE).lit > 0, what="lit pixels")
            process.send_signal(signal.SIGINT)
            await process.communicate()
            assert process.returncode == 130
            await until(lambda: not powered(held, ONE), 3.0, "the port dark")
            await until(lambda: "the one who asked for it left" in held.told(ONE, "last-answer"))

    run_async(scenario())


def test_without_a_running_process(tmp_path: Path, site_id: str, broker: BrokerAddress) -> None:
    """Without a running duskward nothing is counted: the sentence says how to start it."""

    async def scenario() -> None:
        file = site_file(tmp_path, site_id, broker, "http://127.0.0.1:9", ("127.0.0.1", 9))
        process = await command("count", str(file), ONE)
        _, err = await process.communicate()
        assert process.returncode == 1
        assert "start it with: duskward run FILE" in err.decode()

    run_async(scenario())


def test_what_is_asked_while_a_reload_exchanges_the_controller_is_answered(
    tmp_path: Path, site_id: str, broker: BrokerAddress
) -> None:
    """A count let in at that moment begins all the same; a proof of a mapping says that it can't."""

    async def scenario() -> None:
        async with running(tmp_path, site_id, broker) as held:
            controllers = held.app.runner.controllers
            taken = controllers.pop("eave")
            counting = asyncio.create_task(counted(held, ONE))
            await until(lambda: held.app.jobs.counts._running)
            (said,) = [line async for line in held.app.jobs._try({"verb": "try", "target": TWO})]
            assert "exchanging" in said["text"]
            controllers["eave"] = taken
            assert str(PIXELS) in (await counting)[-1]["text"]

    run_async(scenario())
