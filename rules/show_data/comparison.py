"""What a port draws, against what its show data should make it draw.

A model turns levels into a current; real strings differ from it by a few percent, so a straight line from
computed to measured current is learned per port: ``measured = a + g (computed - dark)``, by Bayesian linear
regression with a prior around the configuration (normal errors; standard textbook method). Its own
uncertainty widens the tolerance at levels that were not seen yet, so nothing is told of them.

Levels may change faster than readings come. A reading is therefore compared with the lowest and the highest
computed current around its moment, left out where those are far apart, and judged over a window: part of the
string is dark when the mean of the readings stays below the lowest the data allow, less the tolerance.
Where levels never stand still long enough there is no verdict.

The tolerance is stated: 3 % of what is expected and 12 mA (more than one step of a coarse sensor), and 2.5
standard deviations of the learned line. A departure is told 5 s after it fills a window of 20 s, so within
30 s at a reading a second. Nothing is told before 12 windows of 10 s agreed with the configuration within
the prior; a port that does not agree is not learned on that evening.

Pure: no clock; members are replaced.
"""

import math
import struct
from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum
from statistics import fmean
from typing import Final, NamedTuple

from rules.errors import RulesError

BEFORE_S: Final = 1.0
"""A sensor may average or repeat its value for this long [s] …"""
AFTER_S: Final = 0.25
"""… and a reading is measured this long [s] after it was asked for, at the most."""
LEAST_POINTS: Final = 3
STILL_FRACTION: Final = 0.2
STILL_LEAST_A: Final = 0.05
"""Readings count while the computed currents around them differ by less than the larger of these."""
WINDOW_S: Final = 20.0
SAMPLE_S: Final = 0.25
"""Readings that come faster than this [s] are thinned out."""
LEAST_SAMPLES: Final = 4
LEAST_SPAN_S: Final = 8.0
STANDS_S: Final = 5.0
"""A departure is told when it has stood for this long [s], and the newest readings are in it."""
NEWEST: Final = 3
TOLERANCE_FRACTION: Final = 0.03
TOLERANCE_A: Final = 0.012
SPREADS: Final = 2.5
GAIN_SD: Final = 0.15
"""How far a string's gain may lie from its configuration (standard deviation): chips, limits, gamma."""
GAIN_MOST: Final = 0.35
"""A gain further from 1 than this is not learned: pixels, chip or slots in the configuration are wrong."""
DARK_SD: Final = 0.3
DARK_SD_LEARNED: Final = 0.03
DARK_SD_LEAST_A: Final = 0.01
LEARN_S: Final = 10.0
"""One window teaches once per this time [s]: looks of one moment resemble each other."""
LEARN_SD_FRACTION: Final = 0.02
LEARN_SD_LEAST_A: Final = 0.01
LEARNED_WINDOWS: Final = 12
"""So many windows (2 min) until departures are told."""
MEMORY_WINDOWS: Final = 360
"""The line follows slow change over about so many windows (1 h)."""
_POINTS_S: Final = 3.0
_WAITING_MOST: Final = 16
_PACKED: Final = struct.Struct("<2d5dI")


class Point(NamedTuple):
    """What the model makes of the levels at `at_s` [monotonic s]."""

    at_s: float
    computed_a: float


class Sample(NamedTuple):
    """A reading, and the lowest and highest current computed around it [A]."""

    at_s: float
    measured_a: float
    low_a: float
    high_a: float


class Departed(StrEnum):
    """How a port departs from its show data."""

    BELOW = "below"
    ABOVE = "above"


@dataclass(frozen=True, slots=True)
class Line:
    """The learned line: information matrix and vector of (a, g), and the windows that made it."""

    p00: float
    p01: float
    p11: float
    b0: float
    b1: float
    windows: int = 0

    @property
    def estimate(self) -> tuple[float, float]:
        """(a [A], g)."""
        det = self.p00 * self.p11 - self.p01 * self.p01
        return (self.p11 * self.b0 - self.p01 * self.b1) / det, (
            self.p00 * self.b1 - self.p01 * self.b0
        ) / det

    def sd_a(self, above_dark_a: float) -> float:
        """Standard deviation [A] of the line at a computed current so far above dark."""
        det = self.p00 * self.p11 - self.p01 * self.p01
        u = above_dark_a
        return math.sqrt(max(0.0, (self.p11 - 2.0 * u * self.p01 + u * u * self.p00) / det))

    def taught(self, above_dark_a: float, measured_a: float, sd_a: float, prior: "Line") -> "Line":
        """The line after one window; beyond the memory the oldest gives way to the prior."""
        keep = 1.0 if self.windows < MEMORY_WINDOWS else 1.0 - 1.0 / MEMORY_WINDOWS
        back, weight, u = 1.0 - keep, 1.0 / (sd_a * sd_a), above_dark_a
        return Line(
            keep * self.p00 + back * prior.p00 + weight,
            keep * self.p01 + back * prior.p01 + weight * u,
            keep * self.p11 + back * prior.p11 + weight * u * u,
            keep * self.b0 + back * prior.b0 + weight * measured_a,
            keep * self.b1 + back * prior.b1 + weight * u * measured_a,
            self.windows + 1,
        )


