"""The site's energy never falls, although a crash takes back what no port had told."""

import pytest
from world import World, site_plan

from rules.door import EnergyLoaded, Origin, Verb
from rules.ports import PortId


def shown(world: World, target: str) -> float:
    """A counter as people see it: three decimals, six below 1 kWh."""
    value = world.told(target, "energy")
    assert isinstance(value, float)
    return round(value, 3 if value >= 1.0 else 6)


@pytest.mark.parametrize("base_wh", [0.0, 1234.5678])
def test_a_crash_takes_nothing_back_from_the_sum(base_wh: float) -> None:
    """At any instant the sum told is no more than what the ports have told, and a new run tells no less."""
    world = World(site_plan(4))
    for n, port in enumerate(world.ports.values()):
        port.current_a = 0.317 + 0.11 * n
    world.start()
    world.step([EnergyLoaded(port, base_wh) for port in world.ports])
    # Each tells at its own moment: one that is held at first is behind the others.
    world.ask(Verb.HOLD, "c1/4", "Ann")
    world.run_until(world.utc.replace(hour=18, second=25))
    world.ask(Verb.RELEASE, "c1/4", "Ann")
    for _ in range(200):
        world.run(1.0)
        ports = {PortId(port): shown(world, port) for port in world.ports}
        assert shown(world, "lane") <= sum(ports.values()) + 1e-9

    after = World(site_plan(4), utc=world.utc, monotonic_s=world.monotonic_s)
    after.start(Origin.JOURNAL)
    after.step([EnergyLoaded(port, 1000.0 * kwh) for port, kwh in ports.items()])
    after.run(130.0)
    assert shown(after, "lane") >= shown(world, "lane")
