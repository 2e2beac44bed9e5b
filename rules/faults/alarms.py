"""Alarm states: one transition table, after ANSI/ISA-18.2-2016 and IEC 62682.

An `Alarm` follows its condition through the six states of the process (`AlarmState.NORMAL` to
`LATCHED_ACKNOWLEDGED`). Three things can hide it without stopping it: a person shelves it, the rules
suppress it (it follows from something graver), or it is out of service. Hidden alarms go on running,
so one that comes out of hiding is in the state it deserves.

Pure: no clock. Every function gives back the same object when nothing changed.
"""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from types import MappingProxyType
from typing import Final, NamedTuple

from rules.errors import RulesError
from rules.ports import UNSHELVABLE, AlarmState, Condition, Now

STALE_AFTER: Final = timedelta(hours=24)
"""Continuously active for longer is stale (common figure of ISA-18.2 practice)."""

LATCHING: Final = frozenset({Condition.FUSE_TRIP, Condition.LOCKOUT})
"""Conditions that stay told after they went away by themselves, until a reset."""


class AlarmEvent(StrEnum):
    """What can happen to an alarm."""

    RAISED = "raised"
    """The condition became true."""
    RETURNED = "returned"
    """The condition went away by itself (return to normal)."""
    ACKNOWLEDGED = "acknowledged"
    """A person has seen it."""
    RESET = "reset"
    """A person lifts the latch. Whoever resets has seen it, so it acknowledges too."""
    UNLATCHED = "unlatched"
    """The rules lift the latch: the port reclosed and survived. Nobody has seen it by that."""
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SUPPRESSED = "suppressed"
    UNSUPPRESSED = "unsuppressed"
    OUT_OF_SERVICE = "out-of-service"
    IN_SERVICE = "in-service"


class Row(NamedTuple):
    """Where an event leads: `plain` alarms, `latching` alarms, and any alarm that is `hidden`.

    None is an event that is illegal there. A hidden alarm that returns was told to nobody, or was put away
    by somebody who saw it, so it does not wait for an acknowledgement.
    """

    plain: AlarmState | None
    latching: AlarmState | None
    hidden: AlarmState | None = None


_S = AlarmState
_E = AlarmEvent
TRANSITIONS: Final = MappingProxyType(
    {
        (_S.NORMAL, _E.RAISED): Row(_S.UNACKNOWLEDGED, _S.UNACKNOWLEDGED),
        (_S.UNACKNOWLEDGED, _E.RETURNED): Row(_S.RETURNED, _S.LATCHED_UNACKNOWLEDGED, hidden=_S.NORMAL),
        (_S.UNACKNOWLEDGED, _E.ACKNOWLEDGED): Row(_S.ACKNOWLEDGED, _S.ACKNOWLEDGED),
        (_S.UNACKNOWLEDGED, _E.RESET): Row(None, _S.ACKNOWLEDGED),
        (_S.UNACKNOWLEDGED, _E.UNLATCHED): Row(None, _S.UNACKNOWLEDGED),
        (_S.ACKNOWLEDGED, _E.RETURNED): Row(_S.NORMAL, _S.LATCHED_ACKNOWLEDGED),
        (_S.ACKNOWLEDGED, _E.RESET): Row(None, _S.ACKNOWLEDGED),
        (_S.ACKNOWLEDGED, _E.UNLATCHED): Row(None, _S.ACKNOWLEDGED),
        (_S.RETURNED, _E.RAISED): Row(_S.UNACKNOWLEDGED, _S.UNACKNOWLEDGED),
        (_S.RETURNED, _E.ACKNOWLEDGED): Row(_S.NORMAL, _S.NORMAL),
        (_S.RETURNED, _E.RESET): Row(None, _S.NORMAL),
        (_S.LATCHED_UNACKNOWLEDGED, _E.RAISED): Row(None, _S.UNACKNOWLEDGED),
        (_S.LATCHED_UNACKNOWLEDGED, _E.ACKNOWLEDGED): Row(None, _S.LATCHED_ACKNOWLEDGED),
        (_S.LATCHED_UNACKNOWLEDGED, _E.RESET): Row(None, _S.NORMAL),
        (_S.LATCHED_UNACKNOWLEDGED, _E.UNLATCHED): Row(None, _S.RETURNED),
        (_S.LATCHED_ACKNOWLEDGED, _E.RAISED): Row(None, _S.UNACKNOWLEDGED),
        (_S.LATCHED_ACKNOWLEDGED, _E.RESET): Row(None, _S.NORMAL),
        (_S.LATCHED_ACKNOWLEDGED, _E.UNLATCHED): Row(None, _S.NORMAL),
    }
)
"""(state, event) → row. A pair that is not here is illegal."""

