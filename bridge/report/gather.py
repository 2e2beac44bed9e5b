"""The history of a span as the numbers of its report.

Energy is counted at the ports' side of the supplies; at the wall it is estimated by each supply's efficiency.
Money is what the energy at the wall costs at the time it was taken. Days are local days, nights noon to noon.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from operator import add, mul
from typing import NamedTuple
from zoneinfo import ZoneInfo

from bridge.history.store_pack import DAY_MS, QUARTER_MS, QUARTERS, STEPS_PER_S, STEPS_PER_WH
from bridge.history.store_read import EnergyDay, StoreReader, to_utc
from bridge.report.curves import Curve, curves
from bridge.report.episodes import Episode, Pause, Reached, episodes, pauses, reached
from rules.cost.tariff import Band, Tariff, Used
from rules.plan import TYPICAL_EFFICIENCY, SitePlan
from rules.ports import SEVERITY, Condition, PortId, Severity

QUARTER = timedelta(milliseconds=QUARTER_MS)
CURVES = 12
"""Currents through an evening are drawn for this many ports unless others are asked for."""
GRAVITY = {Severity.HIGH: 9, Severity.MEDIUM: 3, Severity.LOW: 1}
"""How much a fault counts when ports are ordered by their faults."""


class Amount(NamedTuple):
    """Energy and saved energy [Wh] at the ports and at the wall, their cost, and time with power [s]."""

    energy_wh: float = 0.0
    wall_wh: float = 0.0
    cost: float = 0.0
    saved_wh: float = 0.0
    saved_wall_wh: float = 0.0
    saved_cost: float = 0.0
    powered_s: float = 0.0


class BandSum(NamedTuple):
    """What ran at one price; `band` None is the price outside all bands. Energy at the wall [Wh]."""

    band: Band | None
    price: float
    wall_wh: float
    cost: float
    saved_wall_wh: float
    saved_cost: float


@dataclass(frozen=True, slots=True)
class Season:
    """Everything a report says. Mappings are in the order to show."""

    plan: SitePlan
    since: date
    """First local day."""
    until: date
    """Last local day, included."""
    since_utc: datetime
    until_utc: datetime
    known: tuple[datetime, datetime]
    """First and last instant of the span that the history can know of."""
    total: Amount
    days: Mapping[date, Amount]
    shows: Mapping[str, Amount]
    """'' is what ran outside all shows, and what was saved between them."""
    ports: Mapping[PortId, Amount]
    bands: tuple[BandSum, ...]
    hours: Mapping[date, tuple[float, ...]]
    """Mean power at the ports [W] in each local hour of each day."""
    faults: tuple[Episode, ...]
    pauses: tuple[Pause, ...]
    controllers: Mapping[str, Reached]
    worst: tuple[tuple[PortId, tuple[Episode, ...]], ...]
    curves: tuple[Curve, ...]
    counters_wh: tuple[float, float]
    """The site's own counters of energy and saved energy, since counting began [Wh]."""
    efficiencies: Mapping[str, float] = field(default_factory=dict)
    """Of the supplies that feed ports; '' is what was taken for ports without one."""

    @property
    def tariff(self) -> Tariff | None:
        """What energy costs."""
        return self.plan.tariff


