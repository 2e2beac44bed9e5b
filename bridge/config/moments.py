"""Times of day, evenings and weekdays as the file writes them; their meaning is `rules.shows.moments`."""

from collections.abc import Callable
from datetime import date, time
from typing import Annotated, Any

from pydantic import BeforeValidator

from bridge.config.base import refuse
from rules.errors import RulesError
from rules.shows.calendar_types import Anchor, Moment
from rules.shows.moments import parse_date, parse_evening, parse_moment, parse_month_day, parse_weekday


def _by(parse: Callable[[object], Any]) -> BeforeValidator:
    """A validator from a parser of the rules; in the file it is text."""

    def validate(value: object) -> object:
        try:
            return parse(value)
        except RulesError as error:
            return refuse(str(error))

    return BeforeValidator(validate, json_schema_input_type=str)


def _clock(value: object) -> time:
    moment = parse_moment(value)
    if moment.anchor is not Anchor.CLOCK or moment.clock is None:
        raise RulesError("this is not a time of day; write hours and minutes, for example 22:30")
    return moment.clock


def _weekdays(value: object) -> frozenset[int]:
    words = value if isinstance(value, list) else [value]
    days: set[int] = set()
    for word in words:
        first, dash, last = word.partition("-") if isinstance(word, str) else (word, "", "")
        start = parse_weekday(first)
        span = (parse_weekday(last) - start) % 7 if dash else 0
        days.update((start + step) % 7 for step in range(span + 1))
    if not days:
        raise RulesError("no weekday is named; write for example fri, [fri, sat] or mon-thu")
    return frozenset(days)


DayTime = Annotated[Moment, _by(parse_moment)]
"""``22:30`` or ``sunset - 15 min``."""
Clock = Annotated[time, _by(_clock)]
"""``22:30``."""
MonthDay = Annotated[tuple[int, int], _by(parse_month_day)]
"""``11-28``: month and day, every year."""
Evening = Annotated[date | tuple[int, int], _by(parse_evening)]
"""``12-24`` of every year or ``2026-12-24`` of one."""
Date = Annotated[date, _by(parse_date)]
"""``2026-12-24``."""
Weekdays = Annotated[frozenset[int], _by(_weekdays)]
"""``fri``, ``[fri, sat]`` or ``mon-thu``; 0 is Monday."""
