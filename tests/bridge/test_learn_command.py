"""`duskward learn` as a person runs it, against real HTTP faces, a real broker, and trees of files."""

import asyncio
import json
import sys
from contextlib import asynccontextmanager

import pytest
from aiohttp import web
from controller_faces import MqttDevice, Tree, serve
from hypothesis import given
from hypothesis import strategies as st
from support import run_async, until
from typer.testing import CliRunner

from bridge.cli import app
from bridge.config import parse
from bridge.errors import DuskwardError
from bridge.learn.changes import Change, Changes, flat
from bridge.simulator.site import SimulatedSite
from bridge.simulator.spec import ControllerSpec, PortSpec, SiteSpec, StringSpec

SWITCH = ["--switch-url", "{base}/output/{port}", "--switch-json", '{"live": "{power}"}']


async def learned(*arguments, code=0):
    """Run it without a terminal; what it wrote for programs and for people."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "bridge.cli", "learn", *map(str, arguments),
        stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    out, err = await process.communicate()
    assert process.returncode == code, err.decode()
    return out.decode(), err.decode()


@asynccontextmanager
async def box(shape="rows"):
    """A simulated controller of four ports, the first two on."""
    ports = tuple(PortSpec(n, StringSpec(60), power_at_start=n < 3) for n in range(1, 5))
    site = SimulatedSite(SiteSpec("yard", (ControllerSpec("gable", ports, shape=shape),)), seed=3)
    async with site.serve() as addresses:
        yield site, addresses.controllers["gable"]


def test_a_draft_on_standard_output_and_the_tree_beside_it():
    """The draft alone goes to standard output; it is a whole right file, and nothing was switched."""

    async def scenario():
        async with box() as (site, base):
            switch = [part.replace("{base}", base) for part in SWITCH]
            out, err = await learned(f"{base}/status", "--name", "gable", "--whole", "--asks", "2", *switch)
            settings = parse(out)
            reach = settings.controllers["gable"].reach
            assert reach.told == {"current", "power", "tripped", "voltage"}
            assert reach.switch.url == f"{base}/output/{{port}}"
            assert sorted(settings.controllers["gable"].ports) == [1, 2, 3, 4]
            shown = ("draw_ma  the current, likely: named draw_ma", "not used: used_wh", "4 ports (1 to 4)")
            for words in (*shown, "What this draft reads now"):
                assert words in err
            assert [site.truth(f"gable/{n}").power for n in range(1, 5)] == [True, True, False, False]

    run_async(scenario())


def test_a_file_is_never_overwritten_unasked(tmp_path):
    """--out leaves a file that is there as it is, in one sentence; --force writes it."""
    out = tmp_path / "draft.yaml"

    async def scenario():
        async with box() as (_, base):
            out.write_text("mine")
            _, err = await learned(f"{base}/status", "--out", out, code=1)
            assert err.count("\n") == 1
            assert "--force" in err
            assert out.read_text() == "mine"
            await learned(f"{base}/status", "--out", out, "--force", "--asks", "1")
            assert "draw_ma | mA" in out.read_text()

    run_async(scenario())


def test_json_says_how_sure_it_is_and_why():
    """--json gives one document: guesses with their reasons, what is read, what is open, the draft."""

    async def scenario():
        async with box("worded") as (_, base):
            out, err = await learned(f"{base}/ask", "--method", "POST", "--asks", "2", "--json")
            told = json.loads(out)
            assert err == ""
            assert told["ports"] == [1, 2, 3, 4]
            current = next(one for one in told["guesses"] if one["role"] == "current")
            assert current["confidence"] >= 0.8
            assert "their unit" in current["why"]
            assert [one["power"] for one in told["reads"]] == [True, True, False, False]
            assert "method: POST" in told["draft"]

    run_async(scenario())


def test_two_addresses_of_one_controller():
    """Currents at one address and states at another become one draft, merged by port."""

    async def scenario():
        async with box("banks") as (_, base):
            both = [f"{base}/banks/currents", f"{base}/banks/states"]
            out, err = await learned(*both, "--whole", "--asks", "1")
            reach = parse(out).controllers["controller-1"].reach
            assert reach.told == {"current", "power", "tripped"}
            assert "no current was found" not in out + err

    run_async(scenario())


async def of(document, *arguments, code=0):
    """Learn from one document served over HTTP; `{base}` in `arguments` is its address."""

    async def handler(request):
        if callable(document):
            return document(request)
        text = document if isinstance(document, str) else json.dumps(document)
        return web.Response(text=text)

    async with serve(handler) as base:
        given = [str(one).replace("{base}", base) for one in arguments]
        return await learned(*given, "--asks", "1", code=code)


UNSURE = {"o": [{"id": 1, "load": 3, "on": True}, {"id": 2, "load": 0, "on": False}]}


def test_a_unit_that_nothing_states_is_asked_for():
    """3 could be A or mA: without a terminal that is told, and --unit settles it."""

    async def scenario():
        out, err = await of(UNSURE, "{base}/s", "--json")
        assert json.loads(out)["open"] == ["unit"]
        assert "--unit" in json.loads(out)["notes"][0]
        out, err = await of(UNSURE, "{base}/s", "--unit", "A")
        assert "load | A" in out
        assert "said by a person" in err + out
        _, err = await of(UNSURE, "{base}/s", "--unit", "W", code=2)
        assert "no unit of current" in err

    run_async(scenario())


def test_zeros_tell_no_unit():
    """Where nothing flows, a number's size says nothing: the draft says that, and not "by its size"."""

    async def scenario():
        dark = {"o": [{"id": n, "load": 0, "on": False} for n in (1, 2)]}
        out, err = await of(dark, "{base}/s")
        assert "0 tells no unit, taken for A" in out
        assert "by its size" not in out + err

    run_async(scenario())


