"""Ports that wait for their turn or for room in the budget: nothing is said as if they were switched on."""

from dataclasses import replace
from types import MappingProxyType

import pytest
from world import Mishap, World, all_ports, evening, reload, running, site_plan

from rules.door import Alert, CommandResult, Event, Outcome, Switch, Verb
from rules.plan import Reclosing, SitePlan, SupplyPlan
from rules.ports import PortId

FIRST = PortId("c1/1")
ONE_SHOT = Reclosing(dead_times_s=(30.0,))


def one_by_one(**more: object) -> SitePlan:
    """Eight ports of one supply, three seconds apart."""
    shed = SupplyPlan("shed", 12.0, 200.0, at_once=1, gap_s=3.0)
    return all_ports(site_plan(8, supplies=MappingProxyType({"shed": shed})), **more)


def within(rating_a: float, **more: object) -> SitePlan:
    """Four ports of 2 A on a supply that withholds."""
    shed = SupplyPlan("shed", 12.0, rating_a, withhold=True)
    return all_ports(site_plan(4, supplies=MappingProxyType({"shed": shed})), **more)


def test_ports_that_wait_for_their_turn_are_not_stuck_off() -> None:
    """A long staging brings every port on without an alert."""
    world = running(one_by_one(), at=evening(18, 10))
    assert len(world.on()) == 8
    assert [e.text for _, e in world.effects if isinstance(e, Alert) and e.text] == []


def test_a_withheld_port_is_not_stuck_off() -> None:
    """A port that its supply's budget keeps off is told as that, and not as one whose power does not come."""
    world = running(within(8.0))
    assert len(world.on()) == 3
    assert [code for _, code in world.alerts] == ["over-budget"]


def test_stuck_off_is_told_five_seconds_after_the_on() -> None:
    """A port that got its ON and stays dark is told, though it waited for its turn before."""
    world = World(one_by_one(), utc=evening(17, 58))
    world.ports[PortId("c1/8")].stuck = False
    world.start()
    world.run_until(evening(18, 0, 5))
    assert list(world.alerts) == [("c1/8", "stuck-off")]


def test_shots_that_wait_for_their_turn_close() -> None:
    """Eight ports that reclose together come on one after the other; none is locked out for waiting."""
    world = running(one_by_one(reclosing=ONE_SHOT))
    world.run_until(evening(18, 30))
    for port in world.plan.ports:
        world.trip(port)
    world.run(90.0)
    assert len(world.on()) == 8
    assert [code for _, code in world.alerts if code == "lockout"] == []


def test_a_shot_without_room_in_the_budget_says_so() -> None:
    """No power was given, so none failed to come back: the port stays open, and the budget is named."""
    plan = within(10.1, reclosing=ONE_SHOT)
    world = running(plan)
    assert len(world.on()) == 4
    world.trip(FIRST)
    world.run(5.0)
    more = {PortId(port): replace(plan.ports[PortId(port)], expected_a=3.0) for port in ("c1/2", "c1/3")}
    reload(world, replace(plan, ports=MappingProxyType({**plan.ports, **more})))
    world.run(60.0)
    assert FIRST not in world.on()
    assert "its supply shed was over budget" in str(world.told(FIRST, "reason"))
    assert (FIRST, "lockout") not in world.alerts


def test_a_shot_that_reached_no_controller_is_no_failed_closing() -> None:
    """The controller is away when the dead time ends: the port stays open and says why."""
    world = running(all_ports(site_plan(1), reclosing=ONE_SHOT))
    world.trip(FIRST)
    world.run(25.0)
    world.unreachable.add("c1")
    world.run(15.0)
    world.unreachable.clear()
    world.run(60.0)
    assert not world.on()
    assert "no command reached it" in world.alerts[FIRST, "fuse-trip"]
    assert (FIRST, "lockout") not in world.alerts
    assert world.ask(Verb.RESET, FIRST).accepted
    world.run(5.0)
    assert world.on()


class Slow(World):
    """Controllers that act two seconds after they were told, and answer then."""

    def _switch(self, effect: Switch) -> None:
        self.switches.append((self.utc, effect.port, effect.power))
        self.late.append((self.monotonic_s + 2.0, effect))
        done: Event = CommandResult(effect.id, effect.port, Outcome.ACCEPTED, "")
        self.waiting.append((self.monotonic_s + 2.0, done))


@pytest.mark.parametrize("slow", [True, False])
def test_an_off_that_acts_late_is_no_trip(slow: bool) -> None:
    """Wanted on again while its OFF is under way or unanswered, a port that falls then comes on again."""
    world = (Slow if slow else World)(site_plan(1), utc=evening(17, 58))
    world.start()
    world.run_until(evening(22, 0, 9))
    while world.switches[-1][2]:
        world.mishaps = [Mishap.LATE]
        world.run(0.1)
    world.mishaps = []
    assert world.ask(Verb.MODE, FIRST, "on").accepted
    world.run(30.0)
    assert world.alerts == {}
    assert world.on() == {FIRST}


def test_a_fall_after_an_off_that_never_acted_is_a_trip() -> None:
    """An OFF that got lost, and power wanted again: the port that falls a minute later has tripped."""
    world = running(site_plan(1), at=evening(22, 0, 9))
    while world.switches[-1][2]:
        world.mishaps = [Mishap.LOST]
        world.run(0.1)
    world.mishaps = []
    assert world.ask(Verb.MODE, FIRST, "on").accepted
    world.run(60.0)
    assert world.on() == {FIRST}
    world.ports[FIRST].power = False
    world.run(3.0)
    assert world.told(FIRST, "fault") == "fuse-trip"


def test_every_supply_over_its_budget_is_named() -> None:
    """One alert names all supplies that are over budget now, and no others."""
    plan = site_plan(ports=2, controllers=2)
    ports = {
        port: replace(spec, supply="shed" if port.startswith("c1") else "barn")
        for port, spec in plan.ports.items()
    }
    supplies = {name: SupplyPlan(name, 12.0, 4.0) for name in ("shed", "barn")}
    world = running(replace(plan, ports=MappingProxyType(ports), supplies=MappingProxyType(supplies)))
    assert "Supply shed would carry 4.0 A; 3.2 A is 80 %" in world.alerts["lane", "over-budget"]
    assert "Supply barn would carry 4.0 A" in world.alerts["lane", "over-budget"]
    assert "this supply" not in world.alerts["lane", "over-budget"]
    world.ask(Verb.MODE, "c1/1", "off")
    world.run(10.0)
    assert "shed" not in world.alerts["lane", "over-budget"]
    assert "barn" in world.alerts["lane", "over-budget"]
    assert "shed" not in str(world.told("lane", "fault-detail"))
    world.ask(Verb.MODE, "c2/1", "off")
    world.run(10.0)
    assert world.told("lane", "fault") == "none"
