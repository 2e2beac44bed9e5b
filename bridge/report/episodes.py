"""Faults as people mean them: from when to when, made of the alarm records of the history. Pure.

An alarm is recorded at each change of its state. An episode begins when it is raised and ends when its
condition has gone and nothing more is asked of anybody; being acknowledged, shelved or suppressed in between
changes nothing of that.
"""

from bisect import bisect_left
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from bridge.history.store_read import Event
from bridge.history.store_write import RAISED
from rules.ports import Condition, PortId

OVER = frozenset({"normal", "returned"})
SEEN = frozenset({"acknowledged", "latched-acknowledged"})
RESUMES_WITHIN = timedelta(minutes=5)
"""An alarm raised again this soon after a restart is the one from before it."""
NOON_H = 12


@dataclass(frozen=True, slots=True)
class Episode:
    """One fault. until_utc: None while it lasts; event: the id whose readings `StoreReader.around` keeps.

    measured, limit: in the condition's own unit, None where nothing was measured.
    """

    target_kind: str
    target_id: str
    condition: Condition
    since_utc: datetime
    event: int
    until_utc: datetime | None = None
    acknowledged_utc: datetime | None = None
    measured: float | None = None
    limit: float | None = None

    def lasted(self, end_utc: datetime) -> timedelta:
        """How long it lasted, up to `end_utc` where it goes on."""
        return max(timedelta(0), (self.until_utc or end_utc) - self.since_utc)


@dataclass(frozen=True, slots=True)
class Pause:
    """The bridge itself did not run: nothing is known of these hours. clean: it was stopped, not killed."""

    since_utc: datetime
    until_utc: datetime
    clean: bool


def episodes(events: Iterable[Event]) -> list[Episode]:
    """Alarm records (and ``started`` ones) in order of time → episodes by their beginning."""
    active: dict[tuple[str, str, str], Episode] = {}
    broken: dict[tuple[str, str, str], tuple[Episode, datetime]] = {}
    done: list[Episode] = []
    known = set(Condition)
    for event in events:
        if event.kind == "started":
            last_utc = _last(event)
            # Whether they went on, only the next records tell.
            broken |= {
                key: (replace(one, until_utc=max(one.since_utc, last_utc)), event.at_utc)
                for key, one in active.items()
            }
            active.clear()
            continue
        if event.kind != "alarm" or event.data.get("condition") not in known:
            continue
        state, key = event.data.get("state"), (event.target_kind, event.target_id, event.data["condition"])
        before, restarted_utc = broken.pop(key, (None, event.at_utc))
        if before is not None:
            if event.at_utc - restarted_utc <= RESUMES_WITHIN:
                active[key] = replace(before, until_utc=None)
            else:
                done.append(before)
        if state in RAISED and key not in active:
            active[key] = Episode(
                event.target_kind,
                event.target_id,
                Condition(event.data["condition"]),
                event.at_utc,
                event.id,
                measured=event.data.get("measured"),
                limit=event.data.get("limit"),
            )
        elif key in active and state in OVER:
            done.append(replace(active.pop(key), until_utc=event.at_utc))
        elif key in active and state in SEEN and active[key].acknowledged_utc is None:
            active[key] = replace(active[key], acknowledged_utc=event.at_utc)
    done += [one for one, _ in broken.values()]
    return sorted((*done, *active.values()), key=lambda one: (one.since_utc, one.event))


def _last(event: Event) -> datetime:
    """The newest word before a start; the start itself where none is known."""
    try:
        return min(event.at_utc, datetime.fromisoformat(event.data["last"]))
    except (KeyError, TypeError, ValueError):
        return event.at_utc


def pauses(events: Iterable[Event]) -> list[Pause]:
    """When the bridge did not run, from its ``started`` and ``stopped`` records."""
    found = []
    stopped_utc: datetime | None = None
    for event in events:
        if event.kind == "stopped":
            stopped_utc = event.at_utc
        elif event.kind == "started":
            since_utc = stopped_utc or _last(event)
            if since_utc < event.at_utc:
                found.append(Pause(since_utc, event.at_utc, stopped_utc is not None))
            stopped_utc = None
    return found


