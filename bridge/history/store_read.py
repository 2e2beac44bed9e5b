"""Questions to the history: for reports, for people, also while the process writes it.

Instants are aware UTC; spans half-open. Days are local days of the zone that is given.
"""

import json
import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Self

from bridge.history.store import StoreError
from bridge.history.store_pack import (
    DAY_MS,
    HOUR_MS,
    MINUTE_MS,
    QUARTER_MS,
    QUARTERS,
    STEPS_PER_S,
    STEPS_PER_WH,
    Columns,
    Sample,
    Samples,
    empty_energy,
    unpack_around,
    unpack_energy,
    unpack_levels,
    unpack_switchings,
)
from bridge.history.store_schema import APPLICATION_ID, MIGRATIONS, file_uri
from bridge.history.store_write import EPOCH, to_ms
from rules.ports import PortId


def to_utc(at_ms: int) -> datetime:
    """The instant of UTC milliseconds."""
    return EPOCH + timedelta(milliseconds=at_ms)


class EnergyDay(NamedTuple):
    """A port's energy in one show ('' for none) on one UTC day, by quarter hours in the steps of the file.

    `day`: whole days since 1970. See `bridge.history.store_pack.Columns`.
    """

    day: int
    port: PortId
    show: str
    columns: Columns


class Total(NamedTuple):
    """Energy taken and saved [Wh], time with power [s]."""

    energy_wh: float
    saved_wh: float
    powered_s: float = 0.0


class Event(NamedTuple):
    """One entry of the history, as it was recorded. `id` asks for the readings `around` it."""

    id: int
    at_utc: datetime
    kind: str
    target_kind: str
    target_id: str
    data: dict[str, Any]


class Point(NamedTuple):
    """Current of a port from `start_utc` on for `lasts_s` [s]: mean, lowest, highest [A]."""

    start_utc: datetime
    lasts_s: float
    mean_a: float
    low_a: float
    high_a: float


class _Tier(NamedTuple):
    table: str
    unit: str
    unit_ms: int


_SAMPLES = _Tier("sample_minute", "minute", MINUTE_MS)
_MINUTES = _Tier("minute_hour", "hour", HOUR_MS)
_QUARTERS = _Tier("quarter_day", "day", DAY_MS)


