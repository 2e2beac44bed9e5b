"""The disk is full, torn, noisy or empty; the site comes back by itself, held where nothing can be known."""

import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import pytest
from failure_rig import SITE, device, site
from support import wait_for


def test_killed_before_anything_had_to_be_kept(tmp_path: Path) -> None:
    """A second start after an uneventful first one is no lost journal: shows have their power."""
    with site(tmp_path) as rig:
        rig.plan_night((1, 90))
        rig.start()
        wait_for(lambda: rig.recorder.state == "ready", what="the first run's word")
        rig.kill()
        rig.start()
        assert not rig.events("journal.lost")
        rig.wait_lit()
        rig.end_show()
        rig.judge()


def test_all_state_lost(tmp_path: Path) -> None:
    """With its state folder gone the site starts held, because the broker knows it; no counter falls."""
    with site(tmp_path) as rig:
        rig.plan_night((1, 60))
        rig.start()
        rig.wait_lit()
        wait_for(lambda: rig.recorder.state == "ready", what="a word on the broker")
        rig.kill()
        shutil.rmtree(rig.state_dir)
        # As if a season had been counted, and only the broker still knew.
        rig.recorder.publish(f"homie/5/{device('mast/1')}/port/energy", "7.5", retain=True)
        rig.start()
        rig.wait_dark()
        said = rig.recorder.latest
        wait_for(lambda: b"lost-journal" in said.get(f"homie/5/{SITE}/site/hold", b""), what="the hold")
        assert "internal-fault" not in rig.log_text()
        assert rig.ask("release", "", "lost-journal")["accepted"]
        wait_for(lambda: float(rig.status()["ports"]["mast/1"].get("energy", 0)) >= 7.5, what="the counter")
        rig.judge()


def test_all_state_lost_with_the_broker_far_away(tmp_path: Path) -> None:
    """With its state folder gone the site starts held, though its broker's word takes seconds to come."""
    with site(tmp_path, relay=True) as rig:
        rig.plan_night((1, 60))
        rig.start()
        wait_for(lambda: rig.recorder.state == "ready", what="a word on the broker")
        rig.kill()
        shutil.rmtree(rig.state_dir)
        rig.relay.delay_s = 0.25  # each way: half a second there and back, as over a mobile network
        rig.start()
        held = f"homie/5/{SITE}/site/hold"
        wait_for(lambda: b"lost-journal" in rig.recorder.latest.get(held, b""), 20.0, what="the hold")


def test_journal_torn_before_the_start(tmp_path: Path) -> None:
    """A journal torn at any byte loses nothing with one copy, and with both the site starts held."""
    with site(tmp_path) as rig:
        rig.plan_night((1, 30))
        rig.start()
        rig.wait_lit()
        assert rig.ask("hold", "mast/2", "Ann")["accepted"]
        rig.wait_lit(("eave/1", "eave/2", "mast/1"))
        copies = [rig.state_dir / name for name in ("journal.a", "journal.b")]
        rig.kill()
        whole = copies[0].read_bytes()
        copies[rig.rng.randrange(2)].write_bytes(whole[: rig.rng.randrange(len(whole))])
        rig.start()
        wait_for(lambda: "Ann" in rig.recorder.value("mast/2", "hold"), what="the hold")
        assert len(rig.events("journal.damaged")) == 1
        rig.kill()
        for copy in copies:
            copy.write_bytes(whole[: rig.rng.randrange(len(whole))])
        rig.start()
        rig.wait_dark()
        said = rig.recorder.latest
        wait_for(
            lambda: "lost-journal" in said.get(f"homie/5/{SITE}/site/hold", b"").decode(), what="the hold"
        )
        assert f"homie/5/{SITE}/$alert/journal-fault" in said
        assert rig.ask("release", "", "lost-journal")["accepted"]
        rig.judge()


