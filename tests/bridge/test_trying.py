"""Proofs of mappings, right and wrong ones: on a running site and by the driver alone, over real HTTP."""

import asyncio
import json
import subprocess
import sys
import time
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest
import yaml
from support import run_async, until

from bridge import control
from bridge.app import App
from bridge.clock import PacedClock
from bridge.config import load
from bridge.journal import Journal, JournalInUseError
from bridge.learn.trying import Trial
from bridge.learn.trying_alone import try_alone
from bridge.simulator.scenarios import reach_of
from bridge.simulator.site import SimulatedSite
from bridge.simulator.spec import ControllerSpec, PortSpec, SensorSpec, SiteSpec, StringSpec
from rules.door import Verb
from rules.ports import Abilities, Condition, PortId, Reading, Target, TargetKind
from rules.safety import Hold, SafetyState, Tripped

NOON = datetime(2025, 12, 1, 12, 0, tzinfo=UTC)
EVENING = datetime(2025, 12, 1, 19, 0, tzinfo=UTC)
ONE = PortId("eave/1")
FAST = SensorSpec(noise_a=0.001, step_a=0.004, refresh_s=0.01)


def spec(*, at_start: bool = False) -> SiteSpec:
    """Four ports, the first three with strings."""
    ports = tuple(
        PortSpec(number, StringSpec(60) if number < 4 else None, sensor=FAST, power_at_start=at_start)
        for number in range(1, 5)
    )
    return SiteSpec("slate-yard", (ControllerSpec("eave", ports),))


def written(
    folder: Path, url: str, *, port: int = 1883, site: str = "slate-yard", always: bool = False, **reach
) -> Path:
    """A configuration of that site; `reach` changes its mapping; `always`: a show that is always on."""
    hours = ("00:00", "23:59") if always else ("18:00", "22:00")
    config = {
        "site": {
            "id": site, "name": "Slate Yard", "timezone": "Europe/Dublin", "latitude": 53.35,
            "longitude": -6.26, "require_synchronised_clock": False, "state_dir": str(folder / "state"),
        },
        "broker": {"host": "127.0.0.1", "port": port},
        "controllers": {
            "eave": {
                "reach": reach_of("rows", url) | {"every": "0.05 s"} | reach,
                "ports": {n: {"name": f"Arch {n}", "rating": "4 A"} for n in range(1, 5)},
            }
        },
        "shows": [{"name": "Tea", "when": {"from": hours[0], "to": hours[1]}, "needs": ["eave/3"]}],
    }  # fmt: skip
    path = folder / "duskward.yaml"
    path.write_text(yaml.safe_dump(config))
    return path


def tried(file: Path, port: PortId = ONE) -> list[dict]:
    """All lines of a proof by the driver alone; the caller serves the site in the same loop."""

    async def lines():
        return [line async for line in try_alone(load(file), port)]

    return lines()


def alone(tmp_path: Path, prepare=None, **reach) -> tuple[dict, SimulatedSite]:
    """One proof by the driver alone; its last line and the site as it was left."""

    async def scenario():
        site = SimulatedSite(spec(), seed=2)
        async with site.serve() as addresses:
            url = addresses.controllers["eave"]
            file = written(tmp_path, url, **{k: v(url) if callable(v) else v for k, v in reach.items()})
            if prepare is not None:
                prepare(site, file)
            lines = await tried(file)
        return lines[-1], site

    return run_async(scenario())


@pytest.fixture(autouse=True)
def _settled_soon(monkeypatch):
    """The simulated sensor is quick."""
    monkeypatch.setattr("bridge.learn.trying._SETTLE_S", 0.1)


def quiet_night(monkeypatch) -> None:
    """No show is on, whatever the machine's clock says."""
    monkeypatch.setattr("bridge.learn.trying_alone._show_now", lambda site: "")


def test_a_right_mapping_is_proven_and_the_port_left_as_it_was(tmp_path, monkeypatch):
    """Off, on and off are seen in the controller's own report, and afterwards the port is off as before."""
    quiet_night(monkeypatch)
    last, site = alone(tmp_path)
    assert last["accepted"], last
    assert "no other port did" in last["text"]
    assert not any(site.truth(f"eave/{n}").power for n in range(1, 5))


def test_a_port_that_was_on_is_on_again(tmp_path, monkeypatch):
    """A proof gives the port back as it found it."""
    quiet_night(monkeypatch)

    async def scenario():
        site = SimulatedSite(spec(at_start=True), seed=2)
        async with site.serve() as addresses:
            lines = await tried(written(tmp_path, addresses.controllers["eave"]))
        return lines[-1], site

    last, site = run_async(scenario())
    assert last["accepted"], last
    assert site.truth(ONE).power


