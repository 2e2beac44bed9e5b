"""What is published: decisions when they change, faults once, measurements by exception."""

from datetime import datetime
from typing import Any

from rules import wording
from rules.door import Alert, Publish
from rules.faults import alarms
from rules.faults.alarms import Alarm
from rules.ports import SEVERITY, AlarmState, Condition, Mode, Target, TargetKind, controller_of
from rules.power.holding import holds_on
from rules.shows.schedule import Phase
from rules.state import ControllerState, PortState, SiteState
from rules.step import Step

Part = PortState | ControllerState | SiteState

LOAD_BAND_W = 2.0
"""The site's load is told when it moved by this much [W], or by 2 %."""
_AUTO = Mode.AUTO.value
_ORDER = {condition: place for place, condition in enumerate(Condition)}


def iso(instant: datetime | None) -> str | None:
    """An instant as ISO 8601 in UTC with whole seconds."""
    return None if instant is None else instant.strftime("%Y-%m-%dT%H:%M:%SZ")


def duration(seconds: float) -> str:
    """Seconds as the convention writes durations: ``PT1H30M`` (whole seconds, never negative)."""
    whole = max(0, round(seconds))
    hours, minutes, rest = whole // 3600, whole // 60 % 60, whole % 60
    text = "".join(f"{value}{unit}" for value, unit in ((hours, "H"), (minutes, "M"), (rest, "S")) if value)
    return f"PT{text or '0S'}"


def tell_decision(step: Step, port: PortState, waiting: str = "") -> None:
    """Reason, mode and `$target`. The target stays where it was on a trip, and goes to false on lockout.

    waiting: why power that is wanted is not given yet.
    """
    verdict = port.verdict
    step.tell(port, "reason", port.withheld or waiting or verdict.reason)
    if port.hand is not None or port.published.get("mode") != _AUTO:
        step.tell(port, "mode", (port.hand.mode if port.hand else Mode.AUTO).value)
        left_s = 0.0 if port.hand_until_s is None else port.hand_until_s - step.now.monotonic_s
        step.tell(port, "override-left", duration(60 * round(left_s / 60) if left_s > 90 else left_s))
    keeps_target = verdict.rule.value == "trip" and port.told_power is not None
    if not keeps_target and port.told_power is not verdict.power:
        step.touch(port)
        port.told_power = verdict.power
        step.effects.append(Publish(port.target, "power", verdict.power, as_target=True))


def tell_hold(step: Step, port: PortState) -> None:
    """Who holds the port itself or anything it hangs on, and whether it is proven dead."""
    step.tell(port, "hold-state", port.hold_proof.value)
    if not (step.site.holds or step.site.weather_hold or port.published.get("hold", True)):
        return
    holders: list[Any] = [
        {"holder": hold.holder, "at": hold.target.kind.value, "since": iso(hold.since_utc)}
        for hold in holds_on(step, port)
    ]
    if step.site.weather_hold and not port.plan.resting:
        holders.append({"holder": "weather", "at": "site", "since": None})
    step.tell(port, "hold", holders)


def tell_holds(step: Step) -> None:
    """Who holds the site, controllers and props themselves; ports tell theirs as they are settled."""
    held: dict[Target, list[Any]] = {}
    for hold in step.site.holds:
        held.setdefault(hold.target, []).append({"holder": hold.holder, "since": iso(hold.since_utc)})
    step.tell(step.site, "hold", held.get(step.site.target, []))
    for controller in step.site.controllers.values():
        step.tell(controller, "hold", held.get(controller.target, []))
    for prop in step.plan.props:
        target = Target(TargetKind.PROP, prop)
        step.tell_prop(target, "hold", held.get(target, []))


def gravest(part: Part) -> Alarm | None:
    """The alarm that stands for `part`: shown before hidden, not over before over, then by gravity."""
    standing = [alarm for alarm in part.alarms.values() if not alarms.is_over(alarm) or alarm.hidden]
    if not standing:
        return None
    return min(
        standing,
        key=lambda alarm: (
            alarm.suppressed,
            alarm.hidden,
            alarm.process is AlarmState.RETURNED,
            _ORDER[alarm.condition],
        ),
    )


def tell_faults(step: Step, part: Part, before: Alarm | None, after: Alarm) -> None:
    """Faults of `part` after one of its alarms changed; the retained alert comes once and goes once."""
    worst = gravest(part)
    shown = worst is not None and alarms.is_shown(worst)
    stands = worst is not None and shown and worst.process is not AlarmState.RETURNED
    step.tell(part, "fault", worst.condition.value if worst is not None and stands else "none")
    step.tell(part, "alarm", worst.state.value if worst is not None else AlarmState.NORMAL.value)
    step.tell(
        part,
        "fault-detail",
        {alarm.condition.value: _detail(step, part, alarm) for alarm in _by_gravity(part)},
    )
    chatter = part.chatters.get(after.condition)
    if chatter is not None and chatter.on and (not alarms.is_shown(after) or chatter.counted > 1):
        pass  # its alert stands as it is until it has settled
    elif not alarms.is_shown(after):
        if before is not None and alarms.is_shown(before):
            step.effects.append(Alert(part.target, after.condition, None))
    elif alarms.needs_telling(before, after) or before is None or not alarms.is_shown(before):
        step.effects.append(Alert(part.target, after.condition, sentence(step, part, after)))
    if isinstance(part, PortState) and part.prop is not None:
        _tell_prop_fault(step, part.prop)


