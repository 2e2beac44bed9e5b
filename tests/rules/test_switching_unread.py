"""A controller that obeys an ON and then goes silent: its port is not forgotten."""

from world import World, site_plan

from rules.door import ControllerStatus, Event


class Mute(World):
    """A world whose controller, once `mute`, takes commands and answers no poll."""

    mute = False

    def readings(self) -> list[Event]:
        """One poll; no answer from a mute controller."""
        if not self.mute:
            return super().readings()
        return [
            ControllerStatus(name, reachable=False, detail="It is silent.") for name in self.plan.controllers
        ]


def lit_and_mute() -> Mute:
    """Ports that were just switched on, and whose controller says nothing more."""
    world = Mute(site_plan(2))
    world.start()
    world.run_until(world.utc.replace(hour=17, minute=59))
    while not world.on():
        world.run(0.05)
        world.mute = bool(world.on())
    world.run(5.0)
    return world


def test_an_on_that_was_never_read_is_followed_by_an_off() -> None:
    """At the show's end the port is switched off, although no reading ever showed it on."""
    world = lit_and_mute()
    lit = world.on()
    assert lit
    world.run_until(world.utc.replace(hour=22, minute=1))
    assert not world.on()
    offs = [port for _, port, power in world.switches if not power]
    # Accepted is enough while nothing is known; a reading that shows power would repeat it.
    assert sorted(offs) == sorted(lit)


def test_an_off_of_unknown_outcome_is_repeated_until_a_reading() -> None:
    """While commands get no answer either, the OFF is given again and again, and at once on its return."""
    world = lit_and_mute()
    lit = world.on()
    from world import Mishap

    world.mishaps = [Mishap.LOST] * 1000
    world.run_until(world.utc.replace(hour=22, minute=5))
    assert world.on() == lit
    offs = [port for _, port, power in world.switches if not power]
    assert len(offs) >= 5 * len(lit)
    world.mishaps = []
    world.mute = False
    world.run(3.0)
    assert not world.on()


def test_an_on_that_was_read_off_needs_no_off() -> None:
    """A reading after the ON that shows the port off is the newer word: no OFF is needed at the end."""
    world = World(site_plan(1), obey=False)
    world.start()
    world.run_until(world.utc.replace(hour=18, minute=30))
    world.run_until(world.utc.replace(hour=22, minute=1))
    assert not [port for _, port, power in world.switches if not power]
