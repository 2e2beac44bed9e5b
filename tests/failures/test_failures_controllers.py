"""Controllers hang, lie, dawdle and restart; the others are not disturbed, and power ends when it must."""

from pathlib import Path

from failure_rig import PORTS, site
from support import wait_for

EAVE, MAST = ("eave/1", "eave/2"), ("mast/1", "mast/2")


def test_hung_controller(tmp_path: Path) -> None:
    """A box that hangs over a show's end is told, holds up no other, and is dark soon after it answers."""
    with site(tmp_path) as rig:
        rig.plan_night((1, 4), (9, 10))
        rig.start()
        rig.wait_lit()
        rig.yard.tell("misbehave", controller="mast", kind="hang")
        hung_s = rig.night.spans[0][1]
        rig.at(0, end=True)
        rig.wait_lit(MAST)  # the other box is dark on time
        wait_for(lambda: rig.recorder.alert_of("mast", "no-data"), what="the word that it does not answer")
        rig.yard.tell("behave", controller="mast")
        rig.night.blind.append((hung_s, rig.now_s()))
        rig.wait_dark()
        rig.wait_lit()
        rig.wait_dark()
        rig.wait_agreed()
        # It is over, and stays told until somebody has seen it.
        assert rig.recorder.alert_of("mast", "no-data")
        assert rig.ask("acknowledge", "mast", "no-data")["accepted"]
        wait_for(lambda: not rig.recorder.alert_of("mast", "no-data"), what="the end of the alert")
        rig.judge()


def test_deaf_controller(tmp_path: Path) -> None:
    """A box that says yes and does nothing is told as stuck on, and is dark soon after it obeys."""
    with site(tmp_path) as rig:
        rig.plan_night((1, 4))
        rig.start()
        rig.wait_lit()
        rig.yard.tell("misbehave", controller="eave", kind="deaf")
        rig.at(0, end=True)
        wait_for(lambda: rig.recorder.alert("eave/1", "stuck-on"), 15, what="the alert")
        rig.yard.tell("behave", controller="eave")
        rig.night.blind.append((rig.night.spans[0][1], rig.now_s()))
        # An OFF is repeated ever more slowly: after these seconds the next one comes within 8 s.
        rig.wait_dark(12)
        rig.wait_agreed()
        wait_for(lambda: rig.recorder.value("eave/1", "alarm") == "returned", what="the end of the fault")
        assert rig.ask("acknowledge", "eave/1", "stuck-on")["accepted"]
        wait_for(lambda: not rig.recorder.alert("eave/1", "stuck-on"), what="the end of the alert")
        rig.judge(bound_s=9.0)


def test_lying_controller(tmp_path: Path) -> None:
    """A box that claims power whatever is the case does not keep its ports on, nor hide another's trip."""
    with site(tmp_path) as rig:
        rig.plan_night((1, 5))
        rig.start()
        rig.wait_lit()
        rig.yard.tell("misbehave", controller="mast", kind="claims-on")
        rig.yard.tell("fault", port="eave/1", kind="short")
        wait_for(lambda: rig.recorder.alert("eave/1"), what="the alert")
        rig.at(0, end=True)
        rig.wait_dark()
        wait_for(lambda: rig.recorder.alert("mast/1", "stuck-on"), 15, what="the alert of what it claims")
        rig.yard.tell("behave", controller="mast")
        rig.wait_agreed()
        rig.judge()


def test_slow_controller(tmp_path: Path) -> None:
    """A box that trickles its answers delays no OFF, its own ports' included, and no other box."""
    with site(tmp_path) as rig:
        rig.plan_night((1, 4), (7, 8))
        rig.start()
        rig.wait_lit()
        rig.yard.tell("misbehave", controller="mast", kind="slow", gap_s=0.5)
        rig.at(0, end=True)
        rig.wait_dark()
        rig.yard.tell("behave", controller="mast")
        rig.wait_lit()
        rig.wait_dark()
        rig.wait_agreed()
        rig.judge()


def test_restarting_controllers(tmp_path: Path) -> None:
    """Boxes that lose power mid-show are no trips: they get power back, and not beyond the show's end."""
    with site(tmp_path) as rig:
        rig.plan_night((1, 8))
        rig.start()
        rig.wait_lit()
        rig.yard.tell("restart", controller="eave", down_s=1.0)
        rig.yard.tell("restart", controller="mast", down_s=1.5)
        rig.wait_lit((), 3)
        rig.wait_lit()
        rig.wait_dark(12)
        rig.wait_agreed()
        assert not any(rig.recorder.alert(port) for port in PORTS)
        rig.judge()


def test_reset_at_the_end_of_a_show(tmp_path: Path) -> None:
    """A box that comes back from a restart after the show, its ports on by itself, is switched off."""
    with site(tmp_path) as rig:
        rig.plan_night((1, 5))
        rig.start()
        rig.wait_lit()
        rig.at(0, end=True, plus_s=-0.7)
        rig.yard.tell("restart", controller="mast", down_s=3.0)
        back_s = rig.now_s() + 3.0
        rig.at(0, end=True)
        rig.night.blind.append((back_s, back_s))
        wait_for(lambda: rig.now_s() > back_s, 10, what="the restart")
        rig.wait_dark()
        rig.wait_agreed()
        rig.judge()


def test_reset_onto_a_short(tmp_path: Path) -> None:
    """A reset while the string is still shorted opens the fuse within milliseconds: that is told again."""
    with site(tmp_path) as rig:
        rig.plan_night((1, 60))
        rig.start()
        rig.wait_lit()
        rig.yard.tell("fault", port="eave/1", kind="short")
        wait_for(lambda: rig.recorder.alert("eave/1"), what="the alert")
        assert rig.ask("acknowledge", "eave/1", "fuse-trip")["accepted"]
        known = len(rig.recorder.alerts("eave/1"))
        assert rig.ask("reset", "eave/1")["accepted"]
        # The second trip may be told within milliseconds of the end of the first.
        wait_for(lambda: "" in rig.recorder.alerts("eave/1")[known:], what="the end of the alert")
        wait_for(lambda: rig.recorder.alert("eave/1"), 15, what="the alert of the second trip")
        assert rig.ask("start-show", "", "end")["accepted"]
        rig.wait_dark()
        rig.judge()
