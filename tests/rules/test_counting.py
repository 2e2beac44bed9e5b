"""Counting pixels by current: simulated strings with noise, coarse sensors, dead pixels and second feeds.

The full benchmark of 10 000 counts is tests/benchmarks/counting.py; a few hundred run here.
"""

import math
import random
from dataclasses import replace

import pytest
from benchmarks.counting import SimulatedString, count, draw
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.errors import RulesError
from rules.pixels.counting import Cause, Count, CountSession, CountSettings, Refusal

WHITE_A = 0.0555
"""One white WS2811 pixel: three channels of 18.5 mA (Worldsemi datasheet)."""


def counted(string, **options):
    """The count of `string`; a refusal fails the test with its reason."""
    result = count(string, **options)[0]
    assert isinstance(result, Count), result
    return result


def refused(string, **options):
    """The refusal to count `string`."""
    result = count(string, **options)[0]
    assert isinstance(result, Refusal), result
    return result


def test_few_hundred_strings():
    """Of 400 drawn strings (1 to 800 pixels, 2 to 40 mA a channel) none is miscounted, few are refused."""
    source = random.Random(20)
    wrong = refusals = 0
    for _ in range(400):
        string = draw(source)
        result, _, highest_a = count(string)
        wrong += isinstance(result, Count) and result.pixels != string.pixels
        refusals += isinstance(result, Refusal)
        assert highest_a <= 4.0 * 1.03
    assert wrong == 0
    assert refusals <= 4


def test_512_pixels_in_40_seconds():
    """512 pixels of 12 mA (noise 4 mA, sensor step 8 mA) take less than 400 readings."""
    for seed in range(20):
        result, seconds, _ = count(SimulatedString(512, 0.012, seed=seed))
        assert isinstance(result, Count)
        assert result.pixels == 512
        assert result.readings < 400
        assert seconds < 40.0


@pytest.mark.parametrize("pixels", [50, 100])
def test_bundles(pixels):
    """A bundle of 50 or 100 is counted exactly; 100 draw 0.225 to 0.227 A dark (common practice)."""
    for seed in range(10):
        result = counted(SimulatedString(pixels, WHITE_A, seed=seed), zero_a=0.0)
        assert result.pixels == pixels
        assert result.dead_pixels == 0
        assert result.pixel_a == pytest.approx(WHITE_A, rel=0.03)
        if pixels == 100:
            assert 0.222 <= result.dark_a <= 0.230
            assert result.dark_per_pixel_a == pytest.approx(0.00226, rel=0.02)


@pytest.mark.parametrize(
    "pixels", [1, 2, 3, 4, 5, 7, 8, 9, 31, 32, 33, 63, 64, 65, 127, 128, 129, 170, 171, 1023]
)
def test_places_where_the_search_changes(pixels):
    """Counts around powers of two, where the search changes its ways, are exact."""
    for seed in range(3):
        assert counted(SimulatedString(pixels, 0.02, dark_a=0.001, seed=seed)).pixels == pixels


@pytest.mark.parametrize("gain", [0.9, 0.97, 1.03, 1.1])
def test_scale_error_does_not_matter(gain):
    """A sensor that reads 10 % wrong counts right, where dividing the total would miss by many."""
    assert counted(SimulatedString(300, 0.012, gain=gain, offset_a=0.04, seed=1)).pixels == 300


@pytest.mark.parametrize("pixels", [5, 50, 300])
def test_sensor_that_reads_low_at_small_currents(pixels):
    """A sensor that reads 20 % low near 0 A, as electronic fuses do, counts right all the same."""

    class Bent(SimulatedString):
        """Its sensor's gain falls toward 0 A."""

        def true_a(self, at_s):
            """The current the sensor makes of it."""
            current_a = super().true_a(at_s)
            return current_a * (1.0 - 0.2 * math.exp(-current_a / 0.4))

    for seed in range(5):
        assert counted(Bent(pixels, 0.02, dark_a=0.0007, seed=seed)).pixels == pixels


