"""Ports whose controller does not report power: no verdict rests on it, and nothing is left on."""

from world import World, all_ports, evening, running, site_plan

from rules.door import Origin, Verb
from rules.plan import Reclosing, SitePlan
from rules.ports import Abilities, PortId

FIRST = PortId("c1/1")


def blind(**more: object) -> SitePlan:
    """One port that can't be read back."""
    return all_ports(site_plan(1), abilities=Abilities(readback=False), **more)


def test_a_shot_that_was_accepted_has_closed() -> None:
    """Power that nobody can report is no power that did not come back: no lockout for it."""
    world = running(blind(reclosing=Reclosing(dead_times_s=(30.0,))))
    world.trip(FIRST)
    world.run(45.0)
    assert world.on()
    assert world.told(FIRST, "shots") == 1
    assert (FIRST, "lockout") not in world.alerts
    world.run(60.0)
    assert world.told(FIRST, "shots") == 0


def test_a_trip_long_after_a_reset_is_none_soon_after_it() -> None:
    """An hour after the reset a trip is a trip, not a lockout for coming right after a reset."""
    world = running(blind())
    world.trip(FIRST)
    world.run(5.0)
    assert world.ask(Verb.RESET, FIRST).accepted
    world.run(3600.0)
    world.trip(FIRST)
    world.run(5.0)
    assert world.told(FIRST, "fault") == "fuse-trip"


def test_after_a_crash_it_is_switched_off_when_nothing_wants_it() -> None:
    """Killed in the show and started after it: the port, on or not, gets one OFF."""
    world = running(blind())
    again = World(world.plan, utc=evening(23))
    again.ports = world.ports
    again.start(Origin.JOURNAL, world.kept)
    again.run(60.0)
    assert not again.on()
    assert [power for _, _, power in again.switches] == [False]


def test_a_controller_that_restarted_is_brought_to_what_holds() -> None:
    """Back from a restart that switched it off, the port comes on again by one command."""
    world = running(blind())
    world.unreachable.add("c1")
    world.run(20.0)
    world.ports[FIRST].power = False
    world.unreachable.clear()
    before = len(world.switches)
    world.run(20.0)
    assert world.on()
    assert [power for _, _, power in world.switches[before:]] == [True]
