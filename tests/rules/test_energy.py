"""Energy counters: the values of worked examples, and what must hold for any readings."""

import math
import random
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from world import NOON, World, site_plan

from rules.cost.energy import PortMeter, at_wall_wh
from rules.door import EnergyLoaded, Origin, Verb
from rules.errors import RulesError
from rules.ports import PortId, Reading, port_id
from rules.safety import SafetyState

PORT = port_id("gable", 1)


def meter(gap_s=1000.0):
    """A known counter at zero on 12 V."""
    made = PortMeter(PORT, 12.0, gap_s=gap_s)
    made.start(0.0)
    return made


def feed(made, samples):
    """Give samples of (second, watts, power) or (second, watts)."""
    for at_s, watts, *power in samples:
        made.add(Reading(PORT, at_s, watts / 12.0, power[0] if power else True))


UNEVEN = [(0, 0.0), (10, 60.0), (25, 60.0), (60, 48.0), (90, 48.0), (180, 0.0)]


def test_energy_trapezoid_worked():
    """Uneven samples give 6690 J = 1.858333 Wh, the trapezoid's value, not hold-last's 8760 J.

    Computed with numpy.trapezoid; hold-last (left) 8760 J, hold-next (right) 4620 J.
    """
    made = meter()
    feed(made, UNEVEN)
    at_s, watts = np.array(UNEVEN).T
    assert np.trapezoid(watts, at_s) == 6690.0
    assert made.energy_wh == pytest.approx(1.858333, abs=1e-6)
    left_j = float(np.sum(watts[:-1] * np.diff(at_s)))
    assert left_j == 8760.0
    assert made.energy_wh * 3600 == pytest.approx(6690.0)


def test_energy_switching_is_a_step():
    """Switched off at 90 s the last ramp (2160 J) is not invented: 4530 J remain of 6690 J."""
    made = meter()
    feed(made, UNEVEN[:-1])
    made.switched(False, 90.0)
    feed(made, [(180, 0.0, False)])
    assert made.counted_wh * 3600 == pytest.approx(6690.0 - 2160.0)


def test_energy_switching_inside_an_interval():
    """Off at 14 s of an interval from 10 to 20 s at 60 W counts 4 s of it; on at 17 s the last 3 s."""
    off = meter()
    feed(off, [(10, 60.0)])
    off.switched(False, 14.0)
    feed(off, [(20, 0.0, False)])
    assert off.counted_wh * 3600 == pytest.approx(240.0)
    on = meter()
    feed(on, [(10, 0.0, False)])
    on.switched(True, 17.0)
    feed(on, [(20, 60.0)])
    assert on.counted_wh * 3600 == pytest.approx(180.0)
    both = meter()
    feed(both, [(10, 60.0)])
    both.switched(False, 14.0)
    both.switched(True, 17.0)
    feed(both, [(20, 60.0)])
    assert both.counted_wh * 3600 == pytest.approx(240.0 + 180.0)


def test_energy_failed_switching_counts_what_flowed():
    """A command that did not act loses nothing: 60 W before and after are 600 J in 10 s."""
    made = meter()
    feed(made, [(10, 60.0)])
    made.switched(False, 14.0)
    feed(made, [(20, 60.0, True)])
    assert made.counted_wh * 3600 == pytest.approx(600.0)


def test_energy_reading_asked_before_the_switching():
    """A reading asked for before the command is no answer to it; the step waits for the next."""
    made = meter()
    feed(made, [(10, 60.0)])
    made.switched(False, 21.0)
    feed(made, [(20, 60.0), (30, 0.0, False)])
    assert made.counted_wh * 3600 == pytest.approx(600.0 + 60.0)


