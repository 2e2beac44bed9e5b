"""Counters of ports and site over evenings: energy by show, time under power, cost, what was saved."""

from dataclasses import replace
from datetime import datetime, time, timedelta
from itertools import pairwise
from types import MappingProxyType

import pytest
from world import NOON, World, evening, reload, site_plan

from rules.cost.energy import PortMeter
from rules.cost.tariff import Band, Tariff, Used
from rules.door import BaselineLoaded, CountersLoaded, EnergyLoaded, Origin, Record, Stopping, Verb
from rules.plan import SupplyPlan
from rules.ports import PortId, Reading

PORT = PortId("c1/1")
PRICES = Tariff("Europe/Dublin", 0.30, (Band(time(20), time(8), 0.10),), "EUR")
WATTS, IDLE_W = 2.0 * 12.0, 0.2 * 12.0


def a_world(**more):
    """A site that costs money, at noon: 24 W on each port while it is on, 2.4 W of it with nothing lit."""
    supplies = MappingProxyType({"shed": SupplyPlan("shed", 12.0, 200.0, efficiency=0.8)})
    world = World(replace(site_plan(ports=2), supplies=supplies, tariff=PRICES, **more), poll_s=5.0)
    for port in world.ports.values():
        port.current_a = 2.0
    return world


def learned(world):
    """The idle current of each port, as the store would tell it."""
    return [BaselineLoaded(port, 0.2, 0.004) for port in world.plan.ports]


def records(world, kind, name=None):
    """What went to the history."""
    return [
        effect
        for _, effect in world.effects
        if isinstance(effect, Record) and effect.kind == kind and name in (None, effect.data.get("name"))
    ]


def on_span(world, port=PORT):
    """When the port was switched on and off, in truth."""
    [on_utc] = [at_utc for at_utc, one, power in world.switches if one == port and power]
    [off_utc] = [
        at_utc for at_utc, one, power in world.switches if one == port and not power and at_utc > on_utc
    ]
    return on_utc, off_utc


def test_metering_an_evening_costs_what_its_hours_cost():
    """Cost and saved cost follow the price of each hour, at the wall; energy belongs to the show that ran."""
    world = a_world()
    world.start()
    world.step(learned(world))
    world.run(12 * 3600)
    world.step([Stopping(power_off=False)])  # what was counted since the last quarter hour is told
    on_utc, off_utc = on_span(world)
    lit_h = (off_utc - on_utc) / timedelta(hours=1)
    cheap_utc = NOON.replace(hour=20)
    # By hand: hours at each price, 24 W or 2.4 W at the port, 80 % efficiency, two ports.
    dear_h, cheap_h = (cheap_utc - on_utc) / timedelta(hours=1), (off_utc - cheap_utc) / timedelta(hours=1)
    cost = 2 * (dear_h * 0.30 + cheap_h * 0.10) * WATTS / 0.8 / 1000
    saved_h = ((on_utc - NOON) / timedelta(hours=1), (world.utc - off_utc) / timedelta(hours=1))
    saved = 2 * (saved_h[0] * 0.30 + saved_h[1] * 0.10) * IDLE_W / 0.8 / 1000
    assert world.topics["lane", "cost"] == pytest.approx(cost, rel=0.005)
    assert world.topics["lane", "saved-cost"] == pytest.approx(saved, rel=0.01)
    assert world.topics["lane", "energy"] == pytest.approx(2 * lit_h * WATTS / 1000, rel=0.005)
    told = [one for one in records(world, "energy") if one.target.id == PORT]
    assert told[0].data == {"energy_wh": 0.0, "saved_wh": 0.0, "powered_s": 0.0, "show": ""}
    assert told[-1].data["powered_s"] == pytest.approx(lit_h * 3600, abs=6.0)
    by_show = {"": 0.0, "Evening": 0.0}
    for before, after in pairwise(told):
        by_show[after.data["show"]] += after.data["energy_wh"] - before.data["energy_wh"]
    assert by_show["Evening"] == pytest.approx(lit_h * WATTS, rel=0.005)
    assert by_show[""] < 0.002 * by_show["Evening"]


def test_metering_cost_never_falls_over_restarts():
    """Cost goes on from what the history kept, adds what was counted, and never falls."""
    world = a_world()
    world.start()
    world.run(8 * 3600)
    [*_, kept] = records(world, "counter", "cost EUR")
    assert world.topics["lane", "cost"] == pytest.approx(kept.data["value"], abs=1e-4)
    again = a_world()
    again.utc = world.utc
    again.start(Origin.JOURNAL)
    again.run(3600)
    assert ("lane", "cost") not in again.topics  # what it was before is not known yet
    counted = again.engine.state.counters["cost EUR"]
    assert counted > 0.0
    again.step([CountersLoaded({"cost EUR": kept.data["value"]})])
    assert again.topics["lane", "cost"] == pytest.approx(kept.data["value"] + counted, abs=1e-4)
    again.step([CountersLoaded({"cost EUR": 0.001})])
    assert again.topics["lane", "cost"] == pytest.approx(kept.data["value"] + counted, abs=1e-4)
    assert ("lane", "saved-cost") not in again.topics
    again.step([CountersLoaded({}, whole=True)])
    assert again.topics["lane", "saved-cost"] == 0.0


