"""Conditions become alarms, on whatever they are about: a port, a controller or the site."""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from types import MappingProxyType

from rules import alarms
from rules.alarms import Alarm, AlarmEvent
from rules.detect import suppressed_by
from rules.door import Record
from rules.ports import Condition, controller_of
from rules.state import ControllerState, PortState, SiteState
from rules.step import Step
from rules.telling import tell_faults

Part = PortState | ControllerState | SiteState


def set_alarm(step: Step, part: Part, alarm: Alarm) -> None:
    """Put `alarm` in the place of the one with its condition, tell it and record it."""
    before = part.alarms.get(alarm.condition)
    if before is alarm or before == alarm:
        return
    step.touch(part)
    rest = {condition: known for condition, known in part.alarms.items() if condition is not alarm.condition}
    if not (alarms.is_over(alarm) and not alarm.hidden):
        rest[alarm.condition] = alarm
    if bool(rest) != bool(part.alarms):
        step.site.faults += 1 if rest else -1
    part.alarms = MappingProxyType(rest)
    if before is None or before.state is not alarm.state:
        step.effects.append(
            Record(
                "alarm",
                step.now.utc,
                part.target,
                {
                    "condition": alarm.condition.value,
                    "state": alarm.state.value,
                    "measured": alarm.measured,
                    "limit": alarm.limit,
                    "count": alarm.count,
                },
            )
        )
    step.site_dirty = True
    tell_faults(step, part, before, alarm)
    _follow(step, part)


def _follow(step: Step, part: Part) -> None:
    """Hide what follows from something graver, and bring it out when that is over."""
    standing = {alarm.condition for alarm in part.alarms.values() if not alarms.is_over(alarm)}
    hidden = suppressed_by(standing)
    if isinstance(part, PortState):
        controller = step.site.controllers[controller_of(part.plan.id)]
        if Condition.NO_DATA in controller.alarms:
            hidden |= suppressed_by((Condition.NO_DATA,))
    for alarm in tuple(part.alarms.values()):
        suppress(step, part, alarm.condition, on=alarm.condition in hidden)


def follow_controller(step: Step, controller: ControllerState) -> None:
    """The controller became reachable or unreachable: its ports' alarms follow."""
    for port_id in controller.plan.ports:
        port = step.site.ports.get(port_id)
        if port is not None and port.alarms:
            _follow(step, port)


def _with(step: Step, part: Part, condition: Condition, change: Callable[[Alarm], Alarm]) -> None:
    known = part.alarms.get(condition) or alarms.new_alarm(condition)
    set_alarm(step, part, change(known))


def raise_(
    step: Step,
    part: Part,
    condition: Condition,
    *,
    measured: float | None = None,
    limit: float | None = None,
    detail: str = "",
) -> None:
    """The condition became true; nothing happens if it is known to be."""
    known = part.alarms.get(condition)
    if known is not None and known.active:
        return
    key = (part.target, condition)
    if detail != step.site.details.get(key, ""):
        step.site.details = {**step.site.details, key: detail}
    _with(
        step,
        part,
        condition,
        lambda alarm: alarms.advance(alarm, AlarmEvent.RAISED, step.now, measured=measured, limit=limit),
    )


def return_(step: Step, part: Part, condition: Condition) -> None:
    """The condition is no longer true; nothing happens if it was not."""
    known = part.alarms.get(condition)
    if known is None or not known.active:
        return
    _with(step, part, condition, lambda alarm: alarms.advance(alarm, AlarmEvent.RETURNED, step.now))


def lift(step: Step, part: Part, condition: Condition, *, by_person: bool) -> None:
    """The latch of `condition` is lifted, by a person's reset or because a reclosing survived."""
    known = part.alarms.get(condition)
    if known is None:
        return
    event = AlarmEvent.RESET if by_person else AlarmEvent.UNLATCHED
    if (known.process, event) not in alarms.TRANSITIONS:
        return
    lifted = alarms.advance(known, event, step.now)
    if lifted.active:
        lifted = alarms.advance(lifted, AlarmEvent.RETURNED, step.now)
    set_alarm(step, part, lifted)


def suppress(step: Step, part: Part, condition: Condition, *, on: bool) -> None:
    """Hide a condition that follows from a graver one, or bring it out again."""
    known = part.alarms.get(condition)
    if known is None or known.suppressed == on:
        return
    event = AlarmEvent.SUPPRESSED if on else AlarmEvent.UNSUPPRESSED
    set_alarm(step, part, alarms.advance(known, event, step.now))


def shelve(step: Step, part: Part, condition: Condition, until_utc: datetime) -> None:
    """Shelve the condition; raises IllegalAlarmEvent where that is not allowed."""
    _with(
        step,
        part,
        condition,
        lambda alarm: alarms.advance(alarm, AlarmEvent.SHELVED, step.now, until_utc=until_utc),
    )


def unshelve_due(step: Step, part: Part) -> None:
    """Bring out what was shelved until now."""
    for alarm in tuple(part.alarms.values()):
        if alarms.shelf_ended(alarm, step.now):
            set_alarm(step, part, alarms.advance(alarm, AlarmEvent.UNSHELVED, step.now))
            step.must_keep()


def restore(part: Part, alarm: Alarm) -> None:
    """Put back an alarm that was told before a restart."""
    part.alarms = MappingProxyType({**part.alarms, alarm.condition: replace(alarm, told=alarm.count)})
