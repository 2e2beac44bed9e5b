"""The broker fails in every way it can; power goes on by the rules, and nothing that counts stays untold."""

import time
from pathlib import Path

import pytest
from failure_rig import PORTS, site
from support import mosquitto_program, wait_for

pytestmark = pytest.mark.skipif(mosquitto_program() is None, reason="needs a mosquitto program it may kill")


def test_broker_killed_and_back_empty(tmp_path: Path) -> None:
    """A broker that dies with all it held gets everything back, also a trip that happened meanwhile."""
    with site(tmp_path) as rig:
        rig.plan_night((3, 10), (13, 15))
        rig.start()
        rig.wait_lit()
        rig.broker.kill()
        rig.yard.tell("fault", port="eave/2", kind="short")
        rig.wait_lit(("eave/1", "mast/1", "mast/2"))
        rig.yard.tell("mend", port="eave/2")
        rig.broker.start()
        assert rig.recorder is not None
        rig.recorder.latest.clear()
        wait_for(lambda: rig.recorder.alert("eave/2"), 15, what="the alert on the new broker")
        assert "eave 2" in rig.recorder.alert("eave/2")
        rig.at(0, end=True)
        rig.wait_dark()
        rig.wait_lit(("eave/1", "mast/1", "mast/2"))
        rig.wait_dark()
        rig.wait_agreed()
        rig.judge()
