"""What people and routines ask for.

Every request is answered; one that can't be met now is refused with the reason, changes nothing, and is
not remembered.
"""

import re
from datetime import timedelta

from rules.cost import metering
from rules.door import Answer, Asked, Publish, Remark, Verb
from rules.errors import RulesError
from rules.faults import alarms, conditions
from rules.faults.alarms import AlarmEvent, IllegalAlarmEvent
from rules.ports import Condition, Mode, PortId, Target, TargetKind
from rules.power import jobs, preshow, settle, switching, trips
from rules.power.demand import Rule
from rules.safety import JOURNAL_HOLDER, HandMode, Hold
from rules.show_data import learning
from rules.shows import schedule
from rules.state import ControllerState, PortState, SiteState
from rules.step import Step
from rules.telling import tell_holds

NOT_ISOLATION = (
    "This hold is software, not isolation: before hands touch a conductor, open the disconnect, "
    "lock and tag it."
)
EVERYTHING = "all"
"""Acknowledges whatever waits for it: one press on a dashboard, where nobody types codes."""
_HOLDER = re.compile(r"[^\x00-\x1f\x7f]{1,64}")
_DURATION = re.compile(r"P(?:(\d{1,3})D)?(?:T(?:(\d{1,4})H)?(?:(\d{1,5})M)?(?:(\d{1,6})S)?)?")


class RefusedError(RulesError):
    """The request can't be met; the message says why and what would be right."""


def ask(step: Step, event: Asked) -> None:
    """Answer one request."""
    try:
        text = _VERBS[event.verb](step, event)
    except (RefusedError, IllegalAlarmEvent) as refusal:
        reason = refusal.reason if isinstance(refusal, IllegalAlarmEvent) else str(refusal)
        step.effects.append(Answer(event.request, event.target, False, f"Refused: {reason}"))
        return
    step.effects.append(Answer(event.request, event.target, True, text, after=step.keep))


def _port(step: Step, target: Target) -> PortState:
    port = step.site.ports.get(PortId(target.id)) if target.kind is TargetKind.PORT else None
    if port is None:
        like = next(iter(step.site.ports), "gable/1")
        raise RefusedError(f"{target.id} is no port; a port is named like {like}.")
    return port


def _ports_of(step: Step, target: Target) -> list[PortState]:
    """The ports a target stands for."""
    if target.kind is TargetKind.PORT:
        return [_port(step, target)]
    if target.kind is TargetKind.PROP:
        prop = step.plan.props.get(target.id)
        if prop is None:
            raise RefusedError(f"there is no prop {target.id}.")
        return [step.site.ports[feed] for feed in prop.fed_by]
    if target.kind is TargetKind.CONTROLLER:
        controller = step.site.controllers.get(target.id)
        if controller is None:
            raise RefusedError(f"there is no controller {target.id}.")
        return [step.site.ports[port] for port in controller.plan.ports]
    return list(step.site.ports.values())


def _mode(step: Step, event: Asked) -> str:
    port = _port(step, event.target)
    try:
        mode = Mode(event.argument)
    except ValueError:
        raise RefusedError(f"{event.argument!r} is no mode; say auto, on or off.") from None
    if mode is Mode.ON:
        _may_force_on(step, port)
        _rate(step, port)
    step.touch(port)
    now = step.now
    if mode is Mode.AUTO:
        port.hand, port.hand_until_s = None, None
    elif mode is Mode.OFF:
        port.hand, port.hand_until_s = HandMode(mode, now.utc), None
    else:
        for_s = step.plan.manual_on_s
        port.hand = HandMode(mode, now.utc, now.utc + timedelta(seconds=for_s))
        port.hand_until_s = now.monotonic_s + for_s
        switching.rearm(port)
    if mode is not Mode.AUTO:
        # Homie: an accepted command is the target before the transition, also on a tripped port.
        port.told_power = mode is Mode.ON
        step.effects.append(Publish(port.target, "power", port.told_power, as_target=True))
    step.must_keep()
    step.look_at(port, feeds=True)
    if mode is Mode.ON:
        return f"On by hand for {step.plan.manual_on_s / 60:g} min."
    return "Off by hand, until set to auto." if mode is Mode.OFF else "The rules decide again."


