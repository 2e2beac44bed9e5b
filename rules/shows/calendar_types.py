"""The words of the show calendar: places, moments, windows, spans.

All spans are ``[start_utc, end_utc)``, aware, in UTC, and longer than zero. Local times are
interpreted in the site's zone (`Place.timezone`); instants are compared in UTC only.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time
from enum import StrEnum
from typing import NamedTuple


@dataclass(frozen=True, slots=True)
class Place:
    """Where the site is: IANA time zone, latitude and longitude [degrees, north and east positive]."""

    timezone: str
    latitude_deg: float
    longitude_deg: float


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """Half-open: a show runs at `start_utc` and no more at `end_utc`. `title` is for people.

    `instant in span` says whether it runs then.
    """

    start_utc: datetime
    end_utc: datetime
    title: str = ""

    def __contains__(self, instant: datetime) -> bool:
        return self.start_utc <= instant < self.end_utc


class Anchor(StrEnum):
    """What a time of day is reckoned from."""

    CLOCK = "clock"
    DAWN = "dawn"
    SUNRISE = "sunrise"
    SUNSET = "sunset"
    DUSK = "dusk"


@dataclass(frozen=True, slots=True)
class Moment:
    """A time of day: a wall-clock time, or a sun event plus an offset [s].

    fallback: wall-clock time used on a day on which the sun event does not happen; None: no show then.
    """

    anchor: Anchor
    clock: time | None = None
    offset_s: float = 0.0
    fallback: time | None = None


@dataclass(frozen=True, slots=True)
class Season:
    """From and to, both inclusive, as (month, day); from later than to runs over the new year."""

    first: tuple[int, int]
    last: tuple[int, int]


@dataclass(frozen=True, slots=True)
class Window:
    """Evenings: from one moment to another, the end on the next day where it is not after the start.

    weekdays: 0 Monday … 6 Sunday, of the evening the window begins on. exceptions: evenings left out,
    as dates or as (month, day) of every year. rule: an RFC 5545 RRULE that picks the evenings, or None,
    counted from `rule_start`. extra: evenings added whatever weekdays, season and rule say; an evening
    that is both an exception and extra is left out (as EXDATE beats RDATE in RFC 5545).
    """

    start: Moment
    end: Moment
    weekdays: frozenset[int] = frozenset(range(7))
    season: Season | None = None
    exceptions: frozenset[date | tuple[int, int]] = frozenset()
    extra: frozenset[date] = frozenset()
    rule: str | None = None
    rule_start: date | None = None


@dataclass(frozen=True, slots=True)
class Ics:
    """A calendar file by name; its bytes come with `CalendarLoaded`. `summary`: only events so titled."""

    name: str
    summary: str | None = None


class MissedEvening(NamedTuple):
    """An evening on which a window has no show, or runs by its fallback. `what` is one plain sentence."""

    day: date
    what: str


When = tuple[Window | Ics, ...]
"""A show runs in the union of these."""


def merge(spans: Iterable[Span]) -> list[Span]:
    """The union: spans that overlap or touch become one, in order of start.

    Titles of different spans that became one are joined with " + ", each once.
    """
    merged: list[Span] = []
    for span in sorted(spans):
        if not merged or span.start_utc > merged[-1].end_utc:
            merged.append(span)
            continue
        last = merged[-1]
        titles = dict.fromkeys(title for title in (*last.title.split(" + "), span.title) if title)
        merged[-1] = Span(last.start_utc, max(last.end_utc, span.end_utc), " + ".join(titles))
    return merged
