"""Current against show data: learned per port, tight where it was seen, silent where nobody can tell."""

import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.errors import RulesError
from rules.show_data import comparison
from rules.show_data.comparison import Departed, Point

DARK_A, FULL_A = 0.226, 1.9


class Port:
    """A string that differs from its model; read each `every_s`, its levels are known 8 times a second."""

    def __init__(self, look, *, gain=1.06, dark_a=0.24, noise_a=0.004, step_a=0.008, every_s=1.0, seed=1):
        self.look, self.gain, self.dark_a = look, gain, dark_a
        self.noise_a, self.step_a, self.every_s = noise_a, step_a, every_s
        self.random = random.Random(seed)
        self.at_s = 1000.0
        self.lost = 0.0
        self.state = comparison.fresh(DARK_A, FULL_A, None, learned=False)
        self.told = []
        self._read_s = 0.0

    def computed_a(self, at_s):
        """What the model makes of the levels."""
        return DARK_A + (FULL_A - DARK_A) * self.look(at_s)

    def measured_a(self):
        """What the sensor says; a dark part draws nothing at all."""
        true_a = self.dark_a + self.gain * (self.computed_a(self.at_s - 0.05) - DARK_A)
        value = true_a * (1.0 - self.lost) + self.random.gauss(0.0, self.noise_a)
        return round(value / self.step_a) * self.step_a

    def run(self, seconds, *, healthy=True):
        """Let time pass: events of a second each, as the bridge gives them."""
        for _ in range(seconds):
            points = [Point(self.at_s + n / 8, self.computed_a(self.at_s + n / 8)) for n in range(8)]
            for _ in range(max(1, round(1.0 / self.every_s))):
                if self.at_s - self._read_s >= self.every_s:
                    self._read_s = self.at_s
                    self.state = comparison.read(self.state, self.at_s, self.measured_a())
                self.at_s += 1.0 / max(1, round(1.0 / self.every_s))
            before = self.state.departed
            self.state, _ = comparison.heard(self.state, points, healthy=healthy)
            if self.state.departed is not before:
                self.told.append((self.at_s, self.state.departed))


def slow(at_s):
    """A show with dark moments, steady looks and a slow swell."""
    return (0.0, 0.3, 0.15 + 0.1 * math.sin(at_s / 8.0), 0.5)[int(at_s / 20.0) % 4]


def chase(at_s):
    """A chase: pixels move, the sum hardly."""
    return 0.25 + 0.01 * math.sin(at_s * 9.0)


def strobe(at_s):
    """All on, all off, five times a second: faster than any reading."""
    return 0.5 if (at_s * 5.0) % 1.0 < 0.5 else 0.0


@pytest.mark.parametrize("look", [slow, chase])
@pytest.mark.parametrize("lost", [0.12, 0.2, 0.5])
@pytest.mark.parametrize("seed", range(4))
def test_a_dark_part_is_told_within_30_s(look, lost, seed):
    """A part of an eighth and more that draws nothing is told within 30 s, and returns when it is mended."""
    port = Port(look, seed=seed)
    port.run(600)
    assert port.told == []
    port.lost, broke_s = lost, port.at_s
    port.run(31)
    ((told_s, departed),) = port.told
    assert departed is Departed.BELOW
    assert told_s - broke_s <= 30.0
    port.lost = 0.0
    port.run(40)
    assert port.told[-1][1] is None


@pytest.mark.parametrize("lasts_s", [1, 3, 4])
def test_a_moment_is_no_departure(lasts_s):
    """A blink of a few seconds, even to nothing, is not told as a dark part."""
    port = Port(chase)
    port.run(600)
    port.lost = 1.0
    port.run(lasts_s)
    port.lost = 0.0
    port.run(60)
    assert port.told == []


