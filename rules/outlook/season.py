"""A season of the show calendar looked at as a whole.

What never runs, what the sun or a file leaves out, and whether the ports of a show can be on in time.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from rules.electrics.findings import Finding, Level, Rule, duration, finding
from rules.electrics.load_supplies import Spans
from rules.plan import ShowPlan, SitePlan
from rules.ports import PortId, controller_of, number_of
from rules.power.staging import lead_s, staging_time_s
from rules.shows.calendar import IcsCalendar, MissedEvening, Span, Window, missing_sun
from rules.shows.schedule import HORIZON, local_day_time, spans_of, zone

CALENDAR_RULE = Rule("a show runs in the spans of its calendar", "the show's `when`")
FILE_RULE = Rule("a calendar file is read by RFC 5545; what can't be read is no show", "RFC 5545")
SUN_RULE = Rule(
    "a sun event that does not happen is replaced by its fallback; without one there is no show",
    "the show's `when` and `fallback`",
)
LEAD_RULE = Rule(
    "lead = staging time + warm-up; each supply lets `at_once` ports on, then waits for `gap`",
    "the supply's and the show's settings",
)
PORT_RULE = Rule("a port has power only while something needs it", "the shows' `needs`")
LONGEST_LEAD = HORIZON / 2
"""Spans are known at least this far ahead, so a lead can't be longer."""


@dataclass(frozen=True, slots=True)
class ShowOutlook:
    """One show in the time looked at: its spans, and how its lead comes about [s]."""

    show: ShowPlan
    spans: tuple[Span, ...]
    staging_s: float
    lead_s: float


def outlook(
    plan: SitePlan, calendars: Mapping[str, IcsCalendar], start_utc: datetime, end_utc: datetime
) -> dict[str, ShowOutlook]:
    """Every show's spans that touch [start_utc, end_utc), by show id in plan order."""
    return {
        show.id: ShowOutlook(
            show,
            tuple(spans_of(show.when, plan.place, calendars, start_utc, end_utc)),
            staging_time_s(plan, show.needs),
            lead_s(plan, show),
        )
        for show in plan.shows
    }


def spans_by_show(shows: Mapping[str, ShowOutlook]) -> Spans:
    """The spans alone, as the load arithmetic wants them."""
    return {show_id: one.spans for show_id, one in shows.items()}


def without_sun(
    plan: SitePlan, show: ShowPlan, start_utc: datetime, end_utc: datetime
) -> list[MissedEvening]:
    """Evenings of `show` on which a sun event does not happen, in order."""
    site = zone(plan.place)
    first, last = start_utc.astimezone(site).date(), end_utc.astimezone(site).date()
    return sorted(
        missed
        for window in show.when
        if isinstance(window, Window)
        for missed in missing_sun(window, plan.place, first, last)
    )


def check_season(
    plan: SitePlan,
    shows: Mapping[str, ShowOutlook],
    calendars: Mapping[str, IcsCalendar],
    start_utc: datetime,
    end_utc: datetime,
) -> list[Finding]:
    """Everything the calendar of [start_utc, end_utc) tells beside the loads.

    shows: from `outlook` for the same time. Calendar files that could not be read are the caller's to tell.
    """
    found: list[Finding] = []
    for name, calendar in calendars.items():
        found += [
            finding(Level.NEAR, name, FILE_RULE, text=warning, arithmetic="", remedy="correct the file")
            for warning in calendar.warnings
        ]
    for one in shows.values():
        found += _never(one, end_utc)
        found += _sun(plan, one.show, start_utc, end_utc)
        found += _lead(plan, one)
    found += _late(plan, shows)
    found += _unneeded(plan)
    return found


def _never(one: ShowOutlook, end_utc: datetime) -> Iterator[Finding]:
    if not one.spans:
        yield finding(
            Level.NEAR,
            one.show.id,
            CALENDAR_RULE,
            text=f"The show {one.show.name} does not run until {end_utc:%Y-%m-%d}.",
            arithmetic="0 evenings",
            remedy="look at its season, weekdays, exceptions and calendar file, or leave the show out",
        )


def _sun(plan: SitePlan, show: ShowPlan, start_utc: datetime, end_utc: datetime) -> Iterator[Finding]:
    missed = without_sun(plan, show, start_utc, end_utc)
    dark = [one for one in missed if one.what.endswith("no show.")]
    for evenings, level, remedy in (
        (dark, Level.NEAR, "give a `fallback` with clock times, if the show shall run then"),
        ([one for one in missed if one not in dark], Level.NOTE, ""),
    ):
        if evenings:
            days = len({one.day for one in evenings})
            yield finding(
                level,
                show.id,
                SUN_RULE,
                text=f"{show.name}: {evenings[0].what}",
                arithmetic=f"{days} evening{'s' * (days > 1)}, {evenings[0].day} to {evenings[-1].day}",
                remedy=remedy,
            )


