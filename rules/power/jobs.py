"""Test jobs: counting pixels, and whatever else takes ports for a while.

A job has ports only while nothing graver wants them. It is let in only where no show needs any feed of the
prop for as long as the job may take; and it ends at once, whatever its starter does, when its time is over, a
show calls, a hold, trip or hand takes a feed, or a controller of it does not answer. All feeds of a prop are
taken together: only the port that is counted gets power.

A port is given to a job and taken back here and nowhere else: `take`, `give_back`; `end` is for a whole job.
"""

from rules.door import Answer, Counted, CountPixels, JobChanged, JobEnded, Record
from rules.faults import alarms
from rules.ports import Condition, Mode, Target, TargetKind, controller_of
from rules.power import switching
from rules.power.demand import Rule
from rules.power.staging import CONTINUOUS_FRACTION
from rules.shows.schedule import Phase, local_day_time
from rules.state import Job, PortState
from rules.step import Step

COUNT_READINGS = 500
"""Nineteen of twenty simulated counts take fewer readings (see the benchmark of counting)."""
COUNT_FIXED_S = 30.0
"""Powering, settling and leaving take no longer than this [s]."""
COUNT_LEAST_S, COUNT_MOST_S = 60.0, 1800.0
SHOW_MARGIN_S = 5.0
"""A job is over this long [s] before the lead of the next show, so that the string is dark by then."""
COUNT_LIMIT_A = 2.0
"""What a count may draw where neither port nor supply has a rating [A]."""
_GRAVER = frozenset(
    {Rule.HOLD, Rule.RELEASED, Rule.LOCKOUT, Rule.TRIP, Rule.LEAVING, Rule.STOPPING, Rule.HAND}
)
_NO_HINDRANCE = frozenset({Condition.UNDERCURRENT, Condition.NEAR_RATING})
"""Conditions a count may run with: a count is how one finds out about a dark part."""


def count_name(port: PortState) -> str:
    """What the job is called, in the reasons of its ports."""
    return f"counting the pixels of {port.plan.name}"


def count_needs_s(every_s: float) -> float:
    """How long a count takes at the most, nearly always [s]; `every_s`: from reading to reading."""
    return min(max(COUNT_FIXED_S + COUNT_READINGS * every_s, COUNT_LEAST_S), COUNT_MOST_S)


def _feeds(step: Step, port: PortState) -> list[PortState]:
    return [step.site.ports[feed] for feed in port.feeds]


def until_show(step: Step, port: PortState) -> tuple[float, str] | None:
    """Seconds until a show by the calendar leads in on any feed of `port` (0: it calls now), and who it is.

    A show that follows its data has no known beginning: it ends a job when it is heard.
    """
    now = step.now.utc
    found: list[tuple[float, str]] = []
    for show_id in {show for feed in _feeds(step, port) for show in feed.shows}:
        show = step.site.shows[show_id]
        if show.phase is not Phase.IDLE:
            found.append((0.0, f"{show.plan.name} needs it now"))
        if show.plan.data:
            continue
        for span in show.spans:
            lead_utc = span.start_utc - show.lead
            if span.start_utc > now and not show.is_past(span):
                at = local_day_time(step.plan.place, span.start_utc)
                left_s = max(0.0, (lead_utc - now).total_seconds())
                found.append((left_s, f"{show.plan.name} needs it for {at}"))
                break
    return min(found, default=None)


# ---------------------------------------------------------------- counting


def count_refusal(step: Step, port: PortState) -> str:
    """Why the pixels of `port` can't be counted now; empty if they can."""
    return _not_configured(step, port) or _hindered(step, port) or _show_soon(step, port)


def _not_configured(step: Step, port: PortState) -> str:
    plan, controller = port.plan, controller_of(port.plan.id)
    if not plan.abilities.switch or not plan.abilities.current:
        return "a count needs a port that can be switched and whose current is measured."
    if plan.show_data is None:
        return "which show data light it is not configured; write show_data: {universe: 1} for this port."
    if plan.capacity is None:
        return (
            "how many pixels its controller drives here is not configured; write pixels, or "
            "show_data: {capacity: 200} with what the controller is set up for."
        )
    if controller not in step.plan.lightable:
        return (
            f"where test patterns for {controller} go is not configured; write "
            f"e131: {{send: {{to: {{{controller}: ADDRESS}}}}}}."
        )
    if any(feed.plan.resting for feed in _feeds(step, port)):
        return "it rests powered, so no pixels hang on it alone; counting would cut its power."
    return ""


def _hindered(step: Step, port: PortState) -> str:
    for other in step.site.ports.values():
        if other.job is not None:
            return f"{other.job.name} goes on; one count at a time."
    if step.now.monotonic_s < step.site.fault_until_s:
        return "an unexpected error is dealt with; ask again in a minute."
    for feed in _feeds(step, port):
        whose = "it" if feed is port else feed.plan.name
        if feed.verdict.rule in _GRAVER - {Rule.HAND}:
            return f"{whose} stays off. {feed.verdict.reason}"
        if feed.hand is not None:
            return f"{whose} is {feed.hand.mode.value} by hand; set it to {Mode.AUTO.value} first."
        for alarm in feed.alarms.values():
            if not alarms.is_over(alarm) and alarm.condition not in _NO_HINDRANCE:
                return f"{whose} has the fault {alarm.condition.value}; see to that first."
        if not switching.is_fresh(step, feed):
            return f"the controller of {feed.plan.name} does not answer, so nothing is known of it now."
    shown = {slots.universe for slots in port.plan.show_data.slots} if port.plan.show_data else set()
    heard = sorted(shown & step.site.heard)
    if heard:
        return f"show data arrives on universe {heard[0]}; stop what sends it first."
    return ""


