"""Calendar files (iCalendar, RFC 5545) → spans.

What the standard leaves open, and what is chosen here:

- STATUS:CANCELLED is no show, be it of an event or of one occurrence. TENTATIVE is a show: whoever put it
  into the calendar of the lights wants them lit.
- A time without a zone, and a day, are the site's. A zone that is not known is never read as UTC: the
  event is left out, and `warnings` says so.
- DTEND of a series gives each repetition the same exact length, DURATION in days the same number of local
  days (section 3.8.5.3). The nights on which clocks change show the difference.
- A repetition at a time that the clocks skip is left out and not counted (3.3.10); a start that is written
  so is read with the offset before the jump (3.3.5); a time that happens twice is the first of the two.
- DTSTART is always the first occurrence, also where the rule misses it. EXDATE beats RRULE, RDATE and the
  change of an occurrence.
- An event that can't be used is left out with a warning that names its line; the others run. A file that
  is no calendar is refused.
"""

from collections.abc import Iterable
from datetime import UTC, datetime

from rules.errors import CalendarError
from rules.shows.calendar_types import Place, Span
from rules.shows.ics_events import Event, read_event, zones_of
from rules.shows.ics_lines import Component, read_components
from rules.shows.ics_series import Series
from rules.shows.zones import zone

MOST_EVENTS = 5_000
"""A file with more events than this is refused."""

MOST_TOGETHER = 1000
"""An event of which more repetitions can run at the same time than this is left out."""

_EARLIEST = datetime(1890, 1, 1, tzinfo=UTC)
_LATEST = datetime(9020, 1, 1, tzinfo=UTC)
_KNOWN_VERSION = "2.0"


class IcsCalendar:
    """A calendar file that was read.

    warnings: sentences about what was left out or is doubtful, each with its line; empty when all is well.
    titles: the SUMMARYs that occur, each once, in alphabetical order.
    """

    __slots__ = ("_series", "titles", "warnings")

    def __init__(self, series: Iterable[Series] = (), warnings: Iterable[str] = ()) -> None:
        self._series = tuple(series)
        self.warnings = tuple(warnings)
        self.titles = tuple(sorted({title for one in self._series for title in one.titles}))

    def spans(self, start_utc: datetime, end_utc: datetime, summary: str | None = None) -> list[Span]:
        """The whole spans that intersect [start_utc, end_utc), in order; they may overlap.

        summary: only events so titled; upper or lower case and blanks make no difference.
        """
        start_utc, end_utc = max(start_utc, _EARLIEST), min(end_utc, _LATEST)
        if not start_utc < end_utc:
            return []
        wanted = None if summary is None else _plain(summary)
        return sorted(
            span
            for series in self._series
            for span in series.spans(start_utc, end_utc)
            if wanted is None or _plain(span.title) == wanted
        )


def _plain(title: str) -> str:
    return " ".join(title.split()).casefold()


def read_ics(content: bytes, place: Place) -> IcsCalendar:
    """Reads the bytes of a calendar file for a site.

    Raises CalendarError (a RulesError), with the line where there is one, for what is no calendar file.
    """
    warnings: list[str] = []
    series: list[Series] = []
    calendars = read_components(content)
    if sum(len(calendar.children) for calendar in calendars) > MOST_EVENTS:
        raise CalendarError(f"The file holds more than {MOST_EVENTS} events; no show calendar does.")
    for calendar in calendars:
        if calendar.text("CALSCALE").upper() not in ("", "GREGORIAN"):
            raise CalendarError(
                f"The calendar scale {calendar.text('CALSCALE')!r} is not known; only GREGORIAN is.",
                calendar.line,
            )
        if calendar.text("METHOD").upper() == "CANCEL":
            warnings.append(
                f"Line {calendar.line}: the calendar is a cancellation (METHOD:CANCEL); no shows."
            )
            continue
        if calendar.text("VERSION") != _KNOWN_VERSION:
            raise CalendarError("The calendar must say VERSION:2.0 (iCalendar).", calendar.line)
        events = _events(calendar, place, warnings)
        series += _series(events, warnings)
    if not series and not warnings:
        warnings.append("The calendar holds no events; no shows.")
    return IcsCalendar(series, warnings)


def _events(calendar: Component, place: Place, warnings: list[str]) -> list[Event]:
    site = zone(place.timezone)
    zone_of = zones_of(calendar, site)
    named = calendar.text("X-WR-TIMEZONE")
    events: list[Event] = []
    for component in calendar.children:
        if component.name != "VEVENT":
            continue
        title = component.text("SUMMARY") or component.text("UID") or "without a title"
        try:
            event = read_event(component, zone_of)
        except CalendarError as error:
            warnings.append(f"{error}; the event {title!r} is left out.")
            continue
        events.append(event)
    if named and named != place.timezone and any(event.start.zone is site for event in events):
        warnings.append(
            f"Line {calendar.line}: the calendar names {named} as its zone (X-WR-TIMEZONE), but its times "
            f"without a zone are taken as the site's, {place.timezone}."
        )
    return events


def _together(master: Event | None, changes: list[Event]) -> float:
    """How many repetitions of a series can run at the same time, at most."""
    if master is None or not master.rules:
        return 1.0
    longest = max(event.length.at_most for event in (master, *changes))
    return sum(rule.at_most(longest) for rule in master.rules)


def _series(events: list[Event], warnings: list[str]) -> list[Series]:
    by_uid: dict[str, list[Event]] = {}
    for event in events:
        by_uid.setdefault(event.uid, []).append(event)
    series = []
    for uid, members in by_uid.items():
        masters = sorted(
            (event for event in members if event.recurrence_id is None), key=lambda one: one.rank
        )
        if len({one.rank for one in masters}) > 1:
            lines = ", ".join(str(line) for line in sorted(one.line for one in masters))
            warnings.append(f"Lines {lines}: several events share the UID {uid!r}; only the newest counts.")
        changes = [event for event in members if event.recurrence_id is not None]
        master = masters[-1] if masters else None
        together = _together(master, changes)
        if master is not None and together > MOST_TOGETHER:
            warnings.append(
                f"Line {master.line}: up to {together:.0f} repetitions of the event {master.summary!r} run "
                "at the same time; repeat it less often or make it shorter; it is left out."
            )
            continue
        series.append(Series(master, changes))
    return series