def tell_decided(step: Step, port: PortState) -> None:
    """What was decided after the trip of `port` has changed: its alert must not promise what is no more."""
    alarm = port.alarms.get(Condition.FUSE_TRIP)
    if alarm is None:
        return
    tell_faults(step, port, alarm, alarm)
    chatter = port.chatters.get(alarm.condition)
    if alarms.is_shown(alarm) and (chatter is None or not chatter.on):
        step.effects.append(Alert(port.target, alarm.condition, sentence(step, port, alarm)))


def tell_alert(step: Step, part: Part, alarm: Alarm | None, condition: Condition) -> None:
    """The alert of one condition as it stands now."""
    text = sentence(step, part, alarm) if alarm is not None and alarms.is_shown(alarm) else None
    step.effects.append(Alert(part.target, condition, text))


def _by_gravity(part: Part) -> list[Alarm]:
    return sorted(part.alarms.values(), key=lambda alarm: _ORDER[alarm.condition])


def _detail(step: Step, part: Part, alarm: Alarm) -> dict[str, Any]:
    detail: dict[str, Any] = {
        "code": alarm.condition.value,
        "severity": SEVERITY[alarm.condition].value,
        "state": alarm.state.value,
        "message": sentence(step, part, alarm),
        "since": iso(alarm.since_utc),
        "last": iso(alarm.last_utc),
        "count": alarm.count,
        "measured": alarm.measured,
        "limit": alarm.limit,
        "advice": wording.advice(alarm.condition, step.plan.wording),
    }
    if isinstance(part, PortState):
        shows = [step.site.shows[show].plan.name for show in sorted(part.shows) if _runs(step, show)]
        detail["show"] = ", ".join(shows) or None
        detail["shot"] = part.reclose.shots
    return detail


def _runs(step: Step, show: str) -> bool:
    return step.site.shows[show].current is not None


def sentence(step: Step, part: Part, alarm: Alarm) -> str:
    """One sentence a tired person understands: what, where, how much, what was done."""
    return wording.message(alarm.condition, facts_for_words(step, part, alarm), step.plan.wording)


def decided_words(step: Step, port: PortState) -> str:
    """What was decided after a trip of `port`, in one sentence; empty where nothing was."""
    return wording.decided(port.reclose.decided, step.plan.wording)


def facts_for_words(step: Step, part: Part, alarm: Alarm) -> dict[str, Any]:
    """What a message may name."""
    done = decided_words(step, part) if isinstance(part, PortState) else ""
    prop = step.plan.props[part.prop].name if isinstance(part, PortState) and part.prop else None
    return {
        "port": part.plan.name if isinstance(part, PortState) else None,
        "controller": _controller_name(step, part),
        "prop": prop,
        "measured": alarm.measured,
        "limit": alarm.limit,
        "done": done,
        "detail": step.site.details.get((part.target, alarm.condition), ""),
    }


def _controller_name(step: Step, part: Part) -> str | None:
    if isinstance(part, SiteState):
        return None
    if isinstance(part, ControllerState):
        return part.plan.name
    return step.plan.controllers[controller_of(part.plan.id)].name


def _tell_prop_fault(step: Step, prop: str) -> None:
    target = Target(TargetKind.PROP, prop)
    feeds = [step.site.ports[feed] for feed in step.plan.props[prop].fed_by]
    worst = [
        alarm
        for alarm in map(gravest, feeds)
        if alarm is not None and alarms.is_shown(alarm) and alarm.process is not AlarmState.RETURNED
    ]
    fault = min(worst, key=lambda alarm: _ORDER[alarm.condition]).condition.value if worst else "none"
    step.tell_prop(target, "fault", fault)


def tell_measurement(step: Step, port: PortState) -> None:
    """Current and what follows from it: on a change beyond the band, seldom otherwise. Touches the port."""
    reading = port.reading
    if reading is None or reading.current_a is None:
        return
    current_a, told_a = reading.current_a, port.current_told_a
    rules = step.plan.telemetry
    since_s = step.now.monotonic_s - port.current_told_s
    if told_a is not None and since_s < rules.heartbeat_s:
        band_a = max(rules.band_a, rules.band_fraction * abs(told_a))
        if abs(current_a - told_a) < band_a or since_s < rules.interval_s:
            return
    port.current_told_a = current_a
    port.current_told_s = step.now.monotonic_s
    effects = step.effects
    effects.append(Publish(port.target, "current", current_a))
    if port.plan.rating_a:
        effects.append(Publish(port.target, "load", 100.0 * current_a / port.plan.rating_a))
    if reading.voltage_v is not None:
        effects.append(Publish(port.target, "voltage", reading.voltage_v))
    if reading.temperature_c is not None:
        effects.append(Publish(port.target, "temperature", reading.temperature_c))


def tell_load(step: Step) -> None:
    """The power of all ports together, by exception: beyond a band, at most once a second."""
    site = step.site
    told_w = site.published.get("load")
    if isinstance(told_w, float):
        if abs(site.load_w - told_w) < max(LOAD_BAND_W, 0.02 * told_w):
            return
        if step.now.monotonic_s - site.load_told_s < step.plan.telemetry.interval_s:
            return
    site.load_told_s = step.now.monotonic_s
    step.tell(site, "load", max(0.0, site.load_w))


def tell_site(step: Step) -> None:
    """The site's own sums: who is on, how many faults, which show, how much power."""
    site = step.site
    running = [show.plan.name for show in site.shows.values() if show.phase in (Phase.RUNNING, Phase.RUN_ON)]
    step.tell(site, "show", ", ".join(running))
    step.tell(site, "universes", site.published.get("universes", ""))
    step.tell(site, "ports-on", site.ports_on)
    step.tell(site, "faults", site.faults)
    step.tell(site, "weather-hold", site.weather_hold)
