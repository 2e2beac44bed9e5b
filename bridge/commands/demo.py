"""The demo: an embedded broker on loopback, a simulated site, and an evening in about 90 seconds.

The wall clock runs fast, so that shows begin and end; delays, fuses and people keep real seconds. What the
demo promises is checked from what was published, and the exit code says whether it all happened.
"""

import asyncio
import signal
import tempfile
import time
from collections.abc import Callable, Coroutine
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from bridge.app import App
from bridge.clock import PacedClock
from bridge.commands.terminal import target_name
from bridge.config import parse
from bridge.errors import PermanentError
from bridge.simulator.scenarios import demo_config, demo_site
from bridge.simulator.site import SimulatedSite
from bridge.simulator.spec import Segment
from rules.door import BaselineLoaded, Verb
from rules.electrics.chips import CHIPS
from rules.ports import PortId, Target, TargetKind
from rules.shows.schedule import local_time

EVENING_S = 90.0
"""How long the evening takes [s]."""
START_UTC = datetime(2025, 12, 5, 15, 45, tzinfo=UTC)
"""A Friday in the season; Dublin keeps UTC in winter."""
END_UTC = datetime(2025, 12, 5, 22, 50, tzinfo=UTC)
QUICK_SHOW = (
    Segment(4.0, "chase", 0.8),
    Segment(2.0, "dark"),
    Segment(3.0, "breathe", 1.0, period_s=3.0),
    Segment(2.0, "dark"),
)
LIMITS = """\
  # Delays of a real evening, shortened for a demo of 90 seconds.
  limits: {undercurrent: {on_delay: 3 s, off_delay: 3 s}, leakage: {on_delay: 6 s, off_delay: 3 s}}
"""
IDLE_A_PER_PIXEL = CHIPS["ws2811-12v"].idle_at_a(12.0) or 0.0
SHORTED, WET, DARK = "gable/2", "hedge/3", "mast/2"

Say = Callable[[str], None]
"""Takes one line for the person."""


def free_port(wanted: int | None) -> int:
    """A TCP port on loopback: the one that is wanted, or any. Raises PermanentError if it is in use."""
    import socket  # noqa: PLC0415 - only the demo opens a broker

    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", wanted or 0))
        except OSError as error:
            raise PermanentError(
                f"port {wanted} on 127.0.0.1 is in use; choose another with --port, or leave it out"
            ) from error
        return int(probe.getsockname()[1])


