"""One port, looked at again: facts → verdict → command, and what follows for its hold and its reclosing."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from types import MappingProxyType

from rules.aftermath import Aftermath, Decided
from rules.faults import conditions
from rules.ports import Condition, HoldState, Mode, controller_of
from rules.power import jobs, losses, reclose, staging, switching
from rules.power.demand import SAFETY_RULES, Facts, Rule, ShowCall, Verdict, decide
from rules.power.holding import holder_words, holds_on
from rules.power.reclose import ReclosePhase
from rules.power.trips import adopt, judge_anew
from rules.shows.schedule import Phase, local_day_time, local_time, zone
from rules.state import FOR_EVER_S, PortState
from rules.step import Step
from rules.telling import decided_words, tell_decision, tell_hold

WITHHELD_AGAIN_S = 10.0
"""A withheld port is tried again after this long [s]."""
BREACH_S = 2.0
"""Power seen this long [s] after an accepted OFF breaches a hold."""
_BLOCKS: Mapping[Rule, Aftermath] = MappingProxyType(
    {
        Rule.HOLD: Aftermath.HELD,
        Rule.RELEASED: Aftermath.HELD,
        Rule.HAND: Aftermath.BY_HAND,
        Rule.TRIP: Aftermath.FEED_TRIPPED,
        Rule.LOCKOUT: Aftermath.FEED_TRIPPED,
        Rule.STOPPING: Aftermath.STOPPING,
    }
)
"""What a rule that keeps a port off makes of a closing; any other: no show needed it."""


def gather(step: Step, port: PortState) -> Facts:
    """All that is known about who wants what of `port` at this instant."""
    site, now = step.site, step.now
    holders = tuple(holder_words(step, port, hold) for hold in holds_on(step, port))
    if site.weather_hold and not port.plan.resting:
        holders = (*holders, "the weather hold")
    released_until_s = port.released_until_s
    trip = lockout = off_by = None
    for feed_id in port.feeds:
        feed = site.ports[feed_id]
        released_until_s = max(released_until_s, feed.released_until_s)
        state = feed.reclose
        where = "" if feed is port else f"{feed.plan.name}, a feed of the same prop, tripped. "
        if state.phase is ReclosePhase.LOCKOUT:
            lockout = lockout or where + decided_words(step, feed)
        elif state.keeps_off:
            trip = trip or (where or f"{reclose.cause_words(state)}. ") + decided_words(step, feed)
        if feed is not port and feed.hand is not None and feed.hand.mode is Mode.OFF:
            off_by = off_by or feed.plan.name
    hand, until = Mode.AUTO, ""
    if port.hand is not None:
        hand = port.hand.mode
        if port.hand_until_s is not None:
            ends = now.utc + timedelta(seconds=port.hand_until_s - now.monotonic_s)
            until = local_time(step.plan.place, ends + timedelta(seconds=30))
    shows, coming = _calls(step, port)
    job = None
    if port.job is not None and now.monotonic_s < port.job.until_s:
        job = (port.job.name, port.job.power)
    return Facts(
        leaving=port.leaving,
        stopping=site.stopping is True,
        holders=holders,
        released_until=_second(step, released_until_s) if released_until_s > now.monotonic_s else "",
        lockout=lockout,
        trip=trip,
        hand=hand,
        hand_until=until,
        off_by_hand_at=off_by,
        job=job,
        shows=shows,
        clock_trusted=trusts_clock(step),
        resting=port.plan.resting,
        next_show=coming,
    )


def _second(step: Step, at_s: float) -> str:
    """An instant [monotonic s] as local time to the nearest second: ``22:30:05``."""
    at_utc = step.now.utc + timedelta(seconds=at_s - step.now.monotonic_s + 0.5)
    return at_utc.astimezone(zone(step.plan.place)).strftime("%H:%M:%S")


def verdict_now(step: Step, port: PortState) -> Verdict:
    """The verdict on `port` at this moment, what else this step was asked for included."""
    return decide(gather(step, port))


def trusts_clock(step: Step) -> bool:
    """Whether what the clock says may power ports."""
    return step.plan.trust_clock or step.site.clock_trusted is True


def _calls(step: Step, port: PortState) -> tuple[tuple[ShowCall, ...], str | None]:
    """The shows that call for `port` now, and the next one; worked once for all that share them."""
    step.memo.follow(step.site, clock_trusted=trusts_clock(step))
    cached = step.memo.calls.get(port.shows)
    if cached is not None:
        return cached
    calls, starts = [], []
    for show_id in port.shows:
        call, start = _call(step, show_id)
        if call is not None:
            calls.append(call)
        if start is not None:
            starts.append((start, step.site.shows[show_id].plan.name))
    coming = None
    if starts:
        start, name = min(starts)
        coming = f"{name} {local_day_time(step.plan.place, start)}"
    step.memo.calls[port.shows] = (tuple(sorted(calls)), coming)
    return step.memo.calls[port.shows]


def _call(step: Step, show_id: str) -> tuple[ShowCall | None, datetime | None]:
    """A show's call for its ports, and the start after it as far as its spans are known."""
    cached = step.memo.by_show.get(show_id)
    if cached is not None:
        return cached
    show = step.site.shows[show_id]
    call = None
    if show.phase is not Phase.IDLE and show.current is not None:
        lasts_days = show.current.end_utc - show.current.start_utc > timedelta(days=1)
        said = local_day_time if lasts_days else local_time
        until = said(step.plan.place, show.current.end_utc + timedelta(seconds=show.plan.run_on_s))
        call = ShowCall(
            show.plan.name, until, show.phase is Phase.LEAD, by_hand=show.started_until_s is not None
        )
    start = next(
        (span.start_utc for span in show.spans if span.start_utc > step.now.utc and not show.is_past(span)),
        None,
    )
    step.memo.by_show[show_id] = (call, start)
    return call, start


