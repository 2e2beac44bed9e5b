"""Automatic reclosing and lockout, in the vocabulary of IEEE C37.104. Default: no reclosing.

(The standard itself was not read; shot, dead time, reclaim time and lockout are used as relay manuals do.)

What a person can rely on:

- At most as many shots as the plan lists dead times (0 to 3); only an explicit reset ends a lockout.
- A trip inside the reclaim time takes the next shot; none left is a lockout. So is a short that is back
  within `short_return_s` of a shot, or before its power was even seen, and a trip within `reset_trip_s` of a
  person's reset or of the first closing after it.
- A port that trips within `short_return_s` of an ordinary closing was switched onto a fault: it stays open
  and no shot is tried (it is not locked out: one reset may bring it back).
- What blocks a closing (no show, a hold, no budget) ends the sequence: the port stays open, and does not
  close by itself later, not in this show and not in the next, because whoever held it or saw it dark must
  not be met by power that comes back unasked. A person's reset brings it back.
- Shots are given back only after the reclaim time was survived in one piece *with power*; a switching off
  in between, or a reboot, starts it again in full.

Pure: no clock. Every function gives back the same object when nothing changed.
"""

import math
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Final

from rules.aftermath import Aftermath, Decided
from rules.errors import RulesError
from rules.plan import Reclosing
from rules.ports import Condition, Fuse, Now
from rules.safety import Tripped

MAX_SHOTS: Final = 3


class ReclosePhase(StrEnum):
    """Where a port is in its reclosing sequence."""

    CLOSED = "closed"
    """Nothing tripped; the shots are all there."""
    DEAD_TIME = "dead-time"
    """Tripped; the next shot waits for its dead time."""
    CLOSING = "closing"
    """A shot is given, and not seen closed yet."""
    RECLAIM = "reclaim"
    """Closed again; the shots are not given back yet."""
    OPEN = "open"
    """Tripped, and nothing closes it by itself (or the self-resetting fuse does)."""
    LOCKOUT = "lockout"
    """Tripped; only a person's reset ends it."""


