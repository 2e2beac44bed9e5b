"""The pre-show check: by daylight, each port that a show will need has power for a minute, nothing lit.

What it draws is compared with its own idle current (learned, else computed from its pixels), and the
result is told while there is still light to mend it by. The check is a test job: holds, trips, hands and
shows outrank it, and a show about to start ends it in time. The ordinary conditions watch meanwhile, so a
trip or an unplugged string also is an alert of its own.
"""

from dataclasses import replace
from datetime import datetime, timedelta
from statistics import median
from types import MappingProxyType
from typing import Any

from rules.door import Record, Remark
from rules.plan import PreShow
from rules.ports import PortId
from rules.power import jobs, reclose, switching
from rules.power.demand import Rule
from rules.power.settle import trusts_clock
from rules.shows.calendar_types import Anchor, Moment, Place, Window
from rules.shows.windows import window_spans
from rules.state import Job, PortState, PreShowState
from rules.step import Step

PRE_SHOW_TIMER = "pre-show"
NAME = "the pre-show check"
SHOW_WITHIN = timedelta(hours=24)
"""A check is made only on days on which a show starts within this time after it."""
SETTLE_S = 5.0
"""Readings in the first seconds after power-on do not count [s]: controllers light a start pattern."""
LEAST_READINGS = 3
HIGH_FRACTION = 1.25
LOW_FRACTION = 0.94
"""A port is as expected between these fractions of its learned idle current; of a computed one, far wider."""
HIGH_COMPUTED, LOW_COMPUTED = 4.0, 0.6


def next_check(plan: PreShow, place: Place, now: datetime) -> datetime | None:
    """When the next check is due after `now`; None if its moment does not come within two days."""
    moment = plan.at
    if moment.anchor is Anchor.CLOCK and moment.clock is not None:
        minute = (datetime.combine(now.date(), moment.clock) + timedelta(minutes=1)).time()
        end = Moment(Anchor.CLOCK, minute)
    else:
        end = replace(moment, offset_s=moment.offset_s + 60.0)
    spans = window_spans(Window(moment, end), place, now, now + timedelta(days=2))
    return next((span.start_utc for span in spans if span.start_utc > now), None)


def schedule(step: Step) -> None:
    """Set the timer of the next check."""
    plan = step.plan.pre_show
    if plan is None:
        return
    due = next_check(plan, step.plan.place, step.now.utc)
    if due is not None:
        wait_s = (due - step.now.utc).total_seconds()
        step.timers.at(step.now.monotonic_s + wait_s, PRE_SHOW_TIMER)


def timer(step: Step) -> None:
    """A check is due, or under way and at its end."""
    state, plan = step.site.pre_show, step.plan.pre_show
    if state.until_s is not None:
        if step.now.monotonic_s >= state.until_s:
            _finish(step)
        else:
            step.timers.at(state.until_s, PRE_SHOW_TIMER)
        return
    if plan is None:
        return
    due = next_check(plan, step.plan.place, step.now.utc - timedelta(seconds=2))
    is_due = due is not None and abs((due - step.now.utc).total_seconds()) <= 2.0
    if is_due and trusts_clock(step):
        _begin(step, plan)
    else:
        schedule(step)


def _begin(step: Step, plan: PreShow) -> None:
    now, site = step.now, step.site
    needed = {
        port_id
        for show in site.shows.values()
        if any(now.utc < span.start_utc <= now.utc + SHOW_WITHIN for span in show.spans)
        for port_id in show.plan.needs
    }
    skipped: dict[PortId, str] = {}
    until_s = now.monotonic_s + plan.for_s
    leads = [span.start_utc - show.lead for show in site.shows.values() for span in show.spans]
    soon = any(now.utc <= lead <= now.utc + timedelta(seconds=plan.for_s + 5.0) for lead in leads)
    taken: set[PortId] = set()
    for port_id in sorted(needed, key=lambda one: site.ports[one].index):
        port = site.ports[port_id]
        why = "a show is about to start" if soon else _why_not(step, port)
        if why:
            skipped[port_id] = why
            continue
        jobs.take(step, port, Job(NAME, True, until_s))
        taken.add(port_id)
    site.pre_show = PreShowState(until_s, frozenset(taken), skipped=MappingProxyType(skipped))
    if not needed:
        site.pre_show = PreShowState()
        schedule(step)
        return
    step.timers.at(until_s, PRE_SHOW_TIMER)