class Demo:
    """One run of the demo. `promises` says what happened of what was promised."""

    def __init__(self, say: Say, *, port: int | None, seed: int = 1) -> None:
        self._say = say
        self._port = port
        self._seed = seed
        self._start_s = time.monotonic()
        self.app: App | None = None
        self.lines: list[str] = []
        self._heard: list[tuple[float, Target, str, Any]] = []
        self._lit_most = 0
        self.address = ""

    # ------------------------------------------------------------ what people read

    def _tell(self, line: str) -> None:
        assert self.app is not None
        at = local_time(self.app.plan.place, self.app.clock.now().utc)
        self.lines.append(f"{at}  {line}")
        self._say(self.lines[-1])

    def _on_told(self, target: Target, name: str, value: Any) -> None:  # noqa: ANN401 - any published value
        assert self.app is not None
        self._heard.append((time.monotonic() - self._start_s, target, name, value))
        if name.startswith("alert "):
            if value:
                self._tell(f"alert  {value}")
            else:
                self._tell(f"over   {target_name(self.app.plan, target)}: {name.removeprefix('alert ')}")
        elif name == "show":
            self._tell(f"show   {value or 'none'}")
        elif name == "ports-on":
            self._lit_most = max(self._lit_most, int(value))

    # ------------------------------------------------------------ the evening

    async def run(
        self, *, keep: bool, during: Callable[["Demo"], Coroutine[Any, Any, None]] | None = None
    ) -> bool:
        """Run the evening; whether everything promised happened. `during` runs beside it (the live view)."""
        from iotcore import Broker  # noqa: PLC0415 - the embedded broker of the demo

        port = free_port(self._port)
        self.address = f"127.0.0.1:{port}"
        spec = replace(demo_site(), show=QUICK_SHOW)
        site = SimulatedSite(spec, seed=self._seed)
        broker = Broker(port=port, listen="127.0.0.1")
        with tempfile.TemporaryDirectory(prefix="duskward-demo-") as folder:
            await asyncio.to_thread(broker.start)
            try:
                async with site.serve() as addresses:
                    text = demo_config(addresses.controllers, port, every="0.25 s", state_dir=folder)
                    settings = parse(text.replace("site:\n", f"site:\n{LIMITS}", 1), folder=Path(folder))
                    pace = (END_UTC - START_UTC).total_seconds() / EVENING_S
                    self.app = App(settings, clock=PacedClock(START_UTC, pace), on_told=self._on_told)
                    return await self._evening(self.app, site, keep=keep, during=during)
            finally:
                await asyncio.to_thread(broker.stop)

    async def _evening(
        self,
        app: App,
        site: SimulatedSite,
        *,
        keep: bool,
        during: Callable[["Demo"], Coroutine[Any, Any, None]] | None,
    ) -> bool:
        running = asyncio.create_task(app.run(), name="duskward")
        beside = asyncio.create_task(during(self), name="view") if during is not None else None
        story = asyncio.create_task(self._story(app, site), name="story")
        stop = asyncio.Event()
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            with suppress(NotImplementedError, RuntimeError):
                loop.add_signal_handler(number, stop.set)
        stopped = asyncio.create_task(stop.wait(), name="stop")
        try:
            await asyncio.wait({running, story, stopped}, return_when=asyncio.FIRST_COMPLETED)
            if keep and story.done() and not stop.is_set() and not running.done():
                self._say(f"The site stays up; MQTT on {self.address}. Ctrl-C ends it.")
                await asyncio.wait({running, stopped}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            app.stop()
            for task in (story, stopped, *([beside] if beside else [])):
                task.cancel()
            await asyncio.gather(story, stopped, *([beside] if beside else []), return_exceptions=True)
            await running
        return all(kept for _, kept in self.promises())

    async def _story(self, app: App, site: SimulatedSite) -> None:
        """What happens on the way, at seconds after the start."""
        await app.ready.wait()
        # An earlier season left baselines; a site in its first nights has none, and tells no leakage yet.
        app.runner.feed(
            [
                BaselineLoaded(port.id, port.pixels * IDLE_A_PER_PIXEL, 0.005)
                for port in app.plan.ports.values()
                if port.pixels
            ]
        )
        await self._at(28.0)
        self._tell(f"(a cable at {app.plan.ports[PortId(SHORTED)].name} is crushed: a short)")
        site.port(SHORTED).short()
        await self._at(32.0)
        self._tell(f"(water creeps into a connector at {app.plan.ports[PortId(WET)].name})")
        site.port(WET).fault("wet-connector", amps=0.35, amps_per_hour=400.0)
        await self._at(36.0)
        self._tell(f"(half of {app.plan.ports[PortId(DARK)].name} goes dark: a broken wire)")
        site.port(DARK).fault("power-tail", at=75)
        await self._at(44.0)
        site.port(SHORTED).clear_fault()
        self._tell("(the cable is mended; from the sofa: reset)")
        answer = await app.ask(Verb.RESET, Target(TargetKind.PORT, SHORTED))
        self._tell(f"answer {answer.text}")
        await self._at(EVENING_S + 2.0)

    async def _at(self, seconds: float) -> None:
        await asyncio.sleep(max(0.0, self._start_s + seconds - time.monotonic()))

    # ------------------------------------------------------------ the account

    def promises(self) -> list[tuple[str, bool]]:
        """What was promised, and whether it happened, from what was published."""
        assert self.app is not None
        shorted = Target(TargetKind.PORT, SHORTED)
        site = Target(TargetKind.SITE, self.app.plan.id)
        trip = self._first(shorted, "alert fuse-trip", bool)
        over = self._first(shorted, "alert fuse-trip", lambda text: text is None, after=trip)
        back = self._first(shorted, "power", lambda power: power is True, after=over)
        dark = self._first(site, "ports-on", lambda on: on == 0, after=back)
        leak = self._first(Target(TargetKind.PORT, WET), "alert leakage", bool)
        half = self._first(Target(TargetKind.PORT, DARK), "alert undercurrent", bool)
        return [
            ("every port the shows needed had power", self._lit_most == len(self.app.plan.ports)),
            ("the short tripped its port, and the fault was told as a retained alert", trip is not None),
            ("water in a connector was told before it tripped", leak is not None),
            ("the half-dark string was told", half is not None),
            ("after mending, a reset cleared the fault and the port came back", back is not None),
            ("all ports went dark when the last show ended", dark is not None),
        ]

    def _first(
        self, target: Target, name: str, matches: Callable[[Any], bool], *, after: float | None = 0.0
    ) -> float | None:
        if after is None:
            return None
        return next(
            (
                at_s
                for at_s, told_target, told_name, value in self._heard
                if told_target == target and told_name == name and at_s >= after and matches(value)
            ),
            None,
        )