def _plain(step: Step, port: PortState) -> Verdict | None:
    """The verdict on a port that only shows and resting power speak for, worked once for all that are alike.

    None for a port with a hold, a trip, a hand, a job or anything else about it or its prop.
    """
    site, now_s = step.site, step.now.monotonic_s
    if site.holds or site.weather_hold or site.stopping or port.leaving or port.job is not None:
        return None
    for feed_id in port.feeds:
        feed = site.ports[feed_id]
        if (
            feed.reclose.phase is not ReclosePhase.CLOSED
            or feed.hand is not None
            or feed.released_until_s > now_s
        ):
            return None
    step.memo.follow(site, clock_trusted=trusts_clock(step))
    key = (port.shows, port.plan.resting)
    verdict = step.memo.plain.get(key)
    if verdict is None:
        verdict = step.memo.plain[key] = decide(gather(step, port))
    return verdict


def settle(step: Step, port: PortState) -> None:
    """Bring verdict, command, hold and reclosing of `port` up to this instant."""
    if not step.site.restored:
        return
    _expire(step, port)
    verdict = _plain(step, port) or decide(gather(step, port))
    if verdict is not port.verdict and verdict != port.verdict:
        _take(step, port, verdict)
    jobs.yield_to(step, port)
    _shoot(step, port)
    switching.drive(step, port)
    _prove_hold(step, port)
    tell_decision(step, port, _waiting_words(step, port))


def _waiting_words(step: Step, port: PortState) -> str:
    if port.verdict.power and port.seen_power is not True and switching.waits_for_journal(step):
        return "Off: waits until the safety journal can be written to disk."
    if not switching.waits_after_losses(step, port):
        return ""
    name = controller_of(port.plan.id)
    controller = step.plan.controllers[name].name
    return (
        f"Off: waits until {_second(step, port.on_next_s)}. Controller {controller}: "
        f"{losses.words(step.site.controllers[name].losses)}"
    )


def _take(step: Step, port: PortState, verdict: Verdict) -> None:
    before = port.verdict
    step.touch(port)
    port.verdict = verdict
    if port.facts.wanted is not verdict.power:
        port.facts = port.facts._replace(wanted=verdict.power, on_given=False)
    if verdict.rule is not before.rule or verdict.power != before.power:
        port.verdict_s = step.now.monotonic_s
        step.site_dirty = True
    if verdict.power and not before.power:
        switching.rearm(port)
    if not verdict.power:
        port.withheld = ""
    if not verdict.power and verdict.rule in SAFETY_RULES:
        if before.power or before.rule not in SAFETY_RULES:
            switching.owe_off(port)
    elif verdict.power:
        port.off_owed = False
        port.late_on = False
    elif before.power:
        port.off_attempts = 0
        port.off_next_s = step.now.monotonic_s


