"""Alarm states: the whole table, and what a person is told."""

from datetime import UTC, datetime, timedelta
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.faults import alarms
from rules.faults.alarms import (
    TRANSITIONS,
    Alarm,
    AlarmEvent,
    IllegalAlarmEvent,
    advance,
    needs_telling,
    new_alarm,
)
from rules.ports import UNSHELVABLE, AlarmState, Condition, Now

START_UTC = datetime(2026, 12, 5, 17, 0, tzinfo=UTC)
S, E = AlarmState, AlarmEvent
PROCESS = [
    S.NORMAL,
    S.UNACKNOWLEDGED,
    S.ACKNOWLEDGED,
    S.RETURNED,
    S.LATCHED_UNACKNOWLEDGED,
    S.LATCHED_ACKNOWLEDGED,
]
WAYS_OF_HIDING = [
    {},
    {"shelved_until_utc": START_UTC + timedelta(hours=9)},
    {"suppressed": True},
    {"out_of_service": True},
]


def at(seconds: float) -> Now:
    """`seconds` after the start."""
    return Now(START_UTC + timedelta(seconds=seconds), seconds)


def after(alarm: Alarm, *events: AlarmEvent) -> Alarm:
    """The alarm after the events, one a second."""
    for second, event in enumerate(events, start=1):
        alarm = advance(alarm, event, at(second), until_utc=START_UTC + timedelta(hours=2))
    return alarm


@pytest.mark.parametrize(
    ("before", "event", "to"),
    [
        # pyautomation's reading of ISA-18.2: readthedocs, Developments Guide, API, alarms
        (S.NORMAL, E.RAISED, S.UNACKNOWLEDGED),
        (S.UNACKNOWLEDGED, E.ACKNOWLEDGED, S.ACKNOWLEDGED),
        (S.UNACKNOWLEDGED, E.RETURNED, S.RETURNED),
        (S.ACKNOWLEDGED, E.RETURNED, S.NORMAL),
        (S.NORMAL, E.SHELVED, S.SHELVED),
        (S.UNACKNOWLEDGED, E.SHELVED, S.SHELVED),
        (S.ACKNOWLEDGED, E.SHELVED, S.SHELVED),
        (S.NORMAL, E.SUPPRESSED, S.SUPPRESSED),
        (S.UNACKNOWLEDGED, E.SUPPRESSED, S.SUPPRESSED),
        (S.ACKNOWLEDGED, E.SUPPRESSED, S.SUPPRESSED),
        (S.NORMAL, E.OUT_OF_SERVICE, S.OUT_OF_SERVICE),
        (S.UNACKNOWLEDGED, E.OUT_OF_SERVICE, S.OUT_OF_SERVICE),
        (S.ACKNOWLEDGED, E.OUT_OF_SERVICE, S.OUT_OF_SERVICE),
        # from memory of the standard's figure
        (S.RETURNED, E.ACKNOWLEDGED, S.NORMAL),
        (S.RETURNED, E.RAISED, S.UNACKNOWLEDGED),
    ],
)
def test_transitions_of_the_standard(before, event, to):
    """An alarm goes where ISA-18.2 and IEC 62682 send it."""
    alarm = Alarm(Condition.NO_LOAD, process=before)
    assert advance(alarm, event, at(0), until_utc=START_UTC + timedelta(hours=1)).state is to


def is_legal(alarm: Alarm, event: AlarmEvent) -> bool:
    """Whether the event can happen, said in another way than the code says it."""
    hidden = {S.SHELVED: alarm.shelved_until_utc is not None, S.SUPPRESSED: alarm.suppressed}
    hidden[S.OUT_OF_SERVICE] = alarm.out_of_service
    match event:
        case E.SHELVED:
            return True
        case E.RAISED:
            return not alarm.active
        case E.RETURNED:
            return alarm.active
        case E.ACKNOWLEDGED:
            return alarm.process in (S.UNACKNOWLEDGED, S.RETURNED, S.LATCHED_UNACKNOWLEDGED)
        case E.RESET:
            return alarm.latching and alarm.process is not S.NORMAL
        case E.UNLATCHED:
            return alarm.latching and alarm.process not in (S.NORMAL, S.RETURNED)
        case E.UNSHELVED:
            return hidden[S.SHELVED]
        case E.SUPPRESSED | E.UNSUPPRESSED:
            return hidden[S.SUPPRESSED] == (event is E.UNSUPPRESSED)
        case E.OUT_OF_SERVICE | E.IN_SERVICE:
            return hidden[S.OUT_OF_SERVICE] == (event is E.IN_SERVICE)


