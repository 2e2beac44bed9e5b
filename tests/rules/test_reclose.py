"""Automatic reclosing in the vocabulary of IEEE C37.104: shots, dead time, reclaim time, lockout."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.aftermath import Aftermath, Decided
from rules.plan import Reclosing
from rules.ports import Condition, Fuse, Now
from rules.power import reclose
from rules.power.reclose import FRESH, Reclose, ReclosePhase, Refusal, ShotError

START_UTC = datetime(2026, 12, 5, 17, 0, tzinfo=UTC)
P = ReclosePhase
HELD = Decided(Aftermath.HELD)
THREE = Reclosing(dead_times_s=(1.0, 15.0, 45.0), reclaim_s=60.0)


def at(seconds: float) -> Now:
    """`seconds` after the start."""
    return Now(START_UTC + timedelta(seconds=seconds), seconds)


def evening(plan, trips_s, until_s, restarts_s=frozenset()):
    """Closings (second, shot) and the last state of a port that was on long and trips at these seconds."""
    state, closings = reclose.closed(FRESH, at(-1000)), []
    for second in range(until_s):
        now = at(second)
        if second in restarts_s:
            trip, shots = reclose.kept(state)
            on = state.closed_s is not None
            state = reclose.restored(trip, shots, plan, now)
            state = reclose.closed(state, now) if on else state
        state = reclose.survived(state, plan, now)
        if reclose.due(state, now):
            state = reclose.shot(state, now)
            closings.append((second, state.shots))
            state = reclose.closed(state, now)
        if second in trips_s:
            state = reclose.tripped(state, plan, now)
    return closings, state


def test_three_shots_then_lockout():
    """Dead 1/15/45 s, reclaim 60 s, trips at 0, 3, 20, 70: closes at 1, 18, 65, then lockout.

    Computed by hand from the terms in the MiCOM P40 manual, p. 285 (easymanua.ls).
    """
    closings, state = evening(THREE, {0, 3, 20, 70}, 1000)
    assert closings == [(1, 1), (18, 2), (65, 3)]
    assert state.phase is P.LOCKOUT


def test_survived_reclaim_time_gives_the_shots_back():
    """The same with the last trip at 126 = 65 + 61: reclaimed before, so it closes at 127 as shot 1."""
    closings, state = evening(THREE, {0, 3, 20, 126}, 1000)
    assert closings == [(1, 1), (18, 2), (65, 3), (127, 1)]
    assert (state.phase, state.shots) == (P.CLOSED, 0)


@pytest.mark.parametrize("restarts_s", [set(), {60}, {60, 200}, {35, 60, 90, 140, 160}])
def test_restarts_do_not_give_attempts_back(restarts_s):
    """3 attempts, dead 30 s, reclaim 60 s, trips at 0, 50, 100, 150: closes at 30, 80, 130, lockout at 150.

    A restart at 60, or after the lockout, changes nothing (GE MiCOM P40 manual p. 357, GE 850 manual p. 579).
    """
    plan = Reclosing(dead_times_s=(30.0, 30.0, 30.0), reclaim_s=60.0)
    closings, state = evening(plan, {0, 50, 100, 150}, 2000, restarts_s)
    assert closings == [(30, 1), (80, 2), (130, 3)]
    assert state.phase is P.LOCKOUT


def test_no_trip_until_the_end_of_reclaim():
    """One trip at 0 with dead 30 s, reclaim 60 s: at t = 90 the count is 0 again, not a second before."""
    plan = Reclosing(dead_times_s=(30.0,) * 3, reclaim_s=60.0)
    assert evening(plan, {0}, 90)[1].shots == 1
    assert evening(plan, {0}, 91)[1].shots == 0


def test_never_more_than_three_shots():
    """A plan that lists five dead times still gets three shots."""
    closings, state = evening(replace(THREE, dead_times_s=(5.0,) * 5), {0, 10, 20, 30, 40, 50}, 500)
    assert closings == [(5, 1), (15, 2), (25, 3)]
    assert state.phase is P.LOCKOUT


def test_default_is_no_reclosing():
    """Without a setting a trip stays open until a reset, and says so."""
    closings, state = evening(Reclosing(), {0}, 5000)
    assert closings == []
    assert state.phase is P.OPEN
    assert state.keeps_off
    assert state.decided == Decided(Aftermath.NOT_SET_UP)


@pytest.mark.parametrize(("closed_for_s", "phase"), [(0.5, P.LOCKOUT), (1.0, P.LOCKOUT), (1.5, P.DEAD_TIME)])
def test_a_short_that_is_back_at_once_is_a_lockout(closed_for_s, phase):
    """A trip within `short_return_s` (1 s) of a shot is the short itself: no further shot heats it."""
    state = reclose.tripped(reclose.closed(FRESH, at(-100)), THREE, at(0))
    state = reclose.closed(reclose.shot(state, at(1)), at(1))
    assert reclose.tripped(state, THREE, at(1 + closed_for_s)).phase is phase


def test_a_trip_before_power_was_seen_is_a_lockout():
    """A shot whose power nobody saw before the next trip came back at once."""
    state = reclose.shot(reclose.tripped(reclose.closed(FRESH, at(-100)), THREE, at(0)), at(1))
    assert reclose.tripped(state, THREE, at(3)).phase is P.LOCKOUT


def test_switched_onto_a_fault_is_not_reclosed():
    """A trip within `short_return_s` of an ordinary switching on stays open, without a shot."""
    state = reclose.tripped(reclose.closed(FRESH, at(0)), THREE, at(0.5))
    assert (state.phase, state.shots) == (P.OPEN, 0)


def test_a_block_ends_the_sequence():
    """What blocks a closing leaves the port open for good, until a reset brings it back."""
    state = reclose.tripped(reclose.closed(FRESH, at(-100)), THREE, at(0))
    held = reclose.blocked(state, HELD)
    assert held.phase is P.OPEN
    assert held.decided == HELD
    assert not reclose.due(held, at(10_000))
    with pytest.raises(ShotError):
        reclose.shot(held, at(10_000))
    trip, shots = reclose.kept(held)
    assert reclose.restored(trip, shots, THREE, at(20_000)).phase is P.OPEN, "a restart does not revive it"
    assert not isinstance(reclose.reset(held, THREE, at(30)), Refusal)


def test_blocked_at_the_trip():
    """A trip outside a show, under a hold or over budget waits for a person from the start."""
    state = reclose.tripped(FRESH, THREE, at(0), blocked_by=Decided(Aftermath.NO_SHOW))
    assert state.phase is P.OPEN
    assert state.decided == Decided(Aftermath.NO_SHOW)


def test_a_closing_that_fails_is_a_lockout():
    """Power that does not come back when it is switched on again is a lockout (MiCOM P40: fails to close)."""
    state = reclose.shot(reclose.tripped(reclose.closed(FRESH, at(-100)), THREE, at(0)), at(1))
    assert reclose.not_closed(state).phase is P.LOCKOUT


def test_reclaim_needs_power_in_one_piece():
    """Switched off within the reclaim time, the port starts it again in full when power returns."""
    state = reclose.tripped(reclose.closed(FRESH, at(-100)), THREE, at(0))
    state = reclose.closed(reclose.shot(state, at(1)), at(1))
    state = reclose.opened(state, THREE, at(30))
    assert reclose.survived(state, THREE, at(500)).shots == 1
    state = reclose.closed(state, at(600))
    assert reclose.survived(state, THREE, at(659)).shots == 1
    assert reclose.survived(state, THREE, at(660)).shots == 0


def test_reset_is_rate_limited():
    """A second reset within `reset_gap_s` is refused with the time to wait."""
    locked = evening(THREE, {0, 3, 20, 70}, 100)[1]
    first = reclose.reset(locked, THREE, at(200))
    assert isinstance(first, Reclose)
    assert first.phase is P.CLOSED
    again = reclose.reset(reclose.tripped(first, THREE, at(201)), THREE, at(204))
    assert isinstance(again, Refusal)
    assert "wait 6 s" in again.reason
    assert isinstance(reclose.reset(reclose.tripped(first, THREE, at(201)), THREE, at(210)), Reclose)


def test_nothing_to_reset():
    """A reset of a port that has not tripped is refused with the reason."""
    answer = reclose.reset(FRESH, THREE, at(0))
    assert isinstance(answer, Refusal)
    assert "no trip" in answer.reason


@pytest.mark.parametrize(
    ("closed_at_s", "trip_at_s", "phase"),
    [
        (201, 204, P.LOCKOUT),  # soon after the reset
        (3600, 3604, P.LOCKOUT),  # soon after the first closing that follows it
        (201, 207, P.DEAD_TIME),
    ],
)
def test_a_trip_soon_after_a_reset_is_a_lockout(closed_at_s, trip_at_s, phase):
    """A person's reset followed at once by a trip (5 s) locks out, whenever its power comes."""
    state = reclose.reset(reclose.tripped(FRESH, THREE, at(0)), THREE, at(200))
    state = reclose.closed(state, at(closed_at_s))
    assert reclose.tripped(state, THREE, at(trip_at_s)).phase is phase


