"""Learned idle currents, what is kept out of them, and slow drift."""

from math import erf, sqrt
from random import Random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.faults import baseline
from rules.faults.baseline import Baseline, Cusum, Drift, Learning, Taken, evening_ended, watch

SHIFTS = (0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4)
ARL = {
    4: (167.7, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71),
    5: (465.4, 139.5, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01),
}
"""Average run lengths of the two-sided CUSUM with k = 0.5: Montgomery's table (and NIST/SEMATECH for h = 4),
both from memory, equal to the integral equation."""


def one_sided_arl(h: float, shift: float, k: float = 0.5, points: int = 60) -> float:
    """Average run length of one side by the integral equation (Page 1954), at Gauss-Legendre points."""
    nodes, weights = np.polynomial.legendre.leggauss(points)
    at, weights = (nodes + 1) * h / 2, weights * h / 2
    rows = np.concatenate([[0.0], at])
    matrix = np.empty((points + 1, points + 1))
    matrix[:, 0] = [0.5 * (1 + erf((k - row - shift) / sqrt(2))) for row in rows]
    matrix[:, 1:] = weights * np.exp(-((at[None, :] + k - rows[:, None] - shift) ** 2) / 2) / sqrt(2 * np.pi)
    return float(np.linalg.solve(np.eye(points + 1) - matrix, np.ones(points + 1))[0])


@pytest.mark.parametrize("h", [4, 5])
def test_stated_false_alarm_rate(h):
    """The stated rates are those of the integral equation: 465 values to a false alarm at h = 5."""
    for shift, published in zip(SHIFTS, ARL[h], strict=True):
        both = 1 / (1 / one_sided_arl(h, shift) + 1 / one_sided_arl(h, -shift))
        assert both == pytest.approx(published, rel=0.004)


@pytest.mark.parametrize(("h", "shift"), [(4, 0), (4, 0.5), (4, 1), (4, 2), (5, 1), (5, 2), (5, 4)])
def test_cusum_runs_as_long_as_published(h, shift):
    """Our CUSUM signals after the published average run length, within 4 standard errors."""
    rng, lengths = Random(h * 100 + int(shift * 4)), []
    for _ in range(1500):
        cusum, drift, count = Cusum(), Drift.NONE, 0
        while drift is Drift.NONE:
            cusum, drift = cusum.add(rng.gauss(shift, 1.0), h=h)
            count += 1
        lengths.append(count)
    error = np.std(lengths) / sqrt(len(lengths))
    assert abs(np.mean(lengths) - ARL[h][SHIFTS.index(shift)]) < 4 * error + 0.005


def test_cusum_tells_the_direction():
    """A fall is told as a fall, a rise as a rise."""
    for z, expected in ((1.5, Drift.RISEN), (-1.5, Drift.FALLEN)):
        cusum, told = Cusum(), []
        for _ in range(6):
            cusum, drift = cusum.add(z)
            told.append(drift)
        assert told == [Drift.NONE] * 5 + [expected]


def evening(learning, rng, idle_a, *, hours=1.0, pattern=(4, 16), healthy=True, start_s=0.0, lit_a=1.0):
    """A show that is dark for pattern[0] seconds, then lit for pattern[1], with 4 mA of noise."""
    dark_s, lit_s = pattern
    for second in range(int(hours * 3600)):
        is_dark = second % (dark_s + lit_s) < dark_s
        current_a = idle_a + (0.0 if is_dark else lit_a * rng.random()) + rng.gauss(0, 0.004)
        learning = watch(learning, start_s + second, current_a, healthy=healthy)
    return learning


def learned(idle_a=0.225, evenings=5, seed=1, **kind):
    """A baseline after so many ordinary evenings."""
    known, rng = Baseline(), Random(seed)
    for _ in range(evenings):
        known, _, taken, _ = evening_ended(known, evening(Learning(), rng, idle_a, **kind), None)
        assert taken is Taken.LEARNED
    return known


@pytest.mark.parametrize("pattern", [(4, 16), (20, 0), (30, 300), (3, 3)])
def test_idle_current_is_found_under_the_show(pattern):
    """Whatever plays, the learned current is the one with nothing lit, within 3 %."""
    assert learned(pattern=pattern).idle_a == pytest.approx(0.225, rel=0.03)


def test_believed_after_three_evenings():
    """Two evenings are not believed yet."""
    assert learned(evenings=2).idle_a is None
    assert learned(evenings=3).idle_a is not None


def test_from_the_store():
    """What was kept is believed at once, and the next evenings are learned on top of it."""
    known = baseline.from_store(0.225, 0.02)
    assert (known.idle_a, known.spread_a) == (0.225, 0.02)
    after, _, taken, _ = evening_ended(known, evening(Learning(), Random(12), 0.23), None)
    assert taken is Taken.LEARNED
    assert len(after.evenings_a) == 4
    assert evening_ended(known, evening(Learning(), Random(12), 0.15), None)[2] is Taken.TOO_FAR


