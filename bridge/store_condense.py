"""Old readings become coarser: full rate, then minutes, then quarter hours. Never more than one of them.

Each slice is one transaction, so a crash leaves every stretch of time in exactly one table. Slices are
small: the store's thread looks at its queue between them.
"""

import contextlib
import sqlite3
from collections.abc import Callable

from bridge.store_pack import (
    DAY_MS,
    HOUR_MS,
    MINUTES,
    QUARTERS,
    Samples,
    Slots,
    joined,
    pack_levels,
    unpack_levels,
)

PORTS_PER_SLICE = 64
EVENTS_PER_SLICE = 500

Levels = dict[int, Slots]
"""Slots by port."""


def condense(
    connection: sqlite3.Connection, now_ms: int, *, minutes_kept_days: int = 7, events_kept: int = 100_000
) -> bool:
    """Do one slice of what is due at `now_ms`; False when nothing is.

    Full rate is kept for the running hour and the one before, minutes for `minutes_kept_days` whole days,
    quarter hours for good; of events the newest `events_kept`.
    """
    first_kept_minute = (now_ms // HOUR_MS - 1) * MINUTES
    first_kept_hour = (now_ms // DAY_MS - minutes_kept_days) * 24
    return (
        _slice(connection, "sample_minute", "minute", first_kept_minute, _to_minutes)
        or _slice(connection, "minute_hour", "hour", first_kept_hour, _to_quarters)
        or _forget_events(connection, events_kept)
    )


def _slice(
    connection: sqlite3.Connection,
    table: str,
    unit: str,
    first_kept: int,
    fold: Callable[[sqlite3.Connection, int, int, int], None],
) -> bool:
    # Both PRIMARY KEYs begin with the time, so this is the first entry of the table.
    row = connection.execute(
        f"SELECT {unit}, port FROM {table} WHERE {unit} < ? ORDER BY {unit}, port LIMIT 1",  # noqa: S608 - fixed names
        (first_kept,),
    ).fetchone()
    if row is None:
        return False
    first, port = row
    connection.execute("BEGIN IMMEDIATE")
    try:
        fold(connection, first, port, port + PORTS_PER_SLICE)
        connection.execute("COMMIT")
    except BaseException:
        with contextlib.suppress(sqlite3.Error):
            connection.execute("ROLLBACK")
        raise
    return True


def _to_minutes(connection: sqlite3.Connection, minute: int, port: int, port_end: int) -> None:
    """Samples of the hour that holds `minute` become its minutes, for some ports."""
    hour = minute // MINUTES
    levels: Levels = {}
    for slot in range(MINUTES):
        key = (hour * MINUTES + slot, port, port_end)
        for ref, packed in connection.execute(
            "SELECT port, packed FROM sample_minute WHERE minute = ? AND port >= ? AND port < ?", key
        ):
            level = Samples.unpack(key[0], packed).level()
            levels.setdefault(ref, [None] * MINUTES)[slot] = level
        connection.execute("DELETE FROM sample_minute WHERE minute = ? AND port >= ? AND port < ?", key)
    _put(connection, "minute_hour", "hour", hour, levels)


def _to_quarters(connection: sqlite3.Connection, hour: int, port: int, port_end: int) -> None:
    """Minutes of the day that holds `hour` become its quarter hours, for some ports."""
    day = hour // 24
    levels: Levels = {}
    for slot in range(24):
        key = (day * 24 + slot, port, port_end)
        for ref, packed in connection.execute(
            "SELECT port, packed FROM minute_hour WHERE hour = ? AND port >= ? AND port < ?", key
        ):
            minutes = unpack_levels(packed, MINUTES)
            quarters = [joined(minutes[k * 15 : k * 15 + 15]) for k in range(4)]
            levels.setdefault(ref, [None] * QUARTERS)[slot * 4 : slot * 4 + 4] = quarters
        connection.execute("DELETE FROM minute_hour WHERE hour = ? AND port >= ? AND port < ?", key)
    _put(connection, "quarter_day", "day", day, levels)


def _put(connection: sqlite3.Connection, table: str, unit: str, at: int, levels: Levels) -> None:
    for ref, slots in levels.items():
        row = connection.execute(
            f"SELECT packed FROM {table} WHERE {unit} = ? AND port = ?",  # noqa: S608 - fixed names
            (at, ref),
        ).fetchone()
        # A clock that went back can bring samples of an hour that is condensed already.
        before = unpack_levels(row[0], len(slots)) if row else [None] * len(slots)
        whole = [joined((old, new)) for old, new in zip(before, slots, strict=True)]
        connection.execute(
            f"INSERT OR REPLACE INTO {table} VALUES (?, ?, ?)",  # noqa: S608 - fixed names
            (at, ref, pack_levels(whole)),
        )


def _forget_events(connection: sqlite3.Connection, events_kept: int) -> bool:
    (newest,) = connection.execute("SELECT max(id) FROM event").fetchone()
    row = connection.execute("SELECT min(id) FROM event").fetchone()
    if newest is None or newest - row[0] < events_kept:
        return False
    last = min(row[0] + EVENTS_PER_SLICE - 1, newest - events_kept)
    connection.execute("DELETE FROM event WHERE id <= ?", (last,))
    return True
