"""The contract every way to reach a controller keeps, and the parts they share.

A driver owes three small things: read all ports once (`read`), carry out one command (`_send`), and free
what it holds (`_free`). The rest lives here and is the same for all: one command in flight per port, an OFF
that overtakes an ON, a watch that survives whatever a controller answers, and the pace of polling.
"""

import asyncio
import math
import time
import zlib
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import structlog

from bridge.errors import PermanentError, TransientError
from rules.door import ControllerStatus, Event, Outcome
from rules.ports import Abilities, Reading

log = structlog.get_logger()

Sink = Callable[[list[Event]], None]
"""Takes events on the event loop; returns at once."""

_PHASES = 5
"""Polls are spread over so many times of a period: few turns of the loop, none of them long."""

Verdict = tuple[Outcome, str]
"""What became of a command, with one plain sentence."""


class UnreachableError(TransientError):
    """No connection, no address, or the device is gone. `subject` is the controller's id."""


class TimedOutError(TransientError):
    """It took longer than its time limit. `subject` is the controller's id."""


class BadAnswerError(TransientError):
    """It answered, but with an error or with something unreadable. `subject` is the controller's id."""


class MappingMismatchError(PermanentError):
    """It answered well, but the configured mapping does not fit. `subject` is the controller's id."""


ControllerError = (UnreachableError, TimedOutError, BadAnswerError, MappingMismatchError)
"""All that `Controller.read` raises."""


@dataclass(slots=True)
class _Slot:
    """One port's commands: one in flight, the others wait their turn."""

    lock: asyncio.Lock = field(default_factory=asyncio.Lock)
    in_flight: "asyncio.Task[Verdict] | None" = None
    in_flight_power: bool = False
    off_count: int = 0
    """How many OFFs were given; an ON that waited while it grew is not sent any more."""
    overtaken: bool = False


