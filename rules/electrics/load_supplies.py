"""The load arithmetic of supplies: per show, all at once, and by what the calendar runs together."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from typing import NamedTuple

from rules.electrics.findings import Finding, Level, Rule, above, amps, finding
from rules.electrics.rating import (
    CLASS_TWO_MOST_V,
    CLASS_TWO_RULE,
    CONTINUOUS,
    CONTINUOUS_RULE,
    class_two,
    continuous_limit_a,
)
from rules.plan import ShowPlan, SitePlan, SupplyPlan
from rules.ports import PortId
from rules.shows.calendar import Span
from rules.shows.schedule import local_day_time

SUPPLY_RULE = Rule("load no more than the rating of the supply", "rating as configured")

SPREAD = "move ports to another supply, or lower the brightness limit"

Spans = Mapping[str, Sequence[Span]]
"""When each show runs, by the show's id: half-open UTC spans from the calendar."""


class Overlap(NamedTuple):
    """The most that shows running together can ask: how much [A], from when first, which shows."""

    total_a: float
    at_utc: datetime
    shows: tuple[str, ...]


def _powered(show: ShowPlan, spans: Spans) -> list[tuple[datetime, datetime]]:
    lead, tail = timedelta(seconds=show.warm_up_s), timedelta(seconds=show.run_on_s)
    return [(span.start_utc - lead, span.end_utc + tail) for span in spans.get(show.id, ())]


def continuous_ports(plan: SitePlan, spans: Spans | None) -> frozenset[PortId]:
    """Ports powered for three hours or more in one piece; all, where the calendar is not known."""
    if spans is None:
        return frozenset(plan.ports)
    times: dict[PortId, list[tuple[datetime, datetime]]] = {}
    for show in plan.shows:
        powered = _powered(show, spans)
        for port in show.needs:
            times.setdefault(port, []).extend(powered)
    found = {port.id for port in plan.ports.values() if port.resting}
    for port_id, pieces in times.items():
        start = end = None
        for piece_start, piece_end in sorted(pieces):
            if start is None or end is None or piece_start > end:
                start, end = piece_start, piece_end
            end = max(end, piece_end)
            if end - start >= CONTINUOUS:
                found.add(port_id)
                break
    return frozenset(found)


def overlap(plan: SitePlan, spans: Spans, full_a: Mapping[PortId, float]) -> Overlap | None:
    """The largest sum of `full_a` [A by port] over shows that run together; None where no show runs.

    Warm-up and run-on count, and ports with `resting` power are always among them.
    """
    resting = {port for port in full_a if plan.ports[port].resting}
    needs = {show.id: resting | (full_a.keys() & set(show.needs)) for show in plan.shows}
    edges: list[tuple[datetime, bool, str]] = []
    for show in plan.shows:
        for start, end in _powered(show, spans):
            edges += [(start, True, show.id), (end, False, show.id)]
    running: dict[str, int] = {}
    totals: dict[tuple[str, ...], float] = {}
    best: Overlap | None = None
    # Half-open: at one instant the ends come before the starts (False sorts first).
    for at_utc, starts, show_id in sorted(edges):
        running[show_id] = running.get(show_id, 0) + (1 if starts else -1)
        if not starts:
            continue
        together = tuple(show.id for show in plan.shows if running.get(show.id, 0) > 0)
        if together not in totals:
            totals[together] = sum(full_a[port] for port in set().union(*(needs[show] for show in together)))
        if best is None or totals[together] > best.total_a:
            best = Overlap(totals[together], at_utc, together)
    return best


