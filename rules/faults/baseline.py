"""What a port draws with nothing lit, learned from its own evenings; and slow drift away from it.

While a port has power, runs of steady current are looked for: a dark moment is one, a still picture
another. In each window of 10 min the lowest steady level counts, so a single bad sample does not and lit
moments do not matter. An evening's idle current is the median of the lowest quarter of its windows; the
baseline is the median of the last evenings, and their scatter is 1.4826 × MAD (consistent for a normal
spread; from memory).

A fault must not be learned as normal. Windows with a raised condition are left out; the first evenings must
lie near the current computed from the pixels, where that is known; later ones within a tenth of the
baseline; and the baseline never moves further than a quarter from where it was first learned. A person can
ask for relearning.

Slow drift is watched by a two-sided CUSUM over evenings (Page 1954). With k = 0.5 and h = 5, in units of
the scatter, it raises a false alarm once in about 465 evenings and sees a shift of one unit in about 10, if
evenings scatter normally and independently around a baseline known well; ours is estimated from few, so
treat the rate as the order of magnitude.

Pure: no clock.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from statistics import median
from typing import Final, NamedTuple

WINDOW_S: Final = 600.0
LEAST_WINDOW_S: Final = 300.0
"""A window that covers less says nothing."""
LEAST_WINDOWS: Final = 3
"""An evening with fewer windows goes on with the next."""
RUN_SAMPLES: Final = 3
"""So many samples in a row within the band are a steady level."""
RUN_BAND: Final = 0.04
RUN_BAND_LEAST_A: Final = 0.015
"""A steady level scatters by less than the larger of these around its mean (fraction, [A])."""
RUN_GAP_S: Final = 5.0
"""A run does not go over a longer break between samples [s]."""
EVENINGS: Final = 15
"""So many last evenings make the baseline."""
LEAST_EVENINGS: Final = 3
"""Evenings until it is believed."""
COMPUTED_BAND: Final = (0.5, 4.0)
"""A first evening lies within these multiples of the computed idle current (chips draw 0.7 to 2.6 mA where
the catalogue says 0.7 mA)."""
EVENING_BAND: Final = 0.10
"""A later evening lies within this fraction of the baseline."""
ANCHOR_BAND: Final = 0.25
"""The baseline stays within this fraction of where it was first learned."""
MAD_TO_SIGMA: Final = 1.4826
LEAST_SIGMA: Final = 0.01
"""Evenings scatter by at least this fraction: supply voltage and temperature move that much."""
CUSUM_K: Final = 0.5
CUSUM_H: Final = 5.0
CUSUM_EVENINGS: Final = 8
"""Evenings until drift is judged: from fewer the scatter is hardly known."""


class Learning(NamedTuple):
    """An evening under way: the lows of its finished windows [A], and what the present one has seen.

    begun_s, last_s: its first and last sample [monotonic s], None without a window; run_a, run_count: the
    present run's mean [A] and samples; low_a, low_count: the same of the lowest steady level. In one tuple,
    because one is made for every reading of a powered port.
    """

    lows_a: tuple[float, ...] = ()
    begun_s: float | None = None
    last_s: float = 0.0
    run_a: float = 0.0
    run_count: int = 0
    low_a: float = 0.0
    low_count: int = 0


class Taken(StrEnum):
    """What became of an evening."""

    LEARNED = "learned"
    TOO_SHORT = "too-short"
    """Too few windows: nothing changed, and it goes on."""
    NOT_AS_COMPUTED = "not-as-computed"
    """Far from what the pixels should draw: the string or its configuration is wrong."""
    TOO_FAR = "too-far"
    """Too far from the baseline, or the baseline would move too far; relearning takes a person."""


class Drift(StrEnum):
    """What the CUSUM over evenings says."""

    NONE = "none"
    RISEN = "risen"
    FALLEN = "fallen"


@dataclass(frozen=True, slots=True)
class Cusum:
    """Two-sided cumulative sum of standardised values; both sides begin at 0 and after a signal again."""

    high: float = 0.0
    low: float = 0.0

    def add(self, z: float, k: float = CUSUM_K, h: float = CUSUM_H) -> tuple["Cusum", Drift]:
        """After one value `z` [sigma]: k is half the shift to be seen, h the decision limit."""
        high = max(0.0, self.high + z - k)
        low = max(0.0, self.low - z - k)
        if high > h:
            return Cusum(), Drift.RISEN
        if low > h:
            return Cusum(), Drift.FALLEN
        return Cusum(high, low), Drift.NONE


@dataclass(frozen=True, slots=True)
class Baseline:
    """What was learned of a port.

    evenings_a: idle currents of the last evenings [A]; rises_a: how far the lows of their windows lay above
    [A]; anchor_a: the first believed baseline [A]; cusum: the drift so far.
    """

    evenings_a: tuple[float, ...] = ()
    rises_a: tuple[float, ...] = ()
    anchor_a: float | None = None
    cusum: Cusum = Cusum()

    @property
    def idle_a(self) -> float | None:
        """The learned idle current [A]; None until enough evenings were learned."""
        return median(self.evenings_a) if len(self.evenings_a) >= LEAST_EVENINGS else None

    @property
    def spread_a(self) -> float:
        """How far the quietest moment of an ordinary window may lie above the idle current [A]."""
        return max(self.rises_a, default=0.0)

    @property
    def sigma_a(self) -> float:
        """The scatter from evening to evening [A]."""
        if not self.evenings_a:
            return 0.0
        middle_a = median(self.evenings_a)
        mad_a = median(abs(value_a - middle_a) for value_a in self.evenings_a)
        return max(MAD_TO_SIGMA * mad_a, LEAST_SIGMA * middle_a)


def from_store(idle_a: float, spread_a: float) -> Baseline:
    """A baseline of which only idle current and spread [A] were kept: believed, and learning on."""
    return Baseline((idle_a,) * LEAST_EVENINGS, (spread_a,), idle_a)


def watch(learning: Learning, at_s: float, current_a: float, *, healthy: bool) -> Learning:
    """After a plausible current under power, measured `at_s` [monotonic s].

    healthy: no condition of the port is raised; else what the window has seen is thrown away.
    """
    lows_a, begun_s, last_s, run_a, run_count, low_a, low_count = learning
    if not healthy:
        return learning if begun_s is None else Learning(lows_a)
    if begun_s is None:
        return Learning(lows_a, at_s, at_s, current_a, 1)
    if at_s <= last_s:
        return learning
    if at_s - last_s > WINDOW_S or at_s - begun_s >= WINDOW_S:
        return Learning(_finished(learning), at_s, at_s, current_a, 1)
    if at_s - last_s <= RUN_GAP_S and abs(current_a - run_a) <= _band(run_a):
        run_count += 1
        run_a += (current_a - run_a) / run_count
        return Learning(lows_a, begun_s, at_s, run_a, run_count, low_a, low_count)
    low_a, low_count = _lowest(learning)
    return Learning(lows_a, begun_s, at_s, current_a, 1, low_a, low_count)


def evening_ended(
    baseline: Baseline, learning: Learning, computed_a: float | None
) -> tuple[Baseline, Learning, Taken, Drift]:
    """After the port was switched off: what was learned, what became of the evening, and whether it drifts.

    computed_a: idle current computed from the pixels [A], None where not known.
    """
    lows_a = _finished(learning)
    if len(lows_a) < LEAST_WINDOWS:
        return baseline, Learning(lows_a), Taken.TOO_SHORT, Drift.NONE
    evening_a = idle_of(lows_a)
    known_a = baseline.idle_a
    cusum, drift = baseline.cusum, Drift.NONE
    if known_a is not None and baseline.anchor_a is not None and len(baseline.evenings_a) >= CUSUM_EVENINGS:
        cusum, drift = cusum.add((evening_a - baseline.anchor_a) / baseline.sigma_a)
    taken = _judge(baseline, evening_a, computed_a)
    if taken is not Taken.LEARNED:
        after = baseline if cusum == baseline.cusum else replace(baseline, cusum=cusum)
        return after, Learning(), taken, drift
    if known_a is None and any(abs(a - evening_a) > ANCHOR_BAND * evening_a for a in baseline.evenings_a):
        baseline = Baseline()  # the first evenings contradict each other: begin with this one
    after = replace(
        baseline,
        evenings_a=(*baseline.evenings_a, evening_a)[-EVENINGS:],
        rises_a=(*baseline.rises_a, max(lows_a) - evening_a)[-EVENINGS:],
        cusum=cusum,
    )
    if len(after.evenings_a) == CUSUM_EVENINGS or after.anchor_a is None:
        after = replace(after, anchor_a=after.idle_a)
    return after, Learning(), taken, drift


def idle_of(lows_a: Sequence[float]) -> float:
    """An evening's idle current [A] from the lows of its windows: the median of their lowest quarter."""
    ordered_a = sorted(lows_a)
    return median(ordered_a[: -(-len(ordered_a) // 4)])


def _judge(baseline: Baseline, evening_a: float, computed_a: float | None) -> Taken:
    known_a = baseline.idle_a
    if known_a is None:
        if computed_a is not None and not (
            COMPUTED_BAND[0] * computed_a <= evening_a <= COMPUTED_BAND[1] * computed_a
        ):
            return Taken.NOT_AS_COMPUTED
        return Taken.LEARNED
    if abs(evening_a - known_a) > EVENING_BAND * known_a:
        return Taken.TOO_FAR
    if baseline.anchor_a is not None and abs(evening_a - baseline.anchor_a) > ANCHOR_BAND * baseline.anchor_a:
        return Taken.TOO_FAR
    return Taken.LEARNED


def _finished(learning: Learning) -> tuple[float, ...]:
    """The lows [A] with the present window's, where it has seen enough to have one."""
    if learning.begun_s is None or learning.last_s - learning.begun_s < LEAST_WINDOW_S:
        return learning.lows_a
    low_a, count = _lowest(learning)
    return (*learning.lows_a, low_a) if count else learning.lows_a


def _lowest(learning: Learning) -> tuple[float, int]:
    """The lowest steady level with the present run taken in; runs at the same level are averaged."""
    low_a, low_count = learning.low_a, learning.low_count
    run_a, count = learning.run_a, learning.run_count
    if count < RUN_SAMPLES:
        return low_a, low_count
    if not low_count or run_a < low_a - _band(low_a):
        return run_a, count
    if abs(run_a - low_a) <= _band(low_a):
        total = low_count + count
        return (low_a * low_count + run_a * count) / total, total
    return low_a, low_count


def _band(level_a: float) -> float:
    return max(RUN_BAND_LEAST_A, RUN_BAND * level_a)
