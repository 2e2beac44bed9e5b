"""What a count learns of its current sensor: noise, quantisation step, refresh, settling."""

import math
from itertools import pairwise
from statistics import fmean, median

from rules.pixels.counting_types import Values

TIME_SLACK_S = 1e-6
NOISE_LEAST_A = 1e-6
"""No sensor is believed to be quieter than this."""
_DISTINCT_KEPT = 400
"""Distinct values kept to find the sensor's step; more tell nothing new."""
_QUANTISATION_SD = 1.0 / math.sqrt(12.0)
"""Standard deviation of a rounding error, in steps."""
_DITHER_SD = 0.3
"""Noise below this many steps no longer dithers the converter usefully: averaging does not help."""


class Sensor:
    """What is known of the sensor: noise, step, refresh. Fed by the session, read by the search."""

    def __init__(self, settle_s: float) -> None:
        self.settle_s = settle_s
        self.refresh_s: float | None = None
        self._squares = 0.0
        self._freedom = 0
        self._distinct: set[float] = set()
        self.step_a = 0.0

    def note(self, values: list[float]) -> None:
        """Take values read under one constant pattern."""
        if len(values) > 1:
            mean = fmean(values)
            self._squares += sum((value - mean) ** 2 for value in values)
            self._freedom += len(values) - 1
        if len(self._distinct) < _DISTINCT_KEPT:
            self._distinct.update(round(value, 7) for value in values)
            ordered = sorted(self._distinct)
            self.step_a = min((b - a for a, b in pairwise(ordered)), default=0.0)

    @property
    def spread_a(self) -> float:
        """Pooled standard deviation of readings under constant patterns [A]."""
        return math.sqrt(self._squares / self._freedom) if self._freedom else 0.0

    @property
    def dithered(self) -> bool:
        """Whether noise moves the converter enough for averaging to help."""
        return self.spread_a >= _DITHER_SD * self.step_a

    @property
    def noise_a(self) -> float:
        """Noise of one reading to reckon with [A], on the safe side of what few readings tell."""
        if not self.dithered:
            return max(self.step_a / 2.0, NOISE_LEAST_A)
        safety = 1.0 + 1.5 * math.sqrt(2.0 / max(self._freedom, 8))
        return max(self.spread_a, self.step_a * _QUANTISATION_SD, NOISE_LEAST_A) * math.sqrt(safety)

    def error_of_mean_a(self, readings: int) -> float:
        """Standard error of a mean of `readings` [A]; rounding that noise does not dither stays."""
        averaged = self.noise_a / math.sqrt(readings)
        return averaged if self.dithered else max(averaged, self.step_a * _QUANTISATION_SD)

    def find_refresh(self, values: Values) -> bool:
        """Whether `values`, read under one pattern, tell how often the sensor has a new value.

        Readings faster than the sensor repeat its last value exactly. Noise repeats a value by chance,
        but then some changes follow each other at once.
        """
        changes = [at for (_, before), (at, value) in pairwise(values) if abs(value - before) > 1e-9]
        if len(changes) < 5:
            return False
        gaps = [later - earlier for earlier, later in pairwise(changes)]
        poll_s = median(later - earlier for (earlier, _), (later, _) in pairwise(values))
        shortest = min(gaps)
        if shortest > 1.5 * poll_s:
            self.refresh_s = shortest + poll_s * 0.5
            self.settle_s = max(self.settle_s, 2.0 * self.refresh_s)
        return True

    def distinct(self, values: Values) -> list[float]:
        """One current [A] for each value the sensor had, out of `values` read under one pattern."""
        kept: list[float] = []
        last_s = -math.inf
        for at, value in values:
            if at - last_s >= (self.refresh_s or 0.0) - TIME_SLACK_S:
                kept.append(value)
                last_s = at
        return kept
