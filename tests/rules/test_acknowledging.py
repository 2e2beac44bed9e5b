"""One press on a dashboard acknowledges whatever waits for it, and nothing that people can't see."""

from datetime import timedelta

from world import World, site_plan

from rules.door import Verb


def tripped_world() -> World:
    """An evening on which a port trips and is shelved nowhere."""
    world = World(site_plan())
    world.start()
    world.run_until(world.utc + timedelta(hours=6, minutes=5))
    world.trip("c1/2")
    world.run(3.0)
    return world


def test_all_acknowledges_what_waits_and_names_it() -> None:
    """`acknowledge` with `all` acknowledges every alarm of the port that waits for it."""
    world = tripped_world()
    waiting = world.told("c1/2", "alarm")
    answer = world.ask(Verb.ACKNOWLEDGE, "c1/2", "all")
    assert answer.accepted
    assert "fuse-trip" in answer.text
    assert "unacknowledged" in str(waiting)
    assert world.told("c1/2", "alarm") in ("acknowledged", "latched-acknowledged")


def test_all_refuses_where_nothing_waits() -> None:
    """A second press, or one on a healthy port, is refused with the reason and changes nothing."""
    world = tripped_world()
    world.ask(Verb.ACKNOWLEDGE, "c1/2", "all")
    told = dict(world.topics)
    for port in ("c1/2", "c1/3"):
        answer = world.ask(Verb.ACKNOWLEDGE, port, "all")
        assert not answer.accepted
        assert "nothing here waits" in answer.text
    assert {key: value for key, value in world.topics.items() if key[1] != "last-answer"} == {
        key: value for key, value in told.items() if key[1] != "last-answer"
    }
