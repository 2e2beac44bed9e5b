"""A journal that can't be written: what waits for it, what goes on, and that it all comes right again."""

from datetime import timedelta

from world import World, evening, site_plan

from rules.door import Origin, Verb
from rules.ports import Condition


def test_a_show_has_its_power_as_soon_as_the_journal_can_be_written() -> None:
    """Power that waits for a hold to be on disk is given when it is, however long that took; it says so."""
    world = World(site_plan(ports=2), poll_s=5.0)
    world.start()
    world.run_until(evening(17, 50))
    world.persist_ok = False
    assert world.ask(Verb.HOLD, "c1/2", "Ann").accepted
    world.run_until(evening(18, 30))
    assert world.on() == set()
    assert "safety journal" in str(world.told("c1/1", "reason"))
    assert Condition.JOURNAL_FAULT in world.engine.state.alarms
    world.persist_ok = True
    world.run(20)
    assert world.on() == {"c1/1"}
    assert str(world.told("c1/1", "reason")).startswith("On for Evening")


def test_what_has_power_keeps_it_and_loses_it_on_time() -> None:
    """A journal that fails during a show changes nothing for ports that are on; an OFF waits for nothing."""
    world = World(site_plan(ports=2), poll_s=5.0)
    world.start()
    world.run_until(evening(18, 30))
    assert world.on() == {"c1/1", "c1/2"}
    world.persist_ok = False
    assert world.ask(Verb.HOLD, "c1/2", "Ann").accepted
    world.run(60)
    assert world.on() == {"c1/1"}
    world.run_until(evening(23, 30))
    assert world.on() == set()


def test_a_start_keeps_at_once_what_it_found() -> None:
    """A start writes the journal at once: a disk that takes nothing is told before anything hangs on it."""
    world = World(site_plan(ports=1), poll_s=5.0)
    world.start()
    assert world.ask(Verb.HOLD, "c1/1", "Ann").accepted
    again = World(site_plan(ports=1), poll_s=5.0)
    again.persist_ok = False
    again.start(Origin.JOURNAL, world.kept)
    again.run(1)
    assert Condition.JOURNAL_FAULT in again.engine.state.alarms
    again.persist_ok = True
    again.run(10)
    assert again.kept == world.kept


def test_a_start_on_a_disk_that_takes_nothing_powers_shows() -> None:
    """What was read from the journal is on disk: nothing waits until there is something new to write."""
    world = World(site_plan(ports=1), poll_s=5.0)
    world.start()
    assert world.ask(Verb.HOLD, "c1/1", "Ann").accepted
    assert world.ask(Verb.RELEASE, "c1/1", "Ann").accepted
    again = World(site_plan(ports=1), utc=evening(17, 0) + timedelta(days=1), poll_s=5.0)
    again.persist_ok = False
    again.start(Origin.JOURNAL, world.kept)
    again.run_until(evening(18, 30) + timedelta(days=1))
    assert again.on() == {"c1/1"}
    assert again.engine.state.alarms[Condition.JOURNAL_FAULT].active
