"""A stop is clean and quick, whatever is going on, and leaves ports as the configuration says."""

from pathlib import Path

import pytest
from failure_rig import PORTS, site
from support import wait_for


@pytest.mark.parametrize("at_stop", ["leave", "off"])
def test_what_a_stop_does_to_ports(tmp_path: Path, at_stop: str) -> None:
    """With `at_stop: off` every port is dark when the process has ended; with `leave` none changes."""
    with site(tmp_path) as rig:
        rig.plan_night((1, 20), at_stop=at_stop)
        rig.start()
        rig.wait_lit()
        wait_for(lambda: rig.recorder.state == "ready", what="a word on the broker")
        code, took_s = rig.terminate()
        assert code == 0
        assert took_s < 2.0
        assert rig.yard.powered() == (set() if at_stop == "off" else set(PORTS))
        wait_for(lambda: rig.recorder.state == "disconnected", what="the goodbye")
        if at_stop == "off":
            assert all(rig.recorder.value(port, "power") == "false" for port in PORTS)
        assert "Traceback" not in rig.log_text()
        rig.judge(bound_s=3.0)


def test_a_stop_with_everything_hung(tmp_path: Path) -> None:
    """With a silent broker and a hung box a stop takes less than 2 s, and the other box is dark."""
    with site(tmp_path, relay=True) as rig:
        rig.plan_night((1, 20), at_stop="off")
        rig.start()
        rig.wait_lit()
        wait_for(lambda: rig.recorder.state == "ready", what="a word on the broker")
        rig.relay.silent = True
        rig.yard.tell("misbehave", controller="mast", kind="hang")
        code, took_s = rig.terminate()
        assert code == 0
        assert took_s < 2.0
        assert rig.yard.powered() == {"mast/1", "mast/2"}
        rig.relay.silent = False
        # What it had sent arrives late, or the broker speaks for it: it is not taken for running.
        wait_for(lambda: rig.recorder.state in ("lost", "disconnected"), 20, what="a word on its end")
        assert "Traceback" not in rig.log_text()


def test_killed_is_told_by_the_will(tmp_path: Path) -> None:
    """A process that dies says nothing; the broker says `lost` for it."""
    with site(tmp_path) as rig:
        rig.plan_night((20, 21))
        rig.start()
        wait_for(lambda: rig.recorder.state == "ready", what="a word on the broker")
        rig.kill()
        wait_for(lambda: rig.recorder.state == "lost", what="the will")
