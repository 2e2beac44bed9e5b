"""The door: shows switch ports, trips latch, holds keep ports dead, and everything has a reason."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from world import World, clock_window, site_plan, with_prop

from rules.door import CalendarLoaded, Configured, Persist, Switch, Verb
from rules.plan import SupplyPlan


def evening(hour: int, minute: int = 0, second: int = 0) -> datetime:
    """An instant on the evening of 1 December 2025 (Dublin keeps UTC in winter)."""
    return datetime(2025, 12, 1, hour, minute, second, tzinfo=UTC)


def test_a_show_powers_its_ports_from_lead_to_run_on() -> None:
    """Ports come on by the show's warm-up before its start and go dark after its run-on."""
    world = World(site_plan())
    world.start()
    world.run_until(evening(17, 59))
    assert world.on() == set()
    world.run_until(evening(18, 0))
    assert world.on() == set(world.ports)
    assert world.told("c1/1", "reason") == "On for Evening until 22:00."
    world.run_until(evening(22, 0, 9))
    assert world.on() == set(world.ports)
    world.run_until(evening(22, 0, 20))
    assert world.on() == set()
    assert world.told("c1/1", "power") is False


def test_a_trip_latches_is_told_once_and_a_reset_brings_the_port_back() -> None:
    """A tripped port stays off with a retained alert until a person's reset; then the show powers it."""
    world = World(site_plan())
    world.start()
    world.run_until(evening(19, 0))
    world.trip("c1/2")
    world.run(120)
    assert "c1/2" not in world.on()
    assert world.told("c1/2", "fault") == "fuse-trip"
    assert "Port 1.2" in world.alerts["c1/2", "fuse-trip"]
    told = [effect for _, effect in world.effects if getattr(effect, "condition", None) == "fuse-trip"]
    assert len(told) == 1
    answer = world.ask(Verb.RESET, "c1/2")
    assert answer.accepted, answer.text
    world.run(10)
    assert "c1/2" in world.on()
    assert world.told("c1/2", "fault") == "none"
    assert world.alerts == {}


def test_a_hold_outranks_a_show_and_is_proven() -> None:
    """A held port goes dark, is proven off by the controller's report, and says how long it waits then."""
    world = World(site_plan())
    world.start()
    world.run_until(evening(19, 0))
    answer = world.ask(Verb.HOLD, "c1/1", "Ann")
    assert answer.accepted
    assert answer.after is not None
    world.run(5)
    assert "c1/1" not in world.on()
    assert world.told("c1/1", "hold-state") == "confirmed-off"
    assert world.told("c1/1", "reason") == "Off: held by Ann."
    assert not world.ask(Verb.RELEASE, "c1/1", "Bob").accepted
    assert world.ask(Verb.RELEASE, "c1/1", "Ann").accepted
    assert world.told("c1/1", "reason") == "Off: just released from a hold; power may return at 19:00:35."
    world.run(25)
    assert world.told("c1/1", "reason") == "Off: just released from a hold; power may return at 19:00:35."
    assert "c1/1" not in world.on()
    world.run(10)
    assert "c1/1" in world.on()


def test_a_hold_on_one_feed_holds_every_feed_of_its_prop() -> None:
    """No conductor of a prop is alive from its other end while one feed is held."""
    world = World(with_prop(site_plan(controllers=2), "c1/1", "c2/4"))
    world.start()
    world.run_until(evening(19, 0))
    world.ask(Verb.HOLD, "c1/1", "Ann")
    world.run(5)
    assert not {"c1/1", "c2/4"} & world.on()
    assert world.told("c2/4", "reason") == "Off: held by Ann (at Port 1.1)."


def test_what_must_survive_is_kept_before_it_is_acted_on() -> None:
    """An ON by hand waits for the safety journal, and is not sent while the journal can't be written."""
    world = World(site_plan())
    world.start()
    world.run(10)
    world.persist_ok = False
    world.ask(Verb.MODE, "c1/1", "on")
    world.run(20)
    assert world.on() == set()
    assert ("lane", "journal-fault") in world.alerts
    world.persist_ok = True
    world.run(60)
    assert world.on() == {"c1/1"}
    assert world.told("lane", "fault") == "none"
    assert world.told("lane", "alarm") == "returned"
    world.ask(Verb.ACKNOWLEDGE, "", "journal-fault")
    assert ("lane", "journal-fault") not in world.alerts


def test_on_by_hand_ends_by_itself_and_off_by_hand_does_not() -> None:
    """ON by hand ends after its time; OFF by hand outlives shows until set to auto."""
    world = World(site_plan(), poll_s=10.0)
    world.start()
    world.run(5)
    world.ask(Verb.MODE, "c1/1", "on")
    world.ask(Verb.MODE, "c1/2", "off")
    world.run(60)
    assert world.on() == {"c1/1"}
    world.run(7210)
    assert world.on() == set()
    assert world.told("c1/1", "mode") == "auto"
    world.run_until(evening(20))
    assert world.on() == {"c1/1", "c1/3", "c1/4"}
    world.run_until(evening(20) + timedelta(days=1))
    assert "c1/2" not in world.on()
    world.ask(Verb.MODE, "c1/2", "auto")
    world.run(15)
    assert "c1/2" in world.on()