def test_self_resetting_fuse_is_counted():
    """Three returns of a self-resetting fuse in 10 min are a lockout with OFF; two are not."""
    state, phases = reclose.closed(FRESH, at(-100)), []
    for second in (0, 100, 200):
        state = reclose.tripped(state, THREE, at(second), fuse=Fuse.SELF_RESETTING)
        assert not state.keeps_off, "it is left to itself"
        state = reclose.self_reset(state, THREE, at(second + 30))
        phases.append(state.phase)
    assert phases == [P.CLOSED, P.CLOSED, P.LOCKOUT]
    assert state.keeps_off


def test_self_resets_outside_the_window_do_not_count():
    """Returns 301 s apart never are three within 600 s."""
    state = reclose.closed(FRESH, at(-100))
    for second in range(0, 3010, 301):
        state = reclose.tripped(state, THREE, at(second), fuse=Fuse.SELF_RESETTING)
        state = reclose.self_reset(state, THREE, at(second + 30))
        assert state.phase is P.CLOSED


def test_reboot_restarts_the_dead_time_in_full():
    """Monotonic seconds do not outlive a reboot: the dead time begins anew; a mere restart goes on."""
    plan = Reclosing(dead_times_s=(30.0,), reclaim_s=60.0)
    trip, shots = reclose.kept(reclose.tripped(reclose.closed(FRESH, at(-100)), plan, at(0)))
    later = Now(START_UTC + timedelta(seconds=20), 5.0)
    assert reclose.restored(trip, shots, plan, later).due_s == pytest.approx(15.0)
    assert reclose.restored(trip, shots, plan, later, rebooted=True).due_s == pytest.approx(35.0)
    back = Now(START_UTC - timedelta(days=1), 5.0)
    assert reclose.restored(trip, shots, plan, back).due_s == pytest.approx(35.0), (
        "a clock set back adds nothing"
    )