def _why_not(step: Step, port: PortState) -> str:
    if port.verdict.rule is Rule.SHOW or port.verdict.power:
        return "it has power already"
    if port.verdict.rule is not Rule.NOTHING:
        return _decided(port)
    if not switching.is_fresh(step, port):
        return "its controller does not answer"
    if not port.plan.abilities.current:
        return "it measures no current"
    return ""


def _decided(port: PortState) -> str:
    return port.verdict.reason.removeprefix("Off: ").rstrip(".")


def saw(step: Step, port: PortState, current_a: float) -> None:
    """A reading of a port under power during a check."""
    state = step.site.pre_show
    if state.until_s is None or not jobs.has(port, NAME):
        return
    if step.now.monotonic_s - port.verdict_s < SETTLE_S:
        return
    seen = state.seen_a.get(port.plan.id, ())
    if len(seen) < 600:
        step.site.pre_show = replace(
            state, seen_a=MappingProxyType({**state.seen_a, port.plan.id: (*seen, current_a)})
        )


def _finish(step: Step) -> None:
    site = step.site
    state, site.pre_show = site.pre_show, PreShowState()
    fine, wrong = 0, []
    for port_id, port in site.ports.items():
        if port_id in state.skipped:
            what = f"not checked: {state.skipped[port_id]}"
        elif port_id in state.taken:
            what = _judged(port, state.seen_a.get(port_id, ()))
        else:
            continue
        if jobs.has(port, NAME):
            jobs.give_back(step, port)
        if what:
            wrong.append({"port": port_id, "name": port.plan.name, "what": what})
        else:
            fine += 1
    result: dict[str, Any] = {
        "at": step.now.utc.isoformat(timespec="seconds"),
        "as-expected": fine,
        "look-at": wrong,
    }
    step.tell(site, "pre-show-check", result)
    step.effects.append(Record("pre-show-check", step.now.utc, site.target, result))
    text = f"Pre-show check: {fine} of {fine + len(wrong)} ports as expected."
    if wrong:
        text += " " + " ".join(f"{one['name']}: {one['what']}." for one in wrong)
    step.effects.append(Remark("warn" if wrong else "info", site.target, text))
    schedule(step)


def _judged(port: PortState, seen_a: tuple[float, ...]) -> str:
    """What is not as expected, in words; empty if all is."""
    if port.reclose.tripped:
        return reclose.cause_words(port.reclose)
    if not jobs.has(port, NAME):
        return f"not checked to the end: {_decided(port)}"
    if len(seen_a) < LEAST_READINGS:
        return "no power came, or no reading" if port.seen_power is not True else "too few readings"
    drawn_a, idle_a = median(seen_a), port.facts.idle_a
    if idle_a is None:
        return ""
    high, low = (HIGH_FRACTION, LOW_FRACTION) if port.facts.learned else (HIGH_COMPUTED, LOW_COMPUTED)
    amounts = f"draws {drawn_a * 1000:.0f} mA with nothing lit, expected {idle_a * 1000:.0f} mA"
    if drawn_a < low * idle_a:
        pixels = port.plan.pixels
        share = f" (about {round(pixels * (1 - drawn_a / idle_a))} of {pixels} pixels dark)" if pixels else ""
        return f"{amounts}: part of it is dark{share}"
    if drawn_a > high * idle_a:
        return f"{amounts}: water in a connector, or something is lit"
    return ""
