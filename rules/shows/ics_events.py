"""A VEVENT → an `Event`: local times with their zone, lengths, rules; checked, with the line of a fault."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from functools import lru_cache

from rules.errors import CalendarError, RulesError
from rules.shows.ics_lines import Component, Property
from rules.shows.ics_recurrence import Recurrence, read_rule
from rules.shows.zones import to_utc, zone

FIRST_YEAR, LAST_YEAR = 1900, 9000
"""Times outside these years are refused: no show is there, and zones are not known."""

LONGEST = timedelta(days=3660)
"""No event lasts longer, and none is moved further."""

_TIME = re.compile(r"(\d{4})(\d{2})(\d{2})(?:T(\d{2})(\d{2})(\d{2})(Z?))?", re.ASCII)
_DURATION = re.compile(
    r"([+-]?)P(?:(\d{1,6})W|(?:(\d{1,6})D)?(?:T(?:(\d{1,9})H)?(?:(\d{1,9})M)?(?:(\d{1,9})S)?)?)", re.ASCII
)
_ZERO = timedelta()
_DAY = timedelta(days=1)

Zones = Callable[[Property], tzinfo]
"""The zone of a property: by its TZID, else the site's. Raises CalendarError for an unknown one."""


@dataclass(frozen=True, slots=True)
class Local:
    """A wall-clock time in a zone. all_day: it was a DATE, the midnight that begins it at the site."""

    wall: datetime
    zone: tzinfo
    all_day: bool = False

    @property
    def utc(self) -> datetime:
        """The instant, by the rule of `rules.shows.zones`."""
        return to_utc(self.wall, self.zone)


@dataclass(frozen=True, slots=True)
class Length:
    """Days are nominal (a day may have 23 or 25 hours), the rest is exact (RFC 5545, section 3.3.6)."""

    days: int
    exact: timedelta

    def end_utc(self, start: Local) -> datetime:
        """The instant this long after a start."""
        begin = to_utc(start.wall + timedelta(days=self.days), start.zone) if self.days else start.utc
        return begin + self.exact

    @property
    def at_most(self) -> timedelta:
        """No event of this length lasts longer."""
        return timedelta(days=self.days) + self.exact + _DAY


@dataclass(frozen=True, slots=True)
class Event:
    """One VEVENT: a series, a single event, or (with `recurrence_id`) the change of one occurrence."""

    uid: str
    line: int
    summary: str | None
    start: Local
    length: Length
    cancelled: bool
    rank: tuple[int, str, str, str]
    """Of two with one UID the one with the higher rank counts, whatever their order in the file."""
    rules: tuple[Recurrence, ...] = ()
    dates: tuple[tuple[Local, Length], ...] = ()
    exceptions: tuple[Local, ...] = ()
    recurrence_id: Local | None = None
    and_future: bool = False


def zones_of(calendar: Component, site: tzinfo) -> Zones:
    """How the properties of one calendar name their zone.

    A TZID is looked up as an IANA name, as a name of Windows, as a path that ends in an IANA name, and at
    last among the file's own VTIMEZONEs.
    """
    own: dict[str, tzinfo] = {}
    definitions = {child.text("TZID"): child for child in calendar.children if child.name == "VTIMEZONE"}

    def zone_of(found: Property) -> tzinfo:
        name = found.parameters.get("TZID")
        if name is None:
            return site
        known = _known_zone(name) or own.get(name)
        if known is None and name in definitions:
            known = own[name] = _defined_zone(definitions[name])
        if known is None:
            raise CalendarError(
                f"the time zone {name!r} is not known and the file does not define it; name an IANA zone "
                "such as Europe/Dublin",
                found.line,
            )
        return known

    return zone_of


