"""Local wall-clock time and UTC, by one rule for nights on which clocks change.

A time that happens twice means the first of the two; a time that the clocks skip is read with the
offset in force before the jump (RFC 5545, section 3.3.5).
"""

from datetime import UTC, date, datetime, timedelta, tzinfo
from functools import lru_cache
from zoneinfo import ZoneInfo

from rules.errors import RulesError


@lru_cache(maxsize=256)
def zone(name: str) -> ZoneInfo:
    """The IANA time zone of that name. Raises RulesError where there is none."""
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError) as error:
        raise RulesError(
            f"There is no time zone {name!r}; write an IANA name such as Europe/Dublin."
        ) from error


def to_utc(local: datetime, in_zone: tzinfo) -> datetime:
    """A naive wall-clock time in a zone as an aware UTC datetime, by the rule above."""
    return local.replace(tzinfo=in_zone, fold=0).astimezone(UTC)


def exists(local: datetime, in_zone: tzinfo) -> bool:
    """Whether the clocks of the zone ever show this naive wall-clock time."""
    return to_utc(local, in_zone).astimezone(in_zone).replace(tzinfo=None, fold=0) == local


def local_day(instant_utc: datetime, in_zone: tzinfo) -> date:
    """The date on the zone's calendar at an instant."""
    return instant_utc.astimezone(in_zone).date()


def jump_utc(skipped: datetime, in_zone: tzinfo) -> datetime:
    """The instant at which the clocks jump over a naive wall-clock time that they never show."""
    # fold=1 reads it with the offset after the jump, which is the instant too early by what was skipped.
    early = skipped.replace(tzinfo=in_zone, fold=1).astimezone(UTC)
    late = to_utc(skipped, in_zone)
    before = early.astimezone(in_zone).utcoffset()
    while late - early > timedelta(seconds=1):
        middle = early + (late - early) / 2
        if middle.astimezone(in_zone).utcoffset() == before:
            early = middle
        else:
            late = middle
    return late.replace(microsecond=0)