def test_energy_not_across_an_outage():
    """Two hours without readings add nothing: 7.933 Wh, not 56.

    24 W every 10 s to 600 s and from 7810 to 8400 s, gap limit 30 s: 4.000 + 3.933 Wh (arithmetic).
    """
    made = PortMeter(PORT, 12.0, gap_s=30.0)
    made.start(0.0)
    times = [*range(0, 601, 10), *range(7810, 8401, 10)]
    for t in times:
        made.add(Reading(PORT, float(t), 2.0, True))
    assert made.energy_wh == pytest.approx(4.0 + 3.9333, abs=1e-3)
    assert np.trapezoid([24.0] * len(times), times) / 3600 == pytest.approx(56.0, abs=0.01)


def test_energy_unsigned_negatives_are_no_readings():
    """65.535 A among 12 mA readings (a negative taken for unsigned) is not integrated, nor is -5 A."""
    made = PortMeter(PORT, 12.0, gap_s=30.0)
    made.start(0.0)
    for second, current_a in enumerate([0.012, 65.535, 0.012, 65.530, -5.0, 0.012]):
        made.add(Reading(PORT, float(second), current_a, True))
    assert made.energy_wh == pytest.approx(0.012 * 12.0 * 5 / 3600)


def test_energy_small_negatives_are_zero():
    """-1 and -6 mA are a converter's offset: 0 W, and the total does not fall."""
    made = PortMeter(PORT, 12.0)
    made.start(0.0)
    for second, current_a in enumerate([1.0, -0.001, -0.006]):
        made.add(Reading(PORT, float(second), current_a, True))
    assert made.energy_wh == pytest.approx(0.5 * 12.0 / 3600)


@pytest.mark.parametrize("bad", [None, math.nan, math.inf, -math.inf, 1500.0])
def test_energy_invalid_is_not_zero(bad):
    """No value, NaN, infinity and 1500 A (milliamperes taken for amperes) neither count nor make 0 A."""
    made = PortMeter(PORT, 12.0)
    made.start(0.0)
    for second, current_a in enumerate([2.0, bad, 2.0]):
        made.add(Reading(PORT, float(second), current_a, True))
    assert made.energy_wh == pytest.approx(2 * 24.0 / 3600)


def test_energy_voltage_measured_or_nominal():
    """A measured voltage counts, a missing or impossible one leaves the nominal; neither: not counted."""
    made = PortMeter(PORT, 12.0)
    made.start(0.0)
    for second, volts in enumerate([11.0, 11.0, None, math.nan, 900.0]):
        made.add(Reading(PORT, float(second), 1.0, True, None, volts))
    assert made.counted_wh * 3600 == pytest.approx(11.0 + 11.5 + 12.0 + 12.0)
    unknown = PortMeter(PORT, None)
    unknown.start(0.0)
    for second in range(5):
        unknown.add(Reading(PORT, float(second), 1.0, True))
    assert unknown.energy_wh == 0.0


def test_energy_off_without_a_current():
    """A port reported off that names no current takes 0 W; one reported on that names none is a gap."""

    def counted_j(power):
        made = PortMeter(PORT, 12.0, gap_s=30.0)
        made.add(Reading(PORT, 0.0, 1.0, True))
        for t in range(10, 100, 10):
            made.add(Reading(PORT, float(t), None, power))
        made.add(Reading(PORT, 100.0, 1.0, True))
        return made.counted_wh * 3600

    assert counted_j(False) == pytest.approx(60.0 + 60.0)  # down to 0 W in 10 s, up from it in 10 s
    assert counted_j(True) == 0.0


def test_energy_repeated_and_late_readings_change_nothing():
    """A reading given twice, or one older than the last, adds nothing."""
    made = meter()
    feed(made, [(0, 10.0), (10, 10.0), (10, 500.0), (5, 500.0), (10, 10.0), (20, 10.0)])
    assert made.counted_wh * 3600 == pytest.approx(200.0)


# ------------------------------------------------------------------ where a counter goes on