def test_a_port_that_trips_meanwhile_is_not_closed_again(tmp_path, monkeypatch):
    """Although it was on before: after a trip during the proof its port stays off."""
    quiet_night(monkeypatch)

    async def scenario():
        site = SimulatedSite(spec(at_start=True), seed=2)
        async with site.serve() as addresses:
            file = written(tmp_path, addresses.controllers["eave"])
            lines = []
            async for line in try_alone(load(file), ONE):
                lines.append(line)
                if line.get("step", "").startswith("on"):
                    site.port(ONE).short()
                    await until(lambda: site.truth(ONE).fuse_open)
                    site.port(ONE).clear_fault()  # a fuse that is cleared by off and on would close now
        return lines[-1], site

    last, site = run_async(scenario())
    assert "its fuse is open" in last["text"]
    assert not site.truth(ONE).commanded


def test_a_port_that_could_not_be_switched_back_is_told(tmp_path, monkeypatch):
    """A controller that falls silent while the string is alive: the person reads that it may have power."""
    quiet_night(monkeypatch)

    async def scenario():
        site = SimulatedSite(spec(), seed=2)
        async with site.serve() as addresses:
            lines = []
            async for line in try_alone(load(written(tmp_path, addresses.controllers["eave"])), ONE):
                lines.append(line)
                if line.get("step", "").startswith("on"):
                    site.controller("eave").misbehave("status", code=503)
        return lines[-1], site

    last, site = run_async(scenario())
    assert site.truth(ONE).power
    assert not last["accepted"]
    assert "may have power" in last["text"]


def test_what_can_not_be_tried_is_not_touched(tmp_path, monkeypatch):
    """Where the first reading is wrong already, no command is sent, and the port stays as it was."""
    quiet_night(monkeypatch)

    async def scenario():
        site = SimulatedSite(spec(at_start=True), seed=2)
        async with site.serve() as addresses:
            lines = await tried(written(tmp_path, addresses.controllers["eave"], current="draw_ma | A"))
        return lines[-1], site

    last, site = run_async(scenario())
    assert not last["accepted"]
    assert site.truth(ONE).power


def test_shifted_numbers_are_found_out(tmp_path, monkeypatch):
    """A switch that reaches the neighbour is not proven, and the neighbour is named."""
    quiet_night(monkeypatch)
    last, _ = alone(
        tmp_path,
        switch=lambda url: {
            "method": "POST",
            "url": f"{url}/output/2",
            "json": {"live": "{power}", "for": "{port}"},
        },
    )
    assert not last["accepted"]
    assert "eave/2 changed instead" in last["text"]


def test_a_switch_that_does_nothing_is_not_proven(tmp_path, monkeypatch):
    """Where the controller says yes and does nothing, the proof says so."""
    quiet_night(monkeypatch)
    last, _ = alone(tmp_path, lambda site, file: site.controller("eave").misbehave("deaf"))
    assert not last["accepted"]
    assert "nothing changed" in last["text"]


def test_milliamperes_taken_for_amperes_stop_the_proof(tmp_path, monkeypatch):
    """136 A on a port of 4 A: it is switched off at once, and the unit is asked for."""
    quiet_night(monkeypatch)
    last, site = alone(tmp_path, current="draw_ma | A")
    assert not last["accepted"]
    assert "is the unit right?" in last["text"]
    assert not site.truth(ONE).power


@pytest.mark.parametrize(
    ("safety", "words"),
    [
        (SafetyState(holds=(Hold(Target(TargetKind.PORT, "eave/1"), "Ann", NOON),)), "held by Ann"),
        (SafetyState(holds=(Hold(Target(TargetKind.SITE, "slate-yard"), "Ann", NOON),)), "held by Ann"),
        (SafetyState(weather_hold=True), "weather"),
        (SafetyState(trips={ONE: Tripped(NOON, Condition.FUSE_TRIP)}), "tripped"),
    ],
)
def test_what_is_held_or_tripped_on_disk_is_never_tried(tmp_path, monkeypatch, safety, words):
    """The safety journal rules although nothing runs: the port gets no command at all."""
    quiet_night(monkeypatch)

    def keep(site, file):
        with Journal(tmp_path / "state") as journal:
            journal.read()
            journal.write(safety)

    last, site = alone(tmp_path, keep)
    assert not last["accepted"]
    assert words in last["text"]
    assert site.controller("eave").requests == 0


def test_never_during_a_show(tmp_path):
    """While a show is on by the calendar nothing is tried, where nothing runs too."""
    last, site = alone(tmp_path, always=True)
    assert not last["accepted"]
    assert "Tea is on" in last["text"]
    assert site.controller("eave").requests == 0


