"""Faults through the door: told once, kept until dealt with, never made worse."""

from dataclasses import replace
from datetime import time, timedelta
from types import MappingProxyType

import pytest
from world import World, all_ports, evening, running, site_plan

from rules.door import Alert, Origin, Remark, Verb
from rules.plan import DEFAULT_LIMITS, Limit, PreShow, Reclosing, SitePlan
from rules.ports import Condition, Fuse, PortId
from rules.safety import SafetyState
from rules.shows.calendar_types import Anchor, Moment
from rules.wording import wording_from


def alerts_of(world, condition):
    """Every alert effect of one condition, in order."""
    return [e for _, e in world.effects if isinstance(e, Alert) and e.condition is condition]


def test_a_flood_is_told_once_and_every_trip_still_stands() -> None:
    """Eleven trips in ten minutes make one alarm-flood, and each port's own alert is retained.

    Figures: more than 10 alarms in 10 min is a flood (ISA-18.2 practice).
    """
    world = running(site_plan(ports=12))
    for n in range(1, 12):
        world.trip(f"c1/{n}")
        world.run(20)
    assert len(alerts_of(world, Condition.ALARM_FLOOD)) == 1
    assert {f"c1/{n}" for n in range(1, 12)} == {
        target for target, code in world.alerts if code == "fuse-trip"
    }
    world.run(700)
    remarks = [e.text for _, e in world.effects if isinstance(e, Remark)]
    assert "The flood is over; alarms counted: 1." in remarks


def test_a_chattering_condition_is_told_once_and_summarised() -> None:
    """A condition that comes and goes three times in a minute is told as chattering, then counted."""
    limits = MappingProxyType({**DEFAULT_LIMITS, Condition.NO_LOAD: Limit(0.0, 0.0)})
    world = running(all_ports(site_plan(ports=1), limits=limits))
    fake = world.ports[PortId("c1/1")]
    for _ in range(12):
        fake.current_a = 0.0
        world.run(4)
        world.ask(Verb.ACKNOWLEDGE, "c1/1", "no-load")
        fake.current_a = 0.226
        world.run(4)
    texts = [e for e in alerts_of(world, Condition.NO_LOAD) if e.text is not None]
    assert len(texts) <= 4
    remarks = [e.text for _, e in world.effects if isinstance(e, Remark)]
    assert sum("comes and goes" in text for text in remarks) == 1
    world.run(130)
    remarks = [e.text for _, e in world.effects if isinstance(e, Remark)]
    assert sum("has settled" in text for text in remarks) == 1


def test_no_reclosing_unless_set_up() -> None:
    """By default a tripped port is never powered again by itself, however long the show runs."""
    world = running(site_plan(ports=2))
    world.trip("c1/1")
    world.run(3 * 3600)
    assert [power for _, port, power in world.switches if port == "c1/1"][-1] is False
    assert "c1/1" not in world.on()


def test_reclosing_follows_its_dead_times_and_locks_out() -> None:
    """Three shots at the set dead times, then lockout, which no schedule, mode or restart lifts.

    Times: check on the published vector (three attempts, dead time 30 s, reclaim time 60 s; trips at 0, 50,
    100 and 150 s; recloses at 30, 80 and 130 s), after GE MiCOM P40 manual p. 357.
    """
    plan = all_ports(
        site_plan(ports=1), reclosing=Reclosing((30.0, 30.0, 30.0), reclaim_s=60.0, short_return_s=0.5)
    )
    world = running(plan)
    start_s = world.monotonic_s
    for at_s in (0, 50, 100, 150):
        world.run(start_s + at_s - world.monotonic_s)
        world.trip("c1/1")
        world.run(2)
    ons = [
        round((when - world.utc).total_seconds() + world.monotonic_s - start_s)
        for when, _, power in world.switches
        if power
    ][1:]
    assert ons == pytest.approx([30, 80, 130], abs=3)
    assert world.told("c1/1", "fault") == "lockout"
    assert world.told("c1/1", "power/$target") is False
    assert not world.ask(Verb.MODE, "c1/1", "on").accepted
    again = World(plan, utc=world.utc, monotonic_s=world.monotonic_s)
    again.ports[PortId("c1/1")].tripped = True
    again.start(Origin.JOURNAL, world.kept)
    again.run(3600)
    assert again.on() == set()
    assert again.told("c1/1", "fault") == "lockout"
    assert again.ask(Verb.RESET, "c1/1").accepted
    again.run(10)
    assert again.on() == {"c1/1"}


def test_a_trip_soon_after_a_reset_is_a_lockout() -> None:
    """Power that trips again within seconds of a person's reset is locked out."""
    world = running(site_plan(ports=1))
    world.trip("c1/1")
    world.run(20)
    assert world.ask(Verb.RESET, "c1/1").accepted
    world.run(3)
    world.trip("c1/1")
    world.run(5)
    assert world.told("c1/1", "fault") == "lockout"


