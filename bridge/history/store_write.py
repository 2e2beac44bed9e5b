"""What the store's thread knows and writes: everything in memory until a transaction has kept it.

`Ledger` is used by one thread only. Items change its memory; `commit` writes what is new in one
transaction and forgets it only when that succeeded, so a full disk loses nothing but what no longer fits
in memory (the oldest samples and events; told by `dropped`).
"""

import contextlib
import json
import sqlite3
import zlib
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from bridge.history.store_pack import (
    HOUR_MS,
    MINUTE_MS,
    QUARTER_MS,
    QUARTERS,
    STEPS_PER_S,
    STEPS_PER_WH,
    Sample,
    Samples,
    add_steps,
    empty_energy,
    pack_around,
    pack_energy,
    unpack_energy,
)
from rules.door import Record
from rules.ports import Now, PortId, Reading, TargetKind

AROUND_MS = 60_000
"""Readings are kept this long before and after an alarm."""
MOST_AROUND = 4
"""Alarms of one port whose readings are gathered at the same time."""
MOST_WAITING_MINUTES = 30_000
MOST_WAITING_EVENTS = 20_000
RAISED = frozenset({"unacknowledged", "latched-unacknowledged"})
"""States in which an alarm has just been raised: readings around it are kept."""

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


_STEPS = (STEPS_PER_WH, STEPS_PER_WH, STEPS_PER_S)


def to_ms(at_utc: datetime) -> int:
    """UTC milliseconds of an instant."""
    return (at_utc - EPOCH) // timedelta(milliseconds=1)


@dataclass(slots=True)
class Counted:
    """A port's counters of energy [Wh] and powered time [s], and when they were told [UTC ms]."""

    energy_wh: float
    saved_wh: float
    powered_s: float
    at_ms: int


@dataclass(slots=True, eq=False)
class _Event:
    at_ms: int
    kind: str
    target_kind: str
    target_id: str
    data: str
    samples: list[Sample] | None = None
    """Readings around it, where it is an alarm of a port."""
    row: int | None = None