def test_a_lock_that_is_held_ends_it(tmp_path, monkeypatch):
    """Never beside a running process: a locked state folder is an error in one sentence."""
    quiet_night(monkeypatch)
    file = written(tmp_path, "http://127.0.0.1:1")
    with Journal(tmp_path / "state"), pytest.raises(JournalInUseError, match="is used by another"):
        run_async(tried(file))


# ---------------------------------------------------------------- through the running process


@asynccontextmanager
async def running(folder: Path, site_id: str, broker, at=NOON, **reach):
    """A whole site at work, with its simulated one."""
    site = SimulatedSite(spec(), seed=2)
    async with site.serve() as addresses:
        file = written(folder, addresses.controllers["eave"], port=broker.port, site=site_id, **reach)
        app = App(load(file), clock=PacedClock(at, 1.0))
        task = asyncio.create_task(app.run())
        try:
            await asyncio.wait_for(app.ready.wait(), 10)
            await until(
                lambda: all("power" in app.told.get(Target(TargetKind.PORT, p), {}) for p in app.plan.ports)
            )
            yield app, site, file
        finally:
            app.stop()
            await task


async def asked(app: App, port: str = ONE) -> list[dict]:
    """What the control socket answers to ``try``."""
    return [line async for line in control.follow(app.folder, {"verb": "try", "target": port})]


def test_through_the_running_process(tmp_path, site_id, broker):
    """A running duskward switches it itself; the steps come as they happen, and the rules have it back."""

    async def scenario():
        async with running(tmp_path, site_id, broker) as (app, site, _):
            lines = await asked(app)
            assert lines[-1]["accepted"], lines
            assert [line["step"].split(":")[0] for line in lines[:-1]] == ["off", "on", "off"]
            told = app.told[Target(TargetKind.PORT, ONE)]
            await until(lambda: "No show" in told["reason"] or "no show" in told["reason"])
            assert not site.truth(ONE).power

    run_async(scenario())


@pytest.mark.parametrize(
    ("verb", "argument", "words"), [(Verb.HOLD, "Ann", "held"), (Verb.MODE, "off", "by hand")]
)
def test_the_running_process_refuses(tmp_path, site_id, broker, verb, argument, words):  # noqa: PLR0917 - fixtures and cases
    """A port that is held or off by hand is not tried, and gets no command."""

    async def scenario():
        async with running(tmp_path, site_id, broker) as (app, *_):
            await app.ask(verb, Target(TargetKind.PORT, ONE), argument)
            (line,) = await asked(app)
            assert not line["accepted"]
            assert words in line["text"]
            (line,) = await asked(app, "eave/99")
            assert "is no port" in line["text"]

    run_async(scenario())


def test_the_running_process_refuses_during_a_show(tmp_path, site_id, broker):
    """Whatever port it is: while a show is on, nobody tries anything."""

    async def scenario():
        async with running(tmp_path, site_id, broker, EVENING) as (app, _, _file):
            await until(lambda: app.told.get(Target(TargetKind.SITE, app.plan.id), {}).get("show"))
            (line,) = await asked(app)
            assert not line["accepted"]
            assert "Tea is on" in line["text"]

    run_async(scenario())


def test_who_leaves_gives_the_port_back(tmp_path, site_id, broker):
    """When the one who asked goes away half-way, the port goes dark and is the rules' again."""

    async def scenario():
        async with running(tmp_path, site_id, broker) as (app, site, _):
            lines = control.follow(app.folder, {"verb": "try", "target": ONE})
            async for line in lines:
                if line.get("step", "").startswith("on"):
                    break
            await lines.aclose()
            await until(lambda: not site.truth(ONE).power)
            await until(lambda: "trying" not in app.told[Target(TargetKind.PORT, ONE)]["reason"])

    run_async(scenario())


def test_a_process_that_ends_meanwhile_leaves_the_port_dark(tmp_path, site_id, broker):
    """A proof gives its port back before the process ends, also where ports stay as they are at a stop."""

    async def scenario():
        async with running(tmp_path, site_id, broker) as (app, site, _):
            async for line in control.follow(app.folder, {"verb": "try", "target": ONE}):
                if line.get("step", "").startswith("on"):
                    assert site.truth(ONE).power
                    app.stop()
                if "accepted" in line:
                    assert not line["accepted"]
                    assert "stopping" in line["text"]
        assert not site.truth(ONE).power

    run_async(scenario())


def test_a_process_that_ends_before_the_power_was_read_leaves_the_port_dark(tmp_path, site_id, broker):
    """The OFF of a proof's port is carried out before the process ends, though its ON was not read yet."""

    async def scenario():
        async with running(tmp_path, site_id, broker, every="1 s") as (app, site, _):
            asking = asyncio.create_task(asked(app))
            await until(lambda: site.truth(ONE).power, 20)
            app.stop()
            lines = await asking
            assert not lines[-1]["accepted"], lines
        assert not site.truth(ONE).power

    run_async(scenario())