def test_the_same_events_give_the_same_effects() -> None:
    """A recorded evening replays to the same decisions."""
    runs = []
    for _ in range(2):
        world = World(site_plan())
        world.start()
        world.run_until(evening(19))
        world.trip("c1/3")
        world.run(300)
        runs.append(world.effects)
    assert runs[0] == runs[1]


def test_a_bad_event_loses_only_itself() -> None:
    """An event that raises leaves the rest of its step in force, is told, and stops ONs for a while."""
    world = World(site_plan())
    world.start()
    world.run_until(evening(17))
    world.may_fault = True
    bad = object()
    effects = world.engine.step(world_now(world), [bad, *world.readings()])  # type: ignore[list-item]
    assert any(getattr(effect, "condition", None) == "internal-fault" for effect in effects)
    world.run_until(evening(18, 5))
    assert world.on() == set(world.ports)


def world_now(world: World):
    """The world's instant."""
    from rules.ports import Now

    return Now(world.utc, world.monotonic_s)


def test_persist_comes_before_the_switch_that_waits_for_it() -> None:
    """In one step the `Persist` stands before every `Switch` that names it."""
    world = World(site_plan())
    world.start()
    world.run(5)
    world.ask(Verb.MODE, "c1/1", "on")
    world.run(5)
    kept: set[int] = set()
    for _, effect in world.effects:
        if isinstance(effect, Persist):
            kept.add(effect.id)
        if isinstance(effect, Switch) and effect.after is not None:
            assert effect.after in kept


def test_a_new_plan_counts_from_the_moment_it_is_taken() -> None:
    """A show that a reload brings in powers its ports on the same day, and one that it drops does not."""
    world = World(site_plan())
    world.start()
    world.run(60)
    show = replace(world.plan.shows[0], id="matinee", name="Matinee", when=(clock_window("13:00", "14:00"),))
    world.step([Configured(replace(world.plan, shows=(show,)))])
    world.run_until(evening(13, 1))
    assert world.on() == set(world.ports)
    world.run_until(evening(18, 5))
    assert world.on() == set()


def test_staging_goes_by_the_supplys_gap_not_by_the_polls() -> None:
    """At most `at_once` ports come on per gap, on the supply's own beat, however seldom the site is read.

    Eight ports, two at once, a gap of half a second: the last pair is switched 1.5 s after the first.
    """
    supply = SupplyPlan("shed", 12.0, 200.0, at_once=2, gap_s=0.5)
    world = World(site_plan(ports=8, supplies={"shed": supply}), poll_s=10.0)
    world.start()
    world.run_until(evening(18, 1))
    ons = [at for at, _, power in world.switches if power]
    assert [round((at - ons[0]).total_seconds(), 3) for at in ons] == [0, 0, 0.5, 0.5, 1, 1, 1.5, 1.5]


def test_one_good_calendar_does_not_hide_a_bad_one() -> None:
    """Every calendar file that can't be used stays told until it can."""
    world = World(site_plan())
    world.start()
    good = (
        b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:x\r\nBEGIN:VEVENT\r\nUID:1\r\nDTSTART:20251201T100000Z\r\n"
    )
    good += b"DTSTAMP:20251201T100000Z\r\nDTEND:20251201T110000Z\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"
    world.step([CalendarLoaded("bad.ics", b"nothing"), CalendarLoaded("good.ics", good)])
    assert world.told("lane", "fault") == "calendar-fault"
    assert "bad.ics" in world.alerts["lane", "calendar-fault"]
    world.step([CalendarLoaded("bad.ics", good)])
    assert world.told("lane", "fault") == "none"


def test_a_withheld_port_is_told_once_for_the_evening() -> None:
    """While its budget keeps a port off, a supply is over budget: told once, not at every new try."""
    supply = SupplyPlan("shed", 12.0, 8.0, withhold=True)
    world = World(site_plan(supplies={"shed": supply}))
    world.start()
    world.run_until(evening(20))
    assert len(world.on()) == 3
    alerts = [effect for _, effect in world.effects if getattr(effect, "condition", None) == "over-budget"]
    assert len(alerts) == 1


def test_ports_switched_on_but_not_yet_read_count_in_the_budget() -> None:
    """However fast a staged supply goes between two polls, what was let on counts before it is seen on."""
    supply = SupplyPlan("shed", 12.0, 8.0, at_once=1, gap_s=0.1, withhold=True)
    world = World(site_plan(supplies={"shed": supply}), poll_s=5.0)
    world.start()
    world.run_until(evening(18))
    assert len(world.on()) == 3