def test_single_bad_samples_are_not_learned():
    """A zero now and then does not pull the baseline down."""
    learning, rng = Learning(), Random(3)
    for second in range(3600):
        current_a = 0.0 if second % 97 == 0 else 0.225 + rng.gauss(0, 0.004)
        learning = watch(learning, second, current_a, healthy=True)
    assert len(learning.lows_a) >= baseline.LEAST_WINDOWS
    assert baseline.idle_of(learning.lows_a) == pytest.approx(0.225, rel=0.02)


def test_a_fault_is_not_learned():
    """With a condition raised nothing is learned; the window it spoiled is thrown away."""
    learning = evening(Learning(), Random(4), 0.1, healthy=False)
    assert learning == Learning()
    before = evening(Learning(), Random(4), 0.225, hours=0.5)
    assert watch(before, 1800, 0.1, healthy=False) == Learning(before.lows_a)


def test_a_dark_tail_is_not_learned_as_normal():
    """Evenings more than a tenth off are not learned, however many come."""
    known, rng = learned(), Random(5)
    for _ in range(30):
        after, _, taken, _ = evening_ended(known, evening(Learning(), rng, 0.18), None)
        assert taken is Taken.TOO_FAR
        assert after.evenings_a == known.evenings_a
        known = after


def test_creeping_ends_at_the_anchor():
    """A current that creeps by 1 % an evening is not followed beyond a quarter from where it was learned."""
    known, rng, idle_a, drifts = learned(evenings=8), Random(6), 0.225, []
    for _ in range(60):
        idle_a *= 1.01
        known, _, _, drift = evening_ended(known, evening(Learning(), rng, idle_a, hours=0.6), None)
        drifts.append(drift)
    assert known.idle_a < 1.26 * 0.225
    assert known.idle_a > 1.1 * 0.225, "it is followed at first"
    assert Drift.RISEN in drifts[:10], "the CUSUM tells it within ten evenings"


def test_compared_with_the_computed_current():
    """First evenings far from what the pixels draw are not learned: half of it, or four times as much."""
    for idle_a, taken in ((0.03, Taken.NOT_AS_COMPUTED), (0.07, Taken.LEARNED), (0.9, Taken.NOT_AS_COMPUTED)):
        assert evening_ended(Baseline(), evening(Learning(), Random(7), idle_a), 0.07)[2] is taken


def test_first_evenings_that_contradict_each_other_begin_anew():
    """One odd first evening does not keep the port from learning."""
    known, rng = Baseline(), Random(8)
    for idle_a in (0.5, 0.225, 0.225):
        known = evening_ended(known, evening(Learning(), rng, idle_a), None)[0]
    assert known.idle_a is None
    known = evening_ended(known, evening(Learning(), rng, 0.225), None)[0]
    assert known.idle_a == pytest.approx(0.225, rel=0.03)


def test_short_evenings_add_up():
    """An evening with too few windows is not lost: it goes on with the next."""
    rng = Random(9)
    known, rest, taken, _ = evening_ended(Baseline(), evening(Learning(), rng, 0.225, hours=0.3), None)
    assert taken is Taken.TOO_SHORT
    rest = evening(rest, rng, 0.225, hours=0.4, start_s=90_000)
    assert evening_ended(known, rest, None)[2] is Taken.LEARNED


def test_spread_covers_glowing_windows():
    """Windows that never get dark widen the spread, so that a standing picture is not told as leakage."""
    learning, rng = Learning(), Random(10)
    learning = evening(learning, rng, 0.225, hours=1.0)
    learning = evening(learning, rng, 0.5, hours=0.5, start_s=3600, pattern=(20, 0))
    known, _, _, _ = evening_ended(Baseline(), learning, None)
    assert known.spread_a > 0.2
    assert known.evenings_a[0] == pytest.approx(0.225, rel=0.03)


def test_no_drift_on_ordinary_evenings():
    """A season of ordinary evenings with 0.5 % of scatter tells no drift."""
    known, rng = learned(evenings=8), Random(11)
    for _ in range(40):
        ordinary = evening(Learning(), rng, 0.225 * (1 + rng.gauss(0, 0.005)), hours=0.6)
        known, _, taken, drift = evening_ended(known, ordinary, None)
        assert (taken, drift) == (Taken.LEARNED, Drift.NONE)


@given(st.lists(st.tuples(st.floats(0, 700), st.floats(0, 5), st.booleans()), max_size=80))
def test_lows_are_measured_currents(samples):
    """Whatever comes, a window's low lies between the least and the greatest current seen."""
    learning, at_s = Learning(), 0.0
    for gap_s, current_a, healthy in samples:
        at_s += gap_s
        learning = watch(learning, at_s, current_a, healthy=healthy)
    seen = [current_a for _, current_a, _ in samples] or [0.0]
    assert all(min(seen) - 1e-9 <= low_a <= max(seen) + 1e-9 for low_a in learning.lows_a)