@dataclass(slots=True)
class Ledger:
    """Everything that is to be written, and the newest of what was."""

    energy: dict[PortId, Counted] = field(default_factory=dict)
    baselines: dict[PortId, tuple[float, float, int]] = field(default_factory=dict)
    """Idle current [A], its spread [A], UTC ms."""
    counters: dict[tuple[str, str, str], tuple[float, int]] = field(default_factory=dict)
    """By target kind, target id and name: value, UTC ms."""
    kept_ms: int = 0
    """The newest instant that the file told of when it was opened."""
    now_ms: int = 0
    """The newest instant anything told of, since the clock was last set back."""
    dropped: int = 0
    """Samples and events that did not fit in memory while nothing could be written."""
    _current: dict[PortId, Samples] = field(default_factory=dict)
    _previous: dict[PortId, Samples] = field(default_factory=dict)
    _finished: deque[tuple[PortId, Samples]] = field(default_factory=deque)
    _added: dict[tuple[int, PortId, str], dict[int, list[float]]] = field(default_factory=dict)
    """Energy and saved [Wh] and powered time [s] not yet written, by day, port, show and quarter hour."""
    _events: deque[_Event] = field(default_factory=deque)
    _open: dict[PortId, list[_Event]] = field(default_factory=dict)
    _closed: list[_Event] = field(default_factory=list)
    _dirty_energy: set[PortId] = field(default_factory=set)
    _dirty_baselines: set[PortId] = field(default_factory=set)
    _dirty_counters: set[tuple[str, str, str]] = field(default_factory=set)
    _learned: dict[tuple[PortId, str], tuple[bytes, int]] = field(default_factory=dict)
    """What is to be written of what was learned of a port, by name: packed, UTC ms. Empty: forgotten."""
    _refs: dict[tuple[str, str], int] = field(default_factory=dict)
    _swept_minute: int = 0

    # ------------------------------------------------------------ what comes in

    def readings(self, now: Now, readings: Sequence[Reading]) -> None:
        """Readings of one batch; their monotonic seconds are turned into UTC by `now`."""
        now_ms = to_ms(now.utc)
        base_ms = now_ms - now.monotonic_s * 1000.0
        current, open_events = self._current, self._open
        for reading in readings:
            port, at_ms = reading.port, int(base_ms + reading.measured_s * 1000.0)
            minute, in_minute_ms = divmod(at_ms, MINUTE_MS)
            samples = current.get(port)
            if samples is None or samples.minute != minute:
                samples = self._turn(port, samples, minute)
            samples.add(in_minute_ms, reading)
            if open_events and port in open_events:
                _, _, current_a, power, tripped, voltage_v, _ = reading
                for event in open_events[port]:
                    if event.samples is not None and event.at_ms < at_ms <= event.at_ms + AROUND_MS:
                        event.samples.append(Sample(at_ms, current_a, voltage_v, power, tripped))
        self._pass_to(now_ms)

    def record(self, record: Record) -> None:
        """One `Record` effect; kinds: energy, reading, baseline, counter, learned, anything else an event."""
        at_ms = to_ms(record.at_utc)
        data, port = record.data, PortId(record.target.id)
        if record.kind == "energy":
            self._energy(port, at_ms, data)
        elif record.kind == "reading":
            values = {name: data.get(name) for name in Reading._fields if name not in {"port", "measured_s"}}
            self.readings(Now(record.at_utc, 0.0), [Reading(port, 0.0, **values)])
        elif record.kind == "baseline":
            self.baselines[port] = (float(data["idle_a"]), float(data["spread_a"]), at_ms)
            self._dirty_baselines.add(port)
        elif record.kind == "counter":
            key = (record.target.kind.value, record.target.id, str(data["name"]))
            self.counters[key] = (float(data["value"]), at_ms)
            self._dirty_counters.add(key)
        elif record.kind == "learned":
            self._learned[port, str(data["name"])] = (bytes(data["packed"]), at_ms)
        else:
            self._event(record, at_ms)
        self._pass_to(at_ms)

    def _energy(self, port: PortId, at_ms: int, data: dict[str, Any]) -> None:
        if data.get("energy_wh") is None:
            return
        before = self.energy.get(port)
        energy_wh, saved_wh, powered_s = (
            float(data.get(name) or 0.0) for name in ("energy_wh", "saved_wh", "powered_s")
        )
        if before is not None:
            # A counter never falls, whatever is told.
            energy_wh, saved_wh = max(energy_wh, before.energy_wh), max(saved_wh, before.saved_wh)
            powered_s = max(powered_s, before.powered_s)
            more_wh, more_saved_wh = energy_wh - before.energy_wh, saved_wh - before.saved_wh
            more_s = powered_s - before.powered_s
            if more_wh or more_saved_wh or more_s:
                show = str(data.get("show") or "")
                for slot, share in _slots(before.at_ms, at_ms):
                    day, quarter = divmod(slot, QUARTERS)
                    cell = self._added.setdefault((day, port, show), {}).setdefault(quarter, [0.0, 0.0, 0.0])
                    cell[0] += more_wh * share
                    cell[1] += more_saved_wh * share
                    cell[2] += more_s * share
        self.energy[port] = Counted(energy_wh, saved_wh, powered_s, at_ms)
        self._dirty_energy.add(port)

    def _event(self, record: Record, at_ms: int) -> None:
        data = json.dumps(record.data, default=str, ensure_ascii=False, separators=(",", ":"))
        event = _Event(at_ms, record.kind, record.target.kind.value, record.target.id, data)
        raised = record.kind == "alarm" and record.data.get("state") in RAISED
        if raised and record.target.kind is TargetKind.PORT:
            port = PortId(record.target.id)
            gathering = self._open.setdefault(port, [])
            if len(gathering) < MOST_AROUND:
                known = (self._previous.get(port), self._current.get(port))
                event.samples = [
                    sample
                    for samples in known
                    if samples is not None
                    for sample in samples.between(at_ms - AROUND_MS, at_ms)
                ]
                gathering.append(event)
        self._events.append(event)
        if len(self._events) > MOST_WAITING_EVENTS:
            self._events.popleft()
            self.dropped += 1

    # ------------------------------------------------------------ time passes

    def _turn(self, port: PortId, samples: Samples | None, minute: int) -> Samples:
        """Begin another minute of `port`."""
        if samples is not None:
            self._previous[port] = samples
            self._finish(port, samples)
        made = self._current[port] = Samples(minute)
        return made

    def _finish(self, port: PortId, samples: Samples) -> None:
        if samples.powered:
            self._finished.append((port, samples))
            if len(self._finished) > MOST_WAITING_MINUTES:
                self.dropped += len(self._finished.popleft()[1].ms)

    def _pass_to(self, now_ms: int) -> None:
        # Records come a little out of order; a clock that was set back is another matter.
        if not self.now_ms - HOUR_MS < now_ms <= self.now_ms:
            self.now_ms = now_ms
        minute = now_ms // MINUTE_MS
        if minute != self._swept_minute:
            self._swept_minute = minute
            # Ports that fell silent: their last minute is over too.
            for port, samples in list(self._current.items()):
                if samples.minute < minute - 1:
                    del self._current[port]
                    self._previous[port] = samples
                    self._finish(port, samples)
        if self._open:
            for port, events in list(self._open.items()):
                over = [event for event in events if now_ms > event.at_ms + AROUND_MS]
                for event in over:
                    events.remove(event)
                    self._closed.append(event)
                if not events:
                    del self._open[port]

    def end(self) -> None:
        """Nothing more will come: unfinished minutes and alarms are as finished as they will be."""
        for port, samples in self._current.items():
            self._finish(port, samples)
        self._current.clear()
        for events in self._open.values():
            self._closed += events
        self._open.clear()

    def rewrite(self) -> None:
        """The file is a new one: everything that is known goes into it again."""
        self._refs.clear()
        self._dirty_energy = set(self.energy)
        self._dirty_baselines = set(self.baselines)
        self._dirty_counters = set(self.counters)
        for event in (*self._closed, *(event for events in self._open.values() for event in events)):
            if event.row is not None:
                event.row = None
                self._events.append(event)

    # ------------------------------------------------------------ the disk

    @property
    def dirty(self) -> bool:
        """Something waits to be written."""
        return bool(
            self._finished or self._events or self._closed or self._added
            or self._dirty_energy or self._dirty_baselines or self._dirty_counters or self._learned
        )  # fmt: skip

    def load(self, connection: sqlite3.Connection) -> None:
        """Take the newest counters and baselines from the file; what is newer in memory stays."""
        counted = "SELECT id, energy_wh, saved_wh, powered_s, at_ms FROM energy JOIN port ON ref = port"
        for port, energy_wh, saved_wh, powered_s, at_ms in connection.execute(counted):
            self.kept_ms = max(self.kept_ms, at_ms)
            known = self.energy.get(port)
            if known is None:
                self.energy[port] = Counted(energy_wh, saved_wh, powered_s, at_ms)
            else:
                # Told while the file was out of reach: the distance to what is kept is not known by time.
                known.energy_wh = max(known.energy_wh, energy_wh)
                known.saved_wh = max(known.saved_wh, saved_wh)
                known.powered_s = max(known.powered_s, powered_s)
        (event_ms,) = connection.execute("SELECT max(at_ms) FROM event").fetchone()
        self.kept_ms = max(self.kept_ms, event_ms or 0)
        learned = "SELECT id, idle_a, spread_a, at_ms FROM baseline JOIN port ON ref = port"
        for port, idle_a, spread_a, at_ms in connection.execute(learned):
            self.baselines.setdefault(port, (idle_a, spread_a, at_ms))
        for kind, target, name, value, at_ms in connection.execute("SELECT * FROM counter"):
            self.counters.setdefault((kind, target, name), (value, at_ms))

    def commit(self, connection: sqlite3.Connection) -> None:
        """Write what is new in one transaction; raises `sqlite3.Error` and keeps everything otherwise."""
        finished, events, closed = list(self._finished), list(self._events), list(self._closed)
        new_refs: dict[tuple[str, str], int] = {}
        # IMMEDIATE: a transaction that first read and then writes could fail as "locked" for good.
        connection.execute("BEGIN IMMEDIATE")
        try:
            for port, samples in finished:
                self._write_minute(connection, self._ref(connection, new_refs, "port", port), samples)
            self._write_energy(connection, new_refs)
            rows = {id(event): self._write_event(connection, event) for event in events}
            for event in closed:
                row = event.row if event.row is not None else rows.get(id(event))
                if row is not None:
                    _write_around(connection, row, event)
            self._write_state(connection, new_refs)
            connection.execute("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                connection.execute("ROLLBACK")
            raise
        for event in events:
            event.row = rows[id(event)]
        self._refs |= new_refs
        self._finished.clear()
        self._events.clear()
        self._closed.clear()
        self._added.clear()
        self._dirty_energy.clear()
        self._dirty_baselines.clear()
        self._dirty_counters.clear()
        self._learned.clear()

    def _ref(
        self, connection: sqlite3.Connection, new: dict[tuple[str, str], int], table: str, name: str
    ) -> int:
        key = (table, name)
        ref = self._refs.get(key) or new.get(key)
        if ref is None:
            connection.execute(f"INSERT OR IGNORE INTO {table} (id) VALUES (?)", (name,))  # noqa: S608 - two fixed names
            row = connection.execute(f"SELECT ref FROM {table} WHERE id = ?", (name,)).fetchone()  # noqa: S608 - as above
            ref = new[key] = int(row[0])
        return ref

    def _write_minute(self, connection: sqlite3.Connection, port: int, samples: Samples) -> None:
        written = connection.execute(
            "INSERT INTO sample_minute VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
            (samples.minute, port, samples.pack()),
        ).rowcount
        if not written:
            (packed,) = connection.execute(
                "SELECT packed FROM sample_minute WHERE minute = ? AND port = ?", (samples.minute, port)
            ).fetchone()
            whole = Samples.unpack(samples.minute, packed)
            whole.extend(samples)
            connection.execute(
                "UPDATE sample_minute SET packed = ? WHERE minute = ? AND port = ?",
                (whole.pack(), samples.minute, port),
            )

    def _write_energy(self, connection: sqlite3.Connection, new: dict[tuple[str, str], int]) -> None:
        for (day, port, show), cells in self._added.items():
            key = (day, self._ref(connection, new, "port", port), self._ref(connection, new, "show", show))
            row = connection.execute(
                "SELECT packed FROM energy_day WHERE day = ? AND port = ? AND show = ?", key
            ).fetchone()
            columns = unpack_energy(row[0]) if row else empty_energy()
            for quarter, more in cells.items():
                for column, value, steps in zip(columns, more, _STEPS, strict=True):
                    add_steps(column, quarter, value * steps)
            connection.execute(
                "INSERT OR REPLACE INTO energy_day VALUES (?, ?, ?, ?)",
                (*key, pack_energy(columns)),
            )

    def _write_event(self, connection: sqlite3.Connection, event: _Event) -> int:
        cursor = connection.execute(
            "INSERT INTO event (at_ms, kind, target_kind, target_id, data) VALUES (?, ?, ?, ?, ?)",
            (event.at_ms, event.kind, event.target_kind, event.target_id, event.data),
        )
        row = int(cursor.lastrowid or 0)
        if event.samples is not None:
            _write_around(connection, row, event)
        return row

    def _write_state(self, connection: sqlite3.Connection, new: dict[tuple[str, str], int]) -> None:
        for port in self._dirty_energy:
            counted = self.energy[port]
            connection.execute(
                "INSERT OR REPLACE INTO energy VALUES (?, ?, ?, ?, ?)",
                (
                    self._ref(connection, new, "port", port),
                    counted.energy_wh,
                    counted.saved_wh,
                    counted.at_ms,
                    counted.powered_s,
                ),
            )
        for port in self._dirty_baselines:
            connection.execute(
                "INSERT OR REPLACE INTO baseline VALUES (?, ?, ?, ?)",
                (self._ref(connection, new, "port", port), *self.baselines[port]),
            )
        for (port, name), (packed, at_ms) in self._learned.items():
            ref = self._ref(connection, new, "port", port)
            if packed:
                row = (ref, name, zlib.compress(packed), at_ms)
                connection.execute("INSERT OR REPLACE INTO learned VALUES (?, ?, ?, ?)", row)
            else:
                connection.execute("DELETE FROM learned WHERE port = ? AND name = ?", (ref, name))
        for key in self._dirty_counters:
            connection.execute(
                "INSERT OR REPLACE INTO counter VALUES (?, ?, ?, ?, ?)", (*key, *self.counters[key])
            )


def read_learned(connection: sqlite3.Connection) -> dict[tuple[PortId, str], bytes]:
    """What was learned of ports, by port and name; what can't be read is left out (it is learned anew)."""
    found: dict[tuple[PortId, str], bytes] = {}
    query = "SELECT id, name, packed FROM learned JOIN port ON ref = port"
    with contextlib.suppress(sqlite3.Error):  # damage shows up again where it is dealt with: on writing
        for port, name, packed in connection.execute(query):
            with contextlib.suppress(zlib.error):
                found[PortId(port), name] = zlib.decompress(packed)
    return found


def _write_around(connection: sqlite3.Connection, row: int, event: _Event) -> None:
    connection.execute("INSERT OR REPLACE INTO around VALUES (?, ?)", (row, pack_around(event.samples or ())))


def _slots(from_ms: int, until_ms: int) -> Iterator[tuple[int, float]]:
    """Quarter hours since 1970 that a counter's step belongs to, with their shares.

    Spread evenly over the time since the last record; after more than an hour (a restart, an outage, a
    clock that stepped) nobody knows when it was taken, and it counts where it was told.
    """
    last = until_ms // QUARTER_MS
    if not 0 < until_ms - from_ms <= HOUR_MS:
        yield last, 1.0
        return
    for slot in range(from_ms // QUARTER_MS, last + 1):
        begin_ms, end_ms = max(from_ms, slot * QUARTER_MS), min(until_ms, (slot + 1) * QUARTER_MS)
        if end_ms > begin_ms:
            yield slot, (end_ms - begin_ms) / (until_ms - from_ms)
