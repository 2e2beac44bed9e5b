"""Hears show data for the rules: which universes are alive, and what the levels make each port draw.

Off unless configured. Levels are looked at eight times a second; once a second what they make the models of
the ports draw goes to the engine. Test patterns of our own are not heard. A socket that can't be opened (the
network is not up yet) is tried again, and never stops anything else.
"""

import asyncio
from collections.abc import Callable, Mapping
from typing import NamedTuple

import structlog

from bridge.config.show_data import ListenSettings
from bridge.errors import PermanentError
from bridge.pixels.e131 import LevelReceiver
from rules.door import Event, Expected, Heard
from rules.ports import PortId
from rules.show_data.e131_sources import SourceTracker
from rules.show_data.levels import CurrentModel

_log = structlog.get_logger()

LOOK_S = 0.125
TELL_S = 1.0
AGAIN_S = 30.0
ANY_ADDRESS = "0.0.0.0"  # noqa: S104 - multicast arrives only on a socket bound to any address


class Handed(NamedTuple):
    """What one that listens hands to the next: ports whose levels were told, and the sources heard."""

    told: set[PortId]
    tracker: SourceTracker


class Hearing:
    """Hears one site's universes; `run` it as a task. All on the event loop.

    universes: which are joined; models: of the ports whose currents are told; feed: takes events for the
    engine; now_s: the clock of readings [monotonic s]; own: the source id of our test patterns; goes_on: what
    the one that listened until now handed over.
    """

    def __init__(
        self,
        settings: ListenSettings,
        universes: tuple[int, ...],
        models: Mapping[PortId, CurrentModel],
        *,
        feed: Callable[[list[Event]], None],
        now_s: Callable[[], float],
        own: bytes,
        goes_on: Handed | None = None,
    ) -> None:
        self._settings = settings
        self._feed = feed
        self._now_s = now_s
        self._own = own
        self._universes = universes
        self._models = models
        self._reads = {
            port: tuple({slots.universe for slots in model.map.slots}) for port, model in self._models.items()
        }
        self._levels: dict[int, bytes] = {}
        self._computed_a: dict[PortId, float] = {}
        self._points: dict[PortId, list[tuple[float, float]]] = {}
        self._told, self._tracker = goes_on or Handed(set(), SourceTracker())
        self._handed_over = False
        self.address: tuple[str, int] | None = None
        """Where it listens; None while it does not."""

    def hand_over(self) -> Handed:
        """What the next one goes on with; this one then ends without a word."""
        self._handed_over = True
        return Handed(self._told, self._tracker)

    async def run(self) -> None:
        """Listen for ever; cancel to end."""
        told = ""
        while True:
            try:
                await self._listen()
            except (PermanentError, OSError) as error:
                if str(error) != told:
                    told = str(error)
                    _log.error("show_data.not_heard", detail=told, again_s=AGAIN_S)
            await asyncio.sleep(AGAIN_S)

    async def _listen(self) -> None:
        settings = self._settings
        receiver = LevelReceiver(
            bind=settings.bind or ANY_ADDRESS,
            port=settings.port,
            join=self._universes if settings.multicast else (),
            interface=settings.interface or ANY_ADDRESS,
            on_change=self._changed,
            tracker=self._tracker,
            own=self._own,
        )
        try:
            async with receiver:
                self.address = receiver.address
                _log.info("show_data.listening", address=self.address, universes=len(self._universes))
                await self._look_for_ever(receiver)
        finally:
            self.address = None
            if not self._handed_over:
                self._tracker = SourceTracker()
                self._changed(())
                self._silence(set(self._told))

    def _changed(self, live: tuple[int, ...]) -> None:
        _log.info("show_data.universes", live=live)
        self._feed([Heard(live)])

    async def _look_for_ever(self, receiver: LevelReceiver) -> None:
        loop = asyncio.get_running_loop()
        next_s, tell_s = loop.time(), loop.time() + TELL_S
        while True:
            self._look(receiver.levels())
            if loop.time() >= tell_s:
                tell_s += TELL_S
                self._tell()
            # Late looks are not made up for: a busy machine looks less often.
            next_s = max(next_s + LOOK_S, loop.time())
            await asyncio.sleep(next_s - loop.time())

    def _look(self, levels: dict[int, bytes]) -> None:
        """One look at the levels; only ports whose levels changed are worked out again."""
        at_s = self._now_s()
        before, self._levels = self._levels, levels
        changed = {
            universe
            for universe in levels.keys() | before.keys()
            if levels.get(universe) != before.get(universe)
        }
        for port, model in self._models.items():
            if not changed.isdisjoint(self._reads[port]):
                computed_a = model.expected_a(levels)
                if computed_a is None:
                    self._computed_a.pop(port, None)
                else:
                    self._computed_a[port] = computed_a
            current_a = self._computed_a.get(port)
            if current_a is not None:
                self._points.setdefault(port, []).append((at_s, current_a))

    def _tell(self) -> None:
        points, self._points = self._points, {}
        self._silence(self._told - points.keys())
        self._told |= points.keys()
        if points:
            self._feed([Expected(port, tuple(found)) for port, found in points.items()])

    def _silence(self, ports: set[PortId]) -> None:
        """Say that the levels of `ports` are not known any more."""
        self._told -= ports
        if ports:
            self._feed([Expected(port, ()) for port in sorted(ports)])