@pytest.mark.parametrize(
    ("floor_wh", "told_wh", "expected_wh"),
    [
        (None, [5000.0], 5000.0),
        (4800.0, [5000.0, 5001.0], 5001.0),
        (4800.0, [5001.0, 5000.0], 5001.0),
        (4800.0, [], 4800.0),
        (4800.0, [0.0], 4800.0),
        (None, [math.nan, -3.0, math.inf], None),
        (None, [], None),
    ],
)
def test_energy_goes_on_at_the_highest_that_is_known(floor_wh, told_wh, expected_wh):
    """A counter goes on at the highest that journal, history and broker tell, in whatever order they come."""
    world = World(site_plan(1))
    floors = {} if floor_wh is None else {PortId("c1/1"): floor_wh}
    world.start(Origin.JOURNAL, SafetyState(energy_floor_wh=floors))
    world.step([EnergyLoaded(PortId("c1/1"), wh) for wh in told_wh])
    world.ask(Verb.HOLD, "c1/1", "Ann")
    world.run(1000.0)
    told_kwh = world.told("c1/1", "energy")
    assert told_kwh == (None if expected_wh is None else pytest.approx(expected_wh / 1000.0))


def test_energy_withheld_until_confirmed():
    """A counter of which nothing is known shows nothing, keeps counting, and goes on once confirmed.

    2 A on 12 V for ten minutes are 4 Wh.
    """
    world = World(site_plan(2), utc=NOON.replace(hour=19))
    for port in world.ports.values():
        port.current_a, port.power = 2.0, True
    world.start(Origin.JOURNAL, SafetyState())
    world.step([EnergyLoaded(PortId("c1/2"), 7.0)])
    world.run(600.0)
    assert world.told("c1/1", "energy") is None
    assert world.told("lane", "energy") is None
    assert world.told("c1/2", "energy") == pytest.approx(0.011, rel=0.02)
    assert world.ask(Verb.CONFIRM).accepted
    world.run(60.0)
    assert world.told("c1/1", "energy") == pytest.approx(0.0044, rel=0.02)
    # The site's counter is the sum of what the ports had told, at most a minute (0.4 Wh a port) before.
    assert world.told("lane", "energy") == pytest.approx(0.0044 + 0.0114, abs=0.0008)


def test_energy_late_source_ends_withholding():
    """A retained value that arrives late gives the base; what was measured meanwhile is added."""
    made = PortMeter(PORT, 12.0)
    for second in range(0, 31, 10):
        made.add(Reading(PORT, float(second), 1.0, True))
    made.start(5000.0)
    assert made.energy_wh == pytest.approx(5000.1)
    made.start(4000.0)
    assert made.energy_wh == pytest.approx(5000.1)
    made.start(5002.0)
    assert made.energy_wh == pytest.approx(5002.0)


# ------------------------------------------------------------------ saving


def test_energy_saving_worked():
    """16 ports resting at 0.227 A on 12 V, off 19 h on 40 days, save 33.12384 kWh; 38.969 at the wall.

    Computed: 43.584 W x 760 h; a supply of 85 %.
    """
    made = meter(gap_s=3600.0)
    made.idle_w = 12.0 * 0.227
    for hour in range(761):
        made.add(Reading(PORT, hour * 3600.0, 0.0, False))
    saved_wh = 16 * made.saved_wh
    assert saved_wh / 1000 == pytest.approx(33.12384)
    assert at_wall_wh(saved_wh, 0.85) / 1000 == pytest.approx(38.969, abs=1e-3)
    assert made.energy_wh == 0.0


def test_energy_saving_is_never_invented():
    """Nothing is saved without a measured resting current, in a gap, while on, or while tripped."""

    def saved(idle_w, samples):
        made = meter(gap_s=30.0)
        made.idle_w = idle_w
        for at_s, power, tripped in samples:
            made.add(Reading(PORT, at_s, 0.0, power, tripped))
        return made.saved_wh

    off = [(0.0, False, False), (10.0, False, False)]
    assert saved(2.4, off) == pytest.approx(2.4 * 10 / 3600)
    assert saved(None, off) == 0.0
    assert saved(2.4, [(0.0, False, False), (100.0, False, False)]) == 0.0
    assert saved(2.4, [(0.0, True, False), (10.0, True, False)]) == 0.0
    assert saved(2.4, [(0.0, False, True), (10.0, False, True)]) == 0.0
    assert saved(2.4, [(0.0, None, False), (10.0, None, False)]) == 0.0