def test_resets_are_rated() -> None:
    """A second reset within the rate limit is refused with the time to wait."""
    world = running(site_plan(ports=1))
    world.trip("c1/1")
    world.run(3)
    assert world.ask(Verb.RESET, "c1/1").accepted
    world.run(1)
    world.trip("c1/1")
    world.run(1)
    answer = world.ask(Verb.RESET, "c1/1")
    assert not answer.accepted
    assert "Too soon" in answer.text


def test_an_unasked_fall_to_off_is_a_trip() -> None:
    """Power that vanishes unasked, without any trip flag, latches as a trip."""
    world = running(site_plan(ports=1))
    world.ports[PortId("c1/1")].power = False
    world.run(60)
    assert world.told("c1/1", "fault") == "fuse-trip"
    assert world.on() == set()


def test_a_fuse_that_resets_itself_is_locked_out_in_the_end() -> None:
    """Three returns of a self-resetting fuse in its window are a lockout with OFF."""
    plan = all_ports(site_plan(ports=1), fuse=Fuse.SELF_RESETTING)
    world = running(plan)
    fake = world.ports[PortId("c1/1")]
    for _ in range(3):
        fake.power, fake.tripped = False, True
        world.run(10)
        fake.power, fake.tripped = True, False
        world.run(10)
    assert world.told("c1/1", "fault") == "lockout"
    assert world.on() == set()


def test_sustained_overcurrent_is_switched_off_and_latched() -> None:
    """Current above the rating for longer than its delay is switched off through the trip path."""
    world = running(site_plan(ports=1))
    world.ports[PortId("c1/1")].current_a = 5.0
    world.run(10)
    assert world.on() == set()
    assert world.told("c1/1", "fault") == "fuse-trip"
    assert "5 A" in world.alerts["c1/1", "fuse-trip"] or "overcurrent" in world.alerts["c1/1", "fuse-trip"]


def test_an_unreachable_controller_is_one_alert_not_sixteen() -> None:
    """Three polls without an answer make one no-data alert on the controller, none on its ports."""
    world = running(site_plan(ports=16))
    world.unreachable.add("c1")
    world.run(30)
    assert ("c1", "no-data") in world.alerts
    assert [key for key in world.alerts if "/" in key[0]] == []
    world.unreachable.clear()
    world.run(5)
    assert world.told("c1", "fault") == "none"


def test_a_stuck_switch_is_told_and_off_is_repeated() -> None:
    """Power that stays on after OFF is told as stuck-on, and the OFF is given again and again."""
    world = running(site_plan(ports=1))
    world.ports[PortId("c1/1")].stuck = True
    world.run_until(evening(22, 2))
    assert world.told("c1/1", "fault") == "stuck-on"
    offs = [when for when, _, power in world.switches if not power]
    assert len(offs) >= 4
    world.ports[PortId("c1/1")].stuck = None
    world.run(60)
    assert world.on() == set()


def test_stuck_on_cannot_be_shelved() -> None:
    """Trip, lockout and stuck-on can't be put out of sight."""
    world = running(site_plan(ports=1))
    world.trip("c1/1")
    world.run(5)
    assert not world.ask(Verb.SHELVE, "c1/1", "fuse-trip PT2H").accepted
    assert ("c1/1", "fuse-trip") in world.alerts


def test_shelving_ends_by_itself_and_survives_a_restart() -> None:
    """A shelved condition is out of sight until its time, also over a restart, then told again."""
    world = running(site_plan(ports=1))
    world.ports[PortId("c1/1")].current_a = 0.0
    world.run(60)
    assert world.told("c1/1", "fault") == "no-load"
    assert world.ask(Verb.SHELVE, "c1/1", "no-load PT10M").accepted
    world.run(5)
    assert ("c1/1", "no-load") not in world.alerts
    assert world.told("c1/1", "alarm") == "shelved"
    again = World(world.plan, utc=world.utc, monotonic_s=world.monotonic_s)
    again.ports[PortId("c1/1")].power = True
    again.ports[PortId("c1/1")].current_a = 0.0
    again.start(Origin.JOURNAL, world.kept)
    again.run(300)
    assert ("c1/1", "no-load") not in again.alerts
    again.run(400)
    assert ("c1/1", "no-load") in again.alerts


def test_a_lost_journal_holds_the_site_until_a_person_confirms() -> None:
    """Without its journal the site starts held; a person's confirmation lets it run."""
    world = World(site_plan(ports=1), utc=evening(18, 30))
    world.start(Origin.LOST, SafetyState())
    world.run(60)
    assert world.on() == set()
    assert ("lane", "journal-fault") in world.alerts
    assert world.ask(Verb.CONFIRM).accepted
    world.run(40)
    assert world.on() == {"c1/1"}


