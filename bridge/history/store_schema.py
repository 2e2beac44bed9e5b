"""The store's file: its tables, how older ones are brought up, and what to do with a bad one.

Times are UTC: `_ms` milliseconds, `minute`, `hour`, `day` whole ones, all since 1970.
"""

import contextlib
import sqlite3
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from urllib.parse import quote

APPLICATION_ID = 0x6475736B
"""Marks a database file as a store of this program ("dusk")."""

MIGRATIONS: tuple[str, ...] = (
    """
    CREATE TABLE port (ref INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE);
    CREATE TABLE show (ref INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE);
    CREATE TABLE energy (port INTEGER PRIMARY KEY, energy_wh REAL NOT NULL, saved_wh REAL NOT NULL,
                         at_ms INTEGER NOT NULL);
    CREATE TABLE energy_day (day INTEGER, port INTEGER, show INTEGER, packed BLOB NOT NULL,
                             PRIMARY KEY (day, port, show)) WITHOUT ROWID;
    CREATE TABLE sample_minute (minute INTEGER, port INTEGER, packed BLOB NOT NULL,
                                PRIMARY KEY (minute, port)) WITHOUT ROWID;
    CREATE TABLE minute_hour (hour INTEGER, port INTEGER, packed BLOB NOT NULL,
                              PRIMARY KEY (hour, port)) WITHOUT ROWID;
    CREATE TABLE quarter_day (day INTEGER, port INTEGER, packed BLOB NOT NULL,
                              PRIMARY KEY (day, port)) WITHOUT ROWID;
    CREATE TABLE event (id INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, kind TEXT NOT NULL,
                        target_kind TEXT NOT NULL, target_id TEXT NOT NULL, data TEXT NOT NULL);
    CREATE INDEX event_at ON event (at_ms);
    CREATE INDEX event_target ON event (target_id, at_ms);
    CREATE TABLE around (event INTEGER PRIMARY KEY REFERENCES event (id) ON DELETE CASCADE,
                         packed BLOB NOT NULL);
    CREATE TABLE baseline (port INTEGER PRIMARY KEY, idle_a REAL NOT NULL, spread_a REAL NOT NULL,
                           at_ms INTEGER NOT NULL);
    CREATE TABLE counter (target_kind TEXT, target_id TEXT, name TEXT, value REAL NOT NULL,
                          at_ms INTEGER NOT NULL, PRIMARY KEY (target_kind, target_id, name)) WITHOUT ROWID;
    """,
    """
    ALTER TABLE energy ADD COLUMN powered_s REAL NOT NULL DEFAULT 0;
    CREATE TABLE energy_past (day INTEGER, port INTEGER, show INTEGER, energy_wh REAL NOT NULL,
                              saved_wh REAL NOT NULL, powered_s REAL NOT NULL,
                              PRIMARY KEY (day, port, show)) WITHOUT ROWID;
    CREATE TABLE switch_day (day INTEGER, port INTEGER, packed BLOB NOT NULL,
                             PRIMARY KEY (day, port)) WITHOUT ROWID;
    CREATE INDEX event_switch ON event (at_ms) WHERE kind = 'switch';
    """,
    """
    CREATE TABLE learned (port INTEGER, name TEXT, packed BLOB NOT NULL, at_ms INTEGER NOT NULL,
                          PRIMARY KEY (port, name));
    """,
)
"""Each entry brings the schema one version up; a published one is never changed, only followed."""


class DamagedError(Exception):
    """The file can't be used as a store and must be set aside; `label` becomes part of its new name."""

    def __init__(self, what: str, label: str = "damaged") -> None:
        self.label = label
        super().__init__(what)


class ForeignError(Exception):
    """The file belongs to another program: it is left alone, and nothing is stored."""


def is_damage(error: sqlite3.Error) -> bool:
    """Whether the file itself is broken, not only out of reach for now."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    return code in {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}


def connect(path: Path) -> sqlite3.Connection:
    """A connection for writing: WAL, synchronous NORMAL, no implicit transactions.

    WAL with NORMAL loses no committed transaction when the process dies, at most the newest ones when the
    power goes; the file stays whole either way.
    """
    connection = sqlite3.connect(path, timeout=5.0, isolation_level=None, check_same_thread=False)
    try:
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=NORMAL")
        connection.execute("PRAGMA foreign_keys=ON")
        connection.execute("PRAGMA journal_size_limit=8388608")
    except BaseException:
        connection.close()
        raise
    return connection


def file_uri(path: Path) -> str:
    """The address of a store that is there, for reading it beside its writer; whatever its path is called."""
    return f"file:{quote(str(path.resolve()))}?mode=rw"


def migrate(connection: sqlite3.Connection, migrations: Sequence[str] = MIGRATIONS) -> None:
    """Bring the schema to the newest version; each step is kept whole or not at all.

    Raises `DamagedError` for a file of a newer version, `ForeignError` for one of another program.
    """
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if tables and application != APPLICATION_ID:
        raise ForeignError("it is another program's database")
    if version > len(migrations):
        raise DamagedError(f"it was written by a newer version (schema {version})", f"schema{version}")
    for number, script in enumerate(migrations[version:], start=version + 1):
        connection.execute("BEGIN IMMEDIATE")
        try:
            for statement in script.split(";"):
                if statement.strip():
                    connection.execute(statement)
            connection.execute(f"PRAGMA application_id={APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version={number}")
            connection.execute("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                connection.execute("ROLLBACK")
            raise


def open_checked(path: Path, migrations: Sequence[str] = MIGRATIONS) -> sqlite3.Connection:
    """Open or make the store at `path`, checked and of the newest schema.

    Raises `DamagedError` where the file must be set aside, `ForeignError` where it must be left alone,
    `sqlite3.Error` or `OSError` where it may work later (disk full, folder missing).
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.exists() and path.stat().st_size == 0 and not _beside(path, "-wal").exists():
        raise DamagedError("it is empty")
    connection: sqlite3.Connection | None = None
    try:
        connection = connect(path)
        (verdict,) = connection.execute("PRAGMA quick_check(1)").fetchone()
        if verdict == "ok":
            migrate(connection, migrations)
    except BaseException as error:
        if connection is not None:
            connection.close()
        if isinstance(error, sqlite3.Error) and is_damage(error):
            raise DamagedError(str(error)) from error
        raise
    if verdict != "ok":
        connection.close()
        raise DamagedError(str(verdict))
    return connection


def _beside(path: Path, suffix: str) -> Path:
    return path.with_name(path.name + suffix)


def set_aside(path: Path, label: str, at_utc: datetime) -> Path:
    """Rename the file (and what SQLite keeps beside it) to ``<name>.<label>-<date>``; the new name."""
    stamp = f"{label}-{at_utc:%Y%m%dT%H%M%SZ}"
    aside, number = _beside(path, f".{stamp}"), 1
    while aside.exists():
        number += 1
        aside = _beside(path, f".{stamp}-{number}")
    path.replace(aside)
    for suffix in ("-wal", "-shm"):
        with contextlib.suppress(FileNotFoundError):
            _beside(path, suffix).replace(_beside(aside, suffix))
    return aside
