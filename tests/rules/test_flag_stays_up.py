"""A trip flag that never falls: after a reset it counts as a new trip, whenever somebody looks."""

from world import World, site_plan

from rules.door import Switch, Verb


class Stubborn(World):
    """Fuses that no switching closes."""

    def _act(self, effect: Switch) -> None:
        tripped = self.ports[effect.port].tripped
        super()._act(effect)
        self.ports[effect.port].tripped = tripped
        if tripped:
            self.ports[effect.port].power = False


def told(world: World) -> bool:
    """Whether somebody who looks now sees that the fuse is open."""
    return bool({("c1/1", "fuse-trip"), ("c1/1", "lockout")} & set(world.alerts))


def tripped_and_reset(hour: int, minute: int, second: int = 0) -> Stubborn:
    """A port that tripped at nine, and was reset at the given time; its fuse stays open."""
    world = Stubborn(site_plan(1))
    world.start()
    world.run_until(world.utc.replace(hour=21))
    world.trip("c1/1")
    world.run(5.0)
    assert ("c1/1", "fuse-trip") in world.alerts
    world.run_until(world.utc.replace(hour=hour, minute=minute, second=second))
    assert world.ask(Verb.RESET, "c1/1").accepted
    world.ask(Verb.ACKNOWLEDGE, "c1/1", "fuse-trip")
    world.run(0.2)
    return world


def test_a_flag_still_up_after_a_reset_is_told_again() -> None:
    """Reset within the show: the ON does nothing, and within seconds it is a trip again."""
    world = tripped_and_reset(21, 30)
    world.run(10.0)
    assert told(world)


def test_it_is_told_although_the_show_ended_meanwhile() -> None:
    """Reset just before the show's end: the flag that stays up is told before the next show."""
    world = tripped_and_reset(22, 0, 8)
    world.run(20.0)
    assert told(world)


def test_reset_at_rest_is_told_when_the_next_show_can_not_power_it() -> None:
    """Reset at noon: when the next show wants the port and its fuse is still open, that is told."""
    world = tripped_and_reset(23, 0)
    world.run_until(world.utc.replace(day=2, hour=18, minute=1))
    assert not world.on()
    assert told(world)
