"""A short that no fuse flag tells of: it takes its controller down each time its port comes on."""

from hypothesis import given
from hypothesis import strategies as st
from world import World, running, site_plan

from rules.door import Verb
from rules.ports import PortId, controller_of
from rules.power.losses import FORGOTTEN_S, FREE_LOSSES, LONGEST_S, NOT_LOST, SOON_S, lost, wait_s

FIRST = PortId("c1/1")
REBOOT_S = 20.0


def shorted(world: World, seconds: float) -> None:
    """Time passes; whenever the first port has power its controller restarts, and all its outputs are off."""
    end_s, back_s = world.monotonic_s + seconds, 0.0
    while world.monotonic_s < end_s:
        if world.ports[FIRST].power:
            for port, fake in world.ports.items():
                fake.power = fake.power and controller_of(port) != "c1"
            world.unreachable.add("c1")
            back_s = world.monotonic_s + REBOOT_S
        elif world.monotonic_s >= back_s:
            world.unreachable.clear()
        world.run(0.25)


def ons(world: World, port: str) -> int:
    """How often the port was switched on."""
    return sum(power for _, switched, power in world.switches if switched == port)


def test_a_controller_that_dies_of_its_ports_is_not_switched_on_for_ever() -> None:
    """Power into the short comes ever more rarely, a person is told why, and other controllers go on."""
    world = running(site_plan(2, controllers=2))
    before = ons(world, FIRST)
    shorted(world, 2 * 3600.0)
    # Reckoned from the module's figures: three ONs without a wait and four after 1, 2, 4 and 8 min take a
    # quarter of an hour; of the rest each takes 15 min and a restart: seven more.
    assert FREE_LOSSES <= ons(world, FIRST) - before <= 15
    reason = world.told(FIRST, "reason")
    assert "right after its ports were switched on" in str(reason)
    assert "18:" in str(reason) or "19:" in str(reason) or "20:" in str(reason)
    assert {"c2/1", "c2/2"} <= world.on()
    assert not any(condition == "stuck-off" for _, condition in world.alerts)
    assert any("right after" in str(text) for (target, _), text in world.alerts.items() if target == "c1")


def test_power_comes_back_when_the_short_is_gone() -> None:
    """What waits comes on after its time, without a person; its reason is the show again."""
    world = running(site_plan(2, controllers=2))
    shorted(world, 600.0)
    world.unreachable.clear()
    world.run(LONGEST_S + 60.0)
    assert {"c1/1", "c1/2"} <= world.on()
    assert str(world.told(FIRST, "reason")).startswith("On for Evening")


def test_a_person_need_not_wait() -> None:
    """A reset is a person's word that the string is put right: power comes at once."""
    world = running(site_plan(2, controllers=2))
    shorted(world, 600.0)
    world.unreachable.clear()
    world.run(5.0)
    assert FIRST not in world.on()
    assert "comes back" in world.ask(Verb.RESET, FIRST).text
    world.run(5.0)
    assert FIRST in world.on()


def test_a_network_that_goes_away_is_no_short() -> None:
    """A controller that is lost again and again long after its ports came on gets its power back at once."""
    world = running(site_plan(2))
    for _ in range(10):
        world.run(2 * SOON_S)
        for fake in world.ports.values():
            fake.power = False
        world.unreachable.add("c1")
        world.run(10.0)
        world.unreachable.clear()
        world.run(10.0)
        assert world.on() == {"c1/1", "c1/2"}


@given(st.lists(st.tuples(st.floats(0.0, 2 * FORGOTTEN_S), st.floats(0.0, 2 * SOON_S)), max_size=40))
def test_waits_grow_to_a_bound_and_are_forgotten(losses: list[tuple[float, float]]) -> None:
    """The wait is never above its bound, none after few losses, and begins anew after a quiet time."""
    state, now_s = NOT_LOST, 1000.0
    for pause_s, after_on_s in losses:
        now_s += pause_s
        before, state = state, lost(state, now_s - after_on_s, now_s)
        assert 0.0 <= wait_s(state) <= LONGEST_S
        if after_on_s > SOON_S:
            assert state is before
        elif now_s - before.last_s > FORGOTTEN_S:
            assert state.times == 1
        else:
            assert wait_s(state) >= wait_s(before)
        assert (wait_s(state) == 0.0) is (state.times <= FREE_LOSSES)