class ShotError(RulesError):
    """A shot was taken where none was due; nothing was changed."""


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a reset is refused, in one sentence."""

    reason: str


@dataclass(frozen=True, slots=True)
class Reclose:
    """A port's place in its sequence.

    shots: used since the last survived reclaim time; due_s: end of the dead time; closed_s: since when power
    is seen (None: off); since_utc, cause: the trip; decided: what was decided about it; self_resetting:
    the open fuse closes by itself; self_resets_utc: its returns that still count; reset_s: the last reset;
    after_reset: a trip now is judged as one soon after a reset. All `_s` are monotonic seconds.
    """

    phase: ReclosePhase = ReclosePhase.CLOSED
    shots: int = 0
    due_s: float | None = None
    closed_s: float | None = None
    since_utc: datetime | None = None
    cause: Condition | None = None
    decided: Decided | None = None
    self_resetting: bool = False
    self_resets_utc: tuple[datetime, ...] = ()
    reset_s: float | None = None
    after_reset: bool = False

    @property
    def tripped(self) -> bool:
        """Whether a trip is latched."""
        return self.phase not in (ReclosePhase.CLOSED, ReclosePhase.RECLAIM)

    @property
    def keeps_off(self) -> bool:
        """Whether power must be off. An open self-resetting fuse is left to itself; a shot wants power."""
        return self.phase in (ReclosePhase.DEAD_TIME, ReclosePhase.LOCKOUT) or (
            self.phase is ReclosePhase.OPEN and not self.self_resetting
        )


FRESH: Final = Reclose()


def tripped(
    state: Reclose,
    plan: Reclosing,
    now: Now,
    *,
    cause: Condition = Condition.FUSE_TRIP,
    fuse: Fuse = Fuse.LATCHING,
    blocked_by: Decided | None = None,
) -> Reclose:
    """After the fuse opened, or the rules asked for off through the trip path (then pass `Fuse.LATCHING`).

    blocked_by: what forbids a closing by the rules now. While a trip is latched already nothing changes: the
    flag of one trip is seen many times.
    """
    if state.phase not in (ReclosePhase.CLOSED, ReclosePhase.RECLAIM, ReclosePhase.CLOSING):
        return state
    open_ = replace(
        state,
        phase=ReclosePhase.OPEN,
        due_s=None,
        closed_s=None,
        since_utc=now.utc,
        cause=cause,
        self_resetting=False,
        after_reset=False,
    )
    if _soon_after_reset(state, plan, now):
        return _locked(open_, Decided(Aftermath.LOCKED_AFTER_RESET))
    closed_for_s = 0.0 if state.closed_s is None else now.monotonic_s - state.closed_s
    # a trip before the closing was seen came at once after it
    short = state.closed_s is not None and closed_for_s <= plan.short_return_s
    after_shot = state.phase is ReclosePhase.CLOSING or (
        state.phase is ReclosePhase.RECLAIM and state.shots > 0
    )
    if after_shot and (short or state.phase is ReclosePhase.CLOSING):
        return _locked(open_, Decided(Aftermath.LOCKED_SHORT))
    if fuse is Fuse.SELF_RESETTING:
        return replace(open_, self_resetting=True, decided=Decided(Aftermath.CLOSES_BY_ITSELF))
    dead_times_s = plan.dead_times_s[:MAX_SHOTS]
    if state.shots >= len(dead_times_s):
        if state.shots:
            return _locked(open_, Decided(Aftermath.LOCKED_NO_SHOT_LEFT, shots=state.shots))
        return replace(open_, decided=Decided(Aftermath.NOT_SET_UP))
    if short:
        return replace(open_, decided=Decided(Aftermath.ONTO_A_SHORT))
    if blocked_by is not None:
        return replace(open_, decided=blocked_by)
    dead_s = dead_times_s[state.shots]
    return replace(
        open_,
        phase=ReclosePhase.DEAD_TIME,
        due_s=now.monotonic_s + dead_s,
        decided=Decided(Aftermath.CLOSES_AGAIN, wait_s=dead_s, shot=state.shots + 1, shots=len(dead_times_s)),
    )


def due(state: Reclose, now: Now) -> bool:
    """Whether the dead time has run out: call `shot` if closing is allowed now, `blocked` if not."""
    return (
        state.phase is ReclosePhase.DEAD_TIME and state.due_s is not None and now.monotonic_s >= state.due_s
    )


def has_shot(state: Reclose, plan: Reclosing) -> bool:
    """Whether the plan in force, which may be newer than the trip, still has a shot for this sequence."""
    return state.shots < len(plan.dead_times_s[:MAX_SHOTS])


def shot(state: Reclose, now: Now) -> Reclose:
    """After a shot is used, before power is commanded: keep this state first.

    Raises ShotError outside a dead time that has run out.
    """
    if not due(state, now):
        raise ShotError(f"no shot is due while {state.phase}")
    return replace(state, phase=ReclosePhase.CLOSING, shots=state.shots + 1, due_s=None)


def blocked(state: Reclose, by: Decided) -> Reclose:
    """After something forbids the closing: a hold at any time of the sequence, all else when it is due."""
    if state.phase not in (ReclosePhase.DEAD_TIME, ReclosePhase.CLOSING):
        return state
    return replace(state, phase=ReclosePhase.OPEN, due_s=None, decided=by)


def not_closed(state: Reclose) -> Reclose:
    """After a shot did not bring power (and no trip was reported): a closing that fails is a lockout."""
    if state.phase is not ReclosePhase.CLOSING:
        return state
    return _locked(replace(state, due_s=None), Decided(Aftermath.LOCKED_NO_POWER))


def closed(state: Reclose, now: Now) -> Reclose:
    """After power is seen on. Nothing changes while it was seen on already, or must be off."""
    if state.closed_s is not None or state.keeps_off or state.phase is ReclosePhase.OPEN:
        return state
    phase = ReclosePhase.RECLAIM if state.shots else ReclosePhase.CLOSED
    return replace(state, phase=phase, closed_s=now.monotonic_s, since_utc=None, cause=None, decided=None)


def opened(state: Reclose, plan: Reclosing, now: Now) -> Reclose:
    """After power was switched off without a trip. An unfinished reclaim time starts again with the power."""
    if state.closed_s is None:
        return state
    watched = state.after_reset and _soon_after_reset(state, plan, now)
    return replace(state, closed_s=None, after_reset=watched)


def survives_at(state: Reclose, plan: Reclosing) -> float | None:
    """The monotonic second at which the reclaim time will be survived, None outside it or without power."""
    if state.phase is not ReclosePhase.RECLAIM or state.closed_s is None:
        return None
    return state.closed_s + plan.reclaim_s


def survived(state: Reclose, plan: Reclosing, now: Now) -> Reclose:
    """After time passed: once the reclaim time is survived the shots are given back."""
    at_s = survives_at(state, plan)
    if at_s is None or now.monotonic_s < at_s:
        return state
    return replace(state, phase=ReclosePhase.CLOSED, shots=0, after_reset=False, decided=None)


def self_reset(state: Reclose, plan: Reclosing, now: Now) -> Reclose:
    """After an open self-resetting fuse closed by itself; too many in the window are a lockout."""
    if state.phase is not ReclosePhase.OPEN or not state.self_resetting:
        return state
    window = timedelta(seconds=plan.self_reset_window_s)
    returns = (*(t for t in state.self_resets_utc if now.utc - t < window), now.utc)
    if len(returns) >= plan.self_resets:
        return _locked(
            replace(state, self_resets_utc=returns, self_resetting=False),
            Decided(Aftermath.LOCKED_SELF_RESETS, times=len(returns), window_s=plan.self_reset_window_s),
        )
    return replace(
        state,
        phase=ReclosePhase.RECLAIM if state.shots else ReclosePhase.CLOSED,
        closed_s=now.monotonic_s,
        self_resetting=False,
        self_resets_utc=returns,
        since_utc=None,
        cause=None,
        decided=None,
    )


def reset(state: Reclose, plan: Reclosing, now: Now) -> Reclose | Refusal:
    """After a person's reset: the only way out of a lockout. Power returns as the other rules say."""
    if not state.tripped and not state.shots:
        return Refusal("Nothing to reset: no trip is latched.")
    if state.reset_s is not None:
        wait_s = state.reset_s + plan.reset_gap_s - now.monotonic_s
        if wait_s > 0:
            return Refusal(
                f"Too soon after the last reset: wait {math.ceil(wait_s)} s and look at the string."
            )
    return Reclose(
        reset_s=now.monotonic_s, after_reset=True, closed_s=None if state.tripped else state.closed_s
    )