def _may_force_on(step: Step, port: PortState) -> None:
    if not port.plan.abilities.switch:
        raise RefusedError("this port can't be switched.")
    verdict = settle.verdict_now(step, port)
    if verdict.rule in (Rule.HOLD, Rule.RELEASED, Rule.LOCKOUT, Rule.TRIP, Rule.LEAVING, Rule.STOPPING):
        raise RefusedError(f"it stays off. {verdict.reason}")
    for feed in (step.site.ports[one] for one in port.feeds):
        if feed is not port and feed.hand is not None and feed.hand.mode is Mode.OFF:
            raise RefusedError(f"{feed.plan.name}, a feed of the same prop, is off by hand.")
    if not switching.is_fresh(step, port):
        raise RefusedError("its controller does not answer, so nothing is known of it now.")


def _rate(step: Step, port: PortState) -> None:
    """Switching on by request is rated per port: contacts and fuses wear. Off and hold never are."""
    wait_s = port.request_next_s - step.now.monotonic_s
    if wait_s > 0:
        raise RefusedError(f"too many requests for this port; ask again in {wait_s:.1f} s.")
    step.touch(port)
    port.request_next_s = step.now.monotonic_s + step.plan.command_gap_s


def _holder(event: Asked) -> str:
    holder = event.argument.strip()
    if not _HOLDER.fullmatch(holder):
        raise RefusedError("a hold needs a holder: 1 to 64 printable characters, such as a person's name.")
    return holder


def _hold(step: Step, event: Asked) -> str:
    ports = _ports_of(step, event.target)
    holder = _holder(event)
    if not any(hold.target == event.target and hold.holder == holder for hold in step.site.holds):
        step.site.holds = (*step.site.holds, Hold(event.target, holder, step.now.utc))
        step.site_dirty = True
        tell_holds(step)
    step.must_keep()
    for port in ports:
        step.look_at(port, feeds=True)
    return f"Held by {holder}. {NOT_ISOLATION}"


def _release(step: Step, event: Asked) -> str:
    ports = _ports_of(step, event.target)
    holder = event.argument.strip()
    here = [hold for hold in step.site.holds if hold.target == event.target]
    if holder not in {hold.holder for hold in here}:
        names = ", ".join(sorted(hold.holder for hold in here))
        raise RefusedError(f"held by {names}; name the holder to release." if here else "nobody holds it.")
    step.site.holds = tuple(
        hold for hold in step.site.holds if not (hold.target == event.target and hold.holder == holder)
    )
    step.site_dirty = True
    step.must_keep()
    tell_holds(step)
    _delay_after_release(step, ports)
    if holder == JOURNAL_HOLDER:
        conditions.return_(step, step.site, Condition.JOURNAL_FAULT)
    left = ", ".join(sorted(hold.holder for hold in here if hold.holder != holder))
    return f"Released; still held by {left}." if left else "Released."


def _delay_after_release(step: Step, ports: list[PortState]) -> None:
    until_s = step.now.monotonic_s + step.plan.release_delay_s
    for port in ports:
        for feed_id in port.feeds:
            feed = step.site.ports[feed_id]
            step.touch(feed)
            feed.released_until_s = until_s
            step.look_at(feed)


def _confirm(step: Step, event: Asked) -> str:
    """A person answers for what was lost: the site may run, and counters nobody knows begin at zero."""
    withheld = [port for port in step.site.ports.values() if port.meter.energy_wh is None]
    for port in withheld:
        port.meter.start(0.0)
    costs = metering.confirm_counters(step)
    held = any(hold.holder == JOURNAL_HOLDER for hold in step.site.holds)
    if not held and not withheld and not costs:
        raise RefusedError("there is nothing to confirm.")
    if held:
        _release(step, Asked(event.request, Verb.RELEASE, step.site.target, JOURNAL_HOLDER))
    if held:
        return "Confirmed."
    return f"Confirmed; {len(withheld)} energy counters{' and the costs' if costs else ''} begin at zero."