@dataclass(frozen=True, slots=True)
class Reached:
    """How long a controller answered: watched and lost time [s], how often it was lost."""

    watched_s: float
    lost_s: float
    times: int

    @property
    def share(self) -> float | None:
        """Answered time / watched time, 0 to 1; None where nothing was watched."""
        return None if self.watched_s <= 0.0 else max(0.0, 1.0 - self.lost_s / self.watched_s)


def reached(
    controller: str,
    found: Iterable[Episode],
    not_running: Sequence[Pause],
    since_utc: datetime,
    until_utc: datetime,
) -> Reached:
    """Availability of one controller from its `no-data` episodes; time without the bridge does not count."""
    own = [
        one
        for one in found
        if one.condition is Condition.NO_DATA
        and one.target_kind == "controller"
        and one.target_id == controller
    ]
    asleep = [(one.since_utc, one.until_utc) for one in not_running]
    watched_s = (until_utc - since_utc).total_seconds() - _overlap_s(since_utc, until_utc, asleep)
    lost_s, times = 0.0, 0
    for one in own:
        start_utc, end_utc = max(since_utc, one.since_utc), min(until_utc, one.until_utc or until_utc)
        if end_utc > start_utc:
            lost_s += (end_utc - start_utc).total_seconds() - _overlap_s(start_utc, end_utc, asleep)
            times += 1
    return Reached(watched_s, lost_s, times)


def _overlap_s(since_utc: datetime, until_utc: datetime, spans: Iterable[tuple[datetime, datetime]]) -> float:
    return sum(
        max(0.0, (min(until_utc, end_utc) - max(since_utc, start_utc)).total_seconds())
        for start_utc, end_utc in spans
    )


# ---------------------------------------------------------------- patterns

AFTER_ON = (
    ("<10 s", 10.0),
    ("<1 min", 60.0),
    ("<5 min", 300.0),
    ("<30 min", 1800.0),
    ("<2 h", 7200.0),
    ("later", float("inf")),
)
"""Stretches after power came on, and where each ends [s]."""


def night_of(at_utc: datetime, zone: ZoneInfo) -> date:
    """The evening an instant belongs to: nights run from noon to noon."""
    return (at_utc.astimezone(zone) - timedelta(hours=NOON_H)).date()


def by_hour(found: Iterable[Episode], zone: ZoneInfo) -> list[int]:
    """How many began in each local hour, from noon on (24 numbers)."""
    counts = Counter((one.since_utc.astimezone(zone).hour - NOON_H) % 24 for one in found)
    return [counts[hour] for hour in range(24)]


def after_on_s(one: Episode, switchings: Sequence[tuple[datetime, bool]]) -> float | None:
    """Seconds from the port's last switching on to the fault; None where it was off or nothing is known."""
    # What was commanded at the same instant answered the fault.
    at = bisect_left(switchings, one.since_utc, key=lambda given: given[0])
    if at == 0 or not switchings[at - 1][1]:
        return None
    return (one.since_utc - switchings[at - 1][0]).total_seconds()


def by_time_after_on(
    found: Iterable[Episode], switchings: Mapping[PortId, Sequence[tuple[datetime, bool]]]
) -> tuple[list[int], int]:
    """How many began in each stretch of `AFTER_ON`, and how many while off or at an unknown time."""
    counts, unknown = [0] * len(AFTER_ON), 0
    for one in found:
        passed_s = after_on_s(one, switchings.get(PortId(one.target_id), ()))
        if passed_s is None:
            unknown += 1
        else:
            counts[next(at for at, (_, end_s) in enumerate(AFTER_ON) if passed_s < end_s)] += 1
    return counts, unknown


WET = frozenset({Condition.LEAKAGE, Condition.FUSE_TRIP, Condition.OVERCURRENT, Condition.LOCKOUT})
"""Faults that water brings (common practice)."""
MANY_PORTS = 3


def nights_like_weather(found: Iterable[Episode], zone: ZoneInfo) -> dict[date, tuple[str, ...]]:
    """Nights on which `MANY_PORTS` or more ports had a fault that water brings, and which ports."""
    nights: dict[date, set[str]] = {}
    for one in found:
        if one.condition in WET and one.target_kind == "port":
            nights.setdefault(night_of(one.since_utc, zone), set()).add(one.target_id)
    return {
        night: tuple(sorted(ports)) for night, ports in sorted(nights.items()) if len(ports) >= MANY_PORTS
    }
