"""Show calendar: what a person wrote → half-open spans in UTC.

All spans are ``[start_utc, end_utc)``, aware, in UTC, and longer than zero. Local times are
interpreted in the site's zone (`Place.timezone`); instants are compared in UTC only.

This is the door; behind it stand `calendar_types` (the words), `moments` (reading them), `windows`
(evenings), `sun`, `zones` and `ics` (calendar files).
"""

from rules.shows.calendar_types import (
    Anchor,
    Ics,
    MissedEvening,
    Moment,
    Place,
    Season,
    Span,
    When,
    Window,
    merge,
)
from rules.shows.evenings import check_rule
from rules.shows.ics import IcsCalendar, read_ics
from rules.shows.moments import (
    parse_date,
    parse_evening,
    parse_moment,
    parse_month_day,
    parse_weekday,
)
from rules.shows.windows import missing_sun, sun_event, window_spans

__all__ = [
    "Anchor",
    "Ics",
    "IcsCalendar",
    "MissedEvening",
    "Moment",
    "Place",
    "Season",
    "Span",
    "When",
    "Window",
    "check_rule",
    "merge",
    "missing_sun",
    "parse_date",
    "parse_evening",
    "parse_moment",
    "parse_month_day",
    "parse_weekday",
    "read_ics",
    "sun_event",
    "window_spans",
]
