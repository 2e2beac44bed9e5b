"""The example controllers: each file is served by the simulator, read, switched and cleared as it says."""

import asyncio
import json
import re
from pathlib import Path

import pytest
import yaml
from support import run_async

from bridge.commands.checking import check
from bridge.config import load, parse, plan
from bridge.controllers import create
from bridge.controllers.table import compile_table
from bridge.learn.fetch import Address, HttpAsker
from bridge.learn.guess import infer
from bridge.simulator.clock import SpeedClock
from bridge.simulator.site import SimulatedSite
from bridge.simulator.spec import read_spec
from rules.door import Outcome
from rules.ports import number_of

FOLDER = Path(__file__).parents[2] / "examples" / "controllers"
SIMULATED = FOLDER / "simulated.yaml"
FILES = sorted(file for file in FOLDER.glob("*.yaml") if file != SIMULATED)
FIRST_PORT = 8101

each_file = pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)


def served(file: Path, addresses: dict[str, str]):
    """The settings of `file`, its addresses replaced by where the simulator listens now."""
    text = file.read_text()
    for place, address in enumerate(addresses.values()):
        text = text.replace(f"http://127.0.0.1:{FIRST_PORT + place}", address)
    assert not re.search(r"http://127\.0\.0\.1:81\d\d/", text)
    return parse(text, folder=file.parent)


def test_there_are_five():
    """One file for each of the five ways the simulator answers, and no shape is left out."""
    spec = read_spec(SIMULATED)
    assert len(FILES) == len(spec.controllers) == len({box.shape for box in spec.controllers}) == 5
    assert {name for file in FILES for name in load(file).controllers} == {box.id for box in spec.controllers}


@each_file
def test_the_file_is_right_and_bears_its_load(file, capsys):
    """`duskward check` finds nothing over a limit in it."""
    assert check(file, as_json=False), capsys.readouterr().out


@each_file
def test_it_reads_switches_and_clears_every_port(file):
    """Through the real driver, port by port: off, on with its current, tripped, cleared, off again."""

    async def scenario():
        site = SimulatedSite(read_spec(SIMULATED), seed=5, clock=SpeedClock())
        async with site.serve() as addresses:
            settings = served(file, addresses.controllers)
            ((name, controller),) = settings.controllers.items()
            ports = plan(settings).ports
            driver = create(name, controller.reach, {number_of(p): one.abilities for p, one in ports.items()})
            try:
                for port in ports:
                    await one_port(site, driver, port, len(ports))
            finally:
                await driver.close()

    async def one_port(site, driver, port, count):
        async def reading():
            found = {one.port: one for one in await driver.read()}
            assert len(found) == count
            return found[port]

        async def read_until(fits):
            async with asyncio.timeout(10):
                while not fits(one := await reading()):
                    pass
            return one

        number, truth = number_of(port), lambda: site.truth(port)
        assert (await driver.command(number, False))[0] is Outcome.ACCEPTED
        dark = await reading()
        assert (dark.power, dark.tripped) == (False, False)
        await read_until(lambda one: one.current_a == pytest.approx(0.0, abs=0.02))
        assert (await driver.command(number, True))[0] is Outcome.ACCEPTED
        live = await read_until(lambda one: one.current_a == pytest.approx(truth().current_a, abs=0.02))
        assert (live.power, live.tripped, truth().power) == (True, False, True)
        handle = site.port(port)
        handle.short()
        tripped = await read_until(lambda one: one.tripped)
        assert tripped.power is False
        handle.clear_fault()
        assert (await driver.command(number, False))[0] is Outcome.ACCEPTED
        assert (await driver.command(number, True, clear=True))[0] is Outcome.ACCEPTED
        mended = await reading()
        assert (mended.power, mended.tripped) == (True, False)
        assert (await driver.command(number, False))[0] is Outcome.ACCEPTED
        assert not truth().power

    run_async(scenario())


@each_file
def test_its_answer_is_the_documented_one(file):
    """The answer in the file's comments has the keys that the controller really answers with."""

    async def scenario():
        site = SimulatedSite(read_spec(SIMULATED), seed=5)
        async with site.serve() as addresses:
            (controller,) = served(file, addresses.controllers).controllers.values()
            asks = [Address(ask.url, ask.method, ask.json_) for ask in controller.reach.asks]
            asker = HttpAsker(asks)
            try:
                return await asker.ask()
            finally:
                await asker.close()

    def keys(node):
        if isinstance(node, dict):
            return {re.sub(r"\d+", "#", key): keys(part) for key, part in node.items()}
        if isinstance(node, list):
            return [keys(node[0])] if node else []
        return type(node).__name__.replace("int", "number").replace("float", "number")

    comments = "\n".join(
        line.removeprefix("#").strip() for line in file.read_text().splitlines() if line.startswith("#")
    )
    found = re.findall(r"(?:GET|POST) /\S+\n(\{.*?\n\})\n\n", comments, re.DOTALL)
    answers = run_async(scenario())
    assert len(found) == len(answers)
    for text, answer in zip(found, answers, strict=True):
        assert keys(json.loads(text)) == keys(answer)


@each_file
def test_it_is_learned_unaided(file):
    """What `learn` drafts by itself reads every port as the hand-written mapping of the file does."""

    async def scenario():
        site = SimulatedSite(read_spec(SIMULATED), seed=5)
        async with site.serve() as addresses:
            settings = served(file, addresses.controllers)
            ((name, controller),) = settings.controllers.items()
            reach = controller.reach
            asker = HttpAsker([Address(ask.url, ask.method, ask.json_) for ask in reach.asks])
            try:
                rounds = [await asker.ask()]
                # As it is on an evening: one port has tripped.
                site.port(f"{name}/1").short()
                site.step(site.clock() + 0.5)
                rounds += [await asker.ask(), await asker.ask()]
                site.port(f"{name}/1").clear_fault()
            finally:
                await asker.close()
            return reach, sorted(controller.ports), rounds

    reach, numbers, rounds = run_async(scenario())
    for place, ask in enumerate(reach.asks):
        draft = infer(rounds[0][place], [one[place] for one in rounds[1:]])[0]
        assert draft.numbers == tuple(numbers)
        table = type(ask).model_validate(
            {"url": ask.url, **{key: value for key, value in draft.mapping.items() if key != "counts_from"}}
            if type(ask).__name__ == "HttpAlso"
            else {"kind": "http", "url": ask.url, **draft.mapping}
        )
        for answers in rounds:
            by_hand = compile_table(ask, numbers)(answers[place])
            drafted = compile_table(table, numbers)(answers[place])
            for number in numbers:
                for said, right in zip(drafted[number], by_hand[number], strict=True):
                    if right is not None:
                        assert said == (right if isinstance(right, bool) else pytest.approx(right, abs=1e-3))


def test_the_simulated_site_is_a_plain_file():
    """The file for the simulator is YAML that needs nothing beside it."""
    assert yaml.safe_load(SIMULATED.read_text())["id"] == "five-yards"