class StoreReader:
    """Reads the history at `path`; closes as a context manager. `StoreError` where it can't be read."""

    def __init__(self, path: Path) -> None:
        self._path = path
        if not path.exists():
            raise StoreError(f"there is no history at {path} yet", subject=str(path))
        try:
            self._connection = sqlite3.connect(file_uri(path), uri=True, timeout=5.0, check_same_thread=False)
            self._connection.execute("PRAGMA query_only=ON")
            (application,) = self._connection.execute("PRAGMA application_id").fetchone()
            (version,) = self._connection.execute("PRAGMA user_version").fetchone()
        except sqlite3.Error as error:
            raise StoreError(f"the history at {path} can't be read: {error}", subject=str(path)) from error
        if application != APPLICATION_ID or version != len(MIGRATIONS):
            self._connection.close()
            raise StoreError(f"{path} is not a history of this version", subject=str(path))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End reading."""
        self._connection.close()

    def _ask(self, sql: str, values: Iterable[Any] = ()) -> list[tuple[Any, ...]]:
        try:
            return self._connection.execute(sql, tuple(values)).fetchall()
        except sqlite3.Error as error:
            raise StoreError(f"the history can't be read: {error}", subject=str(self._path)) from error

    # ------------------------------------------------------------ energy

    def energy(self) -> dict[PortId, Total]:
        """The counters as last written, by port."""
        rows = self._ask(
            "SELECT id, energy_wh, saved_wh, powered_s FROM energy JOIN port ON ref = port ORDER BY id"
        )
        return {PortId(port): Total(*counted) for port, *counted in rows}

    def energy_days(self, since_utc: datetime, until_utc: datetime) -> Iterator[EnergyDay]:
        """Everything counted from `since_utc` to `until_utc`, to whole quarter hours; in no stated order.

        Days of which only the sum is left are spread evenly over their 24 hours.
        """
        first, last = to_ms(since_utc) // QUARTER_MS, (to_ms(until_utc) - 1) // QUARTER_MS
        ports, shows = (
            dict(self._ask(f"SELECT ref, id FROM {table}"))  # noqa: S608 - fixed names
            for table in ("port", "show")
        )
        days = (first // QUARTERS, last // QUARTERS)
        for day, port, show, packed in self._each("energy_day", "packed", days):
            yield EnergyDay(
                day, PortId(ports[port]), shows[show], _within(day, unpack_energy(packed), first, last)
            )
        for day, port, show, energy_wh, saved_wh, powered_s in self._each(
            "energy_past", "energy_wh, saved_wh, powered_s", days
        ):
            steps = (energy_wh * STEPS_PER_WH, saved_wh * STEPS_PER_WH, powered_s * STEPS_PER_S)
            columns = empty_energy()
            for column, whole in zip(columns, map(round, steps), strict=True):
                share, rest = divmod(whole, QUARTERS)
                for quarter in range(QUARTERS):
                    column[quarter] = share + (quarter < rest)
            yield EnergyDay(day, PortId(ports[port]), shows[show], _within(day, columns, first, last))

    def _each(self, table: str, columns: str, days: tuple[int, int]) -> Iterator[tuple[Any, ...]]:
        """Rows of some days one by one: a season of a large site need not fit in memory twice."""
        try:
            yield from self._connection.execute(
                f"SELECT day, port, show, {columns} FROM {table} WHERE day BETWEEN ? AND ?",  # noqa: S608 - fixed names
                days,
            )
        except sqlite3.Error as error:
            raise StoreError(f"the history can't be read: {error}", subject=str(self._path)) from error

    # ------------------------------------------------------------ events

    def history(self, since_utc: datetime, until_utc: datetime, *, kinds: Sequence[str] = ()) -> list[Event]:
        """Events in order of time; of some kinds where asked."""
        of_kinds = f" AND kind IN ({','.join('?' * len(kinds))})" if kinds else ""
        rows = self._ask(
            "SELECT id, at_ms, kind, target_kind, target_id, data FROM event "  # noqa: S608 - fixed clauses
            f"WHERE at_ms >= ? AND at_ms < ?{of_kinds} ORDER BY at_ms, id",
            (to_ms(since_utc), to_ms(until_utc), *kinds),
        )
        return [
            Event(row, to_utc(at_ms), kind, target_kind, target, json.loads(data))
            for row, at_ms, kind, target_kind, target, data in rows
        ]

    def switchings(
        self, since_utc: datetime, until_utc: datetime, *, port: PortId | None = None
    ) -> dict[PortId, list[tuple[datetime, bool]]]:
        """Commands given, by port in order of time: when, and on or off; of one `port` where asked."""
        since_ms, until_ms = to_ms(since_utc), to_ms(until_utc)
        of_port = "" if port is None else " AND port = (SELECT ref FROM port WHERE id = ?)"
        of_target = "" if port is None else " AND target_id = ?"
        also = () if port is None else (port,)
        found: dict[PortId, list[tuple[int, bool]]] = defaultdict(list)
        for day, one, packed in self._ask(
            "SELECT day, id, packed FROM switch_day JOIN port ON ref = port "  # noqa: S608 - a fixed clause
            f"WHERE day BETWEEN ? AND ?{of_port}",
            (since_ms // DAY_MS, until_ms // DAY_MS, *also),
        ):
            found[PortId(one)] += [(day * DAY_MS + ms, on) for ms, on in unpack_switchings(packed)]
        for at_ms, one, power in self._ask(
            "SELECT at_ms, target_id, json_extract(data, '$.power') FROM event "  # noqa: S608 - a fixed clause
            f"WHERE kind = 'switch' AND at_ms BETWEEN ? AND ?{of_target}",
            (since_ms, until_ms, *also),
        ):
            found[PortId(one)].append((at_ms, bool(power)))
        return {
            one: [(to_utc(at_ms), on) for at_ms, on in sorted(given) if since_ms <= at_ms < until_ms]
            for one, given in found.items()
        }

    def bounds(self) -> tuple[datetime, datetime] | None:
        """The first and the newest instant of which anything is known; None where nothing is."""
        (first,) = self._ask(
            f"SELECT min(at) FROM (SELECT min(day) * {DAY_MS} AS at FROM energy_day UNION ALL "  # noqa: S608 - a number
            f"SELECT min(day) * {DAY_MS} FROM energy_past)"
        )[0]
        (event,) = self._ask("SELECT min(at_ms) FROM event")[0]
        if first is None or (event is not None and event < first + DAY_MS):
            # Days of energy begin at midnight; an event on the first of them says more.
            first = event
        (last,) = self._ask(
            "SELECT max(at) FROM (SELECT max(at_ms) AS at FROM energy UNION ALL SELECT max(at_ms) FROM event)"
        )[0]
        return None if first is None or last is None else (to_utc(first), to_utc(last))

    def around(self, event_id: int) -> list[Sample]:
        """Readings a minute before and after an alarm; empty where none were kept."""
        rows = self._ask("SELECT packed FROM around WHERE event = ?", (event_id,))
        return unpack_around(rows[0][0]) if rows else []

    # ------------------------------------------------------------ currents

    def currents(self, port: PortId, since_utc: datetime, until_utc: datetime) -> list[Point]:
        """A port's current through a span as finely as it is kept: minutes, else quarter hours.

        Only powered time is kept; between the points nothing was powered, or nothing was read.
        """
        since_ms, until_ms = to_ms(since_utc), to_ms(until_utc)
        found: dict[int, Point] = {}

        def put(start_ms: int, lasts_ms: int, level: tuple[int, int, int] | None) -> None:
            if level is not None and start_ms < until_ms and start_ms + lasts_ms > since_ms:
                found[start_ms] = Point(to_utc(start_ms), lasts_ms / 1000, *(value / 1000 for value in level))

        for tier, slot_ms in ((_QUARTERS, QUARTER_MS), (_MINUTES, MINUTE_MS)):
            for at, packed in self._rows(tier, port, since_ms, until_ms):
                for slot, level in enumerate(unpack_levels(packed, tier.unit_ms // slot_ms)):
                    put(at * tier.unit_ms + slot * slot_ms, slot_ms, level)
        for minute, packed in self._rows(_SAMPLES, port, since_ms, until_ms):
            put(minute * MINUTE_MS, MINUTE_MS, Samples.unpack(minute, packed).level())
        return [found[start_ms] for start_ms in sorted(found)]

    def _rows(self, tier: "_Tier", port: PortId, since_ms: int, until_ms: int) -> list[tuple[int, bytes]]:
        ref = self._ask("SELECT ref FROM port WHERE id = ?", (port,))
        if not ref or until_ms <= since_ms:
            return []
        # One look-up per unit that exists: the tables are ordered by time, then port.
        units = self._ask(
            f"SELECT DISTINCT {tier.unit} FROM {tier.table} WHERE {tier.unit} BETWEEN ? AND ?",  # noqa: S608 - fixed names
            (since_ms // tier.unit_ms, (until_ms - 1) // tier.unit_ms),
        )
        sql = f"SELECT packed FROM {tier.table} WHERE {tier.unit} = ? AND port = ?"  # noqa: S608 - fixed names
        return [(at, row[0]) for (at,) in sorted(units) for row in self._ask(sql, (at, ref[0][0]))]


def _within(day: int, columns: Columns, first: int, last: int) -> Columns:
    """Of a day the quarter hours from `first` to `last`, both counted since 1970."""
    begin, end = max(0, first - day * QUARTERS), min(QUARTERS, last + 1 - day * QUARTERS)
    if begin > 0 or end < QUARTERS:
        for column in columns:
            for quarter in (*range(begin), *range(end, QUARTERS)):
                column[quarter] = 0
    return columns