def _weather(step: Step, event: Asked) -> str:
    if event.argument not in ("true", "false"):
        raise RefusedError("weather-hold is true or false.")
    on = event.argument == "true"
    site = step.site
    if on != site.weather_hold:
        site.weather_hold = on
        site_ports = [port for port in site.ports.values() if not port.plan.resting]
        if not on:
            _delay_after_release(step, site_ports)
        step.look_at_all()
        step.site_dirty = True
    step.must_keep()
    return "All ports but the resting ones are held for the weather." if on else "The weather hold is lifted."


def _reset(step: Step, event: Asked) -> str:
    port = _port(step, event.target)
    verdict = settle.verdict_now(step, port)
    if verdict.rule is Rule.HOLD:
        raise RefusedError(f"{verdict.reason} Release it first.")
    if switching.waits_after_losses(step, port):
        _rate(step, port)
        switching.rearm(port)
        step.look_at(port, feeds=True)
        return "Power comes back at once. Should its controller go away again, look at the string first."
    refusal = trips.reset(step, port)
    if refusal is not None:
        raise RefusedError(refusal.reason)
    step.look_at(port, feeds=True)
    return "Reset. Power returns when the rules want it; should it trip again, look at the string first."


def _part(step: Step, target: Target) -> PortState | ControllerState | SiteState:
    if target.kind is TargetKind.PORT:
        return _port(step, target)
    if target.kind is TargetKind.CONTROLLER and target.id in step.site.controllers:
        return step.site.controllers[target.id]
    if target.kind is TargetKind.SITE:
        return step.site
    raise RefusedError(f"{target.id} has no alarms of its own; name a port.")


def _condition(part: PortState | ControllerState | SiteState, code: str) -> Condition:
    standing = ", ".join(sorted(alarm.condition.value for alarm in part.alarms.values())) or "none"
    try:
        condition = Condition(code)
    except ValueError:
        raise RefusedError(f"{code!r} is no condition; standing: {standing}.") from None
    if condition not in part.alarms:
        raise RefusedError(f"{code} does not stand here; standing: {standing}.")
    return condition


def _acknowledge(step: Step, event: Asked) -> str:
    part = _part(step, event.target)
    if event.argument.strip() == EVERYTHING:
        return _acknowledge_everything(step, part)
    condition = _condition(part, event.argument.strip())
    alarm = alarms.advance(part.alarms[condition], AlarmEvent.ACKNOWLEDGED, step.now)
    conditions.set_alarm(step, part, alarm)
    step.must_keep()
    return f"{condition.value} is acknowledged."


def _acknowledge_everything(step: Step, part: PortState | ControllerState | SiteState) -> str:
    waiting = [
        alarm
        for alarm in part.alarms.values()
        if not alarm.hidden and (alarm.process, AlarmEvent.ACKNOWLEDGED) in alarms.TRANSITIONS
    ]
    if not waiting:
        raise RefusedError("nothing here waits to be acknowledged.")
    for alarm in waiting:
        conditions.set_alarm(step, part, alarms.advance(alarm, AlarmEvent.ACKNOWLEDGED, step.now))
    step.must_keep()
    return f"Acknowledged: {', '.join(sorted(alarm.condition.value for alarm in waiting))}."


def parse_duration_s(text: str) -> float:
    """Seconds of an ISO 8601 duration of days, hours, minutes and seconds (``PT2H``).

    Raises RefusedError where it is none, or not longer than zero.
    """
    match = _DURATION.fullmatch(text)
    days, hours, minutes, seconds = (int(part or 0) for part in match.groups()) if match else (0, 0, 0, 0)
    total_s = ((days * 24 + hours) * 60 + minutes) * 60 + seconds
    if total_s <= 0:
        raise RefusedError(f"{text!r} is no duration; write for example PT2H or PT30M.")
    return float(total_s)