HIDING: Final = MappingProxyType(
    {
        _E.SHELVED: (_S.SHELVED, True),
        _E.UNSHELVED: (_S.SHELVED, False),
        _E.SUPPRESSED: (_S.SUPPRESSED, True),
        _E.UNSUPPRESSED: (_S.SUPPRESSED, False),
        _E.OUT_OF_SERVICE: (_S.OUT_OF_SERVICE, True),
        _E.IN_SERVICE: (_S.OUT_OF_SERVICE, False),
    }
)
"""event → (the way of hiding, whether it begins or ends). Legal in every state of the process; beginning
what is there already (except shelving again, which moves its end) or ending what is not is illegal."""

_WAITING = frozenset({_S.UNACKNOWLEDGED, _S.LATCHED_UNACKNOWLEDGED})


class IllegalAlarmEvent(RulesError):  # noqa: N818 - its name says what was refused
    """The event can't happen to the alarm in its state; nothing was changed."""

    def __init__(self, condition: Condition, state: AlarmState, event: AlarmEvent, reason: str) -> None:
        super().__init__(f"{condition}: {event} is not possible while {state}: {reason}")
        self.condition = condition
        self.state = state
        self.event = event
        self.reason = reason


@dataclass(frozen=True, slots=True)
class Alarm:
    """One condition's alarm on one target.

    process: state of the condition, whatever hides it; since_utc: when it was raised last; last_utc: its last
    event; count: times raised since it was last normal; measured, limit: in the condition's own unit;
    shelved_until_utc: end of shelving or None; unlatched: its latch was lifted while the condition was still
    true, so it will not latch again until it is raised anew; told: the `count` a person was last told of.
    """

    condition: Condition
    latching: bool = False
    process: AlarmState = AlarmState.NORMAL
    since_utc: datetime | None = None
    last_utc: datetime | None = None
    count: int = 0
    measured: float | None = None
    limit: float | None = None
    shelved_until_utc: datetime | None = None
    suppressed: bool = False
    out_of_service: bool = False
    unlatched: bool = False
    told: int = 0

    @property
    def state(self) -> AlarmState:
        """The state to show: out of service, then shelved, then suppressed, then the process's own."""
        if self.out_of_service:
            return AlarmState.OUT_OF_SERVICE
        if self.shelved_until_utc is not None:
            return AlarmState.SHELVED
        if self.suppressed:
            return AlarmState.SUPPRESSED
        return self.process

    @property
    def hidden(self) -> bool:
        """Shelved, suppressed or out of service."""
        return self.out_of_service or self.suppressed or self.shelved_until_utc is not None

    @property
    def active(self) -> bool:
        """The condition is true now."""
        return self.process in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)


def new_alarm(condition: Condition) -> Alarm:
    """A normal alarm of `condition`, latching where the condition latches."""
    return Alarm(condition, latching=condition in LATCHING)


def advance(
    alarm: Alarm,
    event: AlarmEvent,
    now: Now,
    *,
    measured: float | None = None,
    limit: float | None = None,
    until_utc: datetime | None = None,
) -> Alarm:
    """The alarm after `event`.

    measured, limit: taken over when RAISED; until_utc: end of shelving, needed by SHELVED.
    Raises IllegalAlarmEvent where the event can't happen; the alarm given is never changed.
    """
    after = (
        _hide(alarm, event, now, until_utc)
        if event in HIDING
        else _follow(alarm, event, now, measured=measured, limit=limit)
    )
    told = after.told
    if after.process is AlarmState.NORMAL:
        told = 0
    elif not after.hidden and after.process in _WAITING:
        told = after.count
    return after if told == after.told else replace(after, told=told)