def test_disk_full(tmp_path: Path) -> None:
    """On a full disk shows end on time, a hold still darkens its port, and all is told; space ends it."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=640k", "tmpfs", str(disk)],
        capture_output=True,
        check=False,
    )
    if mounted.returncode:
        pytest.skip(f"can't mount a small disk: {mounted.stderr.decode().strip()}")
    try:
        with site(tmp_path) as rig:
            rig.state_dir = disk / "state"
            rig.plan_night((1, 14))
            rig.start()
            rig.wait_lit()
            filler = disk / "filler"
            with filler.open("wb", buffering=0) as stream:
                try:
                    while True:
                        stream.write(b"x" * 4096)
                except OSError:
                    pass
            answer = rig.ask("hold", "mast/2", "Ann")
            assert answer["accepted"]
            assert "can't be written" in answer["text"]
            rig.wait_lit(("eave/1", "eave/2", "mast/1"))
            wait_for(
                lambda: f"homie/5/{SITE}/$alert/journal-fault" in rig.recorder.latest,
                what="the alert of the disk",
            )
            rig.crash()
            rig.wait_lit(("eave/1", "eave/2", "mast/1", "mast/2"))  # the hold was never on disk, as was said
            assert rig.ask("hold", "mast/2", "Ann")["accepted"]
            filler.unlink()
            wait_for(
                lambda: "Ann" in (rig.state_dir / "journal.a").read_text(),
                15,
                what="the hold on disk after all",
            )
            rig.at(0, end=True)
            rig.wait_dark()
            rig.wait_agreed()
            rig.judge()
            rig.kill()
            rig.start()
            wait_for(lambda: "Ann" in rig.recorder.value("mast/2", "hold"), what="the hold after a crash")
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=True)


@contextmanager
def only_read(folder: Path) -> Iterator[None]:
    """What a worn card does to its files: whoever opens one can only read it."""
    mounts = (["--bind", str(folder), str(folder)], ["-o", "remount,bind,ro", str(folder)])
    done = [subprocess.run(["mount", *one], capture_output=True, check=False) for one in mounts]
    try:
        if any(one.returncode for one in done):
            pytest.skip(f"can't mount a folder to be read only: {done[0].stderr.decode().strip()}")
        yield
    finally:
        if not done[0].returncode:
            subprocess.run(["umount", "-l", str(folder)], check=True)


def test_disk_that_can_only_be_read(tmp_path: Path) -> None:
    """A process killed there starts all the same: ports go dark on time, holds act, and all is told."""
    with site(tmp_path) as rig:
        rig.plan_night((1, 12))
        rig.start()
        assert rig.ask("hold", "mast/2", "Ann")["accepted"]
        rig.wait_lit(("eave/1", "eave/2", "mast/1"))
        fault = f"homie/5/{SITE}/$alert/journal-fault"
        with only_read(rig.state_dir):
            rig.kill()
            rig.start(wait=False)  # without a control socket
            wait_for(
                lambda: b"Read-only" in rig.recorder.latest.get(fault, b""), what="the alert of the disk"
            )
            assert "Ann" in rig.recorder.value("mast/2", "hold")
            rig.recorder.ask("eave/1", "add-hold", "Ben")
            wait_for(lambda: "Ben" in rig.recorder.value("eave/1", "hold"), what="the hold by MQTT")
            answer = partial(rig.recorder.value, "eave/1", "last-answer")
            wait_for(lambda: "can't be written to disk" in answer(), what="the answer with its warning")
            rig.at(0, end=True)
            rig.wait_dark()
        wait_for(lambda: rig.events("journal.writable"), 15, what="the journal on disk after all")
        assert "Ben" in (rig.state_dir / "journal.a").read_text()
        wait_for(lambda: rig.events("control.open"), 15, what="the control socket")
        assert rig.ask("acknowledge", "", "journal-fault")["accepted"]
        wait_for(lambda: not rig.recorder.latest[fault], what="the end of the alert")
        assert len(rig.events("journal.unwritable")) == 1, "told once, not at each attempt"
        rig.wait_agreed()
        rig.judge()


def test_damaged_store(tmp_path: Path) -> None:
    """A history full of noise is set aside and told; shows run, and counters do not fall."""
    with site(tmp_path) as rig:
        rig.plan_night((1, 4), (9, 90))
        rig.start()
        rig.wait_lit()
        rig.wait_dark()
        rig.kill()
        history = rig.state_dir / "history.db"
        content = bytearray(history.read_bytes())
        content[0:8192] = rig.rng.randbytes(8192)
        history.write_bytes(content)
        for rest in rig.state_dir.glob("history.db-*"):
            rest.unlink()
        rig.start()
        wait_for(lambda: rig.events("store.set_aside"), what="the word in the log")
        rig.wait_lit()
        rig.end_show()
        rig.wait_agreed()
        assert [file.name for file in rig.state_dir.glob("history.db*") if "-wal" not in file.name]
        rig.judge()
