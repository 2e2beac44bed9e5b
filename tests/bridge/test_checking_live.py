"""Every controller read once: what is right is told as right, and each wrong mapping is found out."""

import asyncio
import json
import sys
from contextlib import asynccontextmanager

import pytest
import yaml
from support import run_async, until

from bridge.commands.checking_live import PortLook, judge, judge_all, look
from bridge.config import load
from bridge.simulator.scenarios import reach_of
from bridge.simulator.site import SimulatedSite
from bridge.simulator.spec import ControllerSpec, PortSpec, SensorSpec, SiteSpec, StringSpec
from rules.plan import PortPlan
from rules.ports import Abilities, PortId, Reading

EXACT = SensorSpec(noise_a=0.0, step_a=0.001, refresh_s=0.01)


def port_of(**more):
    """A port of 100 pixels on a 4 A fuse."""
    fields = {
        "id": PortId("eave/1"),
        "name": "Arch",
        "rating_a": 4.0,
        "pixels": 100,
        "abilities": Abilities(),
    }
    return PortPlan(**(fields | more))


def reading_of(current_a=0.23, power=True, tripped=False):
    """What was read of it."""
    return Reading(PortId("eave/1"), 0.0, current_a, power, tripped)


@pytest.mark.parametrize(
    ("reading", "words"),
    [
        (reading_of(), ""),
        (reading_of(0.0, False), ""),
        (reading_of(226.0), "milliamperes taken for amperes; as milliamperes it would be 0.226 A"),
        (reading_of(0.000226), "zero, although 100 pixels are configured"),
        (reading_of(0.002), "amperes taken for milliamperes"),
        (reading_of(0.0), "current is zero"),
        (reading_of(0.9, False), "power is off and 0.900 A flow"),
        (reading_of(-0.4), "signed16"),
        (reading_of(0.0, False, True), "its fuse is open"),
        (reading_of(0.5, True, True), "swapped"),
        (reading_of(None), "current can't be read"),
        (reading_of(power=None, tripped=None), "power and tripped can't be read"),
        (None, "nothing is said of this port"),
    ],
)
def test_what_looks_wrong_with_one_port(reading, words):
    """Each is told in one sentence that says what to look at; a plausible reading is told as well."""
    found = judge(port_of(), reading)
    assert len(found) == (1 if words else 0)
    assert words in "".join(found)


def test_a_port_with_nothing_on_it_may_draw_nothing():
    """0 A is right where no pixels are configured to hang, and what can't be reported is not missed."""
    assert judge(port_of(pixels=0), reading_of(0.0)) == []
    assert judge(port_of(abilities=Abilities(current=False, trip=False)), reading_of(None, True, None)) == []


def test_what_looks_wrong_with_all_ports_together():
    """The same number on every port, or every fuse open, is one mistake of the mapping, told once."""

    def looks(*readings):
        return [PortLook(PortId(f"eave/{n}"), "", reading) for n, reading in enumerate(readings, 1)]

    assert "exactly 0.23 A" in judge_all(looks(*[reading_of()] * 4))[0]
    assert judge_all(looks(*[reading_of(0.0, False)] * 4)) == []
    assert judge_all(looks(reading_of(0.2), reading_of(0.3), reading_of(0.2))) == []
    assert "swapped" in judge_all(looks(*[reading_of(0.0, False, True)] * 3))[0]


