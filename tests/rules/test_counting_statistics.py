"""Deciding by repeated readings, against tables computed with scipy and printed in handbooks."""

import math
import random

import pytest

from rules.errors import RulesError
from rules.pixels.sequential import (
    Cusum,
    RatioTest,
    cusum_run_length,
    halvings,
    readings_per_level,
    total_noise_a,
)

STEP_A, NOISE_A, LSB_A = 0.012, 0.004, 0.008


def test_total_noise():
    """Noise 4 mA and steps of 8 mA make 4.619 mA in all (q/√12 added in squares)."""
    assert total_noise_a(NOISE_A, LSB_A) == pytest.approx(0.004619, abs=5e-7)
    assert STEP_A / total_noise_a(NOISE_A, LSB_A) == pytest.approx(2.598, abs=5e-4)


@pytest.mark.parametrize(
    ("error", "both", "known"), [(1e-2, 7, 4), (1e-3, 12, 6), (1e-4, 17, 9), (1e-5, 22, 11)]
)
def test_readings_per_level(error, both, known):
    """The number of readings per level for an error bound (scipy's normal quantile)."""
    noise_a = total_noise_a(NOISE_A, LSB_A)
    assert readings_per_level(STEP_A, noise_a, error) == both
    assert readings_per_level(STEP_A, noise_a, error, known_base=True) == known


@pytest.mark.parametrize(
    ("possible", "ramp", "tests", "search", "readings"),
    [(100, 22, 7, 16, 224), (170, 23, 8, 16, 256), (512, 26, 10, 17, 340)],
)
def test_whole_count(possible, ramp, tests, search, readings):
    """A whole count with total error below 1 in 1000: readings per level (union bound)."""
    noise_a = total_noise_a(NOISE_A, LSB_A)
    assert readings_per_level(STEP_A, noise_a, 1e-3 / possible) == ramp
    assert halvings(possible) == tests
    assert readings_per_level(STEP_A, noise_a, 1e-3 / tests) == search
    assert 2 * tests * search == readings


@pytest.mark.parametrize(
    ("h", "lengths"),
    [
        (4, [167.7, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71]),
        (5, [465.4, 139.5, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01]),
    ],
)
def test_two_sided_run_lengths(h, lengths):
    """Two-sided CUSUM with k 0.5: Montgomery's table (from memory), NIST/SEMATECH's column for h 4."""
    for shift, length in zip([0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4], lengths, strict=True):
        assert cusum_run_length(0.5, h, shift, two_sided=True) == pytest.approx(length, rel=5e-3)


@pytest.mark.parametrize(("h", "quiet"), [(4, 335.4), (5, 930.9)])
def test_one_sided_run_lengths(h, quiet):
    """One-sided CUSUM with k 0.5: readings between false signals (integral equation, scipy)."""
    assert cusum_run_length(0.5, h) == pytest.approx(quiet, rel=1e-3)


@pytest.mark.parametrize(("h", "quiet", "shifted"), [(2, 479, 2.23), (2.5, 1790, 2.63), (3, 6656, 3.02)])
def test_run_lengths_for_the_pixel_step(h, quiet, shifted):
    """For the pixel step of 2.598 σ, k is 1.3: run lengths of the two-sided chart (scipy)."""
    assert cusum_run_length(1.3, h, two_sided=True) == pytest.approx(quiet, rel=1e-3)
    assert cusum_run_length(1.3, h, 2.598, two_sided=True) == pytest.approx(shifted, abs=0.006)


def test_shewhart_limit():
    """A CUSUM with h near 0 and k 3 is a one-sided Shewhart chart: 740.8 readings between false signals."""
    assert cusum_run_length(3.0, 1e-9) == pytest.approx(2 * 370.4, rel=1e-3)


def test_cusum_chart_meets_its_run_length():
    """The chart itself has the computed average run length (seeded simulation, 3 standard errors)."""
    source = random.Random(7)
    lengths = []
    for _ in range(800):
        chart = Cusum(0.5, 4.0)
        length = 1
        while not chart.add(source.gauss(1.0, 1.0)):
            length += 1
        lengths.append(length)
    mean = sum(lengths) / len(lengths)
    spread = math.sqrt(sum((n - mean) ** 2 for n in lengths) / len(lengths) / len(lengths))
    assert abs(mean - cusum_run_length(0.5, 4.0, 1.0)) < 3 * spread


def test_sequential_test_is_short():
    """Wald's test for the pixel step takes half the readings of a fixed number (6 at 1 in 1000).

    Wald's own approximation leaves out the overshoot and says 2.04; what is really taken lies above it.
    """
    wald = (1 - 2e-3) * math.log(999) * 2 / 2.598**2
    assert wald == pytest.approx(2.04, abs=5e-3)
    source = random.Random(3)
    taken = wrong = 0
    for trial in range(4000):
        there = trial % 2 == 0
        test = RatioTest(2.598, 1e-3)
        while test.decision is None:
            test.add(source.gauss(2.598 if there else 0.0, 1.0), 1.0)
            taken += 1
        wrong += test.decision is not there
    assert wrong <= 8
    assert wald < taken / 4000 < 3.0


def test_nonsense_is_refused():
    """Error bounds, steps and charts that mean nothing are refused."""
    with pytest.raises(RulesError, match="chance of an error"):
        readings_per_level(1.0, 1.0, 0.5)
    with pytest.raises(RulesError, match="above 0 A"):
        readings_per_level(0.0, 1.0, 0.1)
    with pytest.raises(RulesError, match="h above 0"):
        cusum_run_length(0.5, 0.0)