def test_energy_saving_counts_the_off_part_of_an_interval():
    """Switched off at 4 s of 10 s, six seconds of resting power are saved."""
    made = meter()
    made.idle_w = 1.0
    made.add(Reading(PORT, 0.0, 1.0, True))
    made.switched(False, 4.0)
    made.add(Reading(PORT, 10.0, 0.0, False))
    assert made.saved_wh * 3600 == pytest.approx(6.0)


# ------------------------------------------------------------------ whatever the readings

seconds = st.floats(0.01, 40.0, allow_nan=False)
currents = st.one_of(
    st.floats(0.0, 20.0), st.none(), st.sampled_from([math.nan, math.inf, -1.0, -0.004, 0.004, 65.535])
)
readings = st.lists(st.tuples(seconds, currents, st.sampled_from([True, False, None])), max_size=40)


def run(parts, switchings=()):
    """One meter over all parts; returns it."""
    made = PortMeter(PORT, 12.0, gap_s=30.0)
    made.start(0.0)
    made.idle_w = 2.0
    pending = sorted(switchings)
    for part in parts:
        for reading in part:
            while pending and pending[0][0] <= reading.measured_s:
                at_s, power = pending.pop(0)
                made.switched(power, at_s)
            made.add(reading)
    return made


def timeline(raw):
    """Readings at growing seconds from (interval, current, power)."""
    at_s, made = 0.0, []
    for interval_s, current_a, power in raw:
        at_s += interval_s
        made.append(Reading(PORT, at_s, current_a, power))
    return made


@given(raw=readings, switchings=st.lists(st.tuples(st.floats(0, 500), st.booleans()), max_size=5))
@settings(max_examples=150, deadline=None)
def test_energy_never_falls(raw, switchings):
    """Whatever is read and switched, neither counter ever falls, and both stay finite."""
    made = PortMeter(PORT, 12.0, gap_s=30.0)
    made.start(0.0)
    made.idle_w = 2.0
    pending = sorted(switchings)
    last = (0.0, 0.0)
    for reading in timeline(raw):
        while pending and pending[0][0] <= reading.measured_s:
            at_s, power = pending.pop(0)
            made.switched(power, at_s)
        made.add(reading)
        now = (made.energy_wh, made.saved_wh)
        assert now[0] >= last[0]
        assert now[1] >= last[1]
        assert math.isfinite(now[0] + now[1])
        last = now


@given(raw=readings, data=st.data())
@settings(max_examples=100, deadline=None)
def test_energy_cut_differently(raw, data):
    """The same readings repeated, cut into parts, or counted by two meters that share a reading agree."""
    line = timeline(raw)
    whole = run([line])
    doubled = run([[reading] * 2 for reading in line])
    assert doubled.energy_wh == whole.energy_wh
    if line:
        cut = data.draw(st.integers(0, len(line) - 1))
        # A valid reading at the cut ends one part and begins the other.
        border = Reading(PORT, line[cut].measured_s, 3.0, True)
        line[cut] = border
        parts = run([line[: cut + 1]]).energy_wh + run([line[cut:]]).energy_wh
        assert parts == pytest.approx(run([line]).energy_wh, rel=1e-9, abs=1e-12)


@given(raw=st.lists(st.tuples(st.floats(0.1, 29.0), st.floats(0.0, 20.0)), min_size=2, max_size=40))
@settings(max_examples=100, deadline=None)
def test_energy_is_numpys_trapezoid(raw):
    """Within the gap limit the counter is numpy.trapezoid, also with readings added on the lines between."""
    line = timeline([(interval_s, current_a, True) for interval_s, current_a in raw])
    line = [reading._replace(current_a=max(0.01, reading.current_a)) for reading in line]
    at_s = [reading.measured_s for reading in line]
    joules = float(np.trapezoid([reading.current_a * 12.0 for reading in line], at_s))
    assert run([line]).energy_wh == pytest.approx(joules / 3600, rel=1e-9)
    finer = []
    for first, second in pairwise(line):
        middle_a = (first.current_a + second.current_a) / 2
        finer += [first, Reading(PORT, (first.measured_s + second.measured_s) / 2, middle_a, True)]
    assert run([[*finer, line[-1]]]).energy_wh == pytest.approx(joules / 3600, rel=1e-9)


