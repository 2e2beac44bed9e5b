"""What switched a port off can switch it off again, and what is told of it is true each time."""

from dataclasses import replace
from types import MappingProxyType

import pytest
from world import Mishap, World, all_ports, evening, reload, running, site_plan

from rules.door import Origin, Switch, Verb
from rules.plan import DEFAULT_LIMITS, Limit, Reclosing
from rules.ports import Abilities, Condition, Fuse, PortId

FIRST = PortId("c1/1")
TWO_SHOTS = Reclosing(dead_times_s=(30.0, 40.0))


class ShortSeenByNobody(World):
    """Once `short`, every fuse opens as it is switched on, before a reading sees power."""

    short = False

    def _act(self, effect: Switch) -> None:
        super()._act(effect)
        self.ports[effect.port].power = self.ports[effect.port].power and not self.short


@pytest.mark.parametrize("wait_s", [0.0, 2.0, 30.0])
def test_an_overload_still_there_after_a_reset_is_switched_off_again(wait_s: float) -> None:
    """However soon the reset comes, within the off-delay of `overcurrent` too, an overload goes off again."""
    world = running(site_plan(1))
    world.ports[FIRST].current_a = 5.0
    world.run(4.0)
    assert not world.on()
    world.run(wait_s)
    assert world.ask(Verb.RESET, FIRST).accepted
    world.run(1.5)
    assert world.on()
    world.run(10.0)
    assert not world.on()
    assert world.told(FIRST, "fault") in ("fuse-trip", "lockout")


def test_a_condition_slow_to_return_is_no_leave_to_stay_on() -> None:
    """A reset while the condition still stands (a box cools slowly) does not leave the port on."""
    limits = {**DEFAULT_LIMITS, Condition.OVERCURRENT: Limit(0.0, 3600.0, off=True)}
    world = running(all_ports(site_plan(1), limits=MappingProxyType(limits)))
    world.ports[FIRST].current_a = 5.0
    world.run(3.0)
    world.run(600.0)
    assert world.ask(Verb.RESET, FIRST).accepted
    world.run(10.0)
    assert not world.on()


@pytest.mark.parametrize("dead_s", [1.0, 30.0])
def test_an_overload_still_there_after_a_shot_is_switched_off_again(dead_s: float) -> None:
    """A dead time shorter than the off-delay of `overcurrent` does not leave the overload on for good."""
    world = running(all_ports(site_plan(1), reclosing=Reclosing(dead_times_s=(dead_s,))))
    world.ports[FIRST].current_a = 5.0
    world.run(120.0)
    assert not world.on()
    assert world.told(FIRST, "fault") == "lockout"


def test_the_alert_of_a_second_overload_tells_of_the_second() -> None:
    """After the second trip in a row the alert promises what is decided now, not what was after the first."""
    world = running(all_ports(site_plan(1), reclosing=TWO_SHOTS))
    world.ports[FIRST].current_a = 5.0
    world.run(5.0)
    assert "shot 1 of 2" in world.alerts[FIRST, "fuse-trip"]
    world.run(40.0)
    assert not world.on()
    assert "shot 2 of 2" in world.alerts[FIRST, "fuse-trip"]
    world.run(60.0)
    assert "closes again" not in world.alerts[FIRST, "fuse-trip"]
    assert world.told(FIRST, "fault") == "lockout"


def test_a_reset_onto_a_short_is_told_where_no_flag_tells_of_it() -> None:
    """A port without a trip flag whose fuse opens at once after a reset is dark: that is told."""
    plan = all_ports(site_plan(1), abilities=Abilities(trip=False))
    world = ShortSeenByNobody(plan, utc=evening(17, 58))
    world.start()
    world.run_until(evening(18, 30))
    world.short, world.ports[FIRST].power = True, False
    world.run(5.0)
    assert world.told(FIRST, "fault") == "fuse-trip"
    assert world.ask(Verb.RESET, FIRST).accepted
    world.run(20.0)
    assert world.told(FIRST, "fault") == "stuck-off"
    assert (FIRST, "stuck-off") in world.alerts


def test_the_flag_counts_again_after_a_shot_of_unknown_outcome() -> None:
    """A shot that acted without an answer: the flag of a later trip counts, although power is still told."""
    world = running(all_ports(site_plan(1), reclosing=TWO_SHOTS))
    world.trip(FIRST)
    world.run(29.0)
    world.mishaps = [Mishap.UNHEARD]
    world.run(20.0)
    assert world.on()
    world.run(200.0)
    world.ports[FIRST].tripped = True
    world.run(3.0)
    assert world.told(FIRST, "fault") == "fuse-trip"


def test_no_shot_is_given_that_the_plan_has_no_more() -> None:
    """Reclosing taken out of the configuration in a dead time: no power by itself, and the alert says so."""
    world = running(all_ports(site_plan(1), reclosing=TWO_SHOTS))
    world.trip(FIRST)
    world.run(5.0)
    reload(world, site_plan(1))
    world.run(120.0)
    assert not world.on()
    assert "automatic reclosing is not set up" in world.alerts[FIRST, "fuse-trip"]


def test_power_seen_on_a_port_switched_off_for_overcurrent_ends_no_trip() -> None:
    """A self-resetting fuse that was switched off by the rules did not reset itself: the trip stands."""
    world = running(all_ports(site_plan(1), fuse=Fuse.SELF_RESETTING))
    world.ports[FIRST].current_a = 5.0
    world.run(4.0)
    world.ports[FIRST].power, world.ports[FIRST].current_a = True, 0.2
    world.run(30.0)
    assert not world.on()
    assert world.told(FIRST, "fault") == "fuse-trip"


def test_killed_inside_the_reclaim_time_the_port_stays_lit() -> None:
    """A shot that has closed is kept as one: after a crash the port goes on, its shot still used."""
    plan = all_ports(site_plan(1), reclosing=replace(TWO_SHOTS, reclaim_s=300.0))
    world = running(plan)
    world.trip(FIRST)
    world.run(40.0)
    assert world.on()
    again = World(plan, utc=world.utc, monotonic_s=world.monotonic_s)
    again.ports = world.ports
    again.start(Origin.JOURNAL, world.kept)
    again.run(30.0)
    assert again.on()
    assert again.told(FIRST, "shots") == 1
    again.run(400.0)
    assert again.told(FIRST, "shots") == 0