@pytest.mark.parametrize(
    ("process", "event", "latching", "hiding"),
    [
        case
        for case in product(PROCESS, AlarmEvent, (False, True), WAYS_OF_HIDING)
        if case[2] or case[0] not in (S.LATCHED_ACKNOWLEDGED, S.LATCHED_UNACKNOWLEDGED)
    ],
)
def test_every_state_and_event(process, event, latching, hiding):
    """Every event in every state leads where the table says, or is refused and changes nothing."""
    alarm = Alarm(Condition.NO_LOAD, latching=latching, process=process, count=1, **hiding)
    copy = Alarm(Condition.NO_LOAD, latching=latching, process=process, count=1, **hiding)
    until_utc = START_UTC + timedelta(hours=1)
    if not is_legal(alarm, event):
        with pytest.raises(IllegalAlarmEvent) as refused:
            advance(alarm, event, at(0), until_utc=until_utc)
        assert (refused.value.event, refused.value.state) == (event, alarm.state)
        assert alarm == copy
        return
    result = advance(alarm, event, at(0), until_utc=until_utc)
    assert alarm == copy
    if event in alarms.HIDING:
        assert result.process is process
    else:
        assert result.process in TRANSITIONS[process, event]
        assert result.hidden == alarm.hidden
        assert result.active == (result.process in (S.UNACKNOWLEDGED, S.ACKNOWLEDGED))


def test_a_trip_stays_until_reset():
    """A trip flag that clears by itself leaves the alarm standing until a reset (OPC UA Part 9, 4.8)."""
    trip = after(new_alarm(Condition.FUSE_TRIP), E.RAISED, E.RETURNED)
    assert trip.state is S.LATCHED_UNACKNOWLEDGED
    assert not alarms.is_over(trip)
    seen = after(trip, E.ACKNOWLEDGED)
    assert seen.state is S.LATCHED_ACKNOWLEDGED
    assert not alarms.is_over(seen)
    assert alarms.is_over(after(seen, E.RESET))
    assert alarms.is_over(after(trip, E.RESET))


def test_reset_before_the_flag_clears():
    """A reset while the fuse is still open lifts the latch once: the flag's end is the alarm's end."""
    trip = after(new_alarm(Condition.FUSE_TRIP), E.RAISED, E.RESET)
    assert trip.state is S.ACKNOWLEDGED
    assert alarms.is_over(after(trip, E.RETURNED))
    again = after(trip, E.RETURNED, E.RAISED, E.RETURNED)
    assert again.state is S.LATCHED_UNACKNOWLEDGED, "a new trip latches anew"


def test_a_survived_reclosing_lifts_the_latch_but_not_the_acknowledgement():
    """A trip that reclosing overcame still waits to be seen."""
    trip = after(new_alarm(Condition.FUSE_TRIP), E.RAISED, E.RETURNED, E.UNLATCHED)
    assert trip.state is S.RETURNED
    assert after(new_alarm(Condition.FUSE_TRIP), E.RAISED, E.UNLATCHED, E.RETURNED).state is S.RETURNED


@pytest.mark.parametrize("condition", sorted(UNSHELVABLE))
def test_dangerous_conditions_cannot_be_shelved(condition):
    """Trip, lockout and stuck-on can't be put out of sight."""
    alarm = after(new_alarm(condition), E.RAISED)
    with pytest.raises(IllegalAlarmEvent, match="never put out of sight"):
        advance(alarm, E.SHELVED, at(9), until_utc=START_UTC + timedelta(hours=1))


@pytest.mark.parametrize("until_utc", [None, START_UTC, START_UTC - timedelta(seconds=1)])
def test_shelving_has_an_end(until_utc):
    """Shelving without an end that lies ahead is refused."""
    with pytest.raises(IllegalAlarmEvent, match="end that lies ahead"):
        advance(new_alarm(Condition.NO_LOAD), E.SHELVED, at(0), until_utc=until_utc)