@given(
    raw=st.lists(
        st.tuples(st.floats(0.1, 100.0), st.floats(0.01, 20.0)),
        min_size=2,
        max_size=40,
    )
)
@settings(max_examples=100, deadline=None)
def test_energy_stays_within_what_was_covered(raw):
    """Energy is never more than the highest power times the time covered within the gap limit."""
    line = timeline([(interval_s, current_a, True) for interval_s, current_a in raw])
    covered_s = sum(b.measured_s - a.measured_s for a, b in pairwise(line)
                    if b.measured_s - a.measured_s <= 30.0)  # fmt: skip
    most_w = max(current_a for _, current_a in raw) * 12.0
    made = run([line])
    assert made.energy_wh * 3600 <= most_w * covered_s * (1 + 1e-9)
    # Where every interval is covered it is no less than the lowest power times that time.
    if covered_s == pytest.approx(line[-1].measured_s - line[0].measured_s):
        least_w = min(current_a for _, current_a in raw) * 12.0
        assert made.energy_wh * 3600 >= least_w * covered_s * (1 - 1e-9)


def test_energy_season():
    """45 evenings with noise, restarts, crashes and outages come within 1 % of the true energy.

    The truth is the closed integral of the simulated power: base + swing x sine, switched at full hours.
    """

    def begun(*known_wh):
        made = PortMeter(PORT, 12.0)
        for wh in known_wh:
            made.start(wh)
        return made

    chance = random.Random(20301201)
    evening_s, base_w, swing_w, wave_s = 5 * 3600.0, 30.0, 18.0, 97.0
    true_wh, last_shown_wh = 0.0, 0.0
    made = begun(0.0)
    for _ in range(45):
        # A reboot between evenings: monotonic seconds begin anew, the counter goes on.
        made = begun(made.energy_wh)
        true_wh += (base_w * evening_s + swing_w * wave_s / (2 * math.pi)
                    * (1 - math.cos(2 * math.pi * evening_s / wave_s))) / 3600  # fmt: skip
        on_s = 3600.0
        outage_s = on_s + chance.uniform(600, evening_s - 600)
        crash_s = on_s + chance.uniform(600, evening_s - 600)
        at_s, powered = 3590.0, False
        while at_s < on_s + evening_s + 30:
            if not powered and at_s >= on_s and at_s < on_s + evening_s:
                made.switched(True, on_s)
                powered = True
            if powered and at_s >= on_s + evening_s:
                made.switched(False, on_s + evening_s)
                powered = False
            if not outage_s <= at_s < outage_s + 60:
                phase = 2 * math.pi * (at_s - on_s) / wave_s
                watts = (base_w + swing_w * math.sin(phase)) if powered else 0.0
                noisy_a = watts / 12.0 + (chance.gauss(0, 0.01) if powered else chance.gauss(0, 0.002))
                made.add(Reading(PORT, at_s, noisy_a, powered))
            if crash_s <= at_s:
                # A crash: the stored counter is up to a minute old, the retained one newer.
                crash_s = math.inf
                shown_wh = made.energy_wh
                made = begun(shown_wh - 0.3, shown_wh)
            assert made.energy_wh >= last_shown_wh
            last_shown_wh = made.energy_wh
            at_s += chance.uniform(3.0, 7.0)
    assert made.energy_wh == pytest.approx(true_wh, rel=0.01)
    assert made.energy_wh != pytest.approx(true_wh, rel=1e-6)


def test_energy_refuses_an_efficiency_that_cannot_be():
    """85 (for 85 %) is no efficiency."""
    with pytest.raises(RulesError):
        at_wall_wh(1.0, 85.0)
