"""The disk is full, torn, noisy or empty; the site comes back by itself, held where nothing can be known."""

import shutil
import subprocess
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
            rig.plan_night((1, 8))
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
