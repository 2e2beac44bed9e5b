"""A new plan, by a reload or over a restart: no hold, no lockout and no mode by hand is lost by it."""

from dataclasses import replace
from datetime import timedelta
from types import MappingProxyType

import pytest
from world import World, all_ports, clock_window, evening, reload, running, site_plan, with_prop

from rules.door import Adopted, Asked, Configured, EnergyLoaded, Event, Origin, Record, Remark, Verb
from rules.plan import SitePlan, SupplyPlan
from rules.ports import Condition, Mode, PortId, Target, TargetKind
from rules.safety import HandMode, Hold, SafetyState, Tripped

SECOND = PortId("c1/2")


def answers(world: World) -> list[Adopted]:
    """What became of the plans so far."""
    return [effect for _, effect in world.effects if isinstance(effect, Adopted)]


@pytest.mark.parametrize(
    ("held", "new"),
    [
        ("arch", site_plan(3)),  # the prop is gone
        ("arch", with_prop(site_plan(3), "c1/1", "c1/3")),  # a held feed is taken out of it
        ("c1/1", site_plan(3)),  # the other feed was held with it
    ],
)
def test_a_plan_that_undoes_a_hold_is_refused(held: str, new: SitePlan) -> None:
    """A port that somebody keeps dead by its prop or by another feed stays dead: the plan waits for him."""
    world = running(with_prop(site_plan(3), "c1/1", "c1/2"))
    assert world.ask(Verb.HOLD, held, "Ann").accepted
    world.run(5.0)
    world.step([Configured(new)])
    world.run(60.0)
    assert world.on() == {"c1/3"}
    assert [one.accepted for one in answers(world)] == [True, False]
    assert "Ann" in answers(world)[-1].text
    assert world.ask(Verb.RELEASE, held, "Ann").accepted
    reload(world, new)
    world.run(60.0)
    assert world.on() == {"c1/1", "c1/2", "c1/3"}


def test_a_hold_on_a_port_that_is_leaving_stops_its_leaving() -> None:
    """Held while it goes dark to leave: the plan is refused, the port stays and is held."""
    world = running(site_plan(2))
    world.unreachable.add("c1")
    world.run(2.0)
    world.step([Configured(site_plan(1))])
    world.run(2.0)
    assert world.ask(Verb.HOLD, SECOND, "Ann").accepted
    world.unreachable.clear()
    world.run(60.0)
    assert [one.accepted for one in answers(world)] == [True, False]
    assert world.told(SECOND, "hold-state") == "confirmed-off"
    assert world.ask(Verb.RELEASE, SECOND, "Ann").accepted
    world.run(60.0)
    assert world.on() == {"c1/1", "c1/2"}


def test_a_port_that_is_to_stay_after_all_stays() -> None:
    """Dropped by one reload and named again by the next, before it was dark: it is powered as ever."""
    world = running(site_plan(3))
    world.unreachable.add("c1")
    world.run(3.0)
    world.step([Configured(site_plan(2))])
    world.run(2.0)
    world.step([Configured(site_plan(3))])
    world.run(2.0)
    world.unreachable.clear()
    world.run(60.0)
    assert world.on() == {"c1/1", "c1/2", "c1/3"}


def test_a_lockout_of_a_port_that_comes_back_by_a_reload_holds() -> None:
    """Locked out, out of the plan over a restart, and back by a reload: still locked out, and told."""
    locked = Tripped(evening(12), Condition.FUSE_TRIP, shots=1, lockout=True)
    world = World(site_plan(1), utc=evening(17, 59))
    world.start(Origin.JOURNAL, SafetyState(trips=MappingProxyType({SECOND: locked})))
    world.run_until(evening(18, 30))
    assert world.on() == {"c1/1"}
    reload(world, site_plan(2))
    world.run(60.0)
    assert world.on() == {"c1/1"}
    assert world.told(SECOND, "fault") == "lockout"
    assert world.ask(Verb.RESET, SECOND).accepted
    world.run(10.0)
    assert world.on() == {"c1/1", "c1/2"}
    assert world.kept.trips == {}


