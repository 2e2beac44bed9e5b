"""The history against kill -9 and a disk that takes no more, with real processes."""

import contextlib
import os
import signal
import sqlite3
import subprocess
import sys
import textwrap
import time
from datetime import UTC, datetime, timedelta

import pytest
from history_sums import energy_parts

from bridge.history.store import Store
from bridge.history.store_read import StoreReader

EVENING = datetime(2030, 12, 1, 17, 0, tzinfo=UTC)

WRITER = """
    import sys
    from datetime import UTC, datetime, timedelta
    from pathlib import Path
    from bridge.history.store import Store
    from rules.door import Record
    from rules.ports import Now, Reading, Target, TargetKind

    evening = datetime(2030, 12, 1, 17, 0, tzinfo=UTC)
    store = Store(Path(sys.argv[1]), utc_now=lambda: evening, commit_s=0.01)
    loaded = store.start()
    step = int(loaded.energy.get("gable/1", (0.0, 0.0))[0])
    while True:
        step += 1
        at = evening + timedelta(seconds=20 * step)
        for port in range(1, 9):
            target = Target(TargetKind.PORT, f"gable/{port}")
            store.record(Record("energy", at, target, {"energy_wh": float(step), "saved_wh": step / 2}))
        data = {"condition": "leakage", "state": "unacknowledged", "n": step}
        store.record(Record("alarm", at, target, data))
        store.readings(Now(at, 0.0), [Reading(f"gable/{p}", 0.0, 1.0, True) for p in range(1, 9)])
        if store.flush():
            print(step, flush=True)
"""


def start_writer(path):
    """A process that writes without end and prints each step that is on disk."""
    return subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(WRITER), str(path)], stdout=subprocess.PIPE, text=True
    )


def test_store_survives_kill(tmp_path):
    """Killed at any moment, the file is whole, everything that was flushed is there, and counters go on."""
    path = tmp_path / "history.sqlite"
    flushed = 0
    for round_ in range(5):
        process = start_writer(path)
        try:
            wanted = flushed + 5 + 7 * round_
            for line in process.stdout:
                if line.strip().isdigit():
                    flushed = int(line)
                if flushed >= wanted:
                    break
            # Into the middle of whatever it does now.
            time.sleep(0.003 * round_)
            process.send_signal(signal.SIGKILL)
            rest = process.stdout.read()
        finally:
            process.kill()
            process.wait()
            process.stdout.close()
        flushed = max([flushed, *(int(line) for line in rest.split() if line.isdigit())])
        with contextlib.closing(sqlite3.connect(path)) as raw:
            assert raw.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        with StoreReader(path) as reader:
            energies = {port: total.energy_wh for port, total in reader.energy().items()}
            until_utc = EVENING + timedelta(days=30)
            events = reader.history(EVENING, until_utc)
            parts = sum(part.energy_wh for part in energy_parts(reader, EVENING, until_utc))
        assert len(energies) == 8
        assert min(energies.values()) >= flushed
        assert {event.data["n"] for event in events} >= set(range(1, flushed + 1))
        # Counters and the energy by time are written together; step 1 was the counters' base.
        assert parts == pytest.approx(sum(energies.values()) - 8, abs=0.01)


FULL = """
    import resource, sys
    from datetime import UTC, datetime, timedelta
    from pathlib import Path
    from bridge.history.store import Store
    from rules.door import Record
    from rules.ports import Target, TargetKind

    evening = datetime(2030, 12, 1, 17, 0, tzinfo=UTC)
    target = Target(TargetKind.PORT, "gable/1")
    news = []
    how = {"on_news": news.append, "commit_s": 0.02, "retry_s": (0.02,)}
    store = Store(Path(sys.argv[1]), utc_now=lambda: evening, **how)
    store.start()
    store.record(Record("energy", evening, target, {"energy_wh": 5.0}))
    assert store.flush()
    _, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (Path(sys.argv[1]).stat().st_size, hard))
    for n in range(300):
        data = {"power": True, "reason": "x" * 900}
        store.record(Record("switch", evening + timedelta(seconds=n), target, data))
    assert not store.flush()
    assert [(one.kind.value, one.active) for one in news] == [("unwritable", True)], news
    resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
    while not store.flush():
        pass
    assert [(one.kind.value, one.active) for one in news][1:] == [("unwritable", False)], news
    store.close()
    print("done")
"""


def test_store_full_disk_is_told_and_loses_nothing(tmp_path):
    """When writes fail (the file may not grow) that is told once, and with room again all is written.

    The kernel refuses the writes (RLIMIT_FSIZE), as a full disk does.
    """
    path = tmp_path / "history.sqlite"
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(FULL), str(path)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.stdout.strip().endswith("done"), done.stdout + done.stderr
    with StoreReader(path) as reader:
        assert len(reader.history(EVENING, EVENING + timedelta(hours=1))) == 300


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write to read-only folders")
def test_store_read_only_folder_is_told(tmp_path):
    """A folder that may not be written is told, and the store goes on trying."""
    folder = tmp_path / "closed"
    folder.mkdir()
    folder.chmod(0o500)
    news = []
    store = Store(folder / "history.sqlite", utc_now=lambda: EVENING, on_news=news.append)
    try:
        assert not store.start().available
        assert [one.active for one in news] == [True]
    finally:
        store.close()
        folder.chmod(0o700)