@asynccontextmanager
async def served(tmp_path, **changed):
    """Two controllers, and a configuration of them; `changed`: keys of the second one's mapping."""
    strings = (100, 60, 20)
    specs = tuple(
        PortSpec(n, StringSpec(strings[n - 1]), sensor=EXACT, power_at_start=n != 3) for n in range(1, 4)
    )
    site = SimulatedSite(
        SiteSpec("slate-yard", (ControllerSpec("eave", specs), ControllerSpec("mast", specs, "keyed"))),
        seed=4,
    )
    async with site.serve() as addresses:
        reaches = {
            "eave": reach_of("rows", addresses.controllers["eave"]) | changed,
            "mast": reach_of("keyed", addresses.controllers["mast"]),
        }
        config = {
            "site": {"id": "slate-yard", "name": "Slate Yard", "timezone": "Europe/Dublin", "latitude": 53.35,
                     "longitude": -6.26, "state_dir": str(tmp_path / "state")},
            "broker": {"host": "127.0.0.1"},
            "controllers": {
                name: {"reach": reach, "every_port": {"rating": "4 A"},
                       "ports": {n: {"name": f"Port {n}"} for n in range(1, 4)}}
                for name, reach in reaches.items()
            },
        }  # fmt: skip
        file = tmp_path / "site.yaml"
        file.write_text(yaml.safe_dump(config))
        yield file, site


def looked(tmp_path, prepare=None, **more):
    """Both controllers, looked at once."""

    async def scenario():
        async with served(tmp_path, **more) as (file, site):
            if prepare:
                prepare(site)
            return await look(load(file))

    return run_async(scenario())


def test_right_mappings_are_well(tmp_path):
    """Two right mappings: every port is read over real HTTP and nothing looks wrong."""
    looks = looked(tmp_path)
    assert all(one.well for one in looks), looks
    assert [len(one.ports) for one in looks] == [3, 3]
    assert looks[0].ports[0].reading.power is True


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"current": "draw_ma | A"}, "milliamperes taken for amperes"),
        ({"current": "feed_v | A"}, "all 3 ports tell exactly"),
        ({"tripped": {"from": "fuse_open", "yes": [False], "no": [True]}}, "every port is told tripped"),
        ({"power": "alive"}, "power can't be read"),
        ({"ports": "outlets"}, "there is no list at 'outlets'"),
        ({"url": "http://127.0.0.1:9/status", "timeout": "300 ms"}, "can't be reached"),
    ],
)
def test_wrong_mappings_are_found_out(tmp_path, changed, words):
    """Each usual mistake of a mapping is named; the other controller is read all the same."""
    wrong, right = looked(tmp_path, **changed)
    told = [wrong.trouble, *wrong.wrong, *(text for port in wrong.ports for text in port.wrong)]
    assert words in " ".join(told)
    assert not wrong.well
    assert right.well


def test_a_port_the_controller_has_not(tmp_path):
    """A configured port that no answer speaks of is told as missing, with its number."""
    eave, _ = looked(tmp_path, lambda site: site.controller("eave").misbehave("fewer-ports", ports=1))
    assert [bool(port.wrong) for port in eave.ports] == [False, False, True]


def test_controllers_are_read_at_the_same_time(tmp_path):
    """One that hangs costs its own time limit and not the others'."""
    eave, mast = looked(tmp_path, lambda site: site.controller("eave").misbehave("hang"), timeout="1 s")
    assert "did not answer within 1 s" in eave.trouble
    assert mast.well
    assert eave.took_s >= 0.9 > mast.took_s


def test_the_command(tmp_path):
    """A table for people and JSON for programs; exit code 1 if and only if something looks wrong."""

    async def command(file, *more):
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "bridge.cli", "check", str(file), "--live", *more,
            stdout=asyncio.subprocess.PIPE,
        )  # fmt: skip
        out, _ = await process.communicate()
        return process.returncode, out.decode()

    async def scenario():
        async with served(tmp_path) as (file, site):
            code, text = await command(file)
            assert code == 0
            assert "All 6 ports are read, and nothing looks wrong." in text
            site.port("eave/2").short()
            await until(lambda: site.truth("eave/2").fuse_open)
            code, text = await command(file, "--json")
            told = json.loads(text)
            assert code == 1
            (wrong,) = [port for one in told["controllers"] for port in one["ports"] if port["wrong"]]
            assert wrong["port"] == "eave/2"
            assert wrong["read"]["tripped"] is True
            assert told["controllers"][0]["took_s"] > 0

    run_async(scenario())
