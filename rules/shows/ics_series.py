"""A series with the changes of its occurrences → spans (RFC 5545, sections 3.8.4.4 and 3.8.5)."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta, tzinfo

from rules.shows.calendar_types import Span
from rules.shows.ics_events import Event, Length, Local

_DAY = timedelta(days=1)
_ZERO = timedelta()


@dataclass(frozen=True, slots=True)
class _Occurrence:
    start: Local
    length: Length
    title: str


class Series:
    """All events with one UID: the series itself, if it is in the file, and changes of its occurrences."""

    __slots__ = ("_following", "_master", "_reach", "_single", "_walls", "titles")

    def __init__(self, master: Event | None, changes: list[Event]) -> None:
        self._master = None if master is None or master.cancelled else master
        if master is not None and master.cancelled:
            changes = []  # cancelling a series cancels what was changed in it, too
        newest: dict[datetime | date, Event] = {}
        for change in sorted(changes, key=lambda one: one.rank):
            newest[_identity(change, master)] = change
        self._single = newest
        following = [change for change in newest.values() if change.and_future]
        self._following = sorted(
            ((_begins(change), change) for change in following), key=lambda pair: pair[0]
        )
        self._walls: dict[int, list[datetime]] = {}
        lengths = [event.length for event in (master, *changes) if event is not None]
        lengths += [length for event in (master, *changes) if event is not None for _, length in event.dates]
        shifts = [abs(change.start.utc - begins) for begins, change in self._following]
        self._reach = (
            max((length.at_most for length in lengths), default=_ZERO) + max(shifts, default=_ZERO) + _DAY
        )
        events = [event for event in (self._master, *newest.values()) if event is not None]
        self.titles = frozenset(event.summary for event in events if event.summary and not event.cancelled)

    def spans(self, start_utc: datetime, end_utc: datetime) -> Iterator[Span]:
        """The spans that intersect [start_utc, end_utc), in no order."""
        for found in self._occurrences(start_utc - self._reach, end_utc + self._reach):
            begin_utc, until_utc = found.start.utc, found.length.end_utc(found.start)
            if begin_utc < end_utc and start_utc < until_utc and begin_utc < until_utc:
                yield Span(begin_utc, until_utc, found.title)

    def _occurrences(self, first_utc: datetime, last_utc: datetime) -> Iterator[_Occurrence]:
        master = self._master
        if master is not None:
            excepted = _exceptions(master)
            for start, length in self._planned(master, first_utc, last_utc).values():
                if _names(start).isdisjoint(excepted) and _names(start).isdisjoint(self._single):
                    yield from self._as_changed(master, start, length)
        else:
            excepted = set()
        for identity, change in self._single.items():
            if not change.cancelled and identity not in excepted:
                title = change.summary if change.summary is not None or master is None else master.summary
                yield _Occurrence(change.start, change.length, title or "")

    def _as_changed(self, master: Event, start: Local, length: Length) -> Iterator[_Occurrence]:
        """An occurrence after the last change "this and future" that begins not later."""
        change = next((one for begins, one in reversed(self._following) if begins <= start.utc), None)
        if change is None:
            yield _Occurrence(start, length, master.summary or "")
        elif not change.cancelled:
            assert change.recurrence_id is not None
            moved = _wall_in(change.start, master.start.zone) - _wall_in(
                change.recurrence_id, master.start.zone
            )
            title = change.summary if change.summary is not None else master.summary
            yield _Occurrence(replace(start, wall=start.wall + moved), change.length, title or "")

    def _planned(
        self, master: Event, first_utc: datetime, last_utc: datetime
    ) -> dict[datetime, tuple[Local, Length]]:
        """What DTSTART, RRULE and RDATE give, by instant: duplicates are one."""
        planned: dict[datetime, tuple[Local, Length]] = {}
        if not master.rules or any(rule.reaches(master.start.wall) for rule in master.rules):
            planned[master.start.utc] = (master.start, master.length)
        in_zone = master.start.zone
        first, last = _naive(first_utc, in_zone), _naive(last_utc, in_zone)
        for year in self._years(master, first.year, last.year):
            for wall in self._walls[year]:
                if first <= wall <= last:
                    start = replace(master.start, wall=wall)
                    planned[start.utc] = (start, master.length)
        for start, length in master.dates:
            planned[start.utc] = (start, length)
        return planned

    def _years(self, master: Event, first: int, last: int) -> Iterator[int]:
        """The years in a range that have occurrences by rule; their times are kept in `_walls`."""
        if not master.rules:
            return
        ends = max(rule.last.year for rule in master.rules)
        for year in range(max(first, master.start.wall.year), min(last, ends) + 1):
            if year not in self._walls:
                begin, end = datetime(year, 1, 1), datetime(year, 12, 31, 23, 59, 59)  # noqa: DTZ001  # wall-clock times
                self._walls[year] = sorted({wall for rule in master.rules for wall in rule.walls(begin, end)})
            yield year


def _naive(instant_utc: datetime, in_zone: tzinfo) -> datetime:
    return instant_utc.astimezone(in_zone).replace(tzinfo=None, fold=0)


def _wall_in(local: Local, in_zone: tzinfo) -> datetime:
    return local.wall if local.zone is in_zone else _naive(local.utc, in_zone)


def _names(start: Local) -> set[datetime | date]:
    """What an exception or a change may call an occurrence: its instant, or its day."""
    return {start.utc, start.wall.date()}


def _name(local: Local, series: Event | None) -> datetime | date:
    """What an EXDATE or RECURRENCE-ID names; in a series of days always a day."""
    by_day = local.all_day or (series is not None and series.start.all_day)
    return local.wall.date() if by_day else local.utc


def _exceptions(master: Event) -> set[datetime | date]:
    return {_name(local, master) for local in master.exceptions}


def _identity(change: Event, master: Event | None) -> datetime | date:
    assert change.recurrence_id is not None
    return _name(change.recurrence_id, master)


def _begins(change: Event) -> datetime:
    local = change.recurrence_id
    assert local is not None
    return (
        replace(local, wall=datetime.combine(local.wall.date(), time())).utc if local.all_day else local.utc
    )