class Controller(ABC):
    """A controller with its configured ports.

    id: the controller's id; ports: port number → what it can do. Ports that are not in `ports` are never
    switched and never told of.
    """

    def __init__(
        self,
        controller_id: str,
        ports: Mapping[int, Abilities],
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.id = controller_id
        self.ports = ports
        self.clock = clock
        self._slots = {number: _Slot() for number in ports}
        self._closed = False

    # ------------------------------------------------------------ what a driver owes

    @abstractmethod
    async def read(self) -> list[Reading]:
        """One reading of each configured port that the controller spoke of.

        Raises `UnreachableError`, `TimedOutError`, `BadAnswerError` or `MappingMismatchError`.
        """

    @abstractmethod
    async def watch(self, sink: Sink) -> None:
        """Poll or listen for ever. Gives `sink` Readings, and a ControllerStatus.

        ControllerStatus(reachable=True) comes on change, also when its `detail` changes (what it did not
        say); ControllerStatus(reachable=False) comes after *every* failed poll, so that they can be
        counted. Ends only by cancellation.
        """

    @abstractmethod
    async def _send(self, number: int, power: bool, *, clear: bool) -> Verdict:
        """Carry out one command, once. May raise; `command` turns that into UNKNOWN."""

    @abstractmethod
    async def _free(self) -> None:
        """Free connections and threads. May be called twice."""

    def hurry(self, for_s: float) -> None:  # noqa: B027 - a driver that listens has nothing to hurry
        """Poll at the fast pace for the next `for_s` seconds."""

    async def close(self) -> None:
        """Free connections and threads; what still waits to be sent is not sent. May be called twice."""
        self._closed = True
        await self._free()

    # ------------------------------------------------------------ commands

    async def command(self, number: int, power: bool, *, clear: bool = False) -> Verdict:
        """Command the power of port `number`; never raises for trouble with the controller.

        NOT_SENT: the controller never saw it. UNKNOWN: it may have acted or not; a reading must tell before
        it is repeated, and nothing here repeats it. REFUSED: it said no. ACCEPTED: it said yes. `clear`
        clears the fuse first, where the port has a way to.

        One command per port is in flight. An OFF does not wait for an ON of the same port: the ON is
        broken off and ends as UNKNOWN, or as NOT_SENT if it had not started.
        """
        ability = self.ports.get(number)
        if ability is None:
            return Outcome.NOT_SENT, f"port {number} of {self.id} is not configured, so it is never switched."
        if not ability.switch:
            return Outcome.NOT_SENT, f"port {number} of {self.id} can't be switched."
        slot = self._slots[number]
        if not power:
            slot.off_count += 1
            if slot.in_flight is not None and slot.in_flight_power and not slot.overtaken:
                slot.overtaken = True
                slot.in_flight.cancel()
        given_at = slot.off_count
        async with slot.lock:
            if self._closed:
                return self._gone()
            if power and slot.off_count != given_at:
                return Outcome.NOT_SENT, f"port {number} of {self.id} was switched off before ON was sent."
            try:
                return await self._carry_out(slot, number, power, clear=clear and power and ability.clear)
            finally:
                slot.in_flight = None
                self._after_command()

    def _gone(self) -> Verdict:
        """For a command whose turn comes when the controller is closed: another one has its ports now."""
        return Outcome.NOT_SENT, f"{self.id} was closed before the command was sent."

    async def _carry_out(self, slot: _Slot, number: int, power: bool, *, clear: bool) -> Verdict:
        """Run the driver's part as a task of its own, so that an OFF can break it off."""
        word = "ON" if power else "OFF"
        slot.overtaken = False
        slot.in_flight_power = power
        slot.in_flight = task = asyncio.create_task(
            self._send(number, power, clear=clear), name=f"{self.id}/{number} {word}"
        )
        try:
            return await task
        except asyncio.CancelledError:
            if slot.overtaken and not _being_cancelled():
                return Outcome.UNKNOWN, f"an OFF overtook the ON of port {number} of {self.id}."
            task.cancel()
            raise
        except Exception as error:
            log.exception("controller.unexpected", controller=self.id, port=number, command=word)
            return Outcome.UNKNOWN, f"{word} of port {number} of {self.id} failed: {_sentence(error)}"

    def _hand_over(self, sink: Sink, events: list[Event]) -> None:
        """Give events to whoever watches; what goes wrong there does not end the watch."""
        try:
            sink(events)
        except Exception:
            log.exception("controller.unexpected", controller=self.id, during="handing over events")

    def _after_command(self) -> None:  # noqa: B027 - a driver that listens hears of it anyway
        """A command came to its end: a driver that polls looks at once."""


def _being_cancelled() -> bool:
    """Whether somebody asked the running task to end."""
    task = asyncio.current_task()
    return task is not None and task.cancelling() > 0


def _sentence(error: BaseException) -> str:
    """The error in words, never empty."""
    return str(error) or type(error).__name__


@dataclass(frozen=True, slots=True)
class Pace:
    """How often to poll [s]: while any port is powered (or `hurry` asks), at rest, and after a command."""

    every_s: float = 1.0
    slow_every_s: float = 5.0
    quick_every_s: float = 0.2
    quick_for_s: float = 2.0

    @classmethod
    def of(cls, every_s: float, slow_every_s: float) -> "Pace":
        """The pace as configured; at rest never faster than in shows."""
        return cls(every_s, max(every_s, slow_every_s))


class PollingController(Controller):
    """A controller that is asked again and again."""

    def __init__(
        self,
        controller_id: str,
        ports: Mapping[int, Abilities],
        pace: Pace,
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__(controller_id, ports, clock=clock)
        self.pace = pace
        self._wake = asyncio.Event()
        self._phase_s = zlib.crc32(controller_id.encode()) % _PHASES / _PHASES * pace.every_s
        self._hurry_until_s = self._quick_until_s = float("-inf")
        self._reachable: bool | None = None
        self._told = ""
        self._detail = ""  # what the last good answer left out, in words

    def hurry(self, for_s: float) -> None:
        """Poll at the fast pace for the next `for_s` seconds, beginning now."""
        now_s = self.clock()
        if self._hurry_until_s <= now_s < now_s + for_s:
            self._wake.set()
        self._hurry_until_s = max(self._hurry_until_s, now_s + for_s)

    def _after_command(self) -> None:
        self._quick_until_s = self.clock() + self.pace.quick_for_s
        self._wake.set()

    def _period_s(self) -> float:
        """The time [s] from the start of one poll to the start of the next."""
        now_s = self.clock()
        if now_s < self._quick_until_s:
            return min(self.pace.quick_every_s, self.pace.every_s)
        return self.pace.every_s if now_s < self._hurry_until_s else self.pace.slow_every_s

    def _next_s(self, started_s: float) -> float:
        """When to poll next: at fixed times of its own, at least half a period after `started_s`.

        Fixed times do not drift by what an answer takes. Controllers share a few of them: those of one time
        are asked, and decided about, in one turn of the loop, and the others' turns lie between.
        """
        period_s = self._period_s()
        turns = math.ceil((started_s - self._phase_s) / period_s + 0.5)
        return max(self._phase_s + turns * period_s, self.clock())

    async def watch(self, sink: Sink) -> None:
        """Poll for ever; see `Controller.watch`."""
        loop = asyncio.get_running_loop()
        while True:
            started_s = self.clock()
            self._hand_over(sink, await self._poll())
            timer = loop.call_later(self._next_s(started_s) - self.clock(), self._wake.set)
            try:
                await self._wake.wait()
            finally:
                timer.cancel()
                self._wake.clear()

    async def _poll(self) -> list[Event]:
        """Read once; what it says, as events. Only cancellation leaves it."""
        try:
            readings = await self.read()
        except ControllerError as error:
            return [self._lost(_sentence(error))]
        except Exception as error:
            log.exception("controller.unexpected", controller=self.id, during="a poll")
            return [self._lost(f"{self.id}: unexpected {type(error).__name__}: {_sentence(error)}")]
        return self._good(readings)

    def _good(self, readings: list[Reading]) -> list[Event]:
        """The poll went well: its readings, and the status when that is news."""
        if any(reading.power for reading in readings):
            # What is powered is watched at the fast pace, whoever powered it.
            self._hurry_until_s = max(self._hurry_until_s, self.clock() + 2 * self.pace.every_s)
        if self._reachable is True and self._detail == self._told:
            return [*readings]
        if self._reachable is not True:
            log.info("controller.reachable", controller=self.id)
        if self._detail:
            log.warning("controller.partial", controller=self.id, detail=self._detail)
        self._reachable, self._told = True, self._detail
        return [ControllerStatus(self.id, reachable=True, detail=self._detail), *readings]

    def _lost(self, detail: str) -> ControllerStatus:
        """The poll failed; logged when it is news."""
        if self._reachable is not False or detail != self._told:
            log.warning("controller.unreachable", controller=self.id, detail=detail)
        self._reachable, self._told = False, detail
        return ControllerStatus(self.id, reachable=False, detail=detail)