@pytest.mark.parametrize(
    ("while_shelved", "to"),
    [
        ((), S.UNACKNOWLEDGED),
        ((E.ACKNOWLEDGED,), S.ACKNOWLEDGED),
        ((E.RETURNED,), S.NORMAL),
        ((E.RETURNED, E.RAISED), S.UNACKNOWLEDGED),
    ],
)
def test_off_the_shelf_in_the_state_it_deserves(while_shelved, to):
    """A shelved alarm goes on running and comes out in the state it deserves."""
    alarm = after(new_alarm(Condition.NO_LOAD), E.RAISED, E.SHELVED, *while_shelved)
    assert alarm.state is S.SHELVED
    out = after(alarm, E.UNSHELVED)
    assert out.state is to
    assert needs_telling(alarm, out) == (to is S.UNACKNOWLEDGED)


def test_shelf_ends_on_time():
    """The shelf ends at its instant, not before."""
    shelved = advance(
        new_alarm(Condition.NO_LOAD), E.SHELVED, at(0), until_utc=START_UTC + timedelta(hours=2)
    )
    assert not alarms.shelf_ended(shelved, at(7199))
    assert alarms.shelf_ended(shelved, at(7200))


def test_told_once():
    """Told when raised; not when acknowledged, suppressed, brought out again or returned."""
    alarm, told = new_alarm(Condition.NO_LOAD), []
    for event in (
        E.RAISED,
        E.SUPPRESSED,
        E.UNSUPPRESSED,
        E.ACKNOWLEDGED,
        E.SUPPRESSED,
        E.UNSUPPRESSED,
        E.RETURNED,
    ):
        before, alarm = alarm, after(alarm, event)
        told.append(needs_telling(before, alarm))
    assert told == [True, False, False, False, False, False, False]
    assert needs_telling(alarm, after(alarm, E.RAISED)), "after a return it is told anew"


def test_raised_while_suppressed_is_told_when_it_comes_out():
    """What was raised out of sight and still stands is told when nothing graver hides it any more."""
    hidden = after(new_alarm(Condition.NO_LOAD), E.SUPPRESSED, E.RAISED)
    assert not needs_telling(None, hidden)
    assert needs_telling(hidden, after(hidden, E.UNSUPPRESSED))


def test_count_and_times():
    """The alarm counts how often it was raised since it was last normal, and keeps when."""
    alarm = after(new_alarm(Condition.NO_LOAD), E.RAISED, E.RETURNED, E.RAISED)
    assert alarm.count == 2
    assert alarm.since_utc == START_UTC + timedelta(seconds=3)
    assert after(alarm, E.ACKNOWLEDGED, E.RETURNED, E.RAISED).count == 1


def test_stale_after_a_day():
    """Active for more than 24 h is stale (ISA-18.2 practice)."""
    alarm = advance(new_alarm(Condition.NO_LOAD), E.RAISED, at(0))
    assert not alarms.is_stale(alarm, at(86_400))
    assert alarms.is_stale(alarm, at(86_401))
    assert not alarms.is_stale(after(alarm, E.RETURNED), at(90_000))


@given(
    st.sampled_from([Condition.NO_LOAD, Condition.FUSE_TRIP]),
    st.lists(st.sampled_from(list(AlarmEvent)), max_size=40),
)
def test_any_sequence_of_events(condition, events):
    """An illegal event changes nothing, and a trip is over only after its latch was lifted."""
    alarm, lifted = new_alarm(condition), False
    for second, event in enumerate(events):
        before = alarm
        try:
            alarm = advance(alarm, event, at(second), until_utc=START_UTC + timedelta(hours=1))
        except IllegalAlarmEvent:
            assert alarm is before
            continue
        if event is E.RAISED:
            lifted = False
        if event in (E.RESET, E.UNLATCHED):
            lifted = True
        if needs_telling(before, alarm):
            assert alarm.state in (S.UNACKNOWLEDGED, S.LATCHED_UNACKNOWLEDGED)
        if condition is Condition.FUSE_TRIP:
            assert alarm.shelved_until_utc is None
            if alarm.count and alarms.is_over(alarm):
                assert lifted
        else:
            assert alarm.process not in (S.LATCHED_UNACKNOWLEDGED, S.LATCHED_ACKNOWLEDGED)
        if alarm.process is S.NORMAL:
            assert not alarms.is_shown(alarm)
            assert alarms.is_over(alarm)
