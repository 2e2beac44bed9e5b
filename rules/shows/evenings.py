"""Which evenings an RFC 5545 recurrence rule picks."""

from datetime import date, datetime, time
from functools import lru_cache
from itertools import islice

from rules.errors import RulesError
from rules.shows.rrule_text import CLOCK_PARTS, follow, read_parts, step_of

_DAYS = ("DAILY", "WEEKLY", "MONTHLY", "YEARLY")


def rule_picks(rule: str, rule_start: date | None, day: date) -> bool:
    """Whether a rule picks a day. Raises RulesError for a rule that can't be used."""
    return day in _picked(rule, rule_start, day.year)


def check_rule(rule: str, rule_start: date | None = None) -> None:
    """Raises RulesError, one sentence, for a rule that can't be used."""
    _picked(rule, rule_start, (rule_start or date(2000, 1, 1)).year)


def _evening_parts(rule: str, rule_start: date | None) -> dict[str, str]:
    """The parts of a rule that picks days."""
    try:
        parts = read_parts(rule)
    except RulesError as error:
        raise RulesError(f"{str(error)[0].upper()}{str(error)[1:]}.") from error
    if parts["FREQ"] not in _DAYS or parts.keys() & set(CLOCK_PARTS):
        raise RulesError(
            f"The rule {rule!r} must pick evenings: FREQ is DAILY, WEEKLY, MONTHLY or YEARLY, and the times "
            "of day come from the window."
        )
    names_days = parts["FREQ"] == "DAILY" or bool(parts.keys() & {"BYDAY", "BYMONTHDAY", "BYYEARDAY"})
    if rule_start is None and (not names_days or "COUNT" in parts or int(parts.get("INTERVAL", "1")) != 1):
        raise RulesError(
            f"The rule {rule!r} counts from a first evening: say which as its start, or name the days with "
            "BYDAY or BYMONTHDAY and leave COUNT and INTERVAL out."
        )
    return parts


def _until(parts: dict[str, str], rule: str) -> date:
    text = parts.pop("UNTIL", None)
    if text is None:
        return date.max
    try:
        return datetime.strptime(text, "%Y%m%d").date()  # noqa: DTZ007  # a day, no instant
    except ValueError as error:
        raise RulesError(f"The rule {rule!r} needs a day as UNTIL, as in UNTIL=20270106.") from error


@lru_cache(maxsize=1024)
def _picked(rule: str, rule_start: date | None, year: int) -> frozenset[date]:
    """All picked days of one year."""
    parts = _evening_parts(rule, rule_start)
    last = min(_until(parts, rule), date(year, 12, 31))
    count = int(parts.pop("COUNT")) if "COUNT" in parts else None
    begin = rule_start or date(year, 1, 1)
    text = ";".join(f"{name}={value}" for name, value in parts.items())
    start = datetime.combine(begin, time())
    first = start if count is not None else max(start, datetime(year, 1, 1))  # noqa: DTZ001  # days
    found = follow(text, start, first, datetime.combine(last, time()), step_of(parts))
    try:
        return frozenset(pick.date() for pick in islice(found, count) if pick.year == year)
    except ValueError as error:
        raise RulesError(f"The rule {rule!r} can't be read: {error}.") from error
