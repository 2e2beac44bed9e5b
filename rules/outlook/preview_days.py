"""What a preview comes to: days, power-hours, expected energy, shared ports, clock changes."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from typing import NamedTuple

from rules.electrics.load import port_loads
from rules.outlook.preview import Preview, Run
from rules.outlook.season import without_sun
from rules.plan import SitePlan
from rules.ports import PortId
from rules.shows.schedule import local_time, zone

_DAY = timedelta(days=1)


class Energy(NamedTuple):
    """Energy at the wall [Wh]: as typical show content draws it, and with everything white all the time."""

    typical_wh: float = 0.0
    most_wh: float = 0.0

    def plus(self, other: "Energy") -> "Energy":
        """The sum."""
        return Energy(self.typical_wh + other.typical_wh, self.most_wh + other.most_wh)


@dataclass(frozen=True, slots=True)
class PortSum:
    """A port over the whole preview: hours with power and energy (None: its load is not known)."""

    hours_h: float
    energy: Energy | None


@dataclass(frozen=True, slots=True)
class Shared:
    """Shows that need the same ports at the same time. It is no fault: the ports have power for both."""

    shows: tuple[str, ...]
    ports: tuple[PortId, ...]
    start_utc: datetime
    end_utc: datetime


@dataclass(frozen=True, slots=True)
class Day:
    """A local day, midnight to midnight; runs belong to the day they start on, hours to the day they pass.

    going_on: runs of earlier days that last beyond this day's noon.
    """

    date: date
    runs: tuple[Run, ...]
    going_on: tuple[Run, ...]
    port_hours_h: float
    energy: Energy
    notes: tuple[str, ...]


def port_energy(plan: SitePlan, hours_h: dict[PortId, float]) -> dict[PortId, Energy | None]:
    """Energy at the wall of every port for its hours with power."""
    loads = port_loads(plan)
    found: dict[PortId, Energy | None] = {}
    for port_id, hours in hours_h.items():
        load = loads[port_id]
        if load.expected is None or load.volts is None:
            found[port_id] = None
        else:
            wall_v = load.volts / plan.efficiency_of(load.port)
            expected = load.expected
            found[port_id] = Energy(expected.typical_a * wall_v * hours, expected.full_a * wall_v * hours)
    return found


def port_sums(preview: Preview) -> dict[PortId, PortSum]:
    """Every port's hours and energy, in plan order."""
    hours = {
        port: sum((end - start).total_seconds() for start, end in fate.powered(preview.end_utc)) / 3600
        for port, fate in preview.fate_of().items()
    }
    energy = port_energy(preview.plan, hours)
    return {port: PortSum(hours[port], energy[port]) for port in hours}


def total(sums: dict[PortId, PortSum]) -> tuple[float, Energy, int]:
    """Port-hours, energy of the ports whose load is known, and how many are not."""
    energy = Energy()
    for one in sums.values():
        energy = energy.plus(one.energy or Energy())
    unknown = sum(one.energy is None for one in sums.values())
    return sum(one.hours_h for one in sums.values()), energy, unknown


def groups(site: SitePlan) -> list[tuple[str, tuple[PortId, ...]]]:
    """Props in plan order, then ports of no prop, each with its name and ports."""
    found = [(prop.name, prop.fed_by) for prop in site.props.values()]
    of_prop = {port for _, ports in found for port in ports}
    found += [(port.name, (port.id,)) for port in site.ports.values() if port.id not in of_prop]
    return found


def days(preview: Preview) -> list[Day]:
    """The local days of the preview."""
    plan = preview.plan
    site = zone(plan.place)
    edges = [preview.start_utc]
    day = preview.start_utc.astimezone(site).date()
    while edges[-1] < preview.end_utc:
        day += _DAY
        edges.append(min(datetime.combine(day, time(), site).astimezone(UTC), preview.end_utc))
    hours = [0.0] * (len(edges) - 1)
    energy = [Energy()] * (len(edges) - 1)
    one_hour = port_energy(plan, dict.fromkeys(plan.ports, 1.0))
    for fate in preview.fates:
        per_hour = Energy()
        for port in fate.ports:
            per_hour = per_hour.plus(one_hour[port] or Energy())
        for start, end in fate.powered(preview.end_utc):
            for place, (first, last) in enumerate(pairwise(edges)):
                passed_h = (min(end, last) - max(start, first)).total_seconds() / 3600
                if passed_h > 0:
                    hours[place] += passed_h * len(fate.ports)
                    energy[place] = energy[place].plus(Energy(*(passed_h * value for value in per_hour)))
    notes = _notes(preview)
    found = []
    for place, (first, last) in enumerate(pairwise(edges)):
        local = first.astimezone(site).date()
        runs = tuple(
            run
            for run in preview.runs
            if first <= run.start_utc < last or (not place and run.start_utc < first)
        )
        noon = datetime.combine(local, time(12), site).astimezone(UTC)
        going_on = tuple(
            run for run in preview.runs if run not in runs and run.start_utc < first and run.end_utc > noon
        )
        found.append(Day(local, runs, going_on, hours[place], energy[place], tuple(notes.get(local, ()))))
    return found


