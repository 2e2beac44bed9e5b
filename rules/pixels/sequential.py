"""Deciding by repeated readings: when enough of them were taken.

Wald's sequential probability ratio test, and the CUSUM chart (Page), for Gaussian steps in noise.
"""

import math
from dataclasses import dataclass


@dataclass(slots=True)
class RatioTest:
    """Wald's sequential test of "the mean is 0" against "the mean is `step`" for Gaussian values.

    `error` bounds both kinds of wrong decision. `decision`: None until decided, then whether the step is
    there. Larger means than `step` only decide sooner.
    """

    step: float
    error: float
    ratio: float = 0.0
    decision: bool | None = None

    def add(self, value: float, noise: float) -> bool | None:
        """Take one value whose standard deviation is `noise`; the decision so far."""
        self.ratio += self.step * (value - self.step / 2.0) / (noise * noise)
        bound = math.log((1.0 - self.error) / self.error)
        if abs(self.ratio) >= bound:
            self.decision = self.ratio > 0.0
        return self.decision


@dataclass(slots=True)
class Cusum:
    """One-sided CUSUM of standardised values: tells a lasting shift upward.

    k: allowance, half the shift to be found; h: decision interval; both in standard deviations.
    `since`: how many values the present rise is old, an estimate of when the shift began.
    """

    k: float
    h: float
    level: float = 0.0
    since: int = 0

    def add(self, value: float) -> bool:
        """Take one value; whether the chart is above its decision interval."""
        self.level = max(0.0, self.level + value - self.k)
        self.since = self.since + 1 if self.level > 0.0 else 0
        return self.level > self.h
