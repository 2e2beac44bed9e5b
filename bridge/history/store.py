"""History on disk: energy, readings, alarms, baselines. Losing it loses history, never safety.

One SQLite file, written by one thread of its own. What calls `Store.record` and `Store.readings` (the
event loop) only appends to a bounded queue and never waits for a disk. The thread gathers, and writes one
transaction a second. When nothing can be written (disk full, read-only, folder gone) that is told, tried
again, and memory keeps what fits; when the file is damaged it is set aside beside itself, told, and a new
one begun. Power control never depends on any of it.

Safe to kill at any instant: what a finished transaction wrote stays, the rest is at most a second of
events and counters and a minute of readings.
"""

import contextlib
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from pathlib import Path
from typing import NamedTuple

import structlog

from bridge.errors import TransientError
from bridge.history.store_condense import condense
from bridge.history.store_schema import (
    DamagedError,
    ForeignError,
    file_uri,
    is_damage,
    open_checked,
    set_aside,
)
from bridge.history.store_write import EPOCH, Ledger, read_learned
from rules.door import Record
from rules.ports import Now, PortId, Reading

log = structlog.get_logger()

COMMIT_S = 1.0
GATHER_S = 0.2
CONDENSE_S = 60.0
STEADY_S = 20 * 3600.0
"""What is old is forgotten only after the wall clock has gone right for this long [s]: one that stands years
ahead until it is set would else take all seasons with it. Below a day, for machines that restart daily."""
STEP_MS = 3_600_000
"""A wall clock that is so far [ms] from where it should be by the monotonic one was set."""
RETRY_S = (1.0, 2.0, 5.0, 10.0, 30.0)
MOST_ITEMS = 50_000
MOST_READINGS = 500_000


class StoreError(TransientError):
    """The history can't be read or copied now. `subject`: the file."""


class NewsKind(StrEnum):
    """What the store tells of itself."""

    SET_ASIDE = "set-aside"
    """The file could not be used; it was renamed and a new one begun. Told once."""
    UNWRITABLE = "unwritable"
    """Nothing can be written; tried again until it works."""
    OVERRUN = "overrun"
    """More came than could be kept: some was dropped. Told once."""


@dataclass(frozen=True, slots=True)
class StoreNews:
    """Trouble (`active`) or its end, in one plain sentence. `aside`: where a bad file was put."""

    kind: NewsKind
    active: bool
    text: str
    aside: Path | None = None


class Loaded(NamedTuple):
    """What the file knew at the start.

    existed: there was a file (so this is no first start), good or bad; available: it can be written;
    energy: counters by port, energy and saved [Wh] and powered time [s]; baselines: idle current and
    spread [A] by port; counters: others, by target id and name; last_utc: the newest that was written;
    learned: what else was learned of a port, by port and name, packed as the rules do it.
    """

    existed: bool
    available: bool
    energy: Mapping[PortId, tuple[float, float, float]]
    baselines: Mapping[PortId, tuple[float, float]]
    counters: Mapping[tuple[str, str], float]
    last_utc: datetime | None
    learned: Mapping[tuple[PortId, str], bytes]


class _Batch(NamedTuple):
    now: Now
    readings: Sequence[Reading]