def span_utc(since: date, until: date, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """Local days, both included, as a half-open span of UTC."""
    start = datetime(since.year, since.month, since.day, tzinfo=zone)
    after = until + timedelta(days=1)
    return start.astimezone(UTC), datetime(after.year, after.month, after.day, tzinfo=zone).astimezone(UTC)


class _Sums:
    """Adds up rows of energy by everything the report tells apart. Numbers are in the file's steps."""

    def __init__(self, plan: SitePlan) -> None:
        self._zone = ZoneInfo(plan.place.timezone)
        self._tariff = plan.tariff
        self._share = {port.id: 1.0 / plan.efficiency_of(port) for port in plan.ports.values()}
        self._pieces: dict[int, list[tuple[date, int, int]]] = {}
        self._prices: dict[int, tuple[float, ...]] = {}
        self.days: dict[date, list[float]] = {}
        self.shows: dict[str, list[float]] = {}
        self.ports: dict[PortId, list[float]] = {}
        self.quarters: dict[tuple[int, float], list[list[int]]] = {}
        """Energy and saved of the site by quarter hour, by UTC day and wall share."""

    def take(self, row: EnergyDay) -> None:
        """One row: a port's energy in one show on one UTC day."""
        day, port, show, (energy, saved, powered) = row
        takes, saves = any(energy), any(saved)
        share = self._share.get(port, 1.0 / TYPICAL_EFFICIENCY)
        prices = self._prices_of(day)
        sums = self.quarters.setdefault((day, share), [[0] * QUARTERS, [0] * QUARTERS])
        if takes:
            sums[0] = list(map(add, sums[0], energy))
        if saves:
            sums[1] = list(map(add, sums[1], saved))
        cells = (self.shows.setdefault(show, [0.0] * 7), self.ports.setdefault(port, [0.0] * 7))
        for local, begin, end in self._pieces_of(day):
            amounts = [0.0] * 7
            if takes:
                part = energy[begin:end]
                amounts[0] = sum(part)
                amounts[1] = amounts[0] * share
                amounts[2] = sum(map(mul, part, prices[begin:end])) * share
            if saves:
                part = saved[begin:end]
                amounts[3] = sum(part)
                amounts[4] = amounts[3] * share
                amounts[5] = sum(map(mul, part, prices[begin:end])) * share
            amounts[6] = sum(powered[begin:end])
            for cell in (*cells, self.days.setdefault(local, [0.0] * 7)):
                cell[:] = map(add, cell, amounts)

    def _pieces_of(self, day: int) -> list[tuple[date, int, int]]:
        """A UTC day's quarter hours by the local day they lie in."""
        pieces = self._pieces.get(day)
        if pieces is None:
            pieces = []
            for quarter in range(QUARTERS):
                local = self._local(day, quarter).date()
                if pieces and pieces[-1][0] == local:
                    pieces[-1] = (local, pieces[-1][1], quarter + 1)
                else:
                    pieces.append((local, quarter, quarter + 1))
            self._pieces[day] = pieces
        return pieces

    def _local(self, day: int, quarter: int) -> datetime:
        return to_utc(day * DAY_MS + quarter * QUARTER_MS).astimezone(self._zone)

    def _prices_of(self, day: int) -> tuple[float, ...]:
        """Mean price of each quarter hour of a UTC day; zeros without a tariff."""
        prices = self._prices.get(day)
        if prices is None:
            starts = [to_utc(day * DAY_MS + quarter * QUARTER_MS) for quarter in range(QUARTERS)]
            prices = tuple(
                0.0
                if self._tariff is None
                else self._tariff.cost([Used(start_utc, start_utc + QUARTER, 1000.0)])
                for start_utc in starts
            )
            self._prices[day] = prices
        return prices

    def bands(self) -> tuple[BandSum, ...]:
        """What ran at each price of the tariff."""
        tariff = self._tariff
        if tariff is None:
            return ()
        sums: dict[Band | None, list[float]] = {band: [0.0] * 4 for band in (*tariff.bands, None)}
        for (day, share), columns in self.quarters.items():
            for at, column in enumerate(columns):
                used = (
                    Used(start_utc, start_utc + QUARTER, steps / STEPS_PER_WH * share)
                    for quarter, steps in enumerate(column)
                    if steps
                    for start_utc in (to_utc(day * DAY_MS + quarter * QUARTER_MS),)
                )
                for part in tariff.priced(used):
                    sums[part.band][2 * at] += part.energy_wh
                    sums[part.band][2 * at + 1] += part.cost
        return tuple(
            BandSum(band, tariff.price if band is None else band.price, *cell) for band, cell in sums.items()
        )

    def hours(self) -> dict[date, tuple[float, ...]]:
        """Mean power at the ports [W] by local day and hour."""
        watts: dict[date, list[float]] = {}
        for (day, _), (energy, _) in self.quarters.items():
            for quarter, steps in enumerate(energy):
                if steps:
                    local = self._local(day, quarter)
                    # An hour that clocks go through twice lasts two.
                    twice = local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
                    mean_w = steps / STEPS_PER_WH / (2.0 if twice else 1.0)
                    watts.setdefault(local.date(), [0.0] * 24)[local.hour] += mean_w
        return {local: tuple(row) for local, row in sorted(watts.items())}


def _amount(cell: Sequence[float]) -> Amount:
    energy, wall, cost, saved, saved_wall, saved_cost, powered = cell
    return Amount(
        energy / STEPS_PER_WH,
        wall / STEPS_PER_WH,
        cost / STEPS_PER_WH / 1000.0,
        saved / STEPS_PER_WH,
        saved_wall / STEPS_PER_WH,
        saved_cost / STEPS_PER_WH / 1000.0,
        powered / STEPS_PER_S,
    )


def total(amounts: Iterable[Amount]) -> Amount:
    """The sum of amounts."""
    return Amount(*(sum(values) for values in zip(Amount(), *amounts, strict=True)))


def gather(
    reader: StoreReader,
    plan: SitePlan,
    since: date,
    until: date,
    *,
    curves_of: Sequence[PortId] = (),
    night: date | None = None,
) -> Season:
    """Read local days `since` to `until` (included).

    curves_of: ports whose current is shown (default: those with faults, then the largest); night: the
    evening that is shown (default for each port: of its last fault, else its last one). Raises `StoreError`.
    """
    zone = ZoneInfo(plan.place.timezone)
    since_utc, until_utc = span_utc(since, until, zone)
    sums = _Sums(plan)
    for row in reader.energy_days(since_utc, until_utc):
        sums.take(row)
    bounds = reader.bounds() or (since_utc, since_utc)
    known = (max(since_utc, bounds[0]), max(since_utc, min(until_utc, bounds[1])))
    events = reader.history(bounds[0], until_utc, kinds=("alarm", "started", "stopped"))
    faults = tuple(
        one
        for one in episodes(events)
        if one.since_utc < until_utc and (one.until_utc is None or one.until_utc > since_utc)
    )
    stops = tuple(one for one in pauses(events) if one.since_utc < until_utc and one.until_utc > since_utc)
    days = {day: _amount(cell) for day, cell in sorted(sums.days.items())}
    ports = {port: _amount(cell) for port, cell in sums.ports.items()}
    order = sorted(ports, key=lambda port: (-ports[port].energy_wh, port))
    worst = _worst(faults)
    chosen = curves_of or tuple(dict.fromkeys((*(port for port, _ in worst), *order)))[:CURVES]
    counters = reader.energy().values()
    return Season(
        plan=plan,
        since=since,
        until=until,
        since_utc=since_utc,
        until_utc=until_utc,
        known=known,
        total=total(days.values()),
        days=days,
        shows=dict(sorted(((show, _amount(cell)) for show, cell in sums.shows.items()), key=_by_energy)),
        ports={port: ports[port] for port in order},
        bands=sums.bands(),
        hours=sums.hours(),
        faults=faults,
        pauses=stops,
        controllers={name: reached(name, faults, stops, *known) for name in plan.controllers},
        worst=worst,
        curves=curves(reader, chosen, faults, zone=zone, known=known, night=night),
        counters_wh=(sum(one.energy_wh for one in counters), sum(one.saved_wh for one in counters)),
        efficiencies={
            one.supply or "": plan.efficiency_of(one)
            for one in sorted(plan.ports.values(), key=lambda one: one.supply or "")
        },
    )


def _by_energy(item: tuple[str, Amount]) -> tuple[bool, float, str]:
    return not item[0], -item[1].energy_wh, item[0]


def _worst(faults: Iterable[Episode]) -> tuple[tuple[PortId, tuple[Episode, ...]], ...]:
    """Ports with faults, the worst first: grave faults count more than light ones."""
    of_port: dict[PortId, list[Episode]] = {}
    for one in faults:
        if one.target_kind == "port":
            of_port.setdefault(PortId(one.target_id), []).append(one)
    return tuple(
        (port, tuple(own))
        for port, own in sorted(
            of_port.items(), key=lambda item: (-sum(gravity(one.condition) for one in item[1]), item[0])
        )
    )


def gravity(condition: Condition) -> int:
    """How much one fault of this kind counts."""
    return GRAVITY[SEVERITY[condition]]