def test_off_by_hand_outlives_leaving_and_coming_back() -> None:
    """Off by hand lasts until auto, also for a port that was out of the plan meanwhile; so in the journal."""
    world = running(site_plan(2))
    assert world.ask(Verb.MODE, SECOND, "off").accepted
    world.run(5.0)
    reload(world, site_plan(1))
    world.run(5.0)
    assert world.kept.modes[SECOND].mode is Mode.OFF
    reload(world, site_plan(2))
    world.run(60.0)
    assert world.on() == {"c1/1"}
    assert world.told(SECOND, "mode") == "off"
    assert world.ask(Verb.MODE, SECOND, "auto").accepted
    world.run(5.0)
    assert world.on() == {"c1/1", "c1/2"}
    assert world.kept.modes == {}


def test_the_counter_of_a_port_goes_on_when_it_comes_back() -> None:
    """Out of the plan and back by reloads, energy goes on from where it was; a new port begins at 0."""
    world = running(site_plan(2), at=evening(20))
    reload(world, site_plan(1))
    world.run(5.0)
    before = world.told(SECOND, "energy")
    assert isinstance(before, float)
    reload(world, site_plan(3))
    world.run(200.0)
    after, new = world.told(SECOND, "energy"), world.told("c1/3", "energy")
    assert isinstance(after, float)
    assert isinstance(new, float)
    assert before < after < before + 0.001
    assert 0.0 <= new < 0.001


def recorded(world: World) -> list[Event]:
    """What a history would say of the ports at a next start: the newest counters of each."""
    counters = {
        effect.target.id: effect.data
        for _, effect in world.effects
        if isinstance(effect, Record) and effect.kind == "energy"
    }
    return [
        EnergyLoaded(PortId(port), data["energy_wh"], data["saved_wh"], data["powered_s"])
        for port, data in counters.items()
    ]


def test_the_sites_counters_do_not_fall_when_a_port_leaves() -> None:
    """Ports out of the plan, back, and out again over a restart: the site's energy and savings only rise."""
    world = running(site_plan(3), at=evening(20))
    told: list[tuple[float, float]] = []

    def look(seen: World) -> None:
        seen.run(130.0)
        energy_kwh, saved_kwh = seen.told("lane", "energy"), seen.told("lane", "saved")
        assert isinstance(energy_kwh, float)
        assert isinstance(saved_kwh, float)
        told.append((energy_kwh, saved_kwh))

    world.run(1800.0)
    look(world)
    for ports in (1, 2, 3, 1):
        reload(world, site_plan(ports))
        world.run(5.0)
        look(world)
    again = World(site_plan(1), utc=world.utc)
    again.start(Origin.JOURNAL, world.kept)
    again.step(recorded(world))
    look(again)
    reload(again, site_plan(3))
    look(again)
    assert told[0][0] > 0.0
    assert told == sorted(told)
    assert [saved for _, saved in told] == sorted(saved for _, saved in told)


@pytest.mark.parametrize("target", [Target(TargetKind.PROP, "arch"), Target(TargetKind.SITE, "old")])
def test_a_hold_on_what_is_gone_after_a_restart_holds_the_site(target: Target) -> None:
    """A held prop, or the site itself, renamed while the process was down: nothing is powered unasked."""
    world = World(site_plan(2), utc=evening(18, 30))
    world.start(Origin.JOURNAL, SafetyState(holds=(Hold(target, "Ann", evening(12)),)))
    world.run(60.0)
    assert world.on() == set()
    assert any("Ann held" in effect.text for _, effect in world.effects if isinstance(effect, Remark))
    assert world.kept.holds == (Hold(Target(TargetKind.SITE, "lane"), "Ann", evening(12)),)
    assert world.ask(Verb.RELEASE, "", "Ann").accepted
    world.run(60.0)
    assert world.on() == {"c1/1", "c1/2"}


def staged(gap_s: float, **supplies: SupplyPlan) -> SitePlan:
    """Eight ports that come on one by one."""
    shed = SupplyPlan("shed", 12.0, 200.0, at_once=1, gap_s=gap_s)
    return site_plan(8, supplies=MappingProxyType({"shed": shed, **supplies}))


def half_lit(plan: SitePlan) -> World:
    """A world in the middle of its staging."""
    world = World(plan, utc=evening(17, 55))
    world.start()
    while len(world.on()) < 2:
        world.run(0.5)
    return world


def test_a_supply_that_is_renamed_while_ports_come_on() -> None:
    """The ports that still wait come on by the new supply, with no fault in the rules."""
    plan = staged(3.0)
    world = half_lit(plan)
    barn = SupplyPlan("barn", 12.0, 200.0, at_once=1, gap_s=3.0)
    reload(world, replace(all_ports(plan, supply="barn"), supplies=MappingProxyType({"barn": barn})))
    world.run(60.0)
    assert len(world.on()) == 8