def cause_words(state: Reclose) -> str:
    """What opened a tripped port, as a clause: its fuse, or the rules because of a condition."""
    if state.cause in (None, Condition.FUSE_TRIP):
        return "its fuse tripped"
    return f"it was switched off because of {state.cause}"


def kept(
    state: Reclose, *, measured_a: float | None = None, acknowledged: bool = False
) -> tuple[Tripped | None, int]:
    """What the safety journal keeps: the latched trip (None if none), and the shots of a closed port."""
    if not state.tripped:
        return None, state.shots
    if state.since_utc is None:
        raise RulesError("a latched trip has an instant")  # pragma: no cover - `tripped` always sets it
    return (
        Tripped(
            since_utc=state.since_utc,
            cause=state.cause or Condition.FUSE_TRIP,
            shots=state.shots,
            lockout=state.phase is ReclosePhase.LOCKOUT,
            measured_a=measured_a,
            acknowledged=acknowledged,
            self_resets_utc=state.self_resets_utc,
            reclosing=state.phase is ReclosePhase.DEAD_TIME,
        ),
        state.shots,
    )


def restored(
    trip: Tripped | None,
    shots: int,
    plan: Reclosing,
    now: Now,
    *,
    fuse: Fuse = Fuse.LATCHING,
    rebooted: bool = False,
) -> Reclose:
    """The state after a restart.

    A dead time goes on where it was (by the wall clock, never longer than it is); after a reboot it starts
    again in full. A crash in the middle of a shot leaves the port open: whether it closed is not known. Shots
    of a closed port stay used until a reclaim time is survived in full.
    """
    if trip is None:
        return Reclose(phase=ReclosePhase.RECLAIM, shots=shots) if shots else FRESH
    state = Reclose(
        phase=ReclosePhase.LOCKOUT if trip.lockout else ReclosePhase.OPEN,
        shots=trip.shots,
        since_utc=trip.since_utc,
        cause=trip.cause,
        self_resets_utc=trip.self_resets_utc,
        decided=Decided(Aftermath.LOCKED_OUT if trip.lockout else Aftermath.WAITS_FOR_RESET),
    )
    if trip.lockout:
        return state
    dead_times_s = plan.dead_times_s[:MAX_SHOTS]
    if trip.reclosing and trip.shots < len(dead_times_s):
        dead_s = dead_times_s[trip.shots]
        gone_s = 0.0 if rebooted else (now.utc - trip.since_utc).total_seconds()
        left_s = min(dead_s, max(0.0, dead_s - gone_s))
        return replace(
            state,
            phase=ReclosePhase.DEAD_TIME,
            due_s=now.monotonic_s + left_s,
            decided=Decided(
                Aftermath.CLOSES_SOON, wait_s=round(left_s), shot=trip.shots + 1, shots=len(dead_times_s)
            ),
        )
    by_fuse = fuse is Fuse.SELF_RESETTING and trip.cause is Condition.FUSE_TRIP
    return replace(state, self_resetting=True) if by_fuse else state


def _locked(state: Reclose, decided: Decided) -> Reclose:
    return replace(state, phase=ReclosePhase.LOCKOUT, decided=decided)


def _soon_after_reset(state: Reclose, plan: Reclosing, now: Now) -> bool:
    if not state.after_reset or state.reset_s is None:
        return False
    if now.monotonic_s - state.reset_s <= plan.reset_trip_s:
        return True
    if state.closed_s is None:
        return True  # the first closing after the reset is still to be seen
    return now.monotonic_s - state.closed_s <= plan.reset_trip_s