def test_what_is_to_be_written_is_shown_with_its_brackets():
    """A line to copy into the file is shown whole: square brackets are no mark-up of the terminal."""

    async def scenario():
        words = {"lines": [{"line": n, "load": "0 mA", "is": "unpowered"} for n in (1, 2)]}
        _, err = await of(words, "{base}/s")
        assert "yes: [tripped], no: [on, off]" in err

    run_async(scenario())


def test_each_port_at_its_own_address():
    """An address with {port} is asked for each number; the draft asks the same way."""

    def handler(request):
        number = int(request.path.rpartition("/")[2])
        return web.Response(text=json.dumps({"ma": 100 * number, "on": number == 1, "tripped": False}))

    async def scenario():
        out, _ = await of(handler, "{base}/port/{port}", "--numbers", "1-3", "--json")
        told = json.loads(out)
        assert [one["current_a"] for one in told["reads"]] == [0.1, 0.2, 0.3]
        _, err = await of(handler, "{base}/port/{port}", code=2)
        assert "--numbers 1-8" in err

    run_async(scenario())


@pytest.mark.parametrize(
    ("document", "arguments", "status", "words"),
    [
        ("<html>Welcome</html>", ["{base}/"], 200, "answers a web page"),
        ("", ["{base}/"], 200, "answers an empty page"),
        ({}, ["{base}/x"], 404, "nothing is there"),
        ({}, ["{base}/x"], 401, "--password-file"),
        ({}, ["{base}/x"], 405, "--method POST"),
        ({"error": "busy"}, ["{base}/x"], 200, "nothing here looks like ports"),
        ({}, ["http://127.0.0.1:9/x"], 200, "can't be reached"),
        ({}, ["ftp://127.0.0.1/x"], 200, "nothing to learn from"),
        ({}, ["nowhere"], 200, "nothing to learn from"),
        ({}, ["mqtt://127.0.0.1:9/x"], 200, "127.0.0.1:9"),
        ({}, ["mqtt://ann:secret@h/x"], 200, "--password-file"),
        ({}, ["mqtt://h/x/+/y"], 200, "has a wildcard"),
        ({}, ["{base}/a", "mqtt://h/x"], 200, ""),
        (UNSURE, ["{base}/s", "--switch-url", "http://h/on"], 200, "depends on {power}"),
        (UNSURE, ["{base}/s", "--switch-url", "http://h/{power}"], 200, "depends on {port}"),
        (UNSURE, ["{base}/s", "--switch-url", "h/{port}/{power}"], 200, "no whole address"),
        (UNSURE, ["{base}/s", "--clear-url", "http://h/{port}"], 200, "--switch-url"),
        (UNSURE, ["{base}/s", "--body", "{nonsense"], 200, "is no JSON"),
    ],
)
def test_errors_say_what_would_be_right(document, arguments, status, words):
    """Whatever is wrong ends in one sentence that says what would help."""

    async def scenario():
        async def handler(request):
            text = document if isinstance(document, str) else json.dumps(document)
            return web.Response(text=text, status=status)

        async with serve(handler) as base:
            given = [one.replace("{base}", base) for one in arguments]
            return await asyncio.to_thread(CliRunner().invoke, app, ["learn", *given, "--asks", "1"])

    done = run_async(scenario())
    assert done.exit_code == 1
    assert isinstance(done.exception, SystemExit | DuskwardError)
    said = " ".join(f"{done.stderr} {done.exception}".split())
    assert words in said
    assert "ann:secret" not in said


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "name a target"),
        (["http://h/", "--numbers", "8-1"], "1-8"),
        (["http://h/", "--name", "My Box"], "lower case"),
        (["http://h/", "--method", "PUSH"], "GET, POST"),
        (["http://h/", "--switch-url", "u", "--switch-json", "{"], "no JSON"),
    ],
)
def test_called_wrongly(arguments, words):
    """A call that can't be meant ends with exit code 2 and says what would be right."""
    done = CliRunner().invoke(app, ["learn", *arguments])
    assert done.exit_code == 2
    assert words in " ".join(done.stderr.split())