def _expire(step: Step, port: PortState) -> None:
    """What ends by itself: ON by hand, a job, the delay after a release."""
    now_s = step.now.monotonic_s
    if port.hand_until_s is not None:
        if now_s >= port.hand_until_s:
            step.touch(port)
            port.hand, port.hand_until_s = None, None
            step.must_keep()
        else:
            step.timers.at(min(port.hand_until_s, now_s + 60.0), port.plan.id)
    if port.job is not None:
        jobs.expire(step, port)
    if port.released_until_s > now_s:
        for feed in port.feeds:
            step.timers.at(port.released_until_s, feed)


def _shoot(step: Step, port: PortState) -> None:
    """Reclosing by itself: the shot that is due, what blocks it, shots given back."""
    state = port.reclose
    if state.phase is ReclosePhase.CLOSED:
        return
    plan, now = port.plan.reclosing, step.now
    if state.phase is ReclosePhase.DEAD_TIME:
        by = forbids_closing(step, port)
        if not reclose.has_shot(state, plan):
            adopt(step, port, reclose.blocked(state, Decided(Aftermath.NOT_SET_UP)))
        elif port.verdict.rule is Rule.HOLD or (by is not None and reclose.due(state, now)):
            adopt(step, port, reclose.blocked(state, by or Decided(Aftermath.HELD)))
        elif reclose.due(state, now):
            adopt(step, port, reclose.shot(state, now))
            judge_anew(step, port)
            switching.rearm(port)
            if port.flag is True:
                port.flag_ignore_s = FOR_EVER_S
        elif state.due_s is not None:
            step.timers.at(state.due_s, port.plan.id)
    elif state.phase is ReclosePhase.RECLAIM:
        survived = reclose.survived(state, plan, now)
        if survived is not state:
            adopt(step, port, survived)
        else:
            at_s = reclose.survives_at(state, plan)
            if at_s is not None:
                step.timers.at(at_s, port.plan.id)
    elif state.phase is ReclosePhase.CLOSING:
        if not port.verdict.power:
            adopt(step, port, reclose.blocked(state, _because(port.verdict)))
        elif port.withheld:
            adopt(step, port, reclose.blocked(state, Decided(Aftermath.OVER_BUDGET, supply=port.plan.supply)))
        else:
            _await_closing(step, port)


def _await_closing(step: Step, port: PortState) -> None:
    """A shot was given, or waits at its supply's gate: too late it has failed."""
    if switching.waits(step, port):
        return  # the gate's own timer lets it pass
    failed_s = max(port.verdict_s, port.on_done_s) + _stuck_off_s(port)
    if step.now.monotonic_s <= failed_s or port.pending is not None:
        step.timers.at(failed_s + 0.1, port.plan.id)
        return
    reached = port.on_done_s >= port.verdict_s or (port.facts.on_given and port.on_spent)
    state = port.reclose
    adopt(
        step,
        port,
        reclose.not_closed(state) if reached else reclose.blocked(state, Decided(Aftermath.NOT_SENT)),
    )


def _stuck_off_s(port: PortState) -> float:
    """How long [s] a closing may take before it has failed."""
    limit = port.plan.limits.get(Condition.STUCK_OFF)
    return 5.0 if limit is None else limit.on_delay_s


def forbids_closing(step: Step, port: PortState) -> Decided | None:
    """Why the rules may not put power back by themselves; None if they may."""
    facts = gather(step, port)._replace(trip=None, lockout=None)
    wish = decide(facts)
    if not wish.power or wish.rule is not Rule.SHOW:
        return _because(wish)
    supply = port.plan.supply
    if supply is not None and step.site.supplies[supply].over_words:
        return Decided(Aftermath.OVER_BUDGET, supply=supply)
    return None


