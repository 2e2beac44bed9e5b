"""The trip path: what latches, what is told, what a reset lifts."""

from rules.aftermath import Decided
from rules.faults import conditions, detect
from rules.ports import Condition, Fuse
from rules.power import reclose, switching
from rules.power.reclose import Reclose, ReclosePhase, Refusal
from rules.state import FOR_EVER_S, PortState
from rules.step import Step
from rules.telling import tell_decided


def adopt(step: Step, port: PortState, state: Reclose) -> None:
    """Take over a new place in the reclosing sequence, keep it, and tell what follows."""
    before = port.reclose
    if state is before:
        return
    step.touch(port)
    port.reclose = state
    if reclose.kept(state) != reclose.kept(before):
        step.must_keep()
    step.look_at(port, feeds=True)
    if state.phase is ReclosePhase.LOCKOUT and before.phase is not ReclosePhase.LOCKOUT:
        conditions.raise_(step, port, Condition.LOCKOUT, measured=port.trip_a)
    elif before.phase is ReclosePhase.RECLAIM and state.phase is ReclosePhase.CLOSED:
        conditions.lift(step, port, Condition.FUSE_TRIP, by_person=False)
    elif before.decided is not None and state.decided not in (None, before.decided):
        tell_decided(step, port)
    step.tell(port, "shots", state.shots)


def trip(step: Step, port: PortState, cause: Condition, blocked_by: Decided | None) -> None:
    """The fuse opened, or a condition asked for off through the trip path.

    blocked_by: why the rules may not close it by themselves; None if they may.
    """
    if port.reclose.tripped and port.reclose.phase is not ReclosePhase.CLOSING:
        return
    step.touch(port)
    if port.trip_a is None:
        port.trip_a = port.flowing_a
    state = reclose.tripped(
        port.reclose,
        port.plan.reclosing,
        step.now,
        cause=cause,
        fuse=port.plan.fuse if cause is Condition.FUSE_TRIP else Fuse.LATCHING,
        blocked_by=blocked_by,
    )
    adopt(step, port, state)
    conditions.raise_(
        step,
        port,
        Condition.FUSE_TRIP,
        measured=port.trip_a,
        limit=port.plan.rating_a,
        detail="" if cause is Condition.FUSE_TRIP else cause.value,
    )


def judge_anew(step: Step, port: PortState) -> None:
    """Power may come back: what switched it off is judged from the beginning, and can switch it off again."""
    step.touch(port)
    for condition in (Condition.FUSE_TRIP, *port.detector.active):
        limit = port.plan.limits.get(condition)
        if condition is Condition.FUSE_TRIP or (limit is not None and limit.off):
            port.detector = detect.forget(port.detector, condition)
            conditions.return_(step, port, condition)


def came_back(step: Step, port: PortState) -> None:
    """An open self-resetting fuse closed by itself."""
    if not port.reclose.self_resetting:
        return
    adopt(step, port, reclose.self_reset(port.reclose, port.plan.reclosing, step.now))
    conditions.lift(step, port, Condition.FUSE_TRIP, by_person=False)


def reset(step: Step, port: PortState) -> Refusal | None:
    """A person's reset of one port: latch and lockout are lifted, power returns as the other rules say."""
    state = reclose.reset(port.reclose, port.plan.reclosing, step.now)
    if isinstance(state, Refusal):
        return state
    adopt(step, port, state)
    step.must_keep()
    port.flag_ignore_s = FOR_EVER_S if port.flag is True else port.flag_ignore_s
    port.trip_a = None
    switching.rearm(port)
    for condition in (Condition.LOCKOUT, Condition.FUSE_TRIP):
        conditions.lift(step, port, condition, by_person=True)
    judge_anew(step, port)
    return None