@pytest.mark.parametrize("why", ["hold", "lit"])
def test_a_port_that_waits_at_the_gate_of_its_former_supply_is_not_let_on_there(why: str) -> None:
    """Moved to another supply while it waited: no ON under a hold, and no second ON where it is on."""
    plan = staged(5.0, barn=SupplyPlan("barn", 12.0, 200.0))
    world = half_lit(plan)
    third = PortId("c1/3")
    assert third not in world.on()
    ports = {**plan.ports, third: replace(plan.ports[third], supply="barn")}
    reload(world, replace(plan, ports=MappingProxyType(ports)))
    before = len(world.switches)
    if why == "hold":
        world.step([Asked(99, Verb.HOLD, Target(TargetKind.PORT, third), "Ann")])
    world.run(60.0)
    given = [power for _, port, power in world.switches[before - (why == "lit") :] if port == third]
    assert given == ([True] if why == "lit" else [False])


def test_the_cause_of_a_trip_outlives_a_restart() -> None:
    """The alert of a trip that the rules made for overcurrent says so after a restart as well."""
    world = running(site_plan(1))
    world.ports[PortId("c1/1")].current_a = 5.0
    world.run(10.0)
    again = World(world.plan, utc=world.utc)
    again.ports = world.ports
    again.start(Origin.JOURNAL, world.kept)
    again.run(5.0)
    for one in (world, again):
        assert one.alerts["c1/1", "fuse-trip"].startswith("Port 1.1: switched off because of overcurrent; ")
        assert str(one.told("c1/1", "reason")).startswith("Off: it was switched off because of overcurrent. ")


def test_on_by_hand_of_a_port_that_left_ends_in_time() -> None:
    """A mode by hand kept for a port that is out of the plan has its own end."""
    world = World(site_plan(1), utc=evening(12))
    mode = HandMode(Mode.ON, evening(11), evening(12, 30))
    world.start(Origin.JOURNAL, SafetyState(modes=MappingProxyType({SECOND: mode})))
    world.run_until(evening(13))
    reload(world, site_plan(2))
    world.run(60.0)
    assert world.on() == set()


def until(plan: SitePlan, end: str, start: str = "18:00") -> SitePlan:
    """The plan with other times of its show."""
    return replace(plan, shows=(replace(plan.shows[0], when=(clock_window(start, end),)),))


def test_a_show_that_is_extended_after_its_end_runs_again() -> None:
    """At 22:15 the file says 23:00 instead of 22:00: the ports come on again, until 23:00, and once."""
    world = running(site_plan(1), at=evening(22, 15))
    assert world.on() == set()
    reload(world, until(world.plan, "23:00"))
    world.run(5.0)
    assert world.on() == {"c1/1"}
    assert world.told("c1/1", "reason") == "On for Evening until 23:00."
    world.run_until(evening(23, 1))
    assert world.on() == set()
    world.utc -= timedelta(minutes=30)  # a clock that is set back runs no show twice
    world.run(60.0)
    assert world.on() == set()


@pytest.mark.parametrize("start", ["18:00", "17:30", "18:30"])
def test_a_show_that_a_person_ended_stays_ended_whatever_the_file_says(start: str) -> None:
    """Who ended tonight's show and moves its times for tomorrow does not get it back tonight."""
    world = running(site_plan(1), at=evening(20))
    world.ask(Verb.START_SHOW, argument="end")
    world.run(5.0)
    reload(world, until(world.plan, "23:30", start))
    world.run_until(evening(22, 15))
    assert world.on() == set()
    world.run_until(evening(18, 45) + timedelta(days=1))
    assert world.on() == {"c1/1"}


def test_a_trial_that_a_person_ended_is_no_evening_that_is_over() -> None:
    """A show started and ended by hand in the afternoon runs in the evening as ever."""
    world = World(site_plan(1), utc=evening(17))
    world.start()
    world.ask(Verb.START_SHOW, argument="Evening")
    world.run(60.0)
    assert world.on() == {"c1/1"}
    world.ask(Verb.START_SHOW, argument="end")
    world.run(60.0)
    assert world.on() == set()
    world.run_until(evening(18, 5))
    assert world.on() == {"c1/1"}