def prior_of(dark_a: float, *, learned: bool) -> Line:
    """What is believed of a port before it was heard: idle current `dark_a` [A], as learned or computed."""
    sd_a = (DARK_SD_LEARNED if learned else DARK_SD) * dark_a + DARK_SD_LEAST_A
    p00, p11 = 1.0 / (sd_a * sd_a), 1.0 / (GAIN_SD * GAIN_SD)
    return Line(p00, 0.0, p11, p00 * dark_a, p11)


@dataclass(frozen=True, slots=True)
class Comparison:
    """One port. `dark_a`, `full_a`: of its model [A]; the rest is what was seen and learned.

    departed: what stands; since_s: since when the other is true [monotonic s]; misfit: before the line was
    learned, currents do not fit the configuration (told once).
    """

    dark_a: float
    full_a: float
    prior: Line
    line: Line
    points: tuple[Point, ...] = ()
    waiting: tuple[tuple[float, float], ...] = ()
    samples: tuple[Sample, ...] = ()
    departed: Departed | None = None
    leans: Departed | None = None
    since_s: float | None = None
    taught_s: float = -math.inf
    misfit: bool = False

    @property
    def learned(self) -> bool:
        """Whether departures are told."""
        return self.line.windows >= LEARNED_WINDOWS

    def expected_a(self, computed_a: float) -> float:
        """What the port should draw [A] where the model says `computed_a`."""
        a, g = self.line.estimate
        return max(0.0, a + g * (computed_a - self.dark_a))


class Judgement(NamedTuple):
    """The means of a window [A]: measured, least and most allowed by the data, and the tolerance."""

    measured_a: float
    low_a: float
    high_a: float
    tolerance_a: float

    @property
    def departed(self) -> Departed | None:
        """Beyond the tolerance."""
        if self.measured_a < self.low_a - self.tolerance_a:
            return Departed.BELOW
        return Departed.ABOVE if self.measured_a > self.high_a + self.tolerance_a else None

    @property
    def fits(self) -> bool:
        """Well within it: a departure is over."""
        half_a = self.tolerance_a / 2.0
        return self.low_a - half_a <= self.measured_a <= self.high_a + half_a

    def limit_a(self, departed: Departed) -> float:
        """The bound [A] that was passed."""
        if departed is Departed.BELOW:
            return self.low_a - self.tolerance_a
        return self.high_a + self.tolerance_a


def fresh(dark_a: float, full_a: float, idle_a: float | None, *, learned: bool) -> Comparison:
    """A port that was not heard yet. idle_a: its own idle current [A] if known, `learned` on it or not."""
    prior = prior_of(dark_a if idle_a is None else idle_a, learned=learned)
    return Comparison(dark_a, full_a, prior, prior)


def evening_over(state: Comparison) -> Comparison:
    """The power went off; a port that did not fit is looked at anew on the next evening."""
    return replace(interrupted(state), misfit=False)


def read(state: Comparison, measured_s: float, current_a: float) -> Comparison:
    """A plausible current under power; it waits until the levels around its moment are known."""
    if state.waiting and measured_s - state.waiting[-1][0] < SAMPLE_S:
        return state
    return replace(state, waiting=(*state.waiting, (measured_s, current_a))[-_WAITING_MOST:])


def interrupted(state: Comparison) -> Comparison:
    """No power, no data, or somebody else's pattern: what was gathered says nothing any more."""
    if not state.points and not state.waiting and not state.samples and state.since_s is None:
        return state
    return replace(state, points=(), waiting=(), samples=(), leans=None, since_s=None)


def heard(
    state: Comparison, points: Iterable[Point], *, healthy: bool
) -> tuple[Comparison, Judgement | None]:
    """After new computed currents (in order of time): the state, and the judgement of the last window.

    healthy: nothing else is wrong with the port; else the line is not taught.
    """
    known = (*state.points, *points)
    if not known:
        return state, None
    newest_s = known[-1].at_s
    known = tuple(point for point in known if point.at_s >= newest_s - _POINTS_S)
    samples, waiting = list(state.samples), []
    for at_s, measured_a in state.waiting:
        if at_s + AFTER_S > newest_s:
            waiting.append((at_s, measured_a))
            continue
        around = [p.computed_a for p in known if at_s - BEFORE_S <= p.at_s <= at_s + AFTER_S]
        if len(around) < LEAST_POINTS:
            continue
        low_a, high_a = min(around), max(around)
        if high_a - low_a <= max(STILL_LEAST_A, STILL_FRACTION * high_a):
            samples.append(Sample(at_s, measured_a, low_a, high_a))
    kept = tuple(sample for sample in samples if sample.at_s >= newest_s - WINDOW_S)
    state = replace(state, points=known, waiting=tuple(waiting), samples=kept)
    judgement = judge(state)
    if judgement is None:
        return state, None
    state = _lean(state, judgement, newest_s)
    return _teach(state, newest_s, healthy=healthy), judgement


