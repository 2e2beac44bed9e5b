"""Old history becomes coarser, then goes: the file is bounded for ever.

Readings: full rate, then minutes, then quarter hours, then nothing; never more than one of them. Energy:
quarter hours, then days. Switchings: with their reason, then their time only.

Each slice is one transaction, so a crash leaves every stretch of time in exactly one table. Slices are
small: the store's thread looks at its queue between them.
"""

import contextlib
import json
import sqlite3
from collections import defaultdict
from collections.abc import Callable

from bridge.history.store_pack import (
    DAY_MS,
    HOUR_MS,
    MINUTES,
    QUARTERS,
    STEPS_PER_S,
    STEPS_PER_WH,
    Samples,
    Slots,
    joined,
    pack_levels,
    pack_switchings,
    unpack_energy,
    unpack_levels,
    unpack_switchings,
)

PORTS_PER_SLICE = 64
EVENTS_PER_SLICE = 500
DETAIL_KEPT_DAYS = 2 * 366
"""Quarter hours are kept this long: two seasons and the running one."""
PAST_KEPT_DAYS = 10 * 366
"""Days are kept this long."""
SWITCHINGS_KEPT_DAYS = 7
"""Switchings keep their reason this long."""

Levels = dict[int, Slots]
"""Slots by port."""


def condense(
    connection: sqlite3.Connection,
    now_ms: int,
    *,
    minutes_kept_days: int = 7,
    events_kept: int = 100_000,
    forget: bool = True,
) -> bool:
    """Do one slice of what is due at `now_ms`; False when nothing is.

    Full rate is kept for the running hour and the one before, minutes for `minutes_kept_days` whole days,
    quarter hours for `DETAIL_KEPT_DAYS`, energy by days for `PAST_KEPT_DAYS`; of events the newest
    `events_kept`, switchings apart, whose times are kept like quarter hours. Without `forget` nothing goes
    because of its age alone: for a clock that may be years ahead.
    """
    today = now_ms // DAY_MS
    first_kept_minute = (now_ms // HOUR_MS - 1) * MINUTES
    first_kept_hour = (today - minutes_kept_days) * 24
    first_detailed, first_past = today - DETAIL_KEPT_DAYS, today - PAST_KEPT_DAYS
    return (
        _slice(connection, "sample_minute", "minute", first_kept_minute, _to_minutes)
        or _slice(connection, "minute_hour", "hour", first_kept_hour, _to_quarters)
        or (forget and _slice(connection, "energy_day", "day", first_detailed, _to_days))
        or (forget and _slice(connection, "quarter_day", "day", first_detailed, _forgotten("quarter_day")))
        or (forget and _slice(connection, "switch_day", "day", first_detailed, _forgotten("switch_day")))
        or (forget and _slice(connection, "energy_past", "day", first_past, _forgotten("energy_past")))
        or _fold_switchings(connection, (today - SWITCHINGS_KEPT_DAYS) * DAY_MS)
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


def _to_days(connection: sqlite3.Connection, day: int, port: int, port_end: int) -> None:
    """Energy of a day by quarter hours becomes the day's sums, for some ports."""
    key = (day, port, port_end)
    rows = connection.execute(
        "SELECT port, show, packed FROM energy_day WHERE day = ? AND port >= ? AND port < ?", key
    ).fetchall()
    for ref, show, packed in rows:
        energy, saved, powered = map(sum, unpack_energy(packed))
        connection.execute(
            "INSERT INTO energy_past VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET "
            "energy_wh = energy_wh + excluded.energy_wh, saved_wh = saved_wh + excluded.saved_wh, "
            "powered_s = powered_s + excluded.powered_s",
            (day, ref, show, energy / STEPS_PER_WH, saved / STEPS_PER_WH, powered / STEPS_PER_S),
        )
    connection.execute("DELETE FROM energy_day WHERE day = ? AND port >= ? AND port < ?", key)


def _forgotten(table: str) -> Callable[[sqlite3.Connection, int, int, int], None]:
    """Rows of a day go, for some ports."""

    def forget(connection: sqlite3.Connection, day: int, port: int, port_end: int) -> None:
        connection.execute(
            f"DELETE FROM {table} WHERE day = ? AND port >= ? AND port < ?",  # noqa: S608 - fixed names
            (day, port, port_end),
        )

    return forget


def _fold_switchings(connection: sqlite3.Connection, before_ms: int) -> bool:
    """Switchings of ports lose their reasons and become one row per day and port."""
    rows = connection.execute(
        "SELECT id, at_ms, target_id, data FROM event WHERE kind = 'switch' AND at_ms < ? "
        "ORDER BY at_ms LIMIT ?",
        (before_ms, EVENTS_PER_SLICE),
    ).fetchall()
    if not rows:
        return False
    found: dict[tuple[int, str], list[tuple[int, bool]]] = defaultdict(list)
    for _, at_ms, target, data in rows:
        day, in_day_ms = divmod(at_ms, DAY_MS)
        found[day, target].append((in_day_ms, bool(json.loads(data).get("power"))))
    connection.execute("BEGIN IMMEDIATE")
    try:
        for (day, target), switchings in found.items():
            connection.execute("INSERT OR IGNORE INTO port (id) VALUES (?)", (target,))
            (ref,) = connection.execute("SELECT ref FROM port WHERE id = ?", (target,)).fetchone()
            row = connection.execute(
                "SELECT packed FROM switch_day WHERE day = ? AND port = ?", (day, ref)
            ).fetchone()
            whole = sorted([*(unpack_switchings(row[0]) if row else ()), *switchings])
            connection.execute(
                "INSERT OR REPLACE INTO switch_day VALUES (?, ?, ?)", (day, ref, pack_switchings(whole))
            )
        connection.executemany("DELETE FROM event WHERE id = ?", [row[:1] for row in rows])
        connection.execute("COMMIT")
    except BaseException:
        with contextlib.suppress(sqlite3.Error):
            connection.execute("ROLLBACK")
        raise
    return True


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
    (count,) = connection.execute("SELECT count(*) FROM event").fetchone()
    if count <= events_kept:
        return False
    connection.execute(
        "DELETE FROM event WHERE id IN (SELECT id FROM event ORDER BY id LIMIT ?)",
        (min(EVENTS_PER_SLICE, count - events_kept),),
    )
    return True