def test_a_crash_in_the_middle_of_a_shot_leaves_it_open():
    """Whether the shot closed is not known: the port stays open, and the shot is used."""
    state = reclose.shot(reclose.tripped(reclose.closed(FRESH, at(-100)), THREE, at(0)), at(1))
    trip, shots = reclose.kept(state)
    restored = reclose.restored(trip, shots, THREE, at(2))
    assert (restored.phase, restored.shots) == (P.OPEN, 1)


def test_reclaim_restarts_in_full_after_a_restart():
    """A closed port keeps its used shots over a restart until a whole reclaim time was survived."""
    state = reclose.tripped(reclose.closed(FRESH, at(-100)), THREE, at(0))
    state = reclose.closed(reclose.shot(state, at(1)), at(1))
    restored = reclose.closed(reclose.restored(*reclose.kept(state), THREE, at(50)), at(51))
    assert reclose.survived(restored, THREE, at(110)).shots == 1
    assert reclose.survived(restored, THREE, at(111)).shots == 0


EVENTS = {
    "tripped": lambda s, n: reclose.tripped(s, THREE, n),
    "tripped-self": lambda s, n: reclose.tripped(s, THREE, n, fuse=Fuse.SELF_RESETTING),
    "tripped-blocked": lambda s, n: reclose.tripped(s, THREE, n, blocked_by=HELD),
    "shot": reclose.shot,
    "blocked": lambda s, n: reclose.blocked(s, HELD),
    "not-closed": lambda s, n: reclose.not_closed(s),
    "closed": reclose.closed,
    "opened": lambda s, n: reclose.opened(s, THREE, n),
    "survived": lambda s, n: reclose.survived(s, THREE, n),
    "self-reset": lambda s, n: reclose.self_reset(s, THREE, n),
    "reset": lambda s, n: reclose.reset(s, THREE, n),
    "restart": lambda s, n: reclose.restored(*reclose.kept(s), THREE, n),
}
STATES = {
    P.CLOSED: reclose.closed(FRESH, at(-500)),
    P.DEAD_TIME: reclose.tripped(FRESH, THREE, at(0)),
    P.CLOSING: reclose.shot(reclose.tripped(FRESH, THREE, at(0)), at(1)),
    P.RECLAIM: reclose.closed(reclose.shot(reclose.tripped(FRESH, THREE, at(0)), at(1)), at(1)),
    P.OPEN: reclose.tripped(FRESH, Reclosing(), at(0)),
    P.LOCKOUT: reclose.not_closed(reclose.shot(reclose.tripped(FRESH, THREE, at(0)), at(1))),
}
LEADS = {
    # event: where each phase goes, in the order closed, dead-time, closing, reclaim, open, lockout; = stays
    "tripped": ["dead-time", "=", "lockout", "dead-time", "=", "="],
    "tripped-self": ["open", "=", "lockout", "open", "=", "="],
    "tripped-blocked": ["open", "=", "lockout", "open", "=", "="],
    "shot": ["refused", "closing", "refused", "refused", "refused", "refused"],
    "blocked": ["=", "open", "open", "=", "=", "="],
    "not-closed": ["=", "=", "lockout", "=", "=", "="],
    "closed": ["=", "=", "reclaim", "=", "=", "="],
    "opened": ["closed", "=", "=", "reclaim", "=", "="],
    "survived": ["=", "=", "=", "closed", "=", "="],
    "self-reset": ["=", "=", "=", "=", "=", "="],
    "reset": ["refused", "closed", "closed", "closed", "closed", "closed"],
    "restart": ["closed", "dead-time", "open", "reclaim", "open", "lockout"],
}


