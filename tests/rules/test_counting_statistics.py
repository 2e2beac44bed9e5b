"""Deciding by repeated readings, against tables printed in handbooks."""

import math
import random
from statistics import NormalDist

import numpy as np
import pytest

from rules.pixels.sequential import Cusum, RatioTest
from rules.show_data.signature import SignatureSettings


@pytest.mark.parametrize(
    ("h", "shift", "length"), [(4.0, 1.0, 8.38), (4.0, 2.0, 3.34), (5.0, 1.0, 10.4), (5.0, 2.0, 4.01)]
)
def test_cusum_chart_meets_its_run_length(h: float, shift: float, length: float) -> None:
    """The chart with k 0.5 has the average run length of Montgomery's table (seeded, 3 standard errors)."""
    source = random.Random(7)
    lengths = []
    for _ in range(800):
        chart = Cusum(0.5, h)
        taken = 1
        while not chart.add(source.gauss(shift, 1.0)):
            taken += 1
        lengths.append(taken)
    assert abs(np.mean(lengths) - length) < 3 * np.std(lengths) / math.sqrt(len(lengths)) + 0.05


def run_length(k: float, h: float) -> float:
    """Average run length of a one-sided CUSUM of Gaussian values until it alarms by chance.

    ``L(z) = 1 + L(0) Φ(k-z) + ∫₀ʰ L(x) φ(x+k-z) dx`` at Gauss-Legendre nodes (Goel and Wu).
    """
    normal = NormalDist()
    places, weights = np.polynomial.legendre.leggauss(40)
    at = np.array([0.0, *(h * (places + 1.0) / 2.0)])
    reached = np.vectorize(normal.pdf)(at[None, 1:] + k - at[:, None]) * (weights * h / 2.0)
    back = np.vectorize(normal.cdf)(k - at)[:, None]
    found: float = np.linalg.solve(np.eye(len(at)) - np.hstack([back, reached]), np.ones(len(at)))[0]
    return found


def test_a_signature_hardly_alarms_by_chance() -> None:
    """For independent Gaussian deviations the default charts alarm less than once in a season.

    An hour of show every evening for a season of 60 evenings is 216 000 bins of a second.
    """
    assert run_length(0.5, 4.0) == pytest.approx(335.4, rel=1e-3)  # Montgomery's 167.7 is of both sides
    settings = SignatureSettings()
    assert run_length(settings.k, settings.h) / 2.0 > 216_000 / settings.bin_s


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
