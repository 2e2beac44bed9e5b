"""Proofs of mappings through the running process: the rules decide whether a port may be tried.

The port is taken as a test job: all feeds of its prop go off, only this one gets power. A hold, trip, hand or
show takes it back at once.
"""

import asyncio
from collections.abc import AsyncGenerator, Callable, Mapping
from typing import Any

from bridge.controllers.base import Controller
from bridge.learn.trying import Line, Readings, Trial, TrialStopped
from rules.door import Event, JobChanged, JobEnded
from rules.plan import SitePlan
from rules.ports import Mode, PortId, Reading, Target, TargetKind, controller_of

TRY_LIMIT_S = 60.0
"""A proof is over after this long [s], whatever happens to who asked for it."""
HURRY_S = 30.0
_TRIPS = ("fuse-trip", "lockout")


def refusal(plan: SitePlan, told: Mapping[Target, Mapping[str, Any]], port: PortId) -> str:
    """Why `port` may not be tried now, from what was last published; empty if it may."""
    site = told.get(Target(TargetKind.SITE, plan.id), {})
    if site.get("show"):
        return f"{site['show']} is on; try it when no show is."
    prop = next((prop for prop in plan.props.values() if port in prop.fed_by), None)
    for feed in prop.fed_by if prop is not None else (port,):
        values = told.get(Target(TargetKind.PORT, feed), {})
        whose = "it" if feed == port else f"{feed}, which feeds the same prop,"
        if values.get("hold-state", "none") != "none" or values.get("hold"):
            return f"{whose} is held; release it first."
        if values.get("fault") in _TRIPS or values.get("alert fuse-trip") or values.get("alert lockout"):
            return f"{whose} has tripped; find the cause and reset it first."
        if values.get("mode", Mode.AUTO) != Mode.AUTO:
            return f"{whose} is {values['mode']} by hand; set it to auto first."
    if (
        told.get(Target(TargetKind.PORT, port), {}).get("power") is None
        and plan.ports[port].abilities.readback
    ):
        return "its controller has told nothing of it yet; is it reachable, and is the mapping right?"
    if not plan.ports[port].abilities.switch:
        return "its mapping has no switch; write how it is switched first."
    return ""


class Tries:
    """One proof at a time. All of it on the event loop.

    feed: takes events for the engine; monotonic_s: the clock of readings.
    """

    def __init__(self, feed: Callable[[list[Event]], None], monotonic_s: Callable[[], float]) -> None:
        self._feed = feed
        self._monotonic_s = monotonic_s
        self._newest: dict[PortId, Reading] = {}
        self._news = asyncio.Event()
        self._name = ""
        self._ended = ""
        self._feeds: tuple[PortId, ...] = ()

    def readings(self, readings: list[Reading]) -> None:
        """Hand over readings while a port is tried."""
        if self._name:
            self._newest.update({reading.port: reading for reading in readings})
            self._news.set()

    def ended(self, effect: JobEnded) -> None:
        """The rules took the port away."""
        if self._name and effect.name == self._name:
            self._ended = effect.reason
            self._news.set()

    def close(self) -> tuple[PortId, ...]:
        """End the proof that goes on and give its ports back, whoever watches; which they are."""
        if not self._name:
            return ()
        self._ended = "duskward is stopping."
        self._news.set()
        self._feed([JobChanged(self._name, self._feeds, None)])
        return self._feeds

    async def run(self, plan: SitePlan, port: PortId, controller: Controller) -> AsyncGenerator[Line, None]:
        """Try `port`; lines as `Trial.run` gives them."""
        if self._name:
            yield {"accepted": False, "text": f"Refused: {self._name} goes on; one at a time."}
            return
        one = plan.ports[port]
        self._name, self._ended = f"trying {one.name}", ""
        self._newest = {}
        prop = next((prop for prop in plan.props.values() if port in prop.fed_by), None)
        feeds = self._feeds = tuple(prop.fed_by) if prop is not None else (port,)
        until_s = self._monotonic_s() + TRY_LIMIT_S
        every_s = plan.controllers[controller_of(port)].every_s

        begun = False

        async def power(on: bool | None) -> None:
            nonlocal begun
            if on is None:
                self._feed([JobChanged(self._name, feeds, None)])
                return
            self._hear()
            if on:
                self._feed([JobChanged(self._name, (port,), True, until_s)])
            else:
                self._feed([JobChanged(self._name, feeds, False, until_s, begin=not begun)])
                begun = True

        async def read() -> Readings:
            controller.hurry(HURRY_S)
            asked_s = self._monotonic_s()
            async with asyncio.timeout(max(5.0, 4 * every_s)):
                while True:
                    self._hear()
                    reading = self._newest.get(port)
                    if reading is not None and reading.measured_s >= asked_s:
                        return dict(self._newest)
                    self._news.clear()
                    await self._news.wait()

        trial = Trial(port, one.name, one.abilities, power, read, one.rating_a, limit_s=max(6.0, 4 * every_s))
        steps = trial.run()
        try:
            async for line in steps:
                yield line
        except TimeoutError:
            yield {"accepted": False, "text": f"{port} is not proven: its controller stopped telling of it."}
        finally:
            await steps.aclose()
            self._name = ""

    def _hear(self) -> None:
        """Raise TrialStopped when the rules took the port away."""
        if self._ended:
            raise TrialStopped(self._ended)
