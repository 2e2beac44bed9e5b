"""Readings → conditions: delays, deadbands, what is not said, and what follows from what."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from random import Random
from types import MappingProxyType

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.faults.detect import DetectorState, Facts, forget, observe, plausible_current_a, suppressed_by
from rules.plan import DEFAULT_LIMITS, Limit
from rules.ports import Abilities, Condition, Now, PortId, Reading

PORT = PortId("gable/1")
C = Condition
ON = Facts(wanted=True, rating_a=4.0)
OFF = Facts(wanted=False, rating_a=4.0)
STRING = Facts(wanted=True, rating_a=4.0, idle_a=0.225, learned=True)
"""100 pixels of 2.25 mA each at rest: common practice for 12 V pixels of this kind."""


def at(seconds: float) -> Now:
    """`seconds` after a start."""
    return Now(datetime(2026, 12, 5, 17, 0, tzinfo=UTC) + timedelta(seconds=seconds), seconds)


def reading(second: float, current_a: float | None = None, power: bool | None = True, **said) -> Reading:
    """A reading at that second; not tripped unless said."""
    return Reading(PORT, float(second), current_a, power, **{"tripped": False, **said})


def told(readings, facts=ON, limits=DEFAULT_LIMITS, state=None):
    """(second, code, active) of every change; `facts` may be a function of the second."""
    state = state or DetectorState()
    changes = []
    for each in readings:
        now_facts = facts(each.measured_s) if callable(facts) else facts
        state, found = observe(state, each, now_facts, limits, at(each.measured_s))
        changes += [(each.measured_s, change.condition, change.active) for change in found]
    return changes


def only(condition: Condition, limit: Limit) -> MappingProxyType:
    """Limits of one condition alone."""
    return MappingProxyType({condition: limit})


def currents(*values_a: float | None):
    """One reading a second, powered."""
    return [reading(second, value_a) for second, value_a in enumerate(values_a)]


def test_on_delay_deadband_off_delay():
    """Limit 4.0 A, deadband 5 %, delays 2 s: active at 5, still at 3.85, clear at 10.

    Computed by the rules of OPC UA Part 9, annex B.1.5.
    """
    limits = only(C.OVERCURRENT, Limit(2.0, 2.0, 0.05, level=4.0))
    values_a = (3.9, 4.1, 3.9, 4.1, 4.1, 4.1, 3.9, 3.85, 3.7, 3.7, 3.7)
    assert told(currents(*values_a), limits=limits) == [(5, C.OVERCURRENT, True), (10, C.OVERCURRENT, False)]


def test_noisy_value_is_one_activation():
    """Limit 5.0 A, deadband 0.5 A, on 3 s, off 5 s: active at 13, still at 4.8 A, clear at 25, once in all.

    OPC UA Part 9, annex B.1.5 (https://reference.opcfoundation.org/Core/Part9/v105/docs/B.1.5).
    """
    limits = only(C.OVERCURRENT, Limit(3.0, 5.0, 0.1, level=5.0))
    values_a = [5.2] * 3 + [4.0] * 7 + [5.2] * 4 + [4.8] * 6 + [4.4] * 10
    assert told(currents(*values_a), limits=limits) == [(13, C.OVERCURRENT, True), (25, C.OVERCURRENT, False)]


def test_zero_delay_acts_on_one_sample():
    """A delay of 0 s acts on the first sample."""
    limits = only(C.OVERCURRENT, Limit(0.0, 0.0, 0.0, level=4.0))
    assert told(currents(4.1, 3.9), limits=limits) == [(0, C.OVERCURRENT, True), (1, C.OVERCURRENT, False)]


def test_missing_samples_neither_count_nor_end():
    """A missing value is neither above nor below; a gap longer than `gap_s` begins the delay anew."""
    limits = only(C.OVERCURRENT, Limit(4.0, 2.0, 0.0, level=4.0))
    assert told(currents(4.1, 4.1, None, None, 4.1), limits=limits) == [(4, C.OVERCURRENT, True)]
    assert told(currents(4.1, None, None, None, None), limits=limits) == [], "missing is not true"
    gap = [reading(0, 4.1), reading(1, 4.1), reading(7, 4.1), reading(10, 4.1), reading(11, 4.1)]
    assert told(gap, limits=limits) == [(11, C.OVERCURRENT, True)], "six seconds unseen: from 7 anew"


def test_missing_is_not_off_and_not_nothing():
    """A powered port of which nothing more is heard has not tripped, is not off, and carries no 0 A."""
    silent = [reading(second, None, power=None, tripped=None) for second in range(3, 900)]
    assert told([*currents(1.0, 1.0, 1.0), *silent]) == []


@pytest.mark.parametrize("code", [C.OVERCURRENT, C.NEAR_RATING])
def test_limits_are_per_port_rating(code):
    """3.5 A is near the rating of a 4 A port, over that of a 3 A port, and nothing on a 5 A port."""
    expected = {3.0: {C.OVERCURRENT, C.NEAR_RATING}, 4.0: {C.NEAR_RATING}, 5.0: set()}
    for rating_a, found in expected.items():
        changes = told(currents(*[3.5] * 700), replace_rating(rating_a))
        assert ({condition for _, condition, _ in changes} >= {code}) == (code in found)


def replace_rating(rating_a: float) -> Facts:
    """A wanted port of that rating."""
    return ON._replace(rating_a=rating_a)


def test_continuous_load_of_nec():
    """5 A carries 4.0 A without a break, 20 A carries 16 A: above that for 10 min is told (NEC 210.20(A))."""
    for rating_a, most_a in ((5.0, 4.0), (20.0, 16.0)):
        assert told(currents(*[most_a] * 1000), replace_rating(rating_a)) == []
        changes = told(currents(*[most_a + 0.1] * 1000), replace_rating(rating_a))
        assert changes == [(600, C.NEAR_RATING, True)]


def test_no_rating_no_verdict():
    """A port without a rating has no overcurrent."""
    assert told(currents(*[20.0] * 700), Facts(wanted=True)) == []


def test_reported_trip():
    """The flag is the trip, at once, and its end the end."""
    changes = told(
        [reading(0, 1.0), reading(1, 0.0, power=False, tripped=True), reading(2, 0.0, power=False)]
    )
    assert changes[0] == (1, C.FUSE_TRIP, True)


def test_fall_to_off_unasked_is_a_trip():
    """Any fall to off after on, unasked, is a trip, whatever the flag says; it lasts until power is back."""
    readings = [reading(0, 1.0), reading(1, 1.0), *(reading(s, 0.0, power=False) for s in range(2, 60))]
    assert told([*readings, reading(60, 1.0)]) == [(2, C.FUSE_TRIP, True), (60, C.FUSE_TRIP, False)]


@pytest.mark.parametrize(
    ("why", "facts"),
    [
        ("it was switched off by the rules", OFF),
        ("an OFF was given meanwhile", ON._replace(off_given_s=1.5)),
        ("power can't be read back", ON._replace(abilities=Abilities(readback=False))),
        ("nothing was decided about it", Facts()),
    ],
)
def test_falls_that_are_no_trip(why, facts):
    """A fall to off is no trip where it was asked, or can't be known."""
    readings = [reading(0, 1.0), reading(1, 1.0)]
    state = DetectorState()
    for each in readings:
        state, _ = observe(state, each, ON, DEFAULT_LIMITS, at(each.measured_s))
    assert (2, C.FUSE_TRIP, True) not in told([reading(2, 0.0, power=False)], facts, state=state), why


def test_found_off_after_a_break_is_no_trip():
    """A controller that was away and comes back with its ports off has restarted; that is no trip."""
    state, _ = observe(DetectorState(), reading(0, 1.0), ON, DEFAULT_LIMITS, at(0))
    _, changes = observe(state, reading(60, 0.0, power=False), ON, DEFAULT_LIMITS, at(60), unbroken=False)
    assert changes == ()


def test_trip_flag_is_not_believed_from_ports_without_one():
    """No verdict rests on what a port can't report."""
    blind = ON._replace(abilities=Abilities(trip=False, readback=False, current=False))
    assert told([reading(s, 9.0, power=False, tripped=True) for s in range(60)], blind) == []


def test_dark_tail():
    """Ten of 100 pixels dark, seen in quiet, are told after 30 s; whole again, it returns after 10 s."""
    changes = told(currents(*[0.225] * 10, *[0.2025] * 61, *[0.225] * 20), STRING)
    assert [(code, active) for _, code, active in changes] == [
        (C.UNDERCURRENT, True),
        (C.UNDERCURRENT, False),
    ]
    assert 30 <= changes[0][0] - 10 <= 32
    assert changes[1][0] - 71 <= 21


def test_dark_tail_between_flashes():
    """Lit moments between dark ones do not hide the dark part, however far apart the dark ones are."""
    for lit in (3, 90):
        flashes_a = ([0.2, 0.2, 0.2] + [0.9] * lit) * 12
        changes = told(currents(*[0.225] * 10, *flashes_a), STRING)
        assert [(code, active) for _, code, active in changes] == [(C.UNDERCURRENT, True)]


def test_one_low_sample_is_no_dark_tail():
    """A single low sample now and then is noise."""
    assert told(currents(*([0.225] * 7 + [0.19]) * 100), STRING) == []


def test_noise_is_no_dark_tail():
    """Noise of 5 mA on the 113 mA of fifty pixels, or a step of the converter, tells nothing in 3 h."""
    rng, facts = Random(1), STRING._replace(idle_a=0.113)
    assert told(currents(*(0.113 + rng.gauss(0, 0.005) for _ in range(10_800))), facts) == []
    assert told(currents(*[0.104] * 10_800), facts) == []


def test_between_floor_and_idle_a_dark_tail_stays_as_it_is():
    """Just above the floor nothing is raised, and what is raised stays."""
    assert told(currents(*[0.216] * 200), STRING) == []
    assert told(currents(*[0.2] * 60, *[0.216] * 200), STRING) == [(30, C.UNDERCURRENT, True)]


def test_dark_moments_do_not_add_up_over_breaks_or_switching():
    """What was not seen does not count as dark; after power was off, somebody may have mended it."""
    assert told([reading(second, 0.2) for second in range(0, 600, 6)], STRING) == []
    cycled = [reading(s, 0.2) if s % 30 < 20 else reading(s, 0.0, power=False) for s in range(300)]
    asked = only(C.UNDERCURRENT, DEFAULT_LIMITS[C.UNDERCURRENT])
    assert told(cycled, STRING, asked) == []


def test_brightness_does_not_end_a_dark_tail():
    """A lit string says nothing of its dark part; nor does a port that is off."""
    dark = currents(*[0.1] * 60)
    lit = [reading(second, 1.5) for second in range(60, 400)]
    off = [reading(second, 0.0, power=False) for second in range(400, 4000)]
    facts = [STRING] * 400 + [STRING._replace(wanted=False, off_given_s=399.5)] * 3600
    changes = told([*dark, *lit, *off], lambda second: facts[int(second)])
    assert [(code, active) for _, code, active in changes] == [(C.UNDERCURRENT, True)]


def test_computed_floor_is_wide():
    """An idle current that was only computed tells half a string, not a tenth."""
    computed = STRING._replace(learned=False)
    assert told(currents(*[0.2] * 100), computed) == []
    assert told(currents(*[0.11] * 100), computed) == [(30, C.UNDERCURRENT, True)]


def test_no_load():
    """A powered port that draws nothing for 10 s has no load; plugged in, it returns after 5 s."""
    changes = told(currents(*[0.004] * 20, *[0.225] * 20), STRING._replace(idle_a=None, learned=False))
    assert changes == [(10, C.NO_LOAD, True), (25, C.NO_LOAD, False)]


def test_short_string_is_not_no_load():
    """Three dark pixels draw about 7 mA: that is not nothing where it is what is expected."""
    assert told(currents(*[0.007] * 60), ON._replace(idle_a=0.007)) == []
    assert told(currents(*[0.007] * 60), ON) == [(10, C.NO_LOAD, True)]


def test_nothing_is_judged_without_power():
    """An unpowered port that draws nothing has no load fault, no undercurrent, no undervoltage."""
    readings = [reading(second, 0.0, power=False, voltage_v=0.0) for second in range(100)]
    assert told(readings, STRING._replace(wanted=False, nominal_v=12.0)) == []


def test_leakage():
    """A lowest current that stays risen for 10 min is told; a lit show that dips to idle is not."""
    assert told(currents(*[0.32] * 601), STRING) == [(600, C.LEAKAGE, True)]
    show_a = ([1.0] * 300 + [0.225] * 3) * 5
    assert told(currents(*show_a), STRING) == []
    assert told(currents(*[0.32] * 900), STRING._replace(learned=False)) == [], (
        "only against a learned baseline"
    )


def test_leakage_knows_how_far_ordinary_windows_rise():
    """A port whose show often keeps 0.2 A burning is only told beyond 1.5 times that."""
    glowing = STRING._replace(spread_a=0.2)
    assert told(currents(*[0.5] * 900), glowing) == []
    assert told(currents(*[0.53] * 900), glowing) == [(600, C.LEAKAGE, True)]


def test_leakage_returns():
    """Dried, it returns after its off-delay of 10 min."""
    lit_again = [0.32] * 601 + [0.225] * 601
    assert told(currents(*lit_again), STRING) == [(600, C.LEAKAGE, True), (1201, C.LEAKAGE, False)]


def test_leakage_does_not_run_over_a_break():
    """Ten minutes with a hole in them are not ten minutes."""
    state, found = DetectorState(), []
    for second in range(0, 1000, 2):
        unbroken = second not in (400, 800)
        state, changes = observe(
            state, reading(second, 0.32), STRING, DEFAULT_LIMITS, at(second), unbroken=unbroken
        )
        found += changes
    assert found == []
    missing = [*[0.32] * 400, None, *[0.32] * 400]
    assert told(currents(*missing), STRING) == [], "a missing value is not above"


@pytest.mark.parametrize("says", ["power", "current"])
def test_stuck_on(says):
    """Switched off, and power is still reported, or current still flows: told after 5 s."""
    power, current_a = (True, None) if says == "power" else (False, 0.3)
    changes = told([reading(second, current_a, power=power) for second in range(20)], OFF)
    assert changes == [(5, C.STUCK_ON, True)]


def test_stuck_off():
    """Switched on, no power, no trip: told after 5 s; a trip explains it and is told instead."""
    off = [reading(second, 0.0, power=False) for second in range(20)]
    assert told(off) == [(5, C.STUCK_OFF, True)]
    tripped = [reading(second, 0.0, power=False, tripped=True) for second in range(20)]
    assert told(tripped) == [(0, C.FUSE_TRIP, True)]


def test_ports_that_cannot_switch_are_not_stuck():
    """A port that can't be switched is never stuck."""
    fixed = OFF._replace(abilities=Abilities(switch=False))
    assert told([reading(second, 0.3) for second in range(60)], fixed) == []


def test_overtemperature_and_undervoltage():
    """70 °C for 10 s, and 90 % of 12 V for 10 s; each clears beyond its deadband after 30 s."""
    hot = [reading(s, 1.0, temperature_c=71.0 if s < 20 else 60.0, voltage_v=12.0) for s in range(60)]
    assert told(hot) == [(10, C.OVERTEMPERATURE, True), (50, C.OVERTEMPERATURE, False)]
    low = [reading(s, 1.0, voltage_v=10.7 if s < 20 else 11.9) for s in range(60)]
    facts = ON._replace(nominal_v=12.0)
    assert told(low, facts) == [(10, C.UNDERVOLTAGE, True), (50, C.UNDERVOLTAGE, False)]
    between = [reading(s, 1.0, voltage_v=10.7 if s < 20 else 11.0) for s in range(200)]
    assert told(between, facts) == [(10, C.UNDERVOLTAGE, True)], "inside the deadband it stays"


def test_what_changes_alone_is_noticed():
    """After quiet readings, a change of voltage, temperature or power alone is judged."""
    facts = ON._replace(nominal_v=12.0)
    quiet = [reading(s, 1.0, voltage_v=12.0, temperature_c=20.0) for s in range(20)]
    sagging = [reading(s, 1.0, voltage_v=10.7, temperature_c=20.0) for s in range(20, 40)]
    assert told([*quiet, *sagging], facts) == [(30, C.UNDERVOLTAGE, True)]
    heating = [reading(s, 1.0, voltage_v=12.0, temperature_c=75.0) for s in range(20, 40)]
    assert told([*quiet, *heating], facts) == [(30, C.OVERTEMPERATURE, True)]
    assert told([*quiet, reading(20, None, power=False)], facts) == [(20, C.FUSE_TRIP, True)]


@pytest.mark.parametrize("current_a", [1500.0, 65.535, 65.530, -0.2, float("nan"), float("inf"), 41.0])
def test_impossible_current(current_a):
    """What no port can have is told as that and is neither an overcurrent nor a trip.

    1500: milliamperes taken for amperes (Linux hwmon gives mA); 65.535 and 65.530: −1 and −6 mA read as
    unsigned (adafruit/Adafruit_INA219#2).
    """
    codes = {code for _, code, _ in told(currents(*[current_a] * 60))}
    assert codes == {C.IMPLAUSIBLE}
    assert plausible_current_a(current_a, 4.0) is None


def test_one_impossible_sample_among_good_ones():
    """An unsigned wrap among 12 mA readings trips nothing and disturbs no delay."""
    values_a = [0.012] * 5 + [65.535, 65.530] + [0.012] * 30
    assert told(currents(*values_a), Facts(wanted=True, idle_a=0.011)) == [
        (5, C.IMPLAUSIBLE, True),
        (17, C.IMPLAUSIBLE, False),
    ]


@pytest.mark.parametrize(
    ("current_a", "rating_a", "taken_a"), [(-0.006, 4.0, 0.0), (None, 4.0, None), (3.9, 4.0, 3.9)]
)
def test_zero_cut_off(current_a, rating_a, taken_a):
    """A little below zero is the noise of an unloaded sensor; missing stays missing."""
    assert plausible_current_a(current_a, rating_a) == taken_a


def test_impossible_voltage_and_temperature_are_not_used():
    """A value out of this world is told and not judged."""
    changes = told([reading(s, 1.0, temperature_c=3276.7, voltage_v=12.0) for s in range(60)])
    assert changes == [(0, C.IMPLAUSIBLE, True)]


def test_disabled_conditions_are_silent():
    """A condition that is switched off is not told, and one that stood goes."""
    limits = only(C.NO_LOAD, Limit(0.0, 0.0, enabled=False))
    assert told(currents(0.0, 0.0), limits=limits) == []
    state, _ = observe(DetectorState(), reading(0, 0.0), ON, only(C.NO_LOAD, Limit(0.0, 0.0)), at(0))
    assert state.active == {C.NO_LOAD}
    assert told([reading(1, 0.0)], limits=limits, state=state) == [(1, C.NO_LOAD, False)]


def test_stale_and_overtaken_readings_are_left_out():
    """A reading older than the gap, or older than the last one, changes nothing."""
    state, _ = observe(DetectorState(), reading(10, 1.0), ON, DEFAULT_LIMITS, at(10))
    trip = reading(9, 0.0, power=False, tripped=True)
    assert observe(state, trip, ON, DEFAULT_LIMITS, at(10)) == (state, ())
    assert observe(state, trip._replace(measured_s=11.0), ON, DEFAULT_LIMITS, at(20)) == (state, ())


def test_forget():
    """After relearning, a condition begins anew; the same object where there is nothing to forget."""
    state = DetectorState()
    for each in currents(*[0.1] * 60):
        state, _ = observe(state, each, STRING, DEFAULT_LIMITS, at(each.measured_s))
    assert state.active == {C.UNDERCURRENT}
    assert forget(state, C.LEAKAGE) is state
    assert forget(state, C.UNDERCURRENT).active == frozenset()


def test_a_lit_string_is_the_quick_way_too():
    """Within ten minutes above idle, moving light costs no new object."""
    state, _ = observe(DetectorState(), reading(0, 1.0), STRING, DEFAULT_LIMITS, at(0))
    for second in range(1, 500):
        each = reading(second, 1.0 + 0.5 * (second % 3))
        assert observe(state, each, STRING, DEFAULT_LIMITS, at(second)) == (state, ())
        assert observe(state, each, STRING, DEFAULT_LIMITS, at(second))[0] is state


@pytest.mark.parametrize("power", [True, False])
def test_a_reading_that_changes_nothing_gives_back_the_same_state(power):
    """The hot path: an unchanged reading, and a quiet change of current, cost no new object."""
    current_a = 0.226 if power else 0.0
    facts = STRING if power else STRING._replace(wanted=False)
    state, _ = observe(DetectorState(), reading(0, current_a, power=power), facts, DEFAULT_LIMITS, at(0))
    for second in range(1, 9):
        same, changes = observe(
            state, reading(second, current_a + 0.001 * second, power=power), facts, DEFAULT_LIMITS, at(second)
        )
        assert same is state
        assert changes == ()


def test_a_trip_explains_what_follows():
    """A trip suppresses no-load, undercurrent and stuck-off; a lost controller what its ports told."""
    assert suppressed_by([C.FUSE_TRIP]) >= {C.NO_LOAD, C.UNDERCURRENT, C.STUCK_OFF}
    assert C.FUSE_TRIP not in suppressed_by(list(Condition))
    assert C.STUCK_ON not in suppressed_by(list(Condition)), "what can hurt is never hidden"
    assert suppressed_by([]) == frozenset()


CURRENTS_A = st.sampled_from([None, 0.0, 0.1, 0.2, 0.226, 0.24, 0.35, 1.0, 3.3, 4.1, 65.535])
VOLTS_V = st.sampled_from([None, 12.0, 12.0, 10.0, 150.0])
WARM_C = st.sampled_from([None, 20.0, 20.0, 69.0, 75.0, 3276.7])
SAID = st.tuples(
    CURRENTS_A,
    st.sampled_from([True, True, True, False, None]),
    st.sampled_from([False, False, False, True, None]),
    st.sampled_from([0.5, 1.0, 1.0, 1.0, 9.0]),
    st.integers(1, 40),
    VOLTS_V,
    WARM_C,
)


@given(st.lists(SAID, max_size=25), st.booleans())
def test_the_quick_way_and_the_long_way_agree(said, wanted):
    """The same readings judged with nothing remembered as unchanged lead to the same changes."""
    facts = STRING._replace(wanted=wanted, nominal_v=12.0)
    quick, slow, second = DetectorState(), DetectorState(), 0.0
    for current_a, power, tripped, gap_s, times, *rest in said:
        for _ in range(times):
            second += gap_s
            each = Reading(PORT, second, current_a, power, tripped, *rest)
            quick, by_quick = observe(quick, each, facts, DEFAULT_LIMITS, at(second))
            slow, by_slow = observe(replace(slow, limits=None), each, facts, DEFAULT_LIMITS, at(second))
            assert by_quick == by_slow
            assert quick.active == slow.active


@given(st.lists(SAID, max_size=25))
def test_changes_tell_what_is_raised(said):
    """Every condition is raised and returned in turn, and the active ones are those raised last."""
    state, seen, second = DetectorState(), {}, 0.0
    for current_a, power, tripped, gap_s, times, *rest in said:
        for _ in range(times):
            second += gap_s
            each = Reading(PORT, second, current_a, power, tripped, *rest)
            state, changes = observe(state, each, STRING, DEFAULT_LIMITS, at(second))
            for change in changes:
                seen.setdefault(change.condition, [False]).append(change.active)
    for flags in seen.values():
        assert all(before != after for before, after in pairwise(flags))
    assert state.active == {condition for condition, flags in seen.items() if flags[-1]}
