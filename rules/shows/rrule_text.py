"""The text of an RFC 5545 recurrence rule → its parts, checked (section 3.3.10).

The recurrence library takes much that is no rule without a word (an interval of 0 never ends), so the
parts are checked before it sees them.
"""

import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from functools import lru_cache
from math import lcm

from rules.errors import RulesError

FREQUENCIES = ("SECONDLY", "MINUTELY", "HOURLY", "DAILY", "WEEKLY", "MONTHLY", "YEARLY")
UNITS_S = {"SECONDLY": 1, "MINUTELY": 60, "HOURLY": 3600, "DAILY": 86400, "WEEKLY": 7 * 86400}
"""Seconds of the frequencies that are of one length on the wall clock."""
_LONGEST_STEP_S = 36525 * 86400
_NEAR_THE_END = datetime(9900, 1, 1)  # noqa: DTZ001  # a wall-clock time
CLOCK_PARTS = ("BYHOUR", "BYMINUTE", "BYSECOND")
_WEEKDAY = re.compile(r"([+-]?\d{1,2})?(MO|TU|WE|TH|FR|SA|SU)", re.ASCII)
_NUMBER = re.compile(r"[+-]?\d{1,3}", re.ASCII)
_RANGES: dict[str, tuple[int, int, bool]] = {
    "BYSECOND": (0, 59, False),
    "BYMINUTE": (0, 59, False),
    "BYHOUR": (0, 23, False),
    "BYMONTH": (1, 12, False),
    "BYMONTHDAY": (1, 31, True),
    "BYYEARDAY": (1, 366, True),
    "BYWEEKNO": (1, 53, True),
    "BYSETPOS": (1, 366, True),
}
"""Least and greatest value, and whether it may be counted from the end with a minus."""
_NAMES = frozenset({"FREQ", "INTERVAL", "COUNT", "UNTIL", "WKST", "BYDAY"} | _RANGES.keys())
_HINT = "write a rule of RFC 5545 such as FREQ=WEEKLY;BYDAY=FR,SA"


def read_parts(rule: str) -> dict[str, str]:
    """The parts by upper-case name. UNTIL is not looked into. Raises RulesError, one clause."""
    parts: dict[str, str] = {}
    for part in rule.strip().upper().removeprefix("RRULE:").rstrip(";").split(";"):
        name, _, value = (word.strip() for word in part.partition("="))
        if name in parts:
            raise RulesError(f"the rule {rule!r} names {name} twice")
        if name not in _NAMES or not value:
            raise RulesError(f"the rule {rule!r} can't be used because of {part!r}; {_HINT}")
        parts[name] = value
    if parts.get("FREQ") not in FREQUENCIES:
        raise RulesError(f"the rule {rule!r} has no FREQ that is known; {_HINT}")
    for name in parts.keys() & {"INTERVAL", "COUNT"}:
        if not re.fullmatch(r"0*[1-9]\d{0,8}", parts[name], re.ASCII):
            raise RulesError(f"the rule {rule!r} needs a whole number above 0 as {name}")
    if {"COUNT", "UNTIL"} <= parts.keys():
        raise RulesError(f"the rule {rule!r} may have COUNT or UNTIL, not both")
    _check_days(rule, parts)
    for name in parts.keys() & _RANGES.keys():
        least, greatest, from_end = _RANGES[name]
        for word in parts[name].split(","):
            number = int(word) if _NUMBER.fullmatch(word) else -1000
            if not least <= (abs(number) if from_end else number) <= greatest:
                raise RulesError(
                    f"the rule {rule!r} has {word!r} in {name}, which goes from {least} to {greatest}"
                )
    return parts


def _check_days(rule: str, parts: dict[str, str]) -> None:
    for word in parts.get("BYDAY", "MO").split(","):
        match = _WEEKDAY.fullmatch(word)
        if match is None or (match[1] and not 1 <= abs(int(match[1])) <= 53):
            raise RulesError(
                f"the rule {rule!r} has {word!r} in BYDAY; write FR, or 1FR for the first Friday"
            )
        if match[1] and parts["FREQ"] not in ("MONTHLY", "YEARLY"):
            raise RulesError(
                f"the rule {rule!r} counts weekdays ({word}), which needs FREQ=MONTHLY or YEARLY"
            )
    if parts.get("WKST", "MO") not in ("MO", "TU", "WE", "TH", "FR", "SA", "SU"):
        raise RulesError(f"the rule {rule!r} needs a weekday such as MO as WKST")


def step_of(parts: dict[str, str]) -> timedelta | None:
    """A start moved on by multiples of this gives the same times from there; None: not known."""
    unit_s = UNITS_S.get(parts["FREQ"])
    if unit_s is None:
        return None
    step_s = lcm(unit_s * int(parts.get("INTERVAL", "1")), 86400)
    return timedelta(seconds=step_s) if step_s <= _LONGEST_STEP_S else None


@lru_cache(maxsize=1024)
def _ever_matches(text: str, start: datetime, step: timedelta | None) -> bool:
    """Whether a rule without COUNT and UNTIL gives any time at all.

    dateutil looks at UNTIL only when it has found a time, so a rule for 30 February would be followed to
    the year 9999 at every question. So the question is put once, from a start moved near that end.
    """
    from dateutil.rrule import rrulestr  # noqa: PLC0415  # only sites with a rule pay for the import

    if step is not None:
        start += max(0, (_NEAR_THE_END - start) // step) * step
    else:  # the calendar repeats every 400 years
        start = start.replace(year=start.year + max(0, (_NEAR_THE_END.year - start.year) // 400) * 400)
    return next(iter(rrulestr(text, dtstart=start)), None) is not None


def follow(
    text: str, start: datetime, first: datetime, last: datetime, step: timedelta | None
) -> Iterator[datetime]:
    """The wall-clock times of a rule without COUNT and UNTIL from `first` to `last`, both inclusive.

    step: as `step_of` says; an old rule is then not followed from its start. Raises ValueError for a bad
    rule.
    """
    from dateutil.rrule import rrulestr  # noqa: PLC0415  # only sites with a rule pay for the import

    if not _ever_matches(text, start, step):
        return
    if step is not None and first > start:
        start += max(0, (first - start) // step - 1) * step
    if last >= start:
        for wall in rrulestr(f"{text};UNTIL={last:%Y%m%dT%H%M%S}", dtstart=start):
            if wall >= first:
                yield wall
