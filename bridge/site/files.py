"""Files a running site reads: calendars, as events, and what changes when a file is written."""

from collections.abc import Iterable
from pathlib import Path

from rules.door import CalendarLoaded
from rules.plan import SitePlan
from rules.shows.calendar_types import Ics

Stamp = tuple[int, int] | None
"""When a file was written [ns] and its size [bytes]; None where there is none."""


WATCH_FILES_S = 2.0
"""Configuration, wording and calendar files are looked at this often [s]."""


def calendars(plan: SitePlan) -> list[str]:
    """The calendar files of a plan."""
    return sorted({when.name for show in plan.shows for when in show.when if isinstance(when, Ics)})


def read_calendars(plan: SitePlan) -> list[CalendarLoaded]:
    """The calendar files of a plan, or why one can't be read."""
    events = []
    for name in calendars(plan):
        try:
            events.append(CalendarLoaded(name, Path(name).read_bytes()))
        except OSError as error:
            problem = f"{Path(name).name} can't be read: {error.strerror}"
            events.append(CalendarLoaded(name, None, problem))
    return events


def stamps(paths: Iterable[str]) -> dict[str, Stamp]:
    """The files as they are now, by path."""
    return {path: _stamp(path) for path in paths}


def _stamp(path: str) -> Stamp:
    try:
        found = Path(path).stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size