@pytest.mark.parametrize(("phase", "event"), list(product(P, LEADS)))
def test_every_phase_and_event(phase, event):
    """Every event in every phase leads where this table says, or changes nothing (the very same object)."""
    state, lead = STATES[phase], LEADS[event][list(P).index(phase)]
    copy = replace(state)
    if lead == "refused" and event == "shot":
        with pytest.raises(ShotError):
            EVENTS[event](state, at(100))
    else:
        result = EVENTS[event](state, at(100))
        if lead == "refused":
            assert isinstance(result, Refusal)
        elif lead == "=":
            assert result is state
        else:
            assert result.phase == lead
    assert state == copy


@given(
    st.lists(st.tuples(st.sampled_from(list(EVENTS)), st.floats(0.0, 90.0)), max_size=60),
    st.sampled_from([(), (1.0,), (1.0, 15.0), (1.0, 15.0, 45.0), (1.0, 1.0, 1.0, 1.0, 1.0)]),
)
def test_any_sequence_of_events(events, dead_times_s):
    """Never more shots than allowed since a reset or a survived reclaim; a lockout ends by a reset only."""
    plan = replace(THREE, dead_times_s=dead_times_s)
    state, shots, now_s = FRESH, 0, 0.0
    for event, gap_s in events:
        now_s += gap_s
        now, before = at(now_s), state
        if event == "restart":
            result = reclose.restored(*reclose.kept(state), plan, now)
        elif event.startswith("tripped"):
            fuse = Fuse.SELF_RESETTING if event == "tripped-self" else Fuse.LATCHING
            result = reclose.tripped(
                state, plan, now, fuse=fuse, blocked_by=HELD if event == "tripped-blocked" else None
            )
        else:
            try:
                result = EVENTS[event](state, now)
            except ShotError:
                assert not reclose.due(state, now)
                continue
        if isinstance(result, Refusal):
            continue
        state = result
        if event == "shot":
            shots += 1
        if event == "reset" or (event == "survived" and state is not before):
            shots = 0
        assert shots <= min(3, len(dead_times_s))
        assert state.shots == shots
        if before.phase is P.LOCKOUT and event != "reset":
            assert state.phase is P.LOCKOUT
        if state.phase is P.LOCKOUT:
            assert state.keeps_off
            assert not reclose.due(state, at(now_s + 1e6))
        if state.tripped:
            assert state.cause is Condition.FUSE_TRIP
            assert state.since_utc is not None