class Store:
    """The history of one site at `path`.

    on_news is called in the store's thread: hand it over to the event loop (`call_soon_threadsafe`).
    utc_now names set-aside files. minutes_kept_days, events_kept: see `condense`.
    """

    def __init__(
        self,
        path: Path,
        *,
        utc_now: Callable[[], datetime],
        on_news: Callable[[StoreNews], None] | None = None,
        commit_s: float = COMMIT_S,
        retry_s: Sequence[float] = RETRY_S,
        minutes_kept_days: int = 7,
        events_kept: int = 100_000,
    ) -> None:
        self.path = path
        self._utc_now = utc_now
        self._on_news = on_news
        self._commit_s = commit_s
        self._retry_s = tuple(retry_s)
        self._minutes_kept_days = minutes_kept_days
        self._events_kept = events_kept
        # No lock is shared with the caller: appending to and popping from a deque are atomic, and each of
        # these counts is written by one side only. A lock held by a thread that has just lost its turn
        # would stop the event loop until it gets it back.
        self._items: deque[Record | _Batch] = deque()
        self._readings_in = self._readings_out = 0
        self._overrun = 0
        self._wake = threading.Event()
        self._urgent = threading.Event()
        self._flushes: deque[tuple[threading.Event, list[bool]]] = deque()
        self._stopping = False
        self._thread: threading.Thread | None = None
        # Below: used by the thread only, once it runs.
        self._ledger = Ledger()
        self._connection: sqlite3.Connection | None = None
        self._failures = 0
        self._told_dropped = 0
        self._inode = 0
        self._stopped = False
        self._next_commit_s = self._next_condense_s = time.monotonic()
        self._steady = (self._next_condense_s, 0)
        """Since when [monotonic s] the wall clock goes right, and what it showed then [UTC ms]."""

    # ------------------------------------------------------------ for the event loop

    def start(self) -> Loaded:
        """Open the file and start the thread. Reads the disk: call it before the loop or in a thread."""
        existed = self.path.exists()
        self._open()
        learned = {} if self._connection is None else read_learned(self._connection)
        self._thread = threading.Thread(target=self._run, name="store", daemon=True)
        self._thread.start()
        return Loaded(
            existed,
            self._connection is not None,
            {
                port: (counted.energy_wh, counted.saved_wh, counted.powered_s)
                for port, counted in self._ledger.energy.items()
            },
            {port: (idle_a, spread_a) for port, (idle_a, spread_a, _) in self._ledger.baselines.items()},
            {(target, name): value for (_, target, name), (value, _) in self._ledger.counters.items()},
            EPOCH + timedelta(milliseconds=self._ledger.kept_ms) if self._ledger.kept_ms else None,
            learned,
        )

    def record(self, record: Record) -> None:
        """Keep one `Record` effect. Returns at once; see `Ledger.record` for the kinds."""
        if len(self._items) >= MOST_ITEMS:
            self._overrun += 1
            return
        self._items.append(record)
        if not self._wake.is_set():
            self._wake.set()

    def readings(self, now: Now, readings: Sequence[Reading]) -> None:
        """Keep a batch of readings. Returns at once; `now` ties their monotonic seconds to UTC.

        The sequence is used later by the store's thread and must not change afterwards.
        """
        if self._readings_in - self._readings_out + len(readings) > MOST_READINGS:
            self._overrun += len(readings)
            return
        self._readings_in += len(readings)
        self._items.append(_Batch(now, readings))
        if not self._wake.is_set():
            self._wake.set()

    def flush(self, timeout_s: float = 10.0) -> bool:
        """Write everything given so far; True when it is on disk. Waits: not for the event loop."""
        done, outcome = threading.Event(), [False]
        if self._thread is None or not self._thread.is_alive():
            return False
        self._flushes.append((done, outcome))
        self._urgent.set()
        self._wake.set()
        return done.wait(timeout_s) and outcome[0]

    def close(self, timeout_s: float = 10.0) -> None:
        """Write what is left and end the thread. Waits up to `timeout_s`."""
        self._stopping = True
        self._urgent.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join(timeout_s)

    # ------------------------------------------------------------ the thread

    def _run(self) -> None:
        while not self._stopped:
            try:
                self._turn()
            except Exception:  # the thread must outlive whatever it meets
                log.exception("store.unexpected")
                self._shut()
                self._fail(StoreError("an unexpected error", subject=str(self.path)))
                self._stopped = self._stopping
                time.sleep(1.0)

    def _turn(self) -> None:
        """Wait for work, take it, write what is due."""
        now_s = time.monotonic()
        due_s = (
            min(self._next_condense_s, self._next_commit_s) if self._ledger.dirty else self._next_condense_s
        )
        if self._wake.wait(max(0.0, due_s - now_s)):
            # Gather: one wake-up for many items is cheaper than one for each.
            self._urgent.wait(GATHER_S)
        self._wake.clear()
        self._urgent.clear()
        stopping = self._stopping
        flushes = [self._flushes.popleft() for _ in range(len(self._flushes))]
        for _ in range(len(self._items)):
            self._take(self._items.popleft())
        if stopping:
            self._ledger.end()
        now_s = time.monotonic()
        if flushes or stopping or (self._ledger.dirty and now_s >= self._next_commit_s):
            self._next_commit_s = now_s + (self._commit_s if self._commit() else self._retry_after_s())
        for done, outcome in flushes:
            outcome[0] = self._connection is not None and not self._ledger.dirty
            done.set()
        self._tell_dropped(self._overrun)
        if stopping:
            self._shut()
            self._stopped = True
        elif now_s >= self._next_condense_s and not self._condense():
            self._next_condense_s = now_s + CONDENSE_S

    def _take(self, item: Record | _Batch) -> None:
        try:
            if isinstance(item, _Batch):
                self._readings_out += len(item.readings)
                self._ledger.readings(item.now, item.readings)
            else:
                self._ledger.record(item)
        except (ArithmeticError, AttributeError, LookupError, TypeError, ValueError):
            # One malformed item must not end the history of all others.
            log.exception("store.item_refused", item=type(item).__name__)

    def _open(self) -> None:
        """Open the file, a new one where it must be set aside; leaves no connection where neither works."""
        for _ in range(2):
            try:
                self._connection = open_checked(self.path)
                self._inode = self.path.stat().st_ino
                self._ledger.load(self._connection)
            except DamagedError as error:
                self._set_aside(error)
                continue
            except ForeignError as error:
                self._fail(error)
            except (sqlite3.Error, OSError) as error:
                self._shut()
                self._fail(error)
            return

    def _set_aside(self, error: DamagedError) -> None:
        self._shut()
        try:
            aside = set_aside(self.path, error.label, self._utc_now())
        except OSError as problem:
            self._fail(problem)
            return
        self._ledger.rewrite()
        log.error("store.set_aside", file=str(self.path), aside=str(aside), what=str(error))
        text = f"The history file could not be used ({error}); it is now {aside.name}, and a new one begun."
        self._tell(StoreNews(NewsKind.SET_ASIDE, True, text, aside))

    def _check_there(self) -> None:
        """A file removed or replaced by somebody else: what is written to it now would be lost."""
        with contextlib.suppress(OSError):
            if self.path.stat().st_ino == self._inode:
                return
        self._shut()
        self._ledger.rewrite()
        log.error("store.removed", file=str(self.path))
        self._tell(
            StoreNews(
                NewsKind.SET_ASIDE, True, "The history file was removed or replaced; it is opened anew."
            )
        )

    def _commit(self) -> bool:
        if self._connection is not None:
            self._check_there()
        if self._connection is None:
            self._open()
        if self._connection is None:
            return False
        if self._ledger.dirty:
            try:
                self._ledger.commit(self._connection)
            except sqlite3.Error as error:
                self._failed(error)
                return False
        if self._failures:
            self._failures = 0
            log.info("store.writable", file=str(self.path))
            self._tell(StoreNews(NewsKind.UNWRITABLE, False, "The history is written again."))
        return True

    def _condense(self) -> bool:
        """One slice; True when there may be more."""
        if self._connection is None or not self._ledger.now_ms:
            return False
        try:
            return condense(
                self._connection,
                self._ledger.now_ms,
                minutes_kept_days=self._minutes_kept_days,
                events_kept=self._events_kept,
                forget=self._clock_is_steady(),
            )
        except sqlite3.Error as error:
            self._failed(error)
            return False

    def _clock_is_steady(self) -> bool:
        now_s, now_ms = time.monotonic(), self._ledger.now_ms
        since_s, since_ms = self._steady
        if abs(now_ms - since_ms - 1000.0 * (now_s - since_s)) > STEP_MS:
            self._steady = since_s, _ = now_s, now_ms
        return now_s - since_s >= STEADY_S

    def _failed(self, error: sqlite3.Error) -> None:
        """A statement failed: begin with a fresh connection, on a new file where this one is damaged."""
        self._shut()
        if is_damage(error):
            self._set_aside(DamagedError(str(error)))
        else:
            self._fail(error)

    def _retry_after_s(self) -> float:
        return self._retry_s[min(max(self._failures, 1), len(self._retry_s)) - 1]

    def _fail(self, error: Exception) -> None:
        self._failures += 1
        if self._failures == 1:
            log.error("store.unwritable", file=str(self.path), what=str(error))
            text = f"The history can't be written ({error}); control goes on, and it is tried again."
            self._tell(StoreNews(NewsKind.UNWRITABLE, True, text))

    def _tell_dropped(self, overrun: int) -> None:
        dropped = overrun + self._ledger.dropped
        if dropped > self._told_dropped:
            log.warning("store.overrun", dropped=dropped)
            if self._told_dropped == 0:
                text = "More history came than could be kept; some was dropped."
                self._tell(StoreNews(NewsKind.OVERRUN, True, text))
            self._told_dropped = dropped

    def _tell(self, news: StoreNews) -> None:
        if self._on_news is None:
            return
        try:
            self._on_news(news)
        except Exception:  # a listener's fault (an event loop that ended) is not the history's
            log.exception("store.listener_failed", kind=news.kind.value)

    def _shut(self) -> None:
        if self._connection is not None:
            with contextlib.suppress(sqlite3.Error):
                self._connection.close()
            self._connection = None


def backup(path: Path, target: Path) -> None:
    """Copy the history at `path` to `target`, whoever writes it; a whole copy or none. `StoreError`."""
    if not path.exists():
        raise StoreError(f"there is no history at {path}", subject=str(path))
    if target.resolve() in {
        path.resolve(),
        *(path.with_name(path.name + s).resolve() for s in ("-wal", "-shm")),
    }:
        raise StoreError("a backup needs a file of its own, not the history itself", subject=str(path))
    partial = target.with_name(target.name + ".part")
    try:
        with (
            contextlib.closing(sqlite3.connect(file_uri(path), uri=True, timeout=5.0)) as source,
            contextlib.closing(sqlite3.connect(partial)) as copy,
        ):
            # All pages in one step: readers do not hold up the writer in WAL mode.
            source.backup(copy)
            copy.execute("PRAGMA journal_mode=DELETE")
        partial.replace(target)
    except (sqlite3.Error, OSError) as error:
        with contextlib.suppress(OSError):
            partial.unlink(missing_ok=True)
        raise StoreError(
            f"the history could not be copied to {target}: {error}", subject=str(target)
        ) from error
