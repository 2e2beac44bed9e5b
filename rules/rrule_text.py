"""The text of an RFC 5545 recurrence rule → its parts, checked (section 3.3.10).

The recurrence library takes much that is no rule without a word (an interval of 0 never ends), so the
parts are checked before it sees them.
"""

import re

from rules.errors import RulesError

FREQUENCIES = ("SECONDLY", "MINUTELY", "HOURLY", "DAILY", "WEEKLY", "MONTHLY", "YEARLY")
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