def test_after_a_reboot_on_by_hand_ends_and_off_by_hand_stays() -> None:
    """Monotonic seconds do not outlive a reboot: ON by hand ends, OFF by hand and holds stay."""
    world = World(site_plan(ports=3))
    world.start()
    world.run(5)
    world.ask(Verb.MODE, "c1/1", "on")
    world.ask(Verb.MODE, "c1/2", "off")
    world.ask(Verb.HOLD, "c1/3", "Ann")
    world.run(5)
    again = World(world.plan, utc=evening(18, 30), monotonic_s=10.0)
    again.start(Origin.JOURNAL, world.kept, rebooted=True)
    again.run(30)
    assert again.told("c1/1", "mode") == "auto"
    assert again.on() == {"c1/1"}
    assert again.told("c1/2", "mode") == "off"
    assert again.told("c1/3", "hold-state") == "confirmed-off"


def test_weather_hold_spares_what_rests_powered() -> None:
    """The weather hold darkens every port but the resting ones, so it can't cut its own way back."""
    plan = site_plan(ports=2)
    first = PortId("c1/1")
    ports = {**plan.ports, first: replace(plan.ports[first], resting=True)}
    world = running(replace(plan, ports=MappingProxyType(ports)))
    assert world.ask(Verb.WEATHER_HOLD, "", "true").accepted
    world.run(5)
    assert world.on() == {"c1/1"}
    assert world.ask(Verb.WEATHER_HOLD, "", "false").accepted
    world.run(40)
    assert world.on() == {"c1/1", "c1/2"}


def test_a_show_can_be_started_and_ended_early() -> None:
    """A person starts a show by name, it ends by itself; a running show ends early and does not come back."""
    world = World(site_plan(ports=1), poll_s=5.0)
    world.start()
    world.run(20)
    assert world.ask(Verb.START_SHOW, "", "evening").accepted
    world.run(20)
    assert world.on() == {"c1/1"}
    assert world.told("lane", "show") == "Evening"
    world.run(4 * 3600)
    assert world.on() == set()
    world.run_until(evening(18, 30))
    assert world.on() == {"c1/1"}
    assert world.ask(Verb.START_SHOW, "", "end").accepted
    world.run(600)
    assert world.on() == set()
    assert not world.ask(Verb.START_SHOW, "", "nonsense").accepted


@pytest.mark.parametrize("rebooted", [False, True])
def test_a_show_a_person_ended_stays_ended_over_a_restart(rebooted: bool) -> None:
    """What a person ended tonight stays dark though the process begins anew; tomorrow it runs."""
    world = World(site_plan(ports=1), poll_s=5.0)
    world.start()
    world.run_until(evening(18, 30))
    answer = world.ask(Verb.START_SHOW, "", "end")
    assert answer.accepted
    assert answer.after in world.kept_ids
    world.run(60)
    again = World(site_plan(ports=1), utc=world.utc, poll_s=5.0)
    again.ports = world.ports
    again.start(Origin.JOURNAL, world.kept, rebooted=rebooted)
    again.run(3600)
    assert again.on() == set()
    again.run_until(evening(18, 30) + timedelta(days=1))
    assert again.on() == {"c1/1"}
    again.run(3 * 86400)
    assert again.ask(Verb.HOLD, "c1/1", "Ann").accepted  # the next that must be kept
    assert again.kept.holds
    assert not again.kept.ended_utc


def test_leaving_ports_go_dark_before_a_new_plan_counts() -> None:
    """A reload switches removed ports off first, refuses to drop a held one, and disturbs nothing else."""
    from rules.door import Adopted, Configured

    world = running(site_plan(ports=3))
    smaller = site_plan(ports=2)
    before = len(world.switches)
    world.step([Configured(smaller)])
    world.run(5)
    assert [(port, power) for _, port, power in world.switches[before:]] == [("c1/3", False)]
    adopted = [e for _, e in world.effects if isinstance(e, Adopted)]
    assert [a.accepted for a in adopted] == [True, True]
    world.ask(Verb.HOLD, "c1/2", "Ann")
    world.run(5)
    world.step([Configured(site_plan(ports=1))])
    refused = [e for _, e in world.effects if isinstance(e, Adopted)][-1]
    assert not refused.accepted
    assert "held" in refused.text


def test_over_budget_is_told_and_withheld_only_if_asked() -> None:
    """Ports beyond 80 % of a supply's rating are told by default and kept off by option (NEC 210.20(A))."""
    from rules.plan import SupplyPlan

    told = running(
        replace(site_plan(ports=4), supplies=MappingProxyType({"shed": SupplyPlan("shed", 12.0, 8.0)}))
    )
    assert len(told.on()) == 4
    assert ("lane", "over-budget") in told.alerts
    kept = running(
        replace(
            site_plan(ports=4),
            supplies=MappingProxyType({"shed": SupplyPlan("shed", 12.0, 8.0, withhold=True)}),
        )
    )
    assert len(kept.on()) < 4
    dark = next(port for port in kept.ports if port not in kept.on())
    assert "withheld" in str(kept.told(dark, "reason"))