@pytest.mark.parametrize(
    ("pixels", "dead"),
    [(100, {40}), (300, {40, 41, 200}), (100, {98}), (100, set(range(85, 99))), (400, set(range(150, 210)))],
)
def test_dead_pixels_inside(pixels, dead):
    """Pixels that do not light inside the string do not shorten the count; they are told."""
    for seed in range(5):
        result = counted(SimulatedString(pixels, WHITE_A, dead=frozenset(dead), seed=seed))
        assert result.pixels == pixels
        assert result.dead_pixels == len(dead)
        assert any("do not light" in note for note in result.notes)


@pytest.mark.parametrize(("pixels", "first", "last"), [(700, 470, 580), (300, 200, 290), (800, 400, 600)])
def test_light_behind_a_dark_stretch(pixels, first, last):
    """A stretch of a hundred dark pixels where the search looks first does not end the count."""
    for seed in range(5):
        string = SimulatedString(pixels, 0.03, dark_a=0.001, dead=frozenset(range(first, last)), seed=seed)
        result = counted(string)
        assert result.pixels == pixels
        assert result.dead_pixels == pytest.approx(last - first, abs=2)


@pytest.mark.parametrize(
    "share", [lambda n: 1 - n / 100, lambda n: 1 - n / 200, lambda n: 1.0 if n < 50 else 0.5]
)
def test_second_feed_is_recognised(share):
    """Where another feed carries part of the current no number is given, and the reason says what to do."""
    refusal = refused(SimulatedString(100, WHITE_A, share=share, seed=3))
    assert refusal.cause is Cause.UNCLEAR_END
    assert "feed" in refusal.reason


@pytest.mark.parametrize(
    ("refresh_s", "latency_s"), [(0.25, 0.0), (0.5, 0.0), (1.0, 0.0), (0.0, 0.7), (0.0, 2.0), (0.5, 0.3)]
)
def test_slow_sensors(refresh_s, latency_s):
    """A sensor that refreshes more slowly than it is read, or follows late, counts as exactly."""
    for seed in range(3):
        string = SimulatedString(100, WHITE_A, refresh_s=refresh_s, latency_s=latency_s, seed=seed)
        result = counted(string)
        assert result.pixels == 100
        if refresh_s and not latency_s:
            assert result.refresh_s == pytest.approx(refresh_s, abs=0.11)


def test_sensor_without_noise_and_with_coarse_steps():
    """Without noise a step larger than the sensor's is plain; a smaller one is dithered by other pixels."""
    assert counted(SimulatedString(100, 0.012, noise_a=0.0)).pixels == 100
    assert counted(SimulatedString(100, 0.006, noise_a=0.0)).pixels == 100


def test_step_below_the_sensor_is_refused():
    """Where rounding hides a pixel and nothing dithers it, no number of readings helps, and that is said."""
    refusal = refused(SimulatedString(30, 0.004, noise_a=0.0, step_a=0.03))
    assert refusal.cause is Cause.STEP_TOO_SMALL
    assert refusal.readings_needed is None
    assert "brighter" in refusal.reason


def test_noise_too_large_says_how_many_readings():
    """Where noise is too large for the readings allowed, the number that would do is said, and it does."""
    string = SimulatedString(100, 0.006, noise_a=0.02, seed=4)
    refusal = refused(string)
    assert refusal.cause is Cause.STEP_TOO_SMALL
    assert refusal.readings_needed is not None
    assert refusal.readings_needed > 1500
    assert str(refusal.readings_needed) in refusal.reason
    assert counted(replace(string), max_readings=4 * refusal.readings_needed).pixels == 100


def test_nothing_answers():
    """A port without pixels is refused with the questions to ask."""
    refusal = refused(SimulatedString(0, WHITE_A))
    assert refusal.cause is Cause.NO_RESPONSE
    assert "universe" in refusal.reason


