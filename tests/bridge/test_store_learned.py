"""What was learned of a port goes to the history and comes back, whole or not at all."""

import contextlib
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

from bridge.history.store import Loaded, Store
from rules.door import Record
from rules.ports import PortId, Target, TargetKind

AT = datetime(2025, 12, 1, 22, 0, tzinfo=UTC)
ONE, TWO = PortId("gable/1"), PortId("gable/2")


def learned(port: PortId, name: str, packed: bytes) -> Record:
    """What the rules say."""
    return Record("learned", AT, Target(TargetKind.PORT, port), {"name": name, "packed": packed})


def run(path: Path, *records: Record) -> Loaded:
    """Start a store, give it records, end it; what it knew at the start."""
    store = Store(path, utc_now=lambda: AT)
    loaded = store.start()
    for record in records:
        store.record(record)
    assert store.flush()
    store.close()
    return loaded


def test_it_comes_back(tmp_path: Path) -> None:
    """The newest of each name comes back byte for byte; what was forgotten does not."""
    path = tmp_path / "history.db"
    nights = bytes(range(256)) * 500
    assert run(path, learned(ONE, "data", b"old"), learned(ONE, "data", b"new")).learned == {}
    run(path, learned(TWO, "show walk", nights), learned(TWO, "data", b"x"))
    assert run(path, learned(TWO, "data", b"")).learned == {
        (ONE, "data"): b"new",
        (TWO, "show walk"): nights,
        (TWO, "data"): b"x",
    }
    assert set(run(path).learned) == {(ONE, "data"), (TWO, "show walk")}


def test_a_damaged_one_is_left_out(tmp_path: Path) -> None:
    """A record that can't be unpacked is learned anew; the others stay."""
    path = tmp_path / "history.db"
    run(path, learned(ONE, "data", b"one"), learned(TWO, "data", b"two"))
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE learned SET packed = x'00ff' WHERE rowid = 1")
        connection.commit()
    assert len(run(path).learned) == 1
