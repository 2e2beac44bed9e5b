"""The process is killed, starved, doubled and misled; it comes back by itself, with holds and trips kept."""

import os
import shutil
import socket
import subprocess
import sys
import time
from contextlib import ExitStack, suppress
from pathlib import Path

import pytest
from failure_rig import site
from support import wait_for


def test_killed_at_random_instants(tmp_path: Path) -> None:
    """A kill -9 at any instant forgets no hold and no trip, and powers no port it must not."""
    with site(tmp_path) as rig:
        rig.plan_night((1, 90))
        rig.start()
        rig.wait_lit()
        assert rig.ask("hold", "mast/2", "Ann")["accepted"]
        rig.yard.tell("fault", port="eave/2", kind="short")
        wait_for(lambda: rig.recorder.alert("eave/2"), what="the alert")
        rig.wait_lit(("eave/1", "mast/1"))
        held_s = rig.now_s()
        for _ in range(4):
            time.sleep(rig.rng.uniform(0.0, 0.8))
            rig.crash()
        rig.wait_lit(("eave/1", "mast/1"))
        rig.end_show()
        rig.wait_agreed()
        assert rig.recorder.value("mast/2", "hold-state") == "confirmed-off"
        assert "Ann" in rig.recorder.value("mast/2", "hold")
        assert rig.recorder.alert("eave/2")
        later = [o for o in rig.yard.get("history")["orders"] if o["power"] and o["at_s"] > held_s]
        assert not {o["port"] for o in later} & {"mast/2", "eave/2"}
        rig.judge()


def test_killed_over_the_end_of_a_show(tmp_path: Path) -> None:
    """Ports left on by a crash go dark as soon as the next run has read them."""
    with site(tmp_path) as rig:
        rig.plan_night((1, 4))
        rig.start()
        rig.wait_lit()
        rig.at(0, end=True, plus_s=-0.3)
        rig.crash(down_s=1.0)
        rig.wait_dark()
        rig.wait_agreed()
        rig.judge()


@pytest.mark.skipif(os.geteuid() != 0, reason="needs root to mount a small disk")
@pytest.mark.skipif(shutil.which("prlimit") is None, reason="needs prlimit (util-linux)")
def test_few_files_and_little_memory(tmp_path: Path) -> None:
    """With 40 descriptors and 1.2 GB of address space the site runs, whoever crowds at its socket."""
    with site(tmp_path) as rig:
        rig.plan_night((1, 6))
        rig.start(limited=("prlimit", "--nofile=40", f"--as={1200 * 2**20}"))
        rig.wait_lit()
        with ExitStack() as crowd:
            for _ in range(60):
                one = crowd.enter_context(socket.socket(socket.AF_UNIX))
                one.settimeout(0.2)
                with suppress(OSError):  # its queue is full: that is the point
                    one.connect(str(rig.state_dir / "control.sock"))
            rig.at(0, end=True)
            rig.wait_dark()
        wait_for(rig.status, what="an answer once the crowd has left")
        rig.wait_agreed()
        rig.judge()


def test_two_with_one_state_folder(tmp_path: Path) -> None:
    """The second process with one state folder ends with one sentence; the first one is not disturbed."""
    with site(tmp_path) as rig:
        rig.plan_night((1, 90))
        rig.start()
        second = subprocess.run(
            [sys.executable, "-m", "bridge.cli", "run", str(rig.config)],
            capture_output=True,
            text=True,
            timeout=20,
            check=False,
        )
        assert second.returncode == 1
        assert second.stderr.count("\n") == 1
        assert "is used by another duskward" in second.stderr
        rig.wait_lit()
        rig.end_show()
        rig.wait_agreed()
        rig.judge()


def test_two_with_one_site_id(tmp_path: Path) -> None:
    """Two processes with one site id on one broker say so; ports follow the shows all the same."""
    with site(tmp_path) as rig:
        rig.plan_night((1, 9))
        rig.start()
        rig.wait_lit()
        other = tmp_path / "other.yaml"
        other.write_text(rig.config.read_text().replace(str(rig.state_dir), str(tmp_path / "other-state")))
        with (tmp_path / "other.log").open("wb") as log:
            second = subprocess.Popen(
                [sys.executable, "-m", "bridge.cli", "run", str(other), "--json-logs"], stdout=log, stderr=log
            )
        try:
            wait_for(
                lambda: "link.evicted" in rig.log_text() + (tmp_path / "other.log").read_text(), 30,
                what="the word that two share a client id",
            )  # fmt: skip
        finally:
            second.kill()
            second.wait(10)
        rig.at(0, end=True)
        rig.wait_dark()
        wait_for(lambda: rig.recorder.state == "ready", 20, what="the first one's connection")
        rig.wait_agreed(20)
        rig.judge(one_counter=False)