def test_a_hold_takes_the_port_back_at_once(tmp_path, site_id, broker):
    """A hold that comes while the port is tried ends the proof, and the port is dead."""

    async def scenario():
        async with running(tmp_path, site_id, broker) as (app, site, _):
            lines = []
            async for line in control.follow(app.folder, {"verb": "try", "target": ONE}):
                lines.append(line)
                if line.get("step", "").startswith("on"):
                    await app.ask(Verb.HOLD, Target(TargetKind.PORT, ONE), "Ann")
            await until(lambda: not site.truth(ONE).power)
            assert not lines[-1]["accepted"]

    run_async(scenario())


def commanded(file, *words):
    """The command as it ends, with nobody at a terminal."""
    return subprocess.run(
        [sys.executable, "-m", "bridge.cli", "learn", "--try", str(file), *words],
        capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=30, check=False,
    )  # fmt: skip


def test_the_command_needs_a_yes(tmp_path):
    """Without a terminal nothing is switched unless --yes says so; the answer is one sentence."""
    file = written(tmp_path, "http://127.0.0.1:1")
    done = commanded(file, "eave/1")
    assert done.returncode == 1
    assert "--yes" in done.stderr
    done = commanded(file, "eave/9", "--yes")
    assert "there is no port eave/9" in done.stderr


def test_a_mapping_without_a_switch_is_told_before_anybody_is_asked(tmp_path):
    """A draft that says nothing of switching is told so at once, and nobody is asked to take hands off."""
    file = written(tmp_path, "http://127.0.0.1:1")
    config = yaml.safe_load(file.read_text())
    del config["controllers"]["eave"]["reach"]["switch"]
    file.write_text(yaml.safe_dump(config))
    done = commanded(file, "eave/1")
    assert done.returncode == 1
    assert "has no switch" in done.stderr


def test_the_command_as_json(tmp_path, site_id, broker):
    """--json gives one document with the steps and whether it is proven; the exit code says the same."""

    async def scenario():
        async with running(tmp_path, site_id, broker) as (_, _site, file):
            process = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "bridge.cli", "learn", "--try", str(file), ONE, "--yes", "--json",
                stdout=asyncio.subprocess.PIPE,
            )  # fmt: skip
            out, _ = await process.communicate()
            told = json.loads(out)
            assert (process.returncode, told["proven"]) == (0, True)
            assert len(told["steps"]) == 3

    run_async(scenario())


# ---------------------------------------------------------------- what readings prove


class Box:
    """Two ports that a proof reads and commands; `obey` says what a command does, `noise_a` what is read."""

    def __init__(self, *, readback=True, on=False, obey=lambda box, on: setattr(box, "on", on)):
        self.abilities = Abilities(readback=readback)
        self.on, self.obey, self.reads, self.noise_a = on, obey, 0, (0.0,)

    async def power(self, on):
        """A command, or the port given back."""
        if on is not None:
            self.obey(self, on)

    async def read(self):
        """What the box says now."""
        await asyncio.sleep(0.001)
        self.reads += 1
        current_a = (0.2 if self.on else 0.0) + self.noise_a[self.reads % len(self.noise_a)]
        power = self.on if self.abilities.readback else None
        return {ONE: Reading(ONE, time.monotonic(), current_a=current_a, power=power)}

    def tried(self):
        """The lines of a proof."""

        async def lines():
            trial = Trial(ONE, "Arch 1", self.abilities, self.power, self.read, 4.0, limit_s=0.5)
            return [line async for line in trial.run()]

        return run_async(lines())


def test_a_port_that_falls_back_is_not_proven():
    """Power that comes and goes at once was not switched: the proof says so, and does not go on."""

    def obey(box, on):
        box.on = on
        if on:
            asyncio.get_running_loop().call_later(0.05, setattr, box, "on", False)

    lines = Box(obey=obey).tried()
    assert not lines[-1]["accepted"]
    assert "did not stay" in lines[-1]["text"]


@pytest.mark.parametrize("on", [True, False])
def test_noise_of_a_sensor_proves_no_switch(on):
    """Where only the current tells, its noise is not taken for a port that follows its commands."""
    box = Box(readback=False, on=on, obey=lambda box, on: None)
    box.noise_a = (0.012, -0.012, 0.008, -0.004, 0.0, 0.012, -0.012, 0.006)
    assert not box.tried()[-1]["accepted"]


def test_a_current_that_follows_is_proof():
    """Where only the current tells, a string that goes dark and comes back is proven, whatever the noise."""
    box = Box(readback=False, on=True)
    box.noise_a = (0.012, -0.012, 0.008, -0.004, 0.0, 0.012, -0.012, 0.006)
    assert box.tried()[-1]["accepted"]