def test_a_topic_tree(broker, site_id):
    """It listens, finds which topics are ports, and drafts what the driver then reads."""

    async def scenario():
        device = MqttDevice(broker.host, broker.port, site_id, 4, on_change=False)
        try:
            out, err = await learned(
                f"mqtt://{broker.host}:{broker.port}/{site_id}", "--for", "1", "--whole",
                "--switch-topic", f"{site_id}/{{port}}/set", "--switch-on", "ON", "--switch-off", "OFF",
            )  # fmt: skip
        finally:
            await asyncio.to_thread(device.stop)
        reach = parse(out).controllers["controller-1"].reach
        assert {topic.topic for topic in reach.topics} == {
            f"{site_id}/{{port}}/amps", f"{site_id}/{{port}}/state"
        }  # fmt: skip
        # "open" alone could be the fuse's or the relay's word: it is left out, and never guessed.
        assert reach.told == {"current", "power"}
        assert reach.broker.port_or_default == broker.port
        assert reach.switch.on == "ON"
        assert "4 ports (1 to 4)" in err
        _, err = await learned(
            f"mqtt://{broker.host}:{broker.port}", "--topic", f"{site_id}/silent", "--for", "0.3", code=1
        )
        assert "no message came" in err

    run_async(scenario())


def test_sensors_of_a_folder(tmp_path):
    """A tree laid out like /sys is scanned; its draft reads the sensors, and takes no switch by itself."""
    tree = Tree(tmp_path / "sys")
    tree.chip(3, "i2c-1/1-0040", {"curr1_input": "1500", "in1_input": "12050", "curr1_crit_alarm": "0"})
    tree.switch("feed-1")

    async def scenario():
        out, err = await learned(tree.root, "--whole", "--name", "shed")
        reach = parse(out).controllers["shed"].reach
        assert reach.ports[1].current == "curr1_input"
        assert reach.ports[1].switch is None
        assert "1.500 A" in err
        assert "devices/platform/feed-1/state may switch something" in out
        (tmp_path / "empty").mkdir()
        _, err = await learned(tmp_path / "empty", code=1)
        assert "class/hwmon" in err

    run_async(scenario())


def test_watching_marks_what_changed():
    """A port that is toggled while it is watched is named, with its role; the draft comes at the end."""

    async def scenario():
        async with box() as (site, base):
            process = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "bridge.cli", "learn", f"{base}/status", "--asks", "1", "--watch",
                "--for", "6", stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.PIPE,
            )  # fmt: skip
            lines: list[str] = []

            box_ = site.controller("gable")

            async def follow():
                while line := await process.stderr.readline():
                    lines.append(line.decode())
                    if "Watching" in lines[-1]:
                        await toggle(box_.requests)

            async def toggle(before):
                # It shall have seen how the values move by themselves.
                await until(lambda: box_.requests >= before + 5)
                site.port("gable/4").command(power=True)

            following = asyncio.create_task(follow())
            out = await process.stdout.read()
            await following
            assert await process.wait() == 0
            text = "".join(lines)
            assert "outputs[3].live  False → True  port 4, power" in text
            assert "outputs[3].draw_ma" in text
            assert "outputs[0].live" not in text
            assert b"draw_ma | mA" in out

    run_async(scenario())


# ---------------------------------------------------------------- what is news


def test_news_is_what_leaves_its_band():
    """A noisy current and a counter are not news; a step and a flag are, each once."""
    changes = Changes()
    looks = [{"ma": 100 + noise, "count": n, "on": False} for n, noise in enumerate((0, 2, 1, 3, 0, 2, 1))]
    assert [changes.look(values) for values in looks] == [[]] * len(looks)
    assert changes.look({"ma": 480, "count": 8, "on": True}) == [
        Change("ma", 101, 480), Change("on", False, True)
    ]  # fmt: skip
    assert changes.look({"ma": 482, "count": 9, "on": True}) == []
    assert changes.look({"ma": 481, "count": 10}) == [Change("on", True, None)]


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=4)
    | st.sampled_from([10**400, -(10**400)]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=10,
)


@given(answers=st.lists(JSON, max_size=6))
def test_any_answers_can_be_watched(answers):
    """Whatever comes, in whatever shape: nothing is raised, and the same answer twice is never news."""
    changes = Changes()
    for answer in answers:
        changes.look(dict(flat(answer)))
        assert changes.look(dict(flat(answer))) == []