def _show_soon(step: Step, port: PortState) -> str:
    needs_s = count_needs_s(_every_s(step, port))
    coming = until_show(step, port)
    if coming is None or coming[0] > needs_s + SHOW_MARGIN_S:
        return ""
    return f"{coming[1]}, and a count takes up to {needs_s / 60:.0f} min here."


def _every_s(step: Step, port: PortState) -> float:
    return step.site.controllers[controller_of(port.plan.id)].plan.every_s


def begin_count(step: Step, port: PortState) -> str:
    """Take all feeds of the prop, dark, and have the count begun. The refusal was asked for before."""
    needs_s = count_needs_s(_every_s(step, port))
    until_s = step.now.monotonic_s + 2.0 * needs_s
    coming = until_show(step, port)
    if coming is not None:
        until_s = min(until_s, step.now.monotonic_s + coming[0] - SHOW_MARGIN_S)
    name = count_name(port)
    for feed in _feeds(step, port):
        take(step, feed, Job(name, False, until_s))
    step.effects.append(CountPixels(name, port.plan.id, port.feeds, until_s, count_limit_a(step, port)))
    others = [feed.plan.name for feed in _feeds(step, port) if feed is not port]
    off = f" Off meanwhile: {', '.join(others)}." if others else ""
    return f"Counting; it takes up to {needs_s / 60:.0f} min.{off} Keep hands off the string: it gets power."


def count_limit_a(step: Step, port: PortState) -> float:
    """The current a count never plans to exceed [A]: 80 % of the lower rating of port and supply."""
    ratings = [port.plan.rating_a]
    if port.plan.supply is not None:
        ratings.append(step.plan.supplies[port.plan.supply].rating_a)
    known = [rating for rating in ratings if rating is not None]
    return CONTINUOUS_FRACTION * min(known) if known else COUNT_LIMIT_A


def counted(step: Step, event: Counted) -> None:
    """What became of a count: told, recorded, and published as the port's pixels."""
    port = step.site.ports.get(event.port)
    if port is None:
        return
    step.effects.append(Answer(0, port.target, event.accepted, event.text))
    step.effects.append(Record("count", step.now.utc, port.target, {**event.data, "text": event.text}))
    if event.pixels is None:
        return
    step.touch(port)
    port.counted = event.pixels
    step.tell(port, "pixels", event.pixels)
    if port.prop is not None:
        tell_prop_pixels(step, port.prop)


def tell_prop_pixels(step: Step, prop: str) -> None:
    """The pixels of a prop's feeds together, counted where they were counted."""
    feeds = [step.site.ports[feed] for feed in step.plan.props[prop].fed_by]
    counts = [feed.plan.pixels if feed.counted is None else feed.counted for feed in feeds]
    known = [count for count in counts if count is not None]
    if known:
        step.tell_prop(Target(TargetKind.PROP, prop), "pixels", sum(known))


# ---------------------------------------------------------------- any job


def take(step: Step, port: PortState, job: Job) -> None:
    """Give `port` to `job`, or what its job wants anew. Whether it may have the port was asked before."""
    step.touch(port)
    port.job = job
    switching.rearm(port)
    step.look_at(port)


def give_back(step: Step, port: PortState) -> None:
    """Give `port` back to the rules."""
    step.touch(port)
    port.job = None
    step.look_at(port)


def has(port: PortState, name: str) -> bool:
    """Whether the job of that name has `port`."""
    return port.job is not None and port.job.name == name


def change(step: Step, event: JobChanged) -> None:
    """A job sets the power of ports it has, takes free ones, or (power None) gives them back.

    A job never gets ports that a show, a hold, a trip or a hand has, and no more time than until a show.
    """
    for port_id in event.ports:
        port = step.site.ports.get(port_id)
        if port is None:
            continue
        own = has(port, event.name)
        if event.power is None:
            if own:
                give_back(step, port)
            continue
        if not own and (not event.begin or port.job is not None or _taken(step, port)):
            step.effects.append(JobEnded(event.name, f"{port.plan.name} is not free."))
            continue
        until_s = event.until_s if port.job is None else min(event.until_s, port.job.until_s)
        coming = until_show(step, port)
        if coming is not None:
            until_s = min(until_s, step.now.monotonic_s + coming[0] - SHOW_MARGIN_S)
        take(step, port, Job(event.name, event.power, until_s))


def _taken(step: Step, port: PortState) -> bool:
    return any(feed.verdict.rule in _GRAVER | {Rule.SHOW} for feed in _feeds(step, port))


def expire(step: Step, port: PortState) -> None:
    """End the job of `port` when its time is over or a show calls for a feed; else look again in time."""
    assert port.job is not None
    if step.now.monotonic_s >= port.job.until_s:
        coming = until_show(step, port)
        soon = coming is not None and coming[0] <= SHOW_MARGIN_S + 1.0
        end(step, port, f"{coming[1]}." if soon and coming is not None else "its time is over.")
        return
    step.timers.at(port.job.until_s, port.plan.id)
    for show_id in sorted({show for feed in _feeds(step, port) for show in feed.shows}):
        show = step.site.shows[show_id]
        if show.phase is not Phase.IDLE:
            end(step, port, f"{show.plan.name} needs it now.")
            return


def yield_to(step: Step, port: PortState) -> None:
    """End the job of `port` where something graver has decided."""
    if port.job is not None and port.verdict.rule in _GRAVER:
        end(step, port, port.verdict.reason)


def end(step: Step, port: PortState, reason: str) -> None:
    """End the job on all its ports; the bridge is told, and the rules decide at once."""
    assert port.job is not None
    name = port.job.name
    for feed in _feeds(step, port):
        if has(feed, name):
            give_back(step, feed)
    step.effects.append(JobEnded(name, reason))