def test_more_than_the_data_explain_is_told():
    """A leak beside the string is told as above, within the same time."""
    port = Port(chase)
    port.run(600)
    port.dark_a += 0.15
    port.run(31)
    assert [departed for _, departed in port.told] == [Departed.ABOVE]


def test_no_verdict_where_levels_are_faster_than_readings():
    """Under a strobe nothing is told, whole or half dark: nobody can tell at a reading a second."""
    port = Port(slow)
    port.run(600)
    port.look = strobe
    port.run(60)
    port.lost = 0.5
    port.run(60)
    assert port.told == []


def test_nothing_is_told_before_it_is_learned():
    """A port that never fitted its configuration is not alarmed, it is said once not to fit."""
    port = Port(slow, gain=0.45)
    port.run(600)
    assert port.told == []
    assert port.state.misfit
    assert not port.state.learned


def test_levels_not_seen_before_have_their_tolerance():
    """A brightness never shown before is no alarm, though the learned gain is 12 % off the configuration."""
    port = Port(lambda _: 0.05, gain=1.12)
    port.run(600)
    port.look = lambda _: 0.9
    port.run(300)
    assert port.told == []


@settings(max_examples=25, deadline=None)
@given(
    gain=st.floats(0.9, 1.12), dark=st.floats(0.18, 0.28), noise=st.floats(0.0, 0.008),
    step=st.sampled_from([0.001, 0.008]),
    every=st.sampled_from([0.02, 0.5, 1.0]), seed=st.integers(0, 10_000),
)  # fmt: skip
def test_a_sound_port_is_never_told(*, gain, dark, noise, step, every, seed):
    """Whatever gain, idle current and sensor a sound string has, an hour of show raises nothing."""
    port = Port(slow, gain=gain, dark_a=dark, noise_a=noise, step_a=step, every_s=every, seed=seed)
    port.run(1200)
    assert port.told == []
    assert port.state.learned


def test_a_fault_is_not_learned():
    """While something is wrong the line stays as it was."""
    port = Port(slow)
    port.run(600)
    line = port.state.line
    port.run(300, healthy=False)
    assert port.state.line == line
    port.lost = 0.3
    port.run(600)
    assert port.state.departed is Departed.BELOW
    assert port.state.line.estimate == pytest.approx(line.estimate, rel=0.02)


def test_what_is_learned_survives_by_the_store():
    """The packed line comes back whole; of another model, or damaged, it is not taken."""
    port = Port(slow)
    port.run(600)
    packed = comparison.pack(port.state)
    again = comparison.unpacked(comparison.fresh(DARK_A, FULL_A, None, learned=False), packed)
    assert again.line == port.state.line
    other = comparison.fresh(DARK_A, 2.0, None, learned=False)
    assert comparison.unpacked(other, packed) == other
    with pytest.raises(RulesError, match="no learned line"):
        comparison.unpacked(other, packed[:-1])
    with pytest.raises(RulesError, match="can't be"):
        comparison.unpacked(other, bytes(len(packed)))


def test_the_line_is_that_of_linear_regression():
    """With a wide prior the estimate is ordinary least squares, checked against numpy's."""
    numpy = pytest.importorskip("numpy")
    source = random.Random(5)
    line = prior = comparison.Line(1e-12, 0.0, 1e-12, 0.0, 0.0)
    x = [source.uniform(0.0, 2.0) for _ in range(50)]
    y = [0.3 + 1.1 * value + source.gauss(0.0, 0.02) for value in x]
    for u, measured in zip(x, y, strict=True):
        line = line.taught(u, measured, 1.0, prior)
    slope, intercept = numpy.polyfit(x, y, 1)
    assert line.estimate == pytest.approx((intercept, slope), rel=1e-6)
    design = numpy.column_stack([numpy.ones(50), x])
    covariance = numpy.linalg.inv(design.T @ design)
    at = numpy.array([1.0, 3.0])
    assert line.sd_a(3.0) == pytest.approx(math.sqrt(at @ covariance @ at), rel=1e-6)