@lru_cache(maxsize=256)
def _known_zone(name: str) -> tzinfo | None:
    from icalendar.timezone.windows_to_olson import (  # noqa: PLC0415  # only sites with a calendar pay
        WINDOWS_TO_OLSON,
    )

    bare = name.strip().strip("/")
    parts = bare.split("/")
    candidates = [bare, WINDOWS_TO_OLSON.get(bare, "")]
    if name.startswith("/"):
        candidates += ["/".join(parts[start:]) for start in range(1, len(parts))]
    for candidate in filter(None, candidates):
        try:
            return zone(candidate)
        except RulesError:
            continue
    return None


def _defined_zone(definition: Component) -> tzinfo:
    from icalendar import Timezone  # noqa: PLC0415  # only sites with a calendar pay for the import

    try:
        component = Timezone.from_ical("\r\n".join(definition.source) + "\r\n")
        assert isinstance(component, Timezone)
        made: tzinfo = component.to_tz(lookup_tzid=False)
        to_utc(datetime(2024, 1, 1), made)  # noqa: DTZ001  # a wall-clock time, to see that the zone works
    except (ValueError, TypeError, LookupError, AttributeError, OverflowError) as error:
        raise CalendarError(
            f"the VTIMEZONE {definition.text('TZID')!r} can't be used ({error}); name an IANA zone such as "
            "Europe/Dublin",
            definition.line,
        ) from error
    return made


def read_event(component: Component, zone_of: Zones) -> Event:
    """Raises CalendarError, a clause with its line, for what can't be used."""
    begin = component.one("DTSTART")
    if begin is None:
        raise CalendarError("it has no DTSTART", component.line)
    start = _local(begin, begin.value.strip(), zone_of)
    if component.all("EXRULE"):
        raise CalendarError(
            "EXRULE is no longer part of iCalendar; write the dates as EXDATE",
            component.all("EXRULE")[0].line,
        )
    changed = component.one("RECURRENCE-ID")
    length = _length(component, start, zone_of)
    moved = None if changed is None else _in_series(changed, changed.value, zone_of, start)
    if changed is not None and moved is not None and abs(start.utc - moved.utc) > LONGEST:
        raise CalendarError("it moves an occurrence by more than ten years", changed.line)
    return Event(
        uid=component.text("UID") or f"line {component.line}",
        line=component.line,
        summary=component.text("SUMMARY") if component.all("SUMMARY") else None,
        start=start,
        length=length,
        cancelled=component.text("STATUS").upper() == "CANCELLED",
        rank=_rank(component),
        rules=tuple(
            read_rule(found, start.wall, start.zone, all_day=start.all_day)
            for found in component.all("RRULE")
        ),
        dates=tuple(pair for found in component.all("RDATE") for pair in _dates(found, length, zone_of)),
        exceptions=tuple(
            _in_zone(local, start)
            for found in component.all("EXDATE")
            for local in _locals(found, zone_of, start)
        ),
        recurrence_id=moved,
        and_future=changed is not None and changed.parameters.get("RANGE", "").upper() == "THISANDFUTURE",
    )


def _rank(component: Component) -> tuple[int, str, str, str]:
    sequence = component.text("SEQUENCE")
    content = sorted(
        f"{found.name}{sorted(found.parameters.items())}{found.value}" for found in component.properties
    )
    return (
        int(sequence) if sequence.isascii() and sequence.isdigit() and len(sequence) < 10 else 0,
        component.text("LAST-MODIFIED"),
        component.text("DTSTAMP"),
        "\n".join(content),
    )


def _local(found: Property, text: str, zone_of: Zones) -> Local:
    """A DATE or DATE-TIME. Raises CalendarError."""
    match = _TIME.fullmatch(text)
    if match is None:
        raise CalendarError(
            f"{found.name} {text!r} is no time; write 20261224T183000 or, for a day, 20261224", found.line
        )
    year, month, day, hour, minute, second = (int(part or 0) for part in match.groups()[:6])
    if not FIRST_YEAR <= year <= LAST_YEAR:
        raise CalendarError(
            f"the year of {found.name} {text!r} is not between {FIRST_YEAR} and {LAST_YEAR}", found.line
        )
    try:
        # A second of 60 is a leap second, which clocks without one show as 59 (RFC 5545, section 3.3.12).
        wall = datetime(year, month, day, hour, minute, min(second, 59) if second == 60 else second)  # noqa: DTZ001  # a wall-clock time
    except ValueError as error:
        raise CalendarError(f"{found.name} {text!r} is no day and time ({error})", found.line) from error
    if match[4] is None:
        return Local(wall, zone_of(Property(found.name, {}, text, found.line)), all_day=True)
    return Local(wall, UTC if match[7] else zone_of(found))


