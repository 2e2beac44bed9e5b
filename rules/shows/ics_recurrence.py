"""RRULE of an event → wall-clock times (RFC 5545, section 3.3.10).

Rules are followed in local wall-clock time with dateutil. What that leaves to do is done here: a time
that the clocks skip is left out and not counted; UNTIL is compared as it was written (a day means all of
that day, a local time is local, a UTC time is UTC); and every rule has an end of its own, so that no
file can keep the rules busy.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo
from functools import lru_cache
from itertools import islice

from rules.errors import CalendarError, RulesError
from rules.shows.ics_lines import Property
from rules.shows.rrule_text import CLOCK_PARTS, UNITS_S, follow, read_parts, step_of
from rules.shows.zones import exists, to_utc

MOST_A_DAY = 96
"""A rule that gives more occurrences a day than this (one every 15 minutes) is refused, unless it gives
`MOST_COUNTED` or fewer in all."""
MOST_COUNTED = 1000
LONGEST_SEARCH = 100_000
"""A rule with COUNT is followed for this many of its intervals from its start (days: 270 years)."""

_DAY_S = 86400
_WITHIN_A_DAY = ("SECONDLY", "MINUTELY", "HOURLY")
_LAST = datetime(9000, 12, 31)  # noqa: DTZ001  # a wall-clock time


@dataclass(frozen=True, slots=True)
class Recurrence:
    """One rule of one event, in the wall-clock time of the event's zone.

    text: the rule without COUNT and UNTIL; a_day: its times a day at most; last: nothing is
    later; last_utc: UNTIL where it was a UTC time; step: as `rules.shows.rrule_text.step_of` says.
    """

    text: str
    start: datetime
    zone: tzinfo
    count: int | None
    last: datetime
    last_utc: datetime | None
    step: timedelta | None
    a_day: float

    def walls(self, first: datetime, last: datetime) -> list[datetime]:
        """The times of the rule from `first` to `last`, both inclusive."""
        if self.count is not None:
            return [wall for wall in _counted(self) if first <= wall <= last]
        return list(_follow(self, first, min(last, self.last)))

    def at_most(self, lasting: timedelta) -> float:
        """How many of its times can lie within `lasting`."""
        times = self.a_day * (lasting / timedelta(days=1))
        return times if self.count is None else min(times, self.count)

    def reaches(self, wall: datetime) -> bool:
        """Whether UNTIL allows a time."""
        return wall <= self.last and (self.last_utc is None or to_utc(wall, self.zone) <= self.last_utc)


@lru_cache(maxsize=512)
def _counted(rule: Recurrence) -> tuple[datetime, ...]:
    """All times of a rule with COUNT. The start is always the first, also where the rule misses it."""
    rest = (wall for wall in _follow(rule, rule.start, rule.last) if wall != rule.start)
    return (rule.start, *islice(rest, (rule.count or 1) - 1))


def _follow(rule: Recurrence, first: datetime, last: datetime) -> Iterator[datetime]:
    for wall in follow(rule.text, rule.start, first, last, rule.step):
        if rule.reaches(wall) and exists(wall, rule.zone):
            yield wall


def read_rule(found: Property, start: datetime, zone: tzinfo, *, all_day: bool) -> Recurrence:
    """The rule of an event that starts at a wall-clock time. Raises CalendarError, a clause."""
    try:
        parts = read_parts(found.value)
    except RulesError as error:
        raise CalendarError(str(error), found.line) from error
    if all_day:  # RFC 5545: these are ignored for a DTSTART that is a DATE
        parts = {name: value for name, value in parts.items() if name not in CLOCK_PARTS}
        if parts["FREQ"] in _WITHIN_A_DAY:
            raise CalendarError("an all-day event can't repeat by the hour", found.line)
    until, until_utc = _until(parts.pop("UNTIL", None), found, zone, all_day=all_day)
    count = int(parts.pop("COUNT")) if "COUNT" in parts else None
    often = _times_a_day(parts)
    if often > MOST_A_DAY and (count is None or count > MOST_COUNTED):
        raise CalendarError(
            f"it repeats up to {often:.0f} times a day; repeat at most {MOST_A_DAY} times a day", found.line
        )
    interval_s = UNITS_S.get(parts["FREQ"], _DAY_S) * int(parts.get("INTERVAL", "1"))
    if count is not None:
        days = min(interval_s * LONGEST_SEARCH // _DAY_S, (_LAST - start).days)
        until = min(until, start + timedelta(days=days))
    rule = Recurrence(
        text=";".join(f"{name}={value}" for name, value in parts.items()),
        start=start,
        zone=zone,
        count=count,
        last=min(until, _LAST),
        last_utc=until_utc,
        step=step_of(parts),
        a_day=often,
    )
    try:
        next(_follow(rule, start, start), None)
    except (ValueError, TypeError, LookupError) as error:
        raise CalendarError(f"the rule {found.value!r} can't be read ({error})", found.line) from error
    return rule


def _times_a_day(parts: dict[str, str]) -> float:
    """How many occurrences a day the rule gives at most."""
    often = 1.0
    if parts["FREQ"] in _WITHIN_A_DAY:
        often = _DAY_S / (UNITS_S[parts["FREQ"]] * int(parts.get("INTERVAL", "1")))
    finer = CLOCK_PARTS[{"SECONDLY": 3, "MINUTELY": 2, "HOURLY": 1}.get(parts["FREQ"], 0) :]
    for name in finer:
        often *= len(set(parts[name].split(","))) if name in parts else 1
    return often


def _until(
    text: str | None, found: Property, zone: tzinfo, *, all_day: bool
) -> tuple[datetime, datetime | None]:
    """UNTIL as the last wall-clock time, and as the last instant where it was given in UTC."""
    if text is None:
        return _LAST, None
    try:
        if len(text) == 8 or all_day:
            day = datetime.strptime(text[:8], "%Y%m%d")  # noqa: DTZ007  # a day, no instant
            return datetime.combine(day, time() if all_day else time(23, 59, 59)), None
        wall = datetime.strptime(text.removesuffix("Z"), "%Y%m%dT%H%M%S")  # noqa: DTZ007  # zone is beside it
        if not text.endswith("Z"):
            return wall, None
        instant = wall.replace(tzinfo=UTC)
        # A day of grace on the wall clock; the instant decides.
        return instant.astimezone(zone).replace(tzinfo=None, fold=0) + timedelta(days=1), instant
    except (ValueError, OverflowError) as error:
        raise CalendarError(
            f"UNTIL {text!r} is no time; write 20270106T220000Z or 20270106", found.line
        ) from error