def judge(state: Comparison) -> Judgement | None:
    """The window as it is; None where it says too little."""
    samples = state.samples
    if len(samples) < LEAST_SAMPLES or samples[-1].at_s - samples[0].at_s < LEAST_SPAN_S:
        return None
    a, g = state.line.estimate
    low_a = a + g * (fmean(sample.low_a for sample in samples) - state.dark_a)
    high_a = a + g * (fmean(sample.high_a for sample in samples) - state.dark_a)
    middle_a = fmean((sample.low_a + sample.high_a) / 2.0 for sample in samples) - state.dark_a
    tolerance_a = TOLERANCE_FRACTION * max(high_a, 0.0) + TOLERANCE_A + SPREADS * state.line.sd_a(middle_a)
    return Judgement(fmean(sample.measured_a for sample in samples), low_a, high_a, tolerance_a)


def _lean(state: Comparison, judgement: Judgement, at_s: float) -> Comparison:
    wanted = judgement.departed
    if state.departed is not None and wanted is not state.departed and not judgement.fits:
        wanted = state.departed  # between the limit and its deadband it stays as it is
    if wanted is state.departed:
        return state if state.since_s is None else replace(state, leans=None, since_s=None)
    if state.since_s is None or state.leans is not wanted:
        return replace(state, leans=wanted, since_s=at_s)
    if at_s - state.since_s < STANDS_S:
        return state
    if wanted is not None and not _goes_on(state, wanted, judgement.tolerance_a / 2.0):
        return state  # it was a moment, and the window still remembers it
    if not state.learned:
        return replace(state, leans=wanted, misfit=True, line=state.prior)
    return replace(state, departed=wanted, leans=None, since_s=None)


def _goes_on(state: Comparison, departed: Departed, beyond_a: float) -> bool:
    """Whether the newest readings depart as well."""
    newest = state.samples[-NEWEST:]
    a, g = state.line.estimate
    measured_a = fmean(sample.measured_a for sample in newest)
    if departed is Departed.BELOW:
        return measured_a < a + g * (fmean(sample.low_a for sample in newest) - state.dark_a) - beyond_a
    return measured_a > a + g * (fmean(sample.high_a for sample in newest) - state.dark_a) + beyond_a


def _teach(state: Comparison, at_s: float, *, healthy: bool) -> Comparison:
    recent = [sample for sample in state.samples if sample.at_s >= at_s - LEARN_S]
    if (
        not healthy
        or state.misfit
        or state.departed is not None
        or state.since_s is not None
        or len(recent) < LEAST_SAMPLES
        or at_s - state.taught_s < LEARN_S
    ):
        return state
    measured_a = fmean(sample.measured_a for sample in recent)
    middle_a = fmean((sample.low_a + sample.high_a) / 2.0 for sample in recent) - state.dark_a
    spread_a = fmean(sample.high_a - sample.low_a for sample in recent) / 2.0
    sd_a = max(LEARN_SD_LEAST_A, LEARN_SD_FRACTION * measured_a, spread_a)
    line = state.line.taught(middle_a, measured_a, sd_a, state.prior)
    if abs(line.estimate[1] - 1.0) > GAIN_MOST:
        return replace(state, line=state.prior, misfit=True)
    return replace(state, line=line, taught_s=at_s)


def pack(state: Comparison) -> bytes:
    """What is learned, for the store."""
    line = state.line
    return _PACKED.pack(
        state.dark_a, state.full_a, line.p00, line.p01, line.p11, line.b0, line.b1, line.windows
    )


def unpacked(state: Comparison, packed: bytes) -> Comparison:
    """The state with what the store kept; as it was where that was learned of another model.

    Raises RulesError where it is no such record.
    """
    try:
        dark_a, full_a, p00, p01, p11, b0, b1, windows = _PACKED.unpack(packed)
    except struct.error as error:
        raise RulesError(f"this is no learned line: {error}") from error
    line = Line(p00, p01, p11, b0, b1, windows)
    if not all(map(math.isfinite, (p00, p01, p11, b0, b1))) or p00 * p11 - p01 * p01 <= 0.0:
        raise RulesError("this is no learned line: its numbers can't be")
    if not (math.isclose(dark_a, state.dark_a) and math.isclose(full_a, state.full_a)):
        return state
    return replace(state, line=line)
