"""What every stage of a count measures with: looks, toggles, and the test for a step.

The stages stand in `rules.pixels.counting_search`.
"""

import math
from collections.abc import Callable, Generator
from statistics import fmean
from typing import NoReturn

from rules.pixels.counting_sensor import Sensor
from rules.pixels.counting_types import Ask, Cause, CountSettings, Values
from rules.pixels.sequential import RatioTest

_BETWEEN = 0.25
"""A mean between this share of a step and the rest of it is neither nothing nor a step."""
_BETWEEN_ERROR = 0.07

Looking = Generator[Ask, Values, float]


class Refused(Exception):  # noqa: N818 - carries an answer, not an error
    """Ends the search with a refusal: cause, one sentence, readings needed (None: more do not help)."""

    def __init__(self, cause: Cause, reason: str, needed: int | None = None) -> None:
        self.cause, self.reason, self.needed = cause, reason, needed
        super().__init__(reason)


class Bench:
    """Asks for light and readings, and keeps what is known: base, step of one pixel, error spent."""

    def __init__(self, sensor: Sensor, settings: CountSettings, used: Callable[[], int]) -> None:
        self.sensor = sensor
        self.capacity = settings.capacity
        self.limit_a = settings.limit_a
        self.settings = settings
        self.used = used
        self.stage = "dark"
        self.base_a = 0.0
        self.pixel_a = 0.0
        self.spent_error = 0.0
        self.notes: list[str] = []

    def look(self, *lit: range, readings: int) -> Looking:
        """Mean current [A] with `lit`."""
        count = sum(map(len, lit))
        if self.pixel_a and self.base_a + count * self.pixel_a * 1.1 > self.limit_a:
            raise Refused(
                Cause.LIMIT,
                f"lighting {count} pixels would pass the limit of {self.limit_a:.2f} A",
            )
        values = yield Ask(tuple(part for part in lit if part), readings, self.stage)
        return fmean(value for _, value in values)

    def rebase(self, readings: int) -> Generator[Ask, Values, None]:
        """Look at the base anew: it drifts with temperature."""
        self.base_a = yield from self.look(readings=readings)

    def response(self, lit: range, readings: int) -> Looking:
        """Current [A] that `lit` adds to the base as last seen."""
        return (yield from self.look(lit, readings=readings)) - self.base_a

    def room(self, wanted: int) -> int:
        """How many of `wanted` pixels may be lit together."""
        room = int((self.limit_a - self.base_a) / (self.pixel_a * 1.15))
        if room < 1:
            raise Refused(
                Cause.LIMIT,
                f"the dark string already draws {self.base_a:.2f} A; the limit of {self.limit_a:.2f} A "
                "leaves no room to light one pixel",
            )
        return min(wanted, room)

    def toggle(
        self, lit: range, half: int, base: range = range(0)
    ) -> Generator[Ask, Values, tuple[float, float]]:
        """ABBA: (current that `lit` adds [A], its standard error [A]) from `half` readings per phase."""
        first = yield from self.look(base, readings=half)
        with_first = yield from self.look(base, lit, readings=half)
        with_second = yield from self.look(base, lit, readings=half)
        second = yield from self.look(base, readings=half)
        if not base:
            self.base_a = (first + second) / 2.0
        added_a = (with_first + with_second - first - second) / 2.0
        # Rounding that noise does not dither is dithered by a changing base (see present).
        return added_a, self.sensor.noise_a / math.sqrt(half)

    def measured(self, lit: range, wanted_error_a: float) -> Looking:
        """Current [A] that `lit` adds, by toggles until its standard error is small enough."""
        total, count = 0.0, 0
        while True:
            total += (yield from self.toggle(lit, 3))[0]
            count += 1
            enough = self.averages(6 * count) <= wanted_error_a
            if enough or not self.sensor.dithered or 12 * count >= self.settings.max_readings // 3:
                return total / count

    def averages(self, readings: int) -> float:
        """Standard error [A] of the difference of two levels with `readings` each."""
        return math.sqrt(2.0) * self.sensor.error_of_mean_a(readings)

    def too_small(self, needed: int | None) -> NoReturn:
        """Refuse: this sensor does not tell one pixel, or only with `needed` readings in all."""
        step_ma, sensor_ma = self.pixel_a * 1000.0, self.sensor.step_a * 1000.0
        raise Refused(
            Cause.STEP_TOO_SMALL,
            f"one pixel adds about {step_ma:.1f} mA; the sensor moves in steps of {sensor_ma:.1f} mA with "
            f"{self.sensor.spread_a * 1000.0:.1f} mA of noise"
            + (
                f": about {needed} readings would be needed, {self.settings.max_readings} are allowed"
                if needed is not None
                else ", and rounding without noise does not average out. Light more colours or brighter"
            ),
            needed,
        )

    def pairs_expected(self, step_a: float) -> float:
        """Readings per level that a sequential test of `step_a` [A] takes, roughly."""
        bound = math.log(1.0 / self.settings.error)
        return 2.0 * bound * 2.0 * (self.sensor.noise_a / step_a) ** 2

    def present(
        self, lit: range, step_a: float, error: float | None = None, dither: int = 0
    ) -> Generator[Ask, Values, bool]:
        """Whether `lit` adds a step or more (True) or nothing (False).

        dither: pixels from the start that may be lit as a changing base where the sensor's own noise does
        not dither it. Refuses where the answer stays between.
        """
        error = error or self.settings.error
        test = RatioTest(step_a, error)
        expected = self.pairs_expected(step_a)
        half = max(1, min(8, math.ceil(expected / 5.0)))
        base = range(0)
        turn = total = 0.0
        while True:
            if not self.sensor.dithered and dither:
                base = range(int(turn) * 7 % (dither + 1))
            added_a, error_a = yield from self.toggle(lit, half, base)
            # One wild reading must not decide: values are held to what a step can make of them.
            reach_a = 3.0 * error_a
            held_a = max(-step_a - reach_a, min(added_a, 2.0 * step_a + reach_a))
            test.add(held_a, error_a)
            turn += 1
            total += held_a
            decided = test.decision is not None
            # A share of a step is neither: look until the mean itself is plain, then say so.
            mean_error_a = error_a / math.sqrt(turn)
            between = _BETWEEN * step_a < total / turn < (1.0 - _BETWEEN) * step_a
            if between and (
                mean_error_a < _BETWEEN_ERROR * step_a or turn * half * 2 > max(60.0, 12.0 * expected)
            ):
                raise Refused(
                    Cause.UNCLEAR_END,
                    f"lighting pixels {lit.start + 1} to {lit.stop} adds {total / turn * 1000:.1f} mA, "
                    f"between nothing and one pixel ({step_a * 1000:.1f} mA): does a second feed carry "
                    "part of it? Count with all feeds of the prop measured together",
                )
            if decided and not between:
                self.spent_error += error
                return total / turn > step_a / 2.0

    def dither(self, before: int, lit: int) -> int:
        """How many of the `before` pixels from the start may serve `present` as a changing base.

        Refuses where the sensor's own noise does not dither it and they could not either.
        """
        room = self.room(before + lit) - lit
        dither = max(0, min(before, room, 40))
        if (
            not self.sensor.dithered
            and self.pixel_a < self.sensor.step_a
            and dither * self.pixel_a < 2.0 * self.sensor.step_a
        ):
            self.too_small(None)
        return dither