def shared(preview: Preview) -> list[Shared]:
    """Where shows that run together need the same ports, in order of time."""
    needs = {show.id: set(show.needs) for show in preview.plan.shows}
    edges = sorted({edge for run in preview.runs for edge in (run.on_utc, run.off_utc)})
    found: list[Shared] = []
    running: list[Run] = []
    runs = sorted(preview.runs, key=lambda run: run.on_utc, reverse=True)
    for start, end in pairwise(edges):
        running = [run for run in running if run.off_utc > start]
        while runs and runs[-1].on_utc <= start:
            running.append(runs.pop())
        shows = [show.id for show in preview.plan.shows if any(run.show == show.id for run in running)]
        counts: dict[PortId, int] = {}
        for show_id in shows:
            for port in needs[show_id]:
                counts[port] = counts.get(port, 0) + 1
        ports = tuple(port for port in preview.plan.ports if counts.get(port, 0) > 1)
        if not ports:
            continue
        names = tuple(show_id for show_id in shows if not needs[show_id].isdisjoint(ports))
        last = found[-1] if found else None
        if last is not None and (last.shows, last.ports, last.end_utc) == (names, ports, start):
            found[-1] = Shared(names, ports, last.start_utc, end)
        else:
            found.append(Shared(names, ports, start, end))
    return found


def clock_changes(plan: SitePlan, start_utc: datetime, end_utc: datetime) -> Iterator[tuple[datetime, str]]:
    """The instants in [start_utc, end_utc) at which the site's clocks change, each with a sentence."""
    site = zone(plan.place)
    instant = start_utc
    while instant < end_utc:
        following = min(instant + _DAY, end_utc)
        before, after = instant.astimezone(site).utcoffset(), following.astimezone(site).utcoffset()
        if before is not None and after is not None and before != after:
            low, high = instant, following
            while high - low > timedelta(seconds=1):
                middle = low + (high - low) / 2
                low, high = (low, middle) if middle.astimezone(site).utcoffset() != before else (middle, high)
            change = (high + timedelta(seconds=0.5)).replace(microsecond=0)
            minutes = abs((after - before).total_seconds()) / 60
            at = (change + before).strftime("%H:%M")
            way = "forward" if after > before else "back"
            yield change, f"Clocks go {way} {minutes:g} min at {at}."
        instant = following


def _notes(preview: Preview) -> dict[date, list[str]]:
    """What is worth a word on a day."""
    plan = preview.plan
    site = zone(plan.place)
    names = {show.id: show.name for show in plan.shows}
    notes: dict[date, list[str]] = {}
    for change, words in clock_changes(plan, preview.start_utc, preview.end_utc):
        notes.setdefault(change.astimezone(site).date(), []).append(words)
    for show in plan.shows:
        for missed in without_sun(plan, show, preview.start_utc, preview.end_utc):
            notes.setdefault(missed.day, []).append(f"{show.name}: {missed.what}")
    for both in shared(preview):
        words = (
            f"{' and '.join(names[show] for show in both.shows)} share {_ports(len(both.ports))} "
            f"{local_time(plan.place, both.start_utc)} to {local_time(plan.place, both.end_utc)}."
        )
        notes.setdefault(both.start_utc.astimezone(site).date(), []).append(words)
    over: dict[tuple[date, str], list[str]] = {}
    for one in preview.over_budget:
        day = one.start_utc.astimezone(site).date()
        times = f"{local_time(plan.place, one.start_utc)} to {local_time(plan.place, one.end_utc)}"
        over.setdefault((day, times), []).append(one.supply)
    for (day, times), supplies in over.items():
        more = f" and {len(supplies) - 3} more" if len(supplies) > 3 else ""
        notes.setdefault(day, []).append(f"Over budget: supply {', '.join(supplies[:3])}{more}, {times}.")
    return notes


def _ports(count: int) -> str:
    return "1 port" if count == 1 else f"{count} ports"