def _in_series(found: Property, text: str, zone_of: Zones, start: Local) -> Local:
    """A time that names an occurrence; a floating one is in the zone of the series."""

    def series_zone(item: Property) -> tzinfo:
        return zone_of(item) if "TZID" in item.parameters else start.zone

    return _local(found, text.strip(), series_zone)


def _locals(found: Property, zone_of: Zones, start: Local) -> list[Local]:
    """The times of a list that name occurrences."""
    return [_in_series(found, text, zone_of, start) for text in found.value.split(",") if text.strip()]


def _in_zone(local: Local, start: Local) -> Local:
    return Local(local.wall, start.zone, all_day=True) if local.all_day else local


def _dates(found: Property, length: Length, zone_of: Zones) -> list[tuple[Local, Length]]:
    """RDATE: times, days, or periods that bring a length of their own."""
    pairs: list[tuple[Local, Length]] = []
    for text in found.value.split(","):
        first, slash, last = text.strip().partition("/")
        start = _local(found, first, zone_of)
        if not slash:
            pairs.append((start, length))
        elif last.startswith(("P", "+P", "-P")):
            pairs.append((start, _duration(last, start, found)))
        else:
            pairs.append((start, _until(_local(found, last, zone_of), start, found)))
    return pairs


def _length(component: Component, start: Local, zone_of: Zones) -> Length:
    end, duration = component.one("DTEND"), component.one("DURATION")
    if end is not None and duration is not None:
        raise CalendarError("it has both DTEND and DURATION; one is allowed", duration.line)
    if duration is not None:
        return _duration(duration.value.strip(), start, duration)
    if end is not None:
        return _until(_local(end, end.value.strip(), zone_of), start, end)
    if start.all_day:
        return Length(1, _ZERO)
    raise CalendarError("it has no end; write DTEND or DURATION", component.line)


def _duration(text: str, start: Local, found: Property) -> Length:
    match = _DURATION.fullmatch(text)
    if match is None or not any(match.groups()[1:]):
        raise CalendarError(
            f"{text!r} is no duration; write PT3H30M for 3 h 30 min, or P1D for a day", found.line
        )
    weeks, days, hours, minutes, seconds = (int(part or 0) for part in match.groups()[1:])
    exact = timedelta(hours=hours, minutes=minutes, seconds=seconds)
    length = Length(weeks * 7 + days, exact)
    if match[1] == "-" or length.at_most == _DAY:
        raise CalendarError(f"the duration {text!r} is not longer than zero", found.line)
    if start.all_day and exact:
        raise CalendarError(f"an all-day event lasts whole days, not {text!r}; write P1D", found.line)
    return _sane(length, found)


def _until(end: Local, start: Local, found: Property) -> Length:
    """DTEND: whole days for all-day events, otherwise exact, also for each repetition (section 3.8.5.3)."""
    if end.all_day != start.all_day:
        raise CalendarError(
            f"start and end must both be days or both be times, not one of each ({found.name})", found.line
        )
    days = (end.wall - start.wall).days
    length = Length(days, _ZERO) if start.all_day else Length(0, end.utc - start.utc)
    if length.at_most <= _DAY:
        raise CalendarError("its end is not after its start", found.line)
    return _sane(length, found)


def _sane(length: Length, found: Property) -> Length:
    if length.at_most > LONGEST:
        raise CalendarError("it lasts more than ten years", found.line)
    return length