def _follow(
    alarm: Alarm, event: AlarmEvent, now: Now, *, measured: float | None, limit: float | None
) -> Alarm:
    row = TRANSITIONS.get((alarm.process, event))
    to = None
    if row is not None:
        # a latch that was lifted while the condition was true lets this one return pass
        latches = alarm.latching and not (alarm.unlatched and event is AlarmEvent.RETURNED)
        if latches:
            to = row.latching
        elif alarm.hidden and row.hidden is not None:
            to = row.hidden
        else:
            to = row.plain
    if to is None:
        raise IllegalAlarmEvent(alarm.condition, alarm.state, event, _why_not(alarm, event))
    if event is AlarmEvent.RAISED:
        return replace(
            alarm,
            process=to,
            since_utc=now.utc,
            last_utc=now.utc,
            count=1 if alarm.process is AlarmState.NORMAL else alarm.count + 1,
            measured=measured,
            limit=limit,
            unlatched=False,
        )
    lifted = event in (AlarmEvent.RESET, AlarmEvent.UNLATCHED)
    if lifted and alarm.unlatched and to is alarm.process:
        return alarm
    return replace(
        alarm, process=to, last_utc=now.utc, unlatched=alarm.active and (lifted or alarm.unlatched)
    )


def _hide(alarm: Alarm, event: AlarmEvent, now: Now, until_utc: datetime | None) -> Alarm:
    way, begins = HIDING[event]
    if way is AlarmState.SHELVED:
        if not begins:
            if alarm.shelved_until_utc is None:
                raise IllegalAlarmEvent(alarm.condition, alarm.state, event, "it is not shelved")
            return replace(alarm, shelved_until_utc=None, last_utc=now.utc)
        if alarm.condition in UNSHELVABLE:
            reason = "power is, or may come back, where it must not; this one is never put out of sight"
            raise IllegalAlarmEvent(alarm.condition, alarm.state, event, reason)
        if until_utc is None or until_utc <= now.utc:
            reason = "shelving needs an end that lies ahead"
            raise IllegalAlarmEvent(alarm.condition, alarm.state, event, reason)
        # told anew when it comes off the shelf still unacknowledged: whoever shelved it asked for that
        return replace(alarm, shelved_until_utc=until_utc, last_utc=now.utc, told=0)
    is_on = alarm.suppressed if way is AlarmState.SUPPRESSED else alarm.out_of_service
    if is_on == begins:
        raise IllegalAlarmEvent(alarm.condition, alarm.state, event, "it is so already")
    if way is AlarmState.SUPPRESSED:
        return replace(alarm, suppressed=begins, last_utc=now.utc)
    return replace(alarm, out_of_service=begins, last_utc=now.utc)


def _why_not(alarm: Alarm, event: AlarmEvent) -> str:
    if event is AlarmEvent.RAISED:
        return "it is active already"
    if event is AlarmEvent.RETURNED:
        return "it is not active"
    if event is AlarmEvent.ACKNOWLEDGED:
        return "there is nothing to acknowledge"
    if not alarm.latching:
        return "it does not latch; it goes when its cause is gone"
    return "there is nothing latched"


def shelf_ended(alarm: Alarm, now: Now) -> bool:
    """Whether the time of shelving has run out: the caller advances it by UNSHELVED."""
    return alarm.shelved_until_utc is not None and now.utc >= alarm.shelved_until_utc


def needs_telling(before: Alarm | None, after: Alarm) -> bool:
    """Whether a person must be told now.

    Once for each time it is raised; again when it comes off the shelf unacknowledged. What was acknowledged
    is not told again unless it returned to normal and is raised anew.
    """
    return after.told > 0 and (before is None or before.told != after.told)


def is_over(alarm: Alarm) -> bool:
    """The fault is gone and nothing is asked of anybody: its retained alert can go."""
    return alarm.process is AlarmState.NORMAL


def stands(alarm: Alarm) -> bool:
    """The fault is there, or latched: it explains others. One that only waits for a person does not."""
    return alarm.process not in (AlarmState.NORMAL, AlarmState.RETURNED)


def is_shown(alarm: Alarm) -> bool:
    """Whether its alert stands: not over, and nothing hides it."""
    return not alarm.hidden and alarm.process is not AlarmState.NORMAL


def is_stale(alarm: Alarm, now: Now) -> bool:
    """Active without a break for more than 24 h."""
    return alarm.active and alarm.since_utc is not None and now.utc - alarm.since_utc > STALE_AFTER