def test_a_translated_alert_says_all_of_it_in_the_translation() -> None:
    """The alert of a trip, what was decided after it included, and the port's reason use the translation."""
    words = wording_from(
        {
            "fuse-trip": {"message": "{where}: Sicherung offen.[ {done}]", "advice": "Stecker trocknen."},
            "after-trip": {
                "closes-again": "Schließt {wait} danach wieder ({shot} von {shots}).",
                "held": "Bleibt aus: gehalten.",
            },
        }
    )
    plan = all_ports(site_plan(ports=1), reclosing=Reclosing(dead_times_s=(30.0, 60.0)))
    world = running(replace(plan, wording=words))
    world.trip("c1/1")
    world.run(2)
    alert = world.alerts["c1/1", "fuse-trip"]
    assert alert == "Port 1.1: Sicherung offen. Schließt 30 s danach wieder (1 von 2)."
    assert world.told("c1/1", "reason") == "Off: its fuse tripped. Schließt 30 s danach wieder (1 von 2)."
    world.ask(Verb.HOLD, "c1/1", "Ann")
    world.run(2)
    world.ask(Verb.RELEASE, "c1/1", "Ann")
    world.run(60)
    assert world.told("c1/1", "reason") == "Off: its fuse tripped. Bleibt aus: gehalten."
    assert world.alerts["c1/1", "fuse-trip"] == "Port 1.1: Sicherung offen. Bleibt aus: gehalten."


def checked_at_half_past_three(ports: int) -> SitePlan:
    """A site whose pre-show check begins at 15:30 and takes a minute."""
    pre_show = PreShow(Moment(Anchor.CLOCK, time(15, 30)), 60.0)
    return replace(site_plan(ports=ports), pre_show=pre_show)


def test_the_pre_show_check_tells_by_daylight_what_is_wrong() -> None:
    """At its time each port has power for a minute; the result names what is dark or unplugged."""
    world = World(checked_at_half_past_three(4), utc=evening(15, 28))
    world.ports[PortId("c1/2")].current_a = 0.113
    world.ports[PortId("c1/3")].current_a = 0.0
    world.start()
    world.ask(Verb.HOLD, "c1/4", "Ann")
    world.run_until(evening(15, 29))
    assert world.on() == set()
    world.run_until(evening(15, 30))
    world.run(30)
    assert world.on() == {"c1/1", "c1/2", "c1/3"}
    world.run(40)
    assert world.on() == set()
    result = world.told("lane", "pre-show-check")
    assert result["as-expected"] == 1
    what = {one["port"]: one["what"] for one in result["look-at"]}
    assert "50 of 100 pixels dark" in what["c1/2"]
    assert "draws 0 mA" in what["c1/3"]
    assert "held by Ann" in what["c1/4"]
    world.run_until(evening(15, 30).replace(day=2))
    world.run(30)
    assert world.on() == {"c1/1", "c1/2", "c1/3"}


def test_what_breaks_off_a_pre_show_check_is_told_in_its_result() -> None:
    """A port that trips, or is taken away in the middle, is in the result as one to look at, and why."""
    world = World(checked_at_half_past_three(3), utc=evening(15, 29))
    world.start()
    world.run_until(evening(15, 30))
    world.run(20)
    assert world.on() == {"c1/1", "c1/2", "c1/3"}
    world.trip("c1/1")
    world.ask(Verb.HOLD, "c1/2", "Ann")
    world.run(50)
    assert world.on() == set()
    result = world.told("lane", "pre-show-check")
    assert result["as-expected"] == 1
    what = {one["port"]: one["what"] for one in result["look-at"]}
    assert what == {"c1/1": "its fuse tripped", "c1/2": "not checked to the end: held by Ann"}


def test_an_alarm_that_stands_for_a_day_is_told_again_once_a_day() -> None:
    """A stale alarm (active for more than 24 h, ISA-18.2 practice) is remarked on once a day."""
    limits = MappingProxyType({**DEFAULT_LIMITS, Condition.NO_LOAD: Limit(0.0, 0.0)})
    plan = all_ports(site_plan(ports=1), limits=limits, resting=True)
    world = World(plan, utc=evening(12), poll_s=10.0)
    world.ports[PortId("c1/1")].current_a = 0.0
    world.start()
    world.run(49 * 3600)
    remarks = [e.text for _, e in world.effects if isinstance(e, Remark)]
    assert remarks == [
        "no-load stands for 1 day now: mend it or shelve it.",
        "no-load stands for 2 days now: mend it or shelve it.",
    ]