def _shelve(step: Step, event: Asked) -> str:
    part = _part(step, event.target)
    words = event.argument.split()
    if len(words) != 2:
        raise RefusedError("say the condition and for how long, for example: undercurrent PT2H")
    condition = _condition(part, words[0])
    until = step.now.utc + timedelta(seconds=parse_duration_s(words[1]))
    conditions.shelve(step, part, condition, until)
    step.must_keep()
    return f"{condition.value} is shelved for {words[1]}."


def _start_show(step: Step, event: Asked) -> str:
    wanted = event.argument.strip()
    site = step.site
    word, _, which = wanted.partition(" ")
    if word.casefold() == "end" and not (which and _show_called(step, wanted)):
        return _end_show(step, which.strip())
    show = _find_show(step, wanted)
    if site.weather_hold:
        raise RefusedError("the weather hold is on.")
    until_s = step.now.monotonic_s + step.plan.started_show_s
    site.shows = {**site.shows, show.plan.id: schedule.started(show, until_s)}
    step.show_dirty = True
    for port_id in show.plan.needs:  # also where it runs already, by a clock that nobody trusts
        step.look_at(site.ports[port_id])
    return f"{show.plan.name} is started; it ends by itself in {step.plan.started_show_s / 3600:g} h."


def _end_show(step: Step, wanted: str) -> str:
    site = step.site
    chosen = (
        [_find_show(step, wanted)] if wanted else [s for s in site.shows.values() if s.current is not None]
    )
    running = [show for show in chosen if show.current is not None]
    if not running:
        raise RefusedError("no show is running.")
    site.shows = {**site.shows, **{show.plan.id: schedule.ended(show) for show in running}}
    step.show_dirty = True
    step.must_keep()
    return f"Ended: {', '.join(show.plan.name for show in running)}."


def _show_called(step: Step, wanted: str) -> schedule.ShowState | None:
    for show in step.site.shows.values():
        if wanted.casefold() in (show.plan.id.casefold(), show.plan.name.casefold()):
            return show
    return None


def _find_show(step: Step, wanted: str) -> schedule.ShowState:
    show = _show_called(step, wanted)
    if show is not None:
        return show
    names = ", ".join(show.plan.name for show in step.site.shows.values()) or "none is configured"
    raise RefusedError(f"there is no show {wanted!r}; there are: {names}.")


def _relearn(step: Step, event: Asked) -> str:
    port = _port(step, event.target)
    metering.relearn(step, port)
    learning.forget(step, port)
    step.effects.append(Remark("info", port.target, "Its idle current is learned anew."))
    return "Its idle current is learned anew over its next evenings."


def _count(step: Step, event: Asked) -> str:
    port = _port(step, event.target)
    wanted = event.argument.strip() or "start"
    if wanted == "stop":
        if port.job is None or port.job.name == preshow.NAME:
            raise RefusedError("it is not being counted.")
        jobs.end(step, port, "it was asked to stop.")
        return "The count is stopped."
    if wanted != "start":
        raise RefusedError(f"{wanted!r} is neither start nor stop.")
    refusal = jobs.count_refusal(step, port)
    if refusal:
        raise RefusedError(refusal)
    return jobs.begin_count(step, port)


_VERBS = {
    Verb.MODE: _mode,
    Verb.HOLD: _hold,
    Verb.RELEASE: _release,
    Verb.WEATHER_HOLD: _weather,
    Verb.RESET: _reset,
    Verb.ACKNOWLEDGE: _acknowledge,
    Verb.SHELVE: _shelve,
    Verb.START_SHOW: _start_show,
    Verb.CONFIRM: _confirm,
    Verb.COUNT: _count,
    Verb.RELEARN: _relearn,
}