def check_supply(
    plan: SitePlan,
    supply: SupplyPlan,
    full_a: Mapping[PortId, float],
    spans: Spans | None,
    continuous: frozenset[PortId],
) -> Iterator[Finding]:
    """Findings about one supply; `full_a` [A] of every port of the site whose load is known."""
    fed = [port.id for port in plan.ports.values() if port.supply == supply.id]
    known = {port: full_a[port] for port in fed if port in full_a}
    yield from _class_two(supply)
    if not fed:
        return
    all_a = sum(known.values())
    more = f" and {len(fed) - len(known)} of unknown load" if len(known) < len(fed) else ""
    everything = f"{len(known)} ports{more}, all white = {amps(all_a)}"
    if supply.rating_a is None:
        yield finding(
            Level.NOTE,
            supply.id,
            SUPPLY_RULE,
            text=f"The supply {supply.id} has no rating: its load can't be checked.",
            arithmetic=everything,
            remedy="tell the supply's rating",
        )
        return
    rating_a, limit_a = supply.rating_a, continuous_limit_a(supply.rating_a)
    resting = {port for port in known if plan.ports[port].resting}
    shows_a = {
        show.id: sum(known[port] for port in resting | (known.keys() & set(show.needs)))
        for show in plan.shows
    }
    rest_a = sum(known[port] for port in resting)
    if above(rest_a, rating_a):
        text = f"Ports that rest powered can ask more of {supply.id} than it gives, without any show."
        yield _too_much(supply.id, text, rest_a, rating_a, SPREAD)
        return
    for show in plan.shows:
        if above(shows_a[show.id], rating_a):
            text = f"The show {show.name} alone can ask more of {supply.id} than it gives."
            yield _too_much(supply.id, text, shows_a[show.id], rating_a, SPREAD)
    together = overlap(plan, spans, known) if spans is not None else None
    if together is not None and len(together.shows) > 1 and above(together.total_a, rating_a):
        names = " and ".join(show.name for show in plan.shows if show.id in together.shows)
        text = (
            f"Shows that run together ask more of {supply.id} than it gives: {names}, "
            f"first on {local_day_time(plan.place, together.at_utc)}."
        )
        yield _too_much(supply.id, text, together.total_a, rating_a, f"{SPREAD}, or keep these shows apart")
    # Where the calendar is known its worst moment counts, resting power included; else everything at once.
    most_a = all_a if spans is None else max(rest_a, together.total_a if together is not None else 0.0)
    if above(all_a, rating_a) and not above(most_a, rating_a):
        yield finding(
            Level.NOTE,
            supply.id,
            SUPPLY_RULE,
            text=f"{supply.id} is enough for the calendar, not for everything at once (by hand, in a test).",
            arithmetic=f"{everything} > {amps(rating_a)}; by the calendar {amps(most_a)}",
        )
    elif spans is None and above(all_a, rating_a):
        yield finding(
            Level.OVER,
            supply.id,
            SUPPLY_RULE,
            text=f"Everything on {supply.id} at once asks more than it gives.",
            arithmetic=f"{everything} > {amps(rating_a)}",
            remedy=SPREAD,
        )
    if above(most_a, limit_a) and not above(most_a, rating_a) and not continuous.isdisjoint(known):
        yield finding(
            Level.NEAR,
            supply.id,
            CONTINUOUS_RULE,
            text=f"{supply.id} can be loaded above 80 % of its rating for three hours or more.",
            arithmetic=f"{amps(rating_a)} / 1.25 = {amps(limit_a)} < {amps(most_a)} all white",
            remedy=SPREAD,
        )


def _too_much(supply: str, text: str, asked_a: float, rating_a: float, remedy: str) -> Finding:
    arithmetic = f"{amps(asked_a)} all white > {amps(rating_a)}"
    return finding(Level.OVER, supply, SUPPLY_RULE, text=text, arithmetic=arithmetic, remedy=remedy)


def _class_two(supply: SupplyPlan) -> Iterator[Finding]:
    if not supply.class2:
        return
    limits = class_two(supply.volts_v)
    if limits is None:
        yield finding(
            Level.OVER,
            supply.id,
            CLASS_TWO_RULE,
            text=f"{supply.id} is called Class 2, but its voltage is above what wet places allow.",
            arithmetic=f"{supply.volts_v:g} V > {CLASS_TWO_MOST_V:g} V",
            remedy="do not treat it as Class 2",
        )
    elif supply.rating_a is not None and supply.rating_a > limits.most_a + 1e-9:
        gives_va = supply.rating_a * supply.volts_v
        yield finding(
            Level.OVER,
            supply.id,
            CLASS_TWO_RULE,
            text=f"{supply.id} is called Class 2, but gives more: its wiring must follow Class 1 rules.",
            arithmetic=f"{amps(supply.rating_a)}, {gives_va:.4g} VA > {amps(limits.most_a)}, "
            f"{limits.most_va:.4g} VA at {supply.volts_v:g} V",
            remedy="do not treat it as Class 2, or use supplies listed as Class 2",
        )
