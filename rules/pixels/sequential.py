"""Deciding by repeated readings: how many are needed, and when enough were taken.

Gaussian steps in noise: fixed numbers of readings for an error bound, Wald's sequential probability
ratio test, and the CUSUM chart (Page) with its average run lengths by integral equation, the method of
Brook and Evans / Goel and Wu. Quantisation by steps q adds q/√12 to the noise where the noise itself is
at least about half a step (it then dithers the converter); with less noise averaging does not help.
"""

import math
from dataclasses import dataclass
from statistics import NormalDist

from rules.errors import RulesError

QUANTISATION_SD = 1.0 / math.sqrt(12.0)
"""Standard deviation of a rounding error, in steps."""
DITHER_SD = 0.3
"""Noise below this many quantisation steps no longer dithers the converter usefully."""


def total_noise_a(noise_a: float, step_a: float) -> float:
    """Noise of one reading [A] with the sensor's quantisation step [A] in it."""
    return math.hypot(noise_a, step_a * QUANTISATION_SD)


def readings_per_level(step_a: float, noise_a: float, error: float, *, known_base: bool = False) -> int:
    """Readings at each of two levels a `step_a` apart so that one decision is wrong with chance `error`.

    ``n >= 2 (z σ / (step/2))²``; half of it where the base level is already known well.
    Raises RulesError where the error is not in 0..0.5 (exclusive) or step or noise is not above 0.
    """
    if not 0.0 < error < 0.5:
        raise RulesError(f"the chance of an error is above 0 and below 0.5, not {error}")
    if step_a <= 0.0 or noise_a <= 0.0:
        raise RulesError("step and noise are above 0 A")
    z = NormalDist().inv_cdf(1.0 - error)
    return math.ceil((1.0 if known_base else 2.0) * (z * noise_a / (step_a / 2.0)) ** 2)


def halvings(possible: int) -> int:
    """Yes/no tests a bisection needs to tell one of 0 to `possible` pixels: ``⌈log2(possible + 1)⌉``."""
    return math.ceil(math.log2(possible + 1))


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


def cusum_run_length(k: float, h: float, shift: float = 0.0, *, two_sided: bool = False) -> float:
    """Average run length of a CUSUM until its signal, for Gaussian values shifted by `shift` [σ].

    ``L(z) = 1 + L(0) Φ(k-z-shift) + ∫₀ʰ L(x) φ(x+k-z-shift) dx`` solved at Gauss-Legendre nodes.
    Two-sided: ``1/L = 1/L⁺ + 1/L⁻``. Raises RulesError where k is below 0 or h is not above 0.
    """
    if k < 0.0 or h <= 0.0:
        raise RulesError("k is 0 or more, and h above 0")
    upper = _one_sided(k, h, shift)
    return 1.0 / (1.0 / upper + 1.0 / _one_sided(k, h, -shift)) if two_sided else upper


def _one_sided(k: float, h: float, shift: float, nodes: int = 40) -> float:
    normal = NormalDist()
    places, weights = _gauss_legendre(nodes)
    points = [0.0, *(h * (place + 1.0) / 2.0 for place in places)]
    rows = [
        [
            (1.0 if n == m else 0.0)
            - (
                normal.cdf(k - z - shift)
                if m == 0
                else weights[m - 1] * h / 2.0 * normal.pdf(points[m] + k - z - shift)
            )
            for m in range(nodes + 1)
        ]
        for n, z in enumerate(points)
    ]
    return _solve(rows, [1.0] * (nodes + 1))[0]


def _gauss_legendre(nodes: int) -> tuple[list[float], list[float]]:
    """Roots of the Legendre polynomial by Newton's method, and their weights, on -1..1."""
    places, weights = [], []
    for n in range(nodes):
        x = math.cos(math.pi * (n + 0.75) / (nodes + 0.5))
        slope = 1.0
        for _ in range(50):
            before, value = 1.0, x
            for degree in range(2, nodes + 1):
                before, value = value, ((2 * degree - 1) * x * value - (degree - 1) * before) / degree
            slope = nodes * (x * value - before) / (x * x - 1.0)
            step = value / slope
            x -= step
            if abs(step) < 1e-15:
                break
        places.append(x)
        weights.append(2.0 / ((1.0 - x * x) * slope * slope))
    return places, weights


def _solve(rows: list[list[float]], right: list[float]) -> list[float]:
    """Gaussian elimination with partial pivoting."""
    size = len(right)
    table = [[*row, value] for row, value in zip(rows, right, strict=True)]
    for n in range(size):
        pivot = max(range(n, size), key=lambda m: abs(table[m][n]))
        table[n], table[pivot] = table[pivot], table[n]
        for m in range(n + 1, size):
            factor = table[m][n] / table[n][n]
            for c in range(n, size + 1):
                table[m][c] -= factor * table[n][c]
    found = [0.0] * size
    for n in reversed(range(size)):
        rest = sum(table[n][c] * found[c] for c in range(n + 1, size))
        found[n] = (table[n][size] - rest) / table[n][n]
    return found
