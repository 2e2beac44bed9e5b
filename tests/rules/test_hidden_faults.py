"""A graver fault hides what follows from it while it stands, and not a day longer."""

from world import all_ports, running, site_plan

from rules.door import Verb
from rules.plan import Reclosing
from rules.ports import PortId

FIRST = PortId("c1/1")


def test_a_plug_put_back_does_not_hide_a_dark_tail() -> None:
    """`no-load` that is over and not acknowledged: a part of the string that goes dark later is told."""
    world = running(site_plan(1))
    world.ports[FIRST].current_a = 0.0
    world.run(30.0)
    assert world.told(FIRST, "fault") == "no-load"
    world.ports[FIRST].current_a = 0.226
    world.run(60.0)
    assert world.told(FIRST, "fault") == "none"
    world.ports[FIRST].current_a = 0.1
    world.run(120.0)
    assert world.told(FIRST, "fault") == "undercurrent"
    assert (FIRST, "undercurrent") in world.alerts


def test_a_controller_that_is_back_does_not_hide_its_ports_faults() -> None:
    """`no-data` that is over and not acknowledged: a port unplugged later is told."""
    world = running(site_plan(1))
    world.unreachable.add("c1")
    world.run(30.0)
    assert ("c1", "no-data") in world.alerts
    world.unreachable.clear()
    world.run(30.0)
    world.ports[FIRST].current_a = 0.0
    world.run(60.0)
    assert (FIRST, "no-load") in world.alerts


def test_a_fault_from_before_an_outage_is_told_again_after_it() -> None:
    """While the controller is away its ports' alerts go; what still stands comes back with it."""
    world = running(site_plan(1))
    world.ports[FIRST].current_a = 0.0
    world.run(60.0)
    assert (FIRST, "no-load") in world.alerts
    world.unreachable.add("c1")
    world.run(30.0)
    assert (FIRST, "no-load") not in world.alerts
    world.unreachable.clear()
    world.run(5.0)
    assert (FIRST, "no-load") in world.alerts


def test_a_trip_that_reclosed_does_not_hide_an_unplugged_string() -> None:
    """A trip survived and not acknowledged: what is wrong with the port later is told."""
    world = running(all_ports(site_plan(1), reclosing=Reclosing(dead_times_s=(5.0,), reclaim_s=10.0)))
    world.trip(FIRST)
    world.run(60.0)
    assert world.on()
    world.ports[FIRST].current_a = 0.0
    world.run(60.0)
    assert (FIRST, "no-load") in world.alerts
    assert world.ask(Verb.ACKNOWLEDGE, FIRST, "fuse-trip").accepted
    assert world.told(FIRST, "fault") == "no-load"