@pytest.mark.parametrize("limit_a", [0.2, 0.3])
def test_limit_leaves_no_room(limit_a):
    """A current limit that leaves no room to light a pixel, or too few to count by, is a refusal."""
    assert refused(SimulatedString(100, 0.09, seed=1), limit_a=limit_a).cause is Cause.LIMIT


def test_current_above_the_limit_stops_at_once():
    """One reading above the limit ends the count."""
    session = CountSession(CountSettings(capacity=100, limit_a=4.0))
    session.shown(0.0)
    session.observe(0.2, 0.2)
    session.observe(4.01, 0.3)
    assert isinstance(session.result, Refusal)
    assert session.result.cause is Cause.LIMIT
    assert session.next_probe().lit == ()


@pytest.mark.parametrize("pixel_a", [0.006, 0.0555, 0.12])
def test_never_lights_more_than_the_limit(pixel_a):
    """What is lit never draws more than the limit, whatever a pixel draws and however late the sensor is."""
    for latency_s in (0.0, 0.5):
        string = SimulatedString(600, pixel_a, dark_a=0.001, latency_s=latency_s, seed=2)
        result, _, highest_a = count(string, limit_a=2.0, pixel_max_a=0.12)
        assert isinstance(result, Count)
        assert result.pixels == 600
        assert highest_a <= 2.0


def test_all_addressed_pixels_answer():
    """A string longer than can be addressed is counted to its last addressed pixel, and that is said."""
    result = counted(SimulatedString(100, WHITE_A, seed=1), capacity=50)
    assert result.pixels == 50
    assert any("longer" in note for note in result.notes)


def test_one_wild_reading_does_not_decide():
    """A single wild reading in the proof does not change the count."""

    class Wild(SimulatedString):
        """Its sensor reads half an ampere too much once."""

        def read_a(self, at_s):
            """What the sensor says."""
            value = super().read_a(at_s)
            return value + 0.5 if abs(at_s - self.wild_s) < 0.05 else value

    for wild in range(60, 110, 2):
        string = Wild(100, 0.02, seed=wild)
        string.wild_s = wild / 10
        result = count(string)[0]
        assert not isinstance(result, Count) or result.pixels == 100


def test_readings_before_the_pattern_are_left_out():
    """Readings of an older pattern, or before settling, do not count."""
    session = CountSession(CountSettings(capacity=10, limit_a=1.0))
    for n in range(100):
        session.observe(0.1, float(n))
    assert session.next_probe().stage == "dark"
    assert session.result is None


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(0.0, 3.9), min_size=1, max_size=60), st.integers(1, 700))
def test_any_readings_end(values, capacity):
    """Whatever is read, the session never raises and comes to an end."""
    session = CountSession(CountSettings(capacity=capacity, limit_a=4.0, max_readings=300))
    now_s, lit = 0.0, None
    for n in range(300 * 8 + 10):
        probe = session.next_probe()
        if probe.lit != lit:
            lit = probe.lit
            session.shown(now_s)
        assert all(part.start >= 0 and part[-1] < capacity for part in probe.lit)
        now_s += 0.1
        session.observe(values[n % len(values)], now_s)
    assert session.result is not None


def test_nonsense_is_refused():
    """Settings and readings that cannot be meant are refused with what would be right."""
    with pytest.raises(RulesError, match="at least one pixel"):
        CountSettings(capacity=0, limit_a=1.0)
    with pytest.raises(RulesError, match="above 0 A"):
        CountSettings(capacity=1, limit_a=0.0)
    with pytest.raises(RulesError, match="error bound"):
        CountSettings(capacity=1, limit_a=1.0, error=0.5)
    with pytest.raises(RulesError, match="50 readings"):
        CountSettings(capacity=1, limit_a=1.0, max_readings=10)
    with pytest.raises(RulesError, match="finite"):
        CountSession(CountSettings(capacity=1, limit_a=1.0)).observe(float("nan"), 0.0)
