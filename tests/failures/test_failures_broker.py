"""The broker fails in every way it can; power goes on by the rules, and nothing that counts stays untold."""

import shutil
import subprocess
from pathlib import Path

import pytest
from failure_rig import SITE, Recorder, device, site
from support import wait_for

THREE = ("eave/1", "mast/1", "mast/2")


def test_broker_killed_and_back_empty(tmp_path: Path) -> None:
    """A broker that dies with all it held gets everything back, also a trip that happened meanwhile."""
    with site(tmp_path) as rig:
        rig.plan_night((1, 6), (8, 9))
        rig.start()
        rig.wait_lit()
        rig.broker.kill()
        rig.yard.tell("fault", port="eave/2", kind="short")
        rig.wait_lit(THREE)
        rig.yard.tell("mend", port="eave/2")
        rig.recorder.latest.clear()
        rig.broker.start()
        wait_for(lambda: "eave 2" in rig.recorder.alert("eave/2"), 15, what="the alert on the new broker")
        rig.at(0, end=True)
        rig.wait_dark()
        rig.wait_lit(THREE)
        rig.wait_dark()
        rig.wait_agreed()
        for port in THREE:
            assert f"homie/5/{device(port)}/$description" in rig.recorder.latest
        rig.judge()


def test_broker_not_there_for_long(tmp_path: Path) -> None:
    """Without a broker shows have their power; the log says so once, and the end of it once."""
    with site(tmp_path, relay=True) as rig:
        rig.relay.refuse()
        rig.plan_night((1, 4))
        rig.start()
        rig.wait_lit()
        rig.yard.tell("fault", port="mast/1", kind="short")
        rig.at(0, end=True)
        rig.wait_dark()
        said = rig.events("link.disconnected")
        assert len(said) == 1, said
        assert "cannot be reached" in said[0]["reason"]
        rig.relay.listen()
        wait_for(lambda: rig.recorder.alert("mast/1"), 20, what="the alert, late")
        rig.wait_agreed()
        assert len(rig.events("link.connected")) == 1
        rig.judge()


def test_slow_broker_delays_no_power(tmp_path: Path) -> None:
    """A broker that takes half a second for everything does not make an OFF late, nor the last word wrong."""
    with site(tmp_path, relay=True) as rig:
        rig.relay.delay_s = 0.5
        rig.plan_night((1, 5), (7, 8))
        rig.start()
        rig.wait_lit()
        rig.wait_dark()
        rig.wait_lit()
        rig.wait_dark()
        rig.wait_agreed()
        rig.judge()


def test_silent_broker_is_left_and_found_again(tmp_path: Path) -> None:
    """A broker that takes bytes and says nothing holds up no power; what happened meanwhile is told after."""
    with site(tmp_path, relay=True) as rig:
        rig.plan_night((1, 6))
        rig.start()
        rig.wait_lit()
        wait_for(lambda: rig.recorder.state == "ready", what="a word on the broker")
        rig.relay.silent = True
        rig.yard.tell("fault", port="eave/1", kind="short")
        rig.at(0, end=True)
        rig.wait_dark()
        rig.relay.silent = False
        wait_for(lambda: rig.recorder.alert("eave/1"), 20, what="the alert, late")
        rig.wait_agreed()
        rig.judge()


def test_broker_that_hangs_up_on_one_message(tmp_path: Path) -> None:
    """A payload the broker hangs up on is set aside; alerts and values of all others get through."""
    with site(tmp_path, relay=True) as rig:
        rig.relay.cut_on = f"{device('eave/2')}/port/fault-detail".encode()
        rig.plan_night((1, 8))
        rig.start()
        rig.wait_lit()
        rig.yard.tell("fault", port="eave/2", kind="short")
        wait_for(lambda: rig.recorder.alert("eave/2"), 30, what="the alert")
        wait_for(
            lambda: rig.recorder.state == "ready" and rig.relay.cuts >= 2, 30, what="a lasting connection"
        )
        rig.at(0, end=True)
        rig.wait_dark()
        rig.wait_agreed(30)
        rig.judge()


@pytest.mark.skipif(shutil.which("mosquitto_passwd") is None, reason="needs mosquitto_passwd")
def test_refused_credentials(tmp_path: Path) -> None:
    """A broker that refuses the password is asked again, told once and never shown; power goes on."""
    users = tmp_path / "users"
    subprocess.run(
        ["mosquitto_passwd", "-b", "-c", str(users), "watcher", "w"], check=True, capture_output=True
    )
    subprocess.run(["mosquitto_passwd", "-b", str(users), "yard", "right"], check=True, capture_output=True)
    users.chmod(0o644)
    secret = tmp_path / "password"
    secret.write_text("wrong-hollow-27")
    with site(tmp_path, broker_lines=[f"password_file {users}"], anonymous=False) as rig:
        rig.recorder = Recorder(rig.broker.port, username="watcher", password="w")
        rig.plan_night((1, 3), broker={"username": "yard", "password_file": str(secret)})
        rig.start()
        rig.wait_lit()
        rig.wait_dark()
        (said,) = rig.events("link.disconnected")
        assert "yard" in said["reason"]
        assert "wrong-hollow-27" not in rig.log_text()
        # Whoever keeps the broker mends it; nobody touches this machine.
        subprocess.run(
            ["mosquitto_passwd", "-b", str(users), "yard", "wrong-hollow-27"], check=True, capture_output=True
        )
        rig.broker.restart(kill=False)
        wait_for(
            lambda: rig.recorder.latest.get(f"homie/5/{SITE}/$state") == b"ready", 20, what="a connection"
        )
        rig.wait_agreed()
        rig.judge()
