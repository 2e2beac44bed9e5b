"""Conditions become alarms, on whatever they are about: a port, a controller or the site."""

from collections.abc import Callable
from datetime import datetime
from types import MappingProxyType

from rules.door import Record, Remark
from rules.faults import alarms
from rules.faults.alarms import Alarm, AlarmEvent
from rules.faults.detect import suppressed_by
from rules.faults.nuisance import CHATTER_WINDOW_S, FLOOD_WINDOW_S, Chatter, Telling
from rules.ports import Condition, controller_of
from rules.state import ControllerState, PortState, SiteState
from rules.step import Step
from rules.telling import tell_alert, tell_faults

Part = PortState | ControllerState | SiteState
NUISANCE_TIMER = "nuisances"
SHELF_TIMER = "shelf"
STALE_TIMER = "stale"


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
    standing = {alarm.condition for alarm in part.alarms.values() if alarms.stands(alarm)}
    hidden = suppressed_by(standing)
    if isinstance(part, PortState):
        controller = step.site.controllers[controller_of(part.plan.id)]
        if is_active(controller, Condition.NO_DATA):
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
    if is_active(part, condition):
        return
    _count(step, part, condition)
    step.timers.at(step.now.monotonic_s + alarms.STALE_AFTER.total_seconds() + 1.0, STALE_TIMER)
    key = (part.target, condition)
    if detail != step.site.details.get(key, ""):
        step.site.details = {**step.site.details, key: detail}
    _with(
        step,
        part,
        condition,
        lambda alarm: alarms.advance(alarm, AlarmEvent.RAISED, step.now, measured=measured, limit=limit),
    )


def retell(step: Step, part: Part, condition: Condition, detail: str) -> None:
    """What is known of a condition that stands has changed: its alert must not say less, or more, than is."""
    alarm, key = part.alarms.get(condition), (part.target, condition)
    if alarm is None or detail == step.site.details.get(key, ""):
        return
    step.site.details = {**step.site.details, key: detail}
    tell_faults(step, part, alarm, alarm)
    chatter = part.chatters.get(condition)
    if chatter is None or not chatter.on:
        tell_alert(step, part, alarm, condition)


def _count(step: Step, part: Part, condition: Condition) -> None:
    """Recognise chattering of this alarm and a flood of all; both are told once and summarised."""
    chatter = part.chatters.get(condition)
    if chatter is not None:
        step.touch(part)
        after, telling = chatter.raised(step.now)
        part.chatters = {**part.chatters, condition: after}
        if telling is Telling.BEGIN:
            text = f"{condition.value} comes and goes; it is told again when that is over."
            step.effects.append(Remark("warn", part.target, text))
        if after.on:
            step.timers.at(step.now.monotonic_s + CHATTER_WINDOW_S, NUISANCE_TIMER)
    if condition is Condition.ALARM_FLOOD:
        return
    site = step.site
    site.flood, telling = site.flood.raised(step.now)
    if site.flood.on:
        step.timers.at(step.now.monotonic_s + FLOOD_WINDOW_S, NUISANCE_TIMER)
    if telling is Telling.BEGIN:
        raise_(step, site, Condition.ALARM_FLOOD, measured=None, detail="Further ones are counted.")


def pass_nuisances(step: Step) -> None:
    """As time passes: chattering and floods that are over, with what was counted meanwhile."""
    site = step.site
    site.flood, counted = site.flood.passed(step.now)
    if counted is not None:
        step.effects.append(Remark("info", site.target, f"The flood is over; alarms counted: {counted}."))
        return_(step, site, Condition.ALARM_FLOOD)
    elif site.flood.on:
        step.timers.at(step.now.monotonic_s + CHATTER_WINDOW_S, NUISANCE_TIMER)
    for part in _parts(step):
        for condition, chatter in tuple(part.chatters.items()):
            after, counted = chatter.passed(step.now)
            if counted is not None:
                step.touch(part)
                part.chatters = {one: known for one, known in part.chatters.items() if one is not condition}
                text = f"{condition.value} has settled; times it came meanwhile: {counted}."
                step.effects.append(Remark("info", part.target, text))
                tell_alert(step, part, part.alarms.get(condition), condition)
            elif after.on:
                step.timers.at(step.now.monotonic_s + CHATTER_WINDOW_S, NUISANCE_TIMER)


def is_active(part: Part, condition: Condition) -> bool:
    """Whether the condition is true now, as far as is known."""
    known = part.alarms.get(condition)
    return known is not None and known.active


def return_(step: Step, part: Part, condition: Condition) -> None:
    """The condition is no longer true; nothing happens if it was not."""
    if not is_active(part, condition):
        return
    chatter = part.chatters.get(condition, Chatter()).returned(step.now)
    step.touch(part)
    part.chatters = {**part.chatters, condition: chatter}
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
    step.timers.at(step.now.monotonic_s + (until_utc - step.now.utc).total_seconds(), SHELF_TIMER)
    _with(
        step,
        part,
        condition,
        lambda alarm: alarms.advance(alarm, AlarmEvent.SHELVED, step.now, until_utc=until_utc),
    )


def unshelve_due(step: Step) -> None:
    """Bring out what was shelved until now; by the wall clock, as it was said."""
    for part in _parts(step):
        for alarm in tuple(part.alarms.values()):
            until_utc = alarm.shelved_until_utc
            if alarms.shelf_ended(alarm, step.now):
                set_alarm(step, part, alarms.advance(alarm, AlarmEvent.UNSHELVED, step.now))
                step.must_keep()
            elif until_utc is not None:
                left_s = (until_utc - step.now.utc).total_seconds()
                step.timers.at(step.now.monotonic_s + left_s, SHELF_TIMER)


def tell_stale(step: Step) -> None:
    """Once a day: alarms that stand for more than a day, so that nobody gets used to them in silence."""
    again = False
    for part in _parts(step):
        for alarm in part.alarms.values():
            again = again or alarm.active
            if alarms.is_stale(alarm, step.now) and not alarm.hidden and alarm.since_utc is not None:
                days = (step.now.utc - alarm.since_utc).days
                for_days = f"{days} day{'s' if days > 1 else ''}"
                text = f"{alarm.condition.value} stands for {for_days} now: mend it or shelve it."
                step.effects.append(Remark("warn", part.target, text))
    if again:
        step.timers.at(step.now.monotonic_s + alarms.STALE_AFTER.total_seconds(), STALE_TIMER)


def _parts(step: Step) -> list[Part]:
    return [step.site, *step.site.controllers.values(), *step.site.ports.values()]