def _because(verdict: Verdict) -> Decided:
    """What a verdict that is not for a show's power makes of a closing."""
    return Decided(Aftermath.NO_SHOW if verdict.power else _BLOCKS.get(verdict.rule, Aftermath.NO_SHOW))


def _prove_hold(step: Step, port: PortState) -> None:
    state = _hold_state(step, port)
    if state is not port.hold_proof:
        step.touch(port)
        port.hold_proof = state
    tell_hold(step, port)


def _hold_state(step: Step, port: PortState) -> HoldState:
    if port.verdict.rule is not Rule.HOLD:
        return HoldState.NONE
    since_s = step.now.monotonic_s - port.seen_power_s
    told = port.plan.abilities.readback and since_s <= switching.stale_s(step, port)
    if not told or not switching.is_fresh(step, port):
        step.timers.at(step.now.monotonic_s + switching.stale_s(step, port), port.plan.id)
        return HoldState.UNKNOWN
    step.timers.at(port.seen_power_s + switching.stale_s(step, port) + 0.001, port.plan.id)
    if port.seen_power is False:
        return (
            HoldState.PENDING
            if port.off_owed and port.hold_proof is not HoldState.CONFIRMED_OFF
            else (HoldState.CONFIRMED_OFF)
        )
    if port.hold_proof in (HoldState.CONFIRMED_OFF, HoldState.BREACHED):
        return HoldState.BREACHED
    if port.off_ok_s > 0 and step.now.monotonic_s > port.off_ok_s + BREACH_S:
        return HoldState.BREACHED
    return HoldState.PENDING


def fits_budget(step: Step, port: PortState) -> bool:
    """Whether the supply's budget lets the port come on: over it is told, withheld only if so configured."""
    if port.plan.supply is None:
        return True
    plan = step.plan.supplies[port.plan.supply]
    load = supply_load(step, plan.id, joining=port)
    if not load.over:
        if port.withheld:
            step.touch(port)
            port.withheld = ""
            tell_decision(step, port)
        return True
    words = (
        f"supply {plan.id} would carry {load.known_a:.1f} A; {load.limit_a or 0:.1f} A is 80 % of its rating"
    )
    supply = step.site.supplies[plan.id]
    if not supply.over_words:
        step.touch(supply)
        supply.over_words = f"S{words[1:]}."
        detail = _over_words(step)
        conditions.raise_(
            step, step.site, Condition.OVER_BUDGET, measured=load.known_a, limit=load.limit_a, detail=detail
        )
        conditions.retell(step, step.site, Condition.OVER_BUDGET, detail)
    if not plan.withhold:
        return True
    step.touch(port)
    port.withheld = f"Off: withheld, {words}."
    step.timers.at(step.now.monotonic_s + WITHHELD_AGAIN_S, port.plan.id)
    tell_decision(step, port)
    return False


def supply_load(step: Step, supply_id: str, *, joining: PortState | None = None) -> staging.Budget:
    """What a supply carries by expected currents: ports that are on or coming on, and the one that joins."""
    ports = step.site.ports
    expected_a = {
        port_id: other.expected_a
        for port_id, other in ((port_id, ports[port_id]) for port_id in step.site.supplies[supply_id].ports)
        if other is joining
        or other.seen_power is True
        or (other.pending is not None and other.pending.power)
        or (other.on_spent and other.verdict.power)  # given, and not seen yet
    }
    return staging.budget(step.plan.supplies[supply_id], expected_a)


def end_over_budget(step: Step) -> None:
    """Supplies that were over budget and are no more."""
    for supply_id, supply in step.site.supplies.items():
        if supply.over_words:
            withheld = any(step.site.ports[port].withheld for port in supply.ports)
            if not withheld and not supply_load(step, supply_id).over:
                step.touch(supply)
                supply.over_words = ""
    still_over = _over_words(step)
    if still_over:
        conditions.retell(step, step.site, Condition.OVER_BUDGET, still_over)
    else:
        conditions.return_(step, step.site, Condition.OVER_BUDGET)


def _over_words(step: Step) -> str:
    """Every supply over its budget, one alarm for all of them."""
    return " ".join(supply.over_words for supply in step.site.supplies.values() if supply.over_words)