def lead_words(one: ShowOutlook) -> str:
    """How the lead comes about: ``12 s staging + 30 s warm-up = 42 s``."""
    return f"{_time(one.staging_s)} staging + {_time(one.show.warm_up_s)} warm-up = {_time(one.lead_s)}"


def _time(seconds: float) -> str:
    return duration(seconds) if seconds else "0 s"


def _lead(plan: SitePlan, one: ShowOutlook) -> Iterator[Finding]:
    if timedelta(seconds=one.lead_s) > LONGEST_LEAD:
        yield finding(
            Level.OVER,
            one.show.id,
            LEAD_RULE,
            text=f"{one.show.name}: its lead is longer than a day, so its ports can't all be on in time.",
            arithmetic=f"{lead_words(one)} > {duration(LONGEST_LEAD.total_seconds())}",
            remedy="let more ports on at once, shorten the gap, or shorten the warm-up",
        )
        return
    lead = timedelta(seconds=one.lead_s)
    run_on = timedelta(seconds=one.show.run_on_s)
    for before, after in zip(one.spans, one.spans[1:], strict=False):
        if before.end_utc + run_on > after.start_utc - lead:
            pause_s = (after.start_utc - before.end_utc).total_seconds()
            yield finding(
                Level.NOTE,
                one.show.id,
                LEAD_RULE,
                text=f"{one.show.name}: its ports stay on between two runs, first on "
                f"{local_day_time(plan.place, before.end_utc)}.",
                arithmetic=f"pause {_time(pause_s)} < run-on {_time(one.show.run_on_s)} + lead "
                f"{_time(one.lead_s)}",
            )
            return


def _late(plan: SitePlan, shows: Mapping[str, ShowOutlook]) -> Iterator[Finding]:
    """Shows whose ports share a supply and start together: each alone is in time, both are not."""
    starts = sorted(
        (span.start_utc - timedelta(seconds=one.lead_s), span.start_utc, show_id)
        for show_id, one in shows.items()
        for span in one.spans
    )
    leading: list[tuple[datetime, str]] = []
    told: set[frozenset[str]] = set()
    for begins, start, show_id in starts:
        leading = [(other, name) for other, name in leading if other >= begins] + [(start, show_id)]
        together = frozenset(name for _, name in leading)
        if len(together) > 1 and together not in told:
            told.add(together)
            yield from _together(plan, [shows[name] for name in shows if name in together], start)


def _together(plan: SitePlan, group: list[ShowOutlook], start: datetime) -> Iterator[Finding]:
    staging_s = staging_time_s(plan, dict.fromkeys(port for one in group for port in one.show.needs))
    shortest = min(group, key=lambda one: one.lead_s)
    if staging_s > shortest.lead_s:
        name = shortest.show.name
        yield finding(
            Level.NEAR,
            shortest.show.id,
            LEAD_RULE,
            text=f"{' and '.join(one.show.name for one in group)} come on together; ports of {name} may "
            f"still be off when it begins, first on {local_day_time(plan.place, start)}.",
            arithmetic=f"all ports: {_time(staging_s)} staging > lead of {name}: {lead_words(shortest)}",
            remedy=f"a warm-up of {_time(staging_s - shortest.staging_s)} for {name}, more ports at once, or "
            "a shorter gap",
        )


def _unneeded(plan: SitePlan) -> Iterator[Finding]:
    needed = {port for show in plan.shows for port in show.needs}
    idle: dict[str, list[PortId]] = {}
    for port in plan.ports.values():
        if port.id not in needed and not port.resting:
            idle.setdefault(controller_of(port.id), []).append(port.id)
    for controller, ports in idle.items():
        yield finding(
            Level.NOTE,
            controller,
            PORT_RULE,
            text=f"No show needs {numbers(ports)}: off unless switched by hand.",
            arithmetic=f"{len(ports)} of {len(plan.controllers[controller].ports)} ports of {controller}",
        )


def numbers(ports: list[PortId]) -> str:
    """Ports of one controller in short: ``gable/1, 3 to 8``."""
    runs: list[list[int]] = []
    for number in sorted(number_of(port) for port in ports):
        if runs and number == runs[-1][-1] + 1:
            runs[-1][1:] = [number]
        else:
            runs.append([number])
    words = ", ".join(f"{run[0]} to {run[-1]}" if len(run) > 1 else str(run[0]) for run in runs)
    return f"{controller_of(ports[0])}/{words}"