def test_metering_costs_nobody_knows_wait_for_a_person():
    """Where neither history nor broker knows the costs they are not told, until a person confirms it."""
    world = a_world()
    world.start(Origin.JOURNAL)
    world.step([EnergyLoaded(port, 1000.0) for port in world.plan.ports])
    world.run(8 * 3600)
    assert ("lane", "cost") not in world.topics
    answer = world.ask(Verb.CONFIRM)
    assert answer.accepted
    assert "the costs begin at zero" in answer.text
    assert world.topics["lane", "cost"] > 0.0
    assert not world.ask(Verb.CONFIRM).accepted


def test_metering_a_counter_that_is_loaded_costs_nothing():
    """Energy that a source tells of was paid long ago: only what is measured now is charged."""
    world = a_world()
    world.start()
    world.step([EnergyLoaded(PORT, 500_000.0, 90_000.0, 7200.0)])
    world.run(3600)
    assert world.topics["lane", "cost"] == 0.0
    assert world.topics[PORT, "energy"] == 500.0
    [*_, told] = [one for one in records(world, "energy") if one.target.id == PORT]
    assert told.data["powered_s"] == 7200.0


def test_metering_another_currency_is_another_counter():
    """A tariff in another currency begins its own sum; without a tariff no cost is told."""
    world = a_world()
    world.start()
    world.step([CountersLoaded({"cost EUR": 12.5}, whole=True)])
    assert world.topics["lane", "cost"] == 12.5
    other = a_world()
    other.plan = replace(other.plan, tariff=Tariff("Europe/Dublin", 3.0, (), "SEK"))
    other.start()
    other.step([CountersLoaded({"cost EUR": 12.5}, whole=True)])
    assert other.topics["lane", "cost"] == 0.0
    free = World(site_plan())
    free.start()
    free.run(7 * 3600)
    assert not {name for _, name in free.topics} & {"cost", "saved-cost"}


def test_metering_a_clean_stop_tells_the_last_energy():
    """What was counted since the last minute is told before the end, so that a restart loses none of it."""
    world = a_world()
    world.start()
    world.run(7 * 3600 + 15)
    before = records(world, "energy")[-1].data["energy_wh"]
    world.step([Stopping(power_off=False)])
    told = [one for one in records(world, "energy") if one.target.id == PORT][-1].data["energy_wh"]
    assert told == world.engine.state.ports[PORT].meter.energy_wh
    assert told > before


def test_metering_powered_time_by_hand():
    """Time with power counts between readings, at the commanded moment of a switching, never over a gap."""
    meter = PortMeter(PORT, 12.0)
    meter.start(0.0, powered_s=100.0)
    for at_s, power in ((0.0, False), (10.0, False), (20.0, True), (30.0, True)):
        if at_s == 20.0:
            meter.switched(True, 12.0)
        meter.add(Reading(PORT, at_s, 1.0 if power else 0.0, power))
    assert meter.powered_s == 100.0 + 8.0 + 10.0
    meter.add(Reading(PORT, 40.0, 0.0, False, True))  # a trip: half of its interval
    assert meter.powered_s == 123.0
    meter.add(Reading(PORT, 50.0, 0.0, True))
    meter.add(Reading(PORT, 500.0, 0.0, True))  # nothing was read for long
    assert meter.powered_s == 128.0


def test_tariff_parts_lie_in_one_band_each():
    """The parts of an evening's energy name their band, and add up to all of it and to its cost."""
    start_utc = datetime.fromisoformat("2025-12-01T19:30:00+00:00")
    used = [Used(start_utc, start_utc + timedelta(hours=1), 1000.0)]
    parts = list(PRICES.priced(used))
    assert sum(part.energy_wh for part in parts if part.band is None) == pytest.approx(500.0)
    assert sum(part.cost for part in parts if part.band is PRICES.bands[0]) == pytest.approx(0.05)
    assert PRICES.cost(used) == pytest.approx(0.15 + 0.05)


def wet():
    """A port whose idle current has risen against its baseline, told as leakage."""
    world = World(site_plan(1), utc=evening(18, 5))
    world.start()
    world.step([BaselineLoaded(PORT, 0.226, 0.004)])
    world.run(5.0)
    world.ports[PORT].current_a = 0.4
    world.run(700.0)
    assert world.told(PORT, "fault") == "leakage"
    return world


def test_another_string_is_judged_by_its_own_current():
    """After a reload with more pixels the old string's leakage is over, and the new string can be learned."""
    world = wet()
    port = replace(world.plan.ports[PORT], pixels=180, idle_a=0.4)
    reload(world, replace(world.plan, ports=MappingProxyType({PORT: port})))
    world.run(700.0)
    assert world.told(PORT, "fault") == "none"
    assert world.engine.state.ports[PORT].learning.lows_a == (pytest.approx(0.4),)


def test_relearning_outlasts_a_restart():
    """What a person had forgotten does not come back from the store with the next start."""
    world = wet()
    world.ask(Verb.RELEARN, PORT)
    assert world.told(PORT, "fault") == "none"
    kept = records(world, "baseline")[-1].data
    again = World(site_plan(1), utc=evening(18, 5))
    again.start()
    again.step([BaselineLoaded(PORT, kept["idle_a"], kept["spread_a"])])
    again.run(5.0)
    again.ports[PORT].current_a = 0.4
    again.run(700.0)
    assert again.told(PORT, "fault") == "none"
