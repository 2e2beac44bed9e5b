"""The simulator against the real bridge: each shape is read and switched through the real driver."""

import asyncio
from typing import get_args

import pytest
import yaml

from bridge.config.load import parse
from bridge.config.plan import plan
from bridge.config.reach import abilities
from bridge.controllers import create
from bridge.simulator.clock import SpeedClock
from bridge.simulator.scenarios import NAMES, demo_config, demo_site, reach_of
from bridge.simulator.site import SimulatedSite
from bridge.simulator.spec import ControllerSpec, PortSpec, SensorSpec, ShapeName, SiteSpec, StringSpec
from rules.door import Outcome
from rules.ports import port_id

EXACT = SensorSpec(noise_a=0.0, step_a=0.0, refresh_s=0.0)
URLS = {"gable": "http://127.0.0.1:8001", "hedge": "http://127.0.0.1:8002", "mast": "http://127.0.0.1:8003"}


def test_the_demo_configuration_is_right_and_names_what_the_site_has():
    """Duskward reads the demo's file without a problem, and it has the simulated site's ports and props."""
    found = plan(parse(demo_config(URLS, 1883)))
    site = SimulatedSite(demo_site())
    assert {port for box in found.controllers.values() for port in box.ports} == set(site.ports)
    assert {port for prop in found.props.values() for port in prop.fed_by} == set(site.ports)
    assert {box.id: len(box.ports) for box in demo_site().controllers} == {
        box: len(names) for box, names in NAMES.items()
    }


def test_everything_in_the_demo_has_a_name_for_people():
    """Controllers, ports and props of the demo are called by names, not by their ids."""
    found = plan(parse(demo_config(URLS, 1883)))
    for part in (*found.controllers.values(), *found.ports.values(), *found.props.values()):
        assert part.name[0].isupper(), part


@pytest.mark.parametrize("shape", get_args(ShapeName))
def test_the_bridges_driver_reads_and_switches_each_shape(shape):
    """Through the real HTTP driver: off, on with its current, tripped, cleared, off again."""

    async def _run():
        spec = ControllerSpec(
            "gable", tuple(PortSpec(n, StringSpec(100), sensor=EXACT) for n in range(1, 7)), shape
        )
        site = SimulatedSite(SiteSpec("yard", (spec,)), clock=SpeedClock())
        async with site.serve() as addresses:
            text = demo_config(URLS | {"gable": addresses.controllers["gable"]}, 1883)
            data = yaml.safe_load(text)
            data["controllers"]["gable"] = {
                "reach": reach_of(shape, addresses.controllers["gable"]),
                "ports": {n: {"name": f"Port {n}", "rating": "4 A"} for n in range(1, 7)},
            }
            del data["controllers"]["hedge"], data["controllers"]["mast"], data["props"], data["shows"]
            reach = parse(yaml.safe_dump(data, allow_unicode=True)).controllers["gable"].reach
            driver = create("gable", reach, {n: abilities(reach, n) for n in range(1, 7)})
            try:

                async def _tell(number):
                    return {one.port: one for one in await driver.read()}[port_id("gable", number)]

                assert len(await driver.read()) == 6
                dark = await _tell(6)
                assert (dark.power, dark.tripped) == (False, False)
                assert dark.current_a == pytest.approx(0.0, abs=1e-6)
                assert (await driver.command(6, True))[0] is Outcome.ACCEPTED
                live = await _tell(6)
                assert (live.power, live.tripped) == (True, False)
                assert live.current_a == pytest.approx(0.226, abs=0.01)
                handle = site.port("gable/6")
                handle.short()
                site.step(site.clock() + 0.01)
                tripped = await _tell(6)
                assert (tripped.power, tripped.tripped) == (False, True)
                handle.clear_fault()
                assert (await driver.command(6, False))[0] is Outcome.ACCEPTED
                assert (await driver.command(6, True, clear=True))[0] is Outcome.ACCEPTED
                assert (await _tell(6)).power is True
                assert site.truth("gable/6").power
                assert not site.truth("gable/1").power
            finally:
                await driver.close()

    asyncio.run(_run())
