"""What a person writes for times of day, days of the year and weekdays → values.

Every refusal is a `RulesError` whose message says what would be right.
"""

import re
from datetime import date, time

from rules.errors import RulesError
from rules.shows.calendar_types import Anchor, Moment

LONGEST_OFFSET_S = 12 * 3600.0
"""An offset beyond this would belong to another day's sun [s]."""

_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}))?", re.ASCII)
_AMOUNT = re.compile(r"(\d+(?:\.\d+)?)\s*([a-z]+)\s*", re.ASCII)
_MONTH_DAY = re.compile(r"(\d{1,2})-(\d{1,2})", re.ASCII)
_DATE = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})", re.ASCII)

_UNIT_S = {
    **dict.fromkeys(("h", "hour", "hours"), 3600.0),
    **dict.fromkeys(("min", "minute", "minutes"), 60.0),
    **dict.fromkeys(("s", "second", "seconds"), 1.0),
}
_SUN = {anchor.value: anchor for anchor in Anchor if anchor is not Anchor.CLOCK}
_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_LEAP_YEAR = 2024

_MOMENT_HINT = "write a time such as 22:30, or a sun event such as sunset - 15 min (also dawn, sunrise, dusk)"
_OFFSET_HINT = "write the offset as in sunset - 15 min or dusk + 1 h 10 min"
_CLOCK_HINT = "write hours 0 to 23 and minutes 00 to 59, as in 22:30"


def parse_moment(text: object, fallback: object = None) -> Moment:
    """A time of day: `22:30`, `6:05`, `sunset`, `sunset - 15 min`, `dusk + 1 h 10 min`.

    fallback: the wall-clock time for days on which the sun event does not happen. Raises RulesError.
    """
    if not isinstance(text, str):
        raise RulesError(f"{text!r} is no time of day: {_MOMENT_HINT}.")
    words = text.strip().casefold().replace("−", "-")
    match = re.match(r"[a-z]+", words)
    if match is None:
        if fallback is not None:
            raise RulesError(f"{text!r} is a clock time and needs no fallback; leave the fallback out.")
        return Moment(Anchor.CLOCK, _clock(text))
    anchor = _SUN.get(match[0])
    if anchor is None:
        raise RulesError(f"{text!r} is no time of day: {_MOMENT_HINT}.")
    offset_s = _offset_s(words[match.end() :].strip(), text)
    return Moment(anchor, None, offset_s, None if fallback is None else _clock(fallback))


def _clock(text: object) -> time:
    match = _CLOCK.fullmatch(text.strip()) if isinstance(text, str) else None
    if match is None:
        raise RulesError(f"{text!r} is no time of day: {_MOMENT_HINT}.")
    hour, minute, second = (int(part or 0) for part in match.groups())
    if hour == 24 and not minute and not second:
        raise RulesError(f"{text!r}: write midnight as 00:00; an end at 00:00 is the end of that evening.")
    try:
        return time(hour, minute, second)
    except ValueError as error:
        raise RulesError(f"{text!r} is no time of day: {_CLOCK_HINT}.") from error


def _offset_s(words: str, text: str) -> float:
    if not words:
        return 0.0
    if words[0] not in "+-":
        raise RulesError(f"{text!r}: {_OFFSET_HINT}.")
    total_s, rest, used = 0.0, words[1:].strip(), set[float]()
    if not rest:
        raise RulesError(f"{text!r} lacks an amount after {words[0]!r}: {_OFFSET_HINT}.")
    while rest:
        match = _AMOUNT.match(rest)
        unit_s = _UNIT_S.get(match[2]) if match else None
        if match is None or unit_s is None:
            raise RulesError(f"{text!r}: {_OFFSET_HINT}; the units are h, min and s.")
        if unit_s in used:
            raise RulesError(f"{text!r} names a unit twice: {_OFFSET_HINT}.")
        used.add(unit_s)
        total_s += float(match[1]) * unit_s
        rest = rest[match.end() :]
    if total_s > LONGEST_OFFSET_S:
        raise RulesError(f"{text!r} is more than 12 h from the sun event; use a clock time instead.")
    return -total_s if words[0] == "-" else total_s


def parse_month_day(text: object) -> tuple[int, int]:
    """A day of every year, `11-28` (month-day) → (11, 28). 02-29 is allowed. Raises RulesError."""
    match = _MONTH_DAY.fullmatch(text.strip()) if isinstance(text, str) else None
    if match is None:
        raise RulesError(f"{text!r} is no day of the year: write month-day, as in 11-28.")
    month, day = int(match[1]), int(match[2])
    try:
        date(_LEAP_YEAR, month, day)
    except ValueError as error:
        raise RulesError(
            f"{text!r} is no day of the year: write month-day, as in 11-28 for 28 November."
        ) from error
    return month, day


def parse_date(text: object) -> date:
    """A day of one year, `2026-12-24`. Raises RulesError."""
    match = _DATE.fullmatch(text.strip()) if isinstance(text, str) else None
    if match is not None:
        try:
            return date(int(match[1]), int(match[2]), int(match[3]))
        except ValueError:
            pass  # said below: the digits have the right form and name no day
    raise RulesError(f"{text!r} is no date: write year-month-day, as in 2026-12-24.")


def parse_evening(text: object) -> date | tuple[int, int]:
    """An exception: `12-24` of every year or `2026-12-24` of one. Raises RulesError."""
    if isinstance(text, str) and text.count("-") == 2:
        return parse_date(text)
    if isinstance(text, str) and _MONTH_DAY.fullmatch(text.strip()):
        return parse_month_day(text)
    raise RulesError(f"{text!r} is no evening: write 12-24 for every year or 2026-12-24 for one.")


def parse_weekday(text: object) -> int:
    """`friday` or `fri` → 4; Monday is 0. Raises RulesError."""
    word = text.strip().casefold() if isinstance(text, str) else ""
    for number, name in enumerate(_WEEKDAYS):
        if word in (name, name[:3]):
            return number
    raise RulesError(f"{text!r} is no weekday: write mon, tue, wed, thu, fri, sat or sun.")
