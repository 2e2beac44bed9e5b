"""A whole count on a real port: power, test patterns, readings, and the way out when anything is wrong.

`rules.pixels.counting` decides what to light and what the readings mean; this job only does it. Whatever
happens (a trip, too much current, a controller that is gone, a cancelled task) the pixels are sent dark
and the port is powered off before the job ends.
"""

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from statistics import fmean

import structlog

from bridge.errors import DuskwardError, TransientError
from rules.pixels.counting import Cause, Count, CountSession, CountSettings, Refusal, Result
from rules.ports import Reading
from rules.show_data.levels import PixelMap, lit

_LOG = structlog.get_logger()
_ZERO_READINGS = 5
_EMPTY_READINGS_MAX = 10


class StopCause(StrEnum):
    """Why a count was stopped before it had an answer."""

    TRIPPED = "tripped"
    OVER_LIMIT = "over-limit"
    POWER_LOST = "power-lost"
    NO_POWER = "no-power"
    NO_DATA = "no-data"
    TIMED_OUT = "timed-out"


class CountStopped(DuskwardError):  # noqa: N818 - it says what happened: the port was made safe
    """The count was stopped, and the port powered off. `cause` says why."""

    def __init__(self, message: str, cause: StopCause) -> None:
        self.cause = cause
        super().__init__(message)


@dataclass(frozen=True, slots=True)
class CountProgress:
    """Where a count is: its stage, pixels lit, readings so far and the newest current [A]."""

    stage: str
    lit: int
    readings: int
    current_a: float


@dataclass(frozen=True, slots=True)
class CountTimes:
    """How long the job waits [s]: for one reading, for the power to come, and in all."""

    reading_s: float = 5.0
    power_s: float = 10.0
    in_all_s: float = 600.0


class CountJob:
    """One count of one port.

    power: asks the running process to power the port (True), to take the power away (False), or to give
    the port back to its rules (None); returns when the request is accepted. read: the port's next
    reading. show: sends levels (universe: slots) until the next ones, for example `LevelSender.show`.
    level: 0 to 255, how bright the test patterns are. progress: told about each reading.
    """

    def __init__(
        self,
        pixel_map: PixelMap,
        settings: CountSettings,
        *,
        power: Callable[[bool | None], Awaitable[None]],
        read: Callable[[], Awaitable[Reading]],
        show: Callable[[Mapping[int, bytes]], None],
        progress: Callable[[CountProgress], None] | None = None,
        level: int = 255,
        times: CountTimes | None = None,
    ) -> None:
        self._map = pixel_map
        self._settings = replace(settings, capacity=min(settings.capacity, pixel_map.units))
        self._power = power
        self._read = read
        self._show = show
        self._progress = progress
        self._levels = bytes([level]) * pixel_map.channels
        self._times = times or CountTimes()
        self._empty = 0

    async def run(self) -> Result:
        """Count. Raises CountStopped where something is wrong with the port; its power is off then.

        On an answer or a refusal the port is given back to its rules. Cancelling is safe at any moment.
        """
        finished = False
        try:
            async with asyncio.timeout(self._times.in_all_s):
                result = await self._count()
            finished = not (isinstance(result, Refusal) and result.cause is Cause.LIMIT)
        except TimeoutError as error:
            raise CountStopped(
                f"no answer within {self._times.in_all_s:.0f} s", StopCause.TIMED_OUT
            ) from error
        except TransientError as error:
            raise CountStopped(f"the controller does not answer: {error}", StopCause.NO_DATA) from error
        finally:
            self._dark()
            await self._leave(finished=finished)
        if self._map.group > 1 and isinstance(result, Count):
            note = (
                f"{result.pixels} groups answer; the controller drives {self._map.group} pixels as one, "
                "the last group may be smaller"
            )
            result = replace(result, notes=(*result.notes, note))
        _LOG.info(
            "count.finished", port=self._map.port, result=type(result).__name__, readings=result.readings
        )
        return result

    async def _count(self) -> Result:
        self._dark()
        zero_a = self._settings.zero_a
        if zero_a is None:
            zero_a = await self._zero_a()
        await self._power(True)
        await self._powered()
        session = CountSession(replace(self._settings, zero_a=zero_a))
        loop = asyncio.get_running_loop()
        shown: tuple[range, ...] | None = None
        while session.result is None:
            probe = session.next_probe()
            if probe.lit != shown:
                shown = probe.lit
                self._show(lit(self._map, (n for part in shown for n in part), self._levels))
                session.shown(loop.time())
            reading = await self._checked()
            if reading.current_a is None:
                continue
            session.observe(reading.current_a, reading.measured_s)
            if self._progress is not None:
                self._progress(CountProgress(probe.stage, probe.count, session.readings, reading.current_a))
        return session.result

    async def _zero_a(self) -> float | None:
        """What the sensor reads with the port off [A]; None where the port is on or does not say."""
        values = []
        for _ in range(_ZERO_READINGS):
            reading = await self._next()
            if reading.power is not False or reading.current_a is None:
                return None
            values.append(reading.current_a)
        return fmean(values)

    async def _powered(self) -> None:
        try:
            async with asyncio.timeout(self._times.power_s):
                while True:
                    reading = await self._next()
                    self._refuse_trip(reading)
                    if reading.power or (reading.power is None and reading.current_a is not None):
                        return
        except TimeoutError as error:
            raise CountStopped(
                f"the port has no power {self._times.power_s:.0f} s after it was asked for",
                StopCause.NO_POWER,
            ) from error

    async def _next(self) -> Reading:
        try:
            async with asyncio.timeout(self._times.reading_s):
                return await self._read()
        except TimeoutError as error:
            raise CountStopped(
                f"no reading of the port for {self._times.reading_s:.0f} s", StopCause.NO_DATA
            ) from error

    async def _checked(self) -> Reading:
        """The next reading, if the port is still as it must be."""
        reading = await self._next()
        self._refuse_trip(reading)
        if reading.power is False:
            raise CountStopped(
                "the port lost its power during the count: a trip, a hold, or somebody switched it off",
                StopCause.POWER_LOST,
            )
        self._empty = self._empty + 1 if reading.current_a is None else 0
        if self._empty > _EMPTY_READINGS_MAX:
            raise CountStopped("the controller reports no current for this port", StopCause.NO_DATA)
        if reading.current_a is not None and reading.current_a > self._settings.limit_a:
            raise CountStopped(
                f"{reading.current_a:.2f} A is above the limit of this count, {self._settings.limit_a:.2f} A",
                StopCause.OVER_LIMIT,
            )
        return reading

    def _refuse_trip(self, reading: Reading) -> None:
        if reading.tripped:
            raise CountStopped("the fuse of the port opened", StopCause.TRIPPED)

    def _dark(self) -> None:
        self._show(lit(self._map, (), self._levels))

    async def _leave(self, *, finished: bool) -> None:
        """Give the port back, or power it off; a second cancellation does not come between."""
        leaving = asyncio.ensure_future(self._power(None if finished else False))
        cancelled = False
        while not leaving.done():
            try:
                await asyncio.shield(leaving)
            except asyncio.CancelledError:
                if leaving.cancelled():
                    raise
                cancelled = True
        leaving.result()
        if cancelled:
            raise asyncio.CancelledError
