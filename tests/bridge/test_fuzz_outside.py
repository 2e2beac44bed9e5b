"""Whatever comes in from outside: nothing crashes, nothing is invented, everything is answered.

``DUSKWARD_FUZZ_EXAMPLES=20000`` makes a long run of it.
"""

import asyncio
import itertools
import json
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random

import pytest
from demo_requests import TEXT, URLS, answered_once, demo_plan, demo_tree, fresh_engine, settable
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from structlog.testing import capture_logs
from support import LOOPBACK, free_port, run_async, until

from bridge.app import App
from bridge.config import parse
from bridge.config.reach import MqttReach
from bridge.controllers import create
from bridge.controllers.mqtt import MqttController
from bridge.errors import ConfigurationError, DuskwardError, TransientError
from bridge.mqtt.wire import Wire
from bridge.simulator.scenarios import demo_config
from rules.door import Alert, Answer, Asked
from rules.errors import RulesError
from rules.ports import Abilities, Condition
from rules.shows.ics import read_ics

EXAMPLES = int(os.environ.get("DUSKWARD_FUZZ_EXAMPLES", "0"))
PLAN, TREE, SETTABLE = demo_plan(), demo_tree(), settable()


def examples(usual: int) -> settings:
    """So many examples, or what the environment asks for."""
    return settings(
        max_examples=EXAMPLES or usual, deadline=None,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
    )  # fmt: skip


def explained(error: Exception) -> None:
    """A refusal has words."""
    assert str(error)


# ---------------------------------------------------------------- commands over MQTT

SEGMENTS = st.sampled_from(
    ["homie", "5", "quarry-lane", "port", "site", "power", "set", "$state", "", "+", "é"]
)
TOPICS = (
    st.sampled_from(SETTABLE)
    | st.lists(SEGMENTS, max_size=7).map("/".join)
    | st.text(max_size=40)
    | st.tuples(st.sampled_from(SETTABLE), st.text(max_size=3)).map("".join)
)
PAYLOADS = st.binary(max_size=60) | st.sampled_from(
    [b"true", b"false", b"on", b"off", b"auto", b"reset", b"Ann", b"", b"\0", b"fuse-trip",
     b"undercurrent PT2H",
     b"undercurrent P999D", b"fuse-trip PT0S", b"Lantern walk", b"end", b"end Lantern walk", b"lost-journal",
     b"\xff\xfe", b"9" * 5000, b"PT" + b"9" * 4000 + b"S", "Ａｎｎ".encode(), b"a" * 65, b" true", b"NaN"]
)  # fmt: skip


@examples(150)
@given(messages=st.lists(st.tuples(TOPICS, PAYLOADS, st.booleans()), max_size=12))
def test_any_message_is_refused_or_answered_once(messages: list[tuple[str, bytes, bool]]) -> None:
    """Any topic and payload is ignored, refused, or taken, answered once, and powers nothing."""
    answered_once(messages)


@examples(200)
@given(argument=st.text(max_size=200), verb=st.sampled_from(sorted({c.verb for c in (
    TREE.command(topic, payload, False, 1) for topic in SETTABLE
    for payload in (b"true", b"auto", b"Ann", b"reset", b"1")) if isinstance(c, Asked)})))  # fmt: skip
def test_any_argument_is_answered(verb: object, argument: str) -> None:
    """Whatever text a verb gets, on a port, the site or a controller, it is answered, and nothing breaks."""
    engine, now = fresh_engine()
    for number, target in enumerate((device.target for device in list(TREE.devices.values())[:6]), 1):
        effects = engine.step(now, [Asked(number, verb, target, argument)])  # type: ignore[arg-type]
        assert [effect.request for effect in effects if isinstance(effect, Answer)] == [number]
    assert Condition.INTERNAL_FAULT not in engine.state.alarms
    assert not any(isinstance(effect, Alert) for effect in effects if effect is None)


# ---------------------------------------------------------------- calendar files

ICS_LINES = st.sampled_from(
    ["BEGIN:VCALENDAR", "END:VCALENDAR", "BEGIN:VEVENT", "END:VEVENT", "BEGIN:VTIMEZONE", "END:VTIMEZONE",
     "BEGIN:STANDARD", "END:STANDARD", "VERSION:2.0", "UID:1", "UID:2", "SUMMARY:Open evening",
     "DTSTART:20251205T170000Z", "DTEND:20251205T220000Z", "DTSTART;VALUE=DATE:20251205", "DURATION:PT5H",
     "DTSTART;TZID=Europe/Dublin:20251205T170000", "DTSTART;TZID=Nowhere/Land:20251205T170000",
     "RRULE:FREQ=DAILY", "RRULE:FREQ=SECONDLY;INTERVAL=1", "RRULE:FREQ=YEARLY;BYMONTHDAY=31;BYMONTH=2",
     "RRULE:FREQ=DAILY;COUNT=999999999", "RRULE:FREQ=WEEKLY;BYDAY=FR,SA;UNTIL=20260106T235959Z",
     "EXDATE:20251212T170000Z", "RDATE:20251224T170000Z", "RECURRENCE-ID:20251212T170000Z",
     "STATUS:CANCELLED",
     "TZID:X", "TZOFFSETFROM:+9999", "TZOFFSETTO:-0000", "DTSTART:99991231T235959Z", "DTEND:00010101T000000Z",
     "DURATION:P99999999W", 'X-A;B="c":d', " folded", "\t", "", ":", ";", "é:ü", "DTSTART:20251305T990000"]
)  # fmt: skip
ICS = st.lists(ICS_LINES | st.text(max_size=30), max_size=25).map(
    lambda lines: "\r\n".join(["BEGIN:VCALENDAR", *lines, "END:VCALENDAR"]).encode("utf-8", "surrogatepass")
) | st.binary(max_size=300)


@examples(300)
@given(content=ICS)
def test_any_calendar_file_is_read_or_explained(content: bytes) -> None:
    """Any bytes are a calendar or a sentence; what was read gives its spans of a fortnight."""
    try:
        loaded = read_ics(content, PLAN.place)
    except RulesError as error:
        explained(error)
        return
    begin = datetime(2025, 12, 1, tzinfo=UTC)
    found = loaded.spans(begin, begin + timedelta(days=14))
    assert all(span.start_utc < span.end_utc for span in found)


# ---------------------------------------------------------------- the configuration file

HOSTILE = [
    "!!python/object/apply:os.system ['touch {mark}']", "!!python/name:os.system", "!include {mark}",
    "!!binary aGk=", "&a [*a]", "{{port.__class__}}", "{{0.__init__}}", "${{HOME}}", "$(touch {mark})",
    "`touch {mark}`",
    "{{{{7*7}}}}", "<%= 1 %>", "file:///etc/hostname", "../../../etc/hostname", "%(asctime)s", "{{port!r}}",
    "__import__('os').system('touch {mark}')", "<<: *x", "@/etc/hostname",
]  # fmt: skip
LEAVES = ["id: quarry-lane", "name: Quarry Lane", "host: 127.0.0.1", "current: draw_ma | mA", "port: id",
          "name: Lantern walk", "map: loads", "method: PUT", "latitude: 53.35", "warm_up: 30 s"]  # fmt: skip


@pytest.mark.parametrize("hostile", HOSTILE)
def test_nothing_in_the_file_runs_or_reads(tmp_path: Path, hostile: str) -> None:
    """No value of the file runs code, reads another file or takes from the environment."""
    mark = tmp_path / "ran"
    value = hostile.format(mark=mark)
    for leaf, written in itertools.product(LEAVES, (value, json.dumps(value))):
        key = leaf.partition(":")[0]
        text = TEXT.replace(leaf, f"{key}: {written}", 1)
        assert text != TEXT
        try:
            known = parse(text, folder=tmp_path)
        except ConfigurationError as error:
            words = str(error)
        else:
            words = repr(known)
        assert not mark.exists()
        assert os.uname().nodename not in words.replace("quarry-lane", "")
        assert str(Path.home()) not in words.replace(str(tmp_path), "")


@examples(150)
@given(changes=st.lists(st.tuples(st.integers(0, len(TEXT) - 1), st.binary(max_size=4)), max_size=6))
def test_any_damage_to_the_file_is_a_list_of_problems(changes: list[tuple[int, bytes]]) -> None:
    """A damaged configuration is still a configuration, or a list of problems; never another error."""
    content = bytearray(TEXT.encode())
    for at, piece in changes:
        content[at : at + len(piece)] = piece
    try:
        parse(content.decode("utf-8", "replace"))
    except ConfigurationError as error:
        explained(error)


# ---------------------------------------------------------------- what controllers publish


@examples(200)
@given(messages=st.lists(st.tuples(
    st.sampled_from(["yard/1/amps", "yard/2/amps", "yard/all", "yard/1/power", "yard/x/amps", "yard"]),
    st.binary(max_size=40) | st.sampled_from([b"{}", b"[]", b"null", b"1e400", b"NaN",
                                              b'{"a":' * 500, b"1" * 400, b"1" * 5000,
                                              b'{"outputs":[{"id":1,"amps":-' + b"1" * 400 + b"}]}",
                                              b'{"outputs":[{"id":' + b"1" * 400 + b',"amps":1}]}',
                                              b'{"outputs":[{"id":1,"amps":0.5,"on":true}]}']),
    st.booleans()),
    max_size=8))  # fmt: skip
def test_any_published_payload_is_taken(messages: list[tuple[str, bytes, bool]]) -> None:
    """A controller on MQTT may publish anything: nothing is raised, currents are finite or none."""
    reach = MqttReach.model_validate(
        {"kind": "mqtt", "broker": {"host": "127.0.0.1"}, "every": "1 s", "topics": [
            {"topic": "yard/{port}/amps", "current": {"from": "@", "unit": "A"}},
            {"topic": "yard/all", "ports": "outputs[*]", "port": "id", "current": "amps | A", "power": "on"},
        ]}
    )  # fmt: skip

    async def go() -> None:
        controller = create("yard", reach, {n: Abilities() for n in (1, 2)})
        assert isinstance(controller, MqttController)
        with capture_logs() as logs:
            for topic, payload, retained in messages:
                controller._incoming(topic, payload, retained)
        assert not [line for line in logs if line["event"].endswith("unexpected")]
        for number in (1, 2):
            reading = controller._reading(number)
            assert reading is None or reading.current_a is None or abs(reading.current_a) < 1e400
        await controller.close()

    asyncio.run(go())


@examples(60)
@given(body=st.binary(max_size=200) | st.sampled_from(
    [b"{" * 3000, b"[" * 100_000, b'{"outputs":[' + b'{"id":1},' * 1000 + b'{"id":2}]}', b"1" * 100_000,
     b'{"outputs":{"a":1}}', b'{"outputs":[null,1,"x",[],{"id":1,"draw_ma":true}]}', b"\xef\xbb\xbf{}",
     b'{"outputs":[{"id":1,"draw_ma":' + b"1" * 400 + b"}]}",
     b'{"outputs":[{"id":1' + b"0" * 400 + b',"draw_ma":1}]}',
     b'{"outputs":[{"id":1,"draw_ma":1e999}]}', b'{"outputs":[{"id":"1","draw_ma":"NaN"}]}']))  # fmt: skip
def test_any_body_gives_readings_or_a_reason(body: bytes) -> None:
    """Whatever a box answers over real HTTP, there are readings, or an error in words."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"\r\n\r\n")
        head = f"HTTP/1.1 200 OK\r\nContent-Length: {len(body)}\r\nConnection: close\r\n\r\n"
        writer.write(head.encode() + body)
        await writer.drain()
        writer.close()

    async def go() -> None:
        server = await asyncio.start_server(serve, LOOPBACK, 0)
        port = server.sockets[0].getsockname()[1]
        settings_ = parse(TEXT.replace("http://127.0.0.1:1/status", f"http://127.0.0.1:{port}/status"))
        controller = create(
            "gable", settings_.controllers["gable"].reach, {n: Abilities() for n in range(1, 5)}
        )
        try:
            readings = await controller.read()
        except DuskwardError as error:
            explained(error)
        else:
            assert all(r.current_a is None or abs(r.current_a) < 1e400 for r in readings)
        finally:
            await controller.close()
            server.close()
            await server.wait_closed()

    run_async(go())


# ---------------------------------------------------------------- what a broker sends


@examples(150)
@given(pieces=st.lists(st.binary(max_size=40) | st.sampled_from(
    [b"\x20\x02\x00\x00", b"\x30\xff\xff\xff\x7f", b"\x90\x03\x00\x01\x80", b"\x40\x02\x00\x01", b"\xd0\x00",
     b"\x30\x05\x00\x01a\xff\xfe", b"\x32\x07\x00\x01a\x00\x00hi", b"\x20\x02\x00\x05", b"\x00\x00",
     b"\xf0\xff"]),
    max_size=10))  # fmt: skip
def test_any_bytes_of_a_broker_end_the_connection_at_worst(pieces: list[bytes]) -> None:
    """Whatever bytes come back from a broker, the connection goes on or ends with a reason."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        for piece in pieces:
            writer.write(piece)
            await writer.drain()
        writer.close()

    async def go() -> None:
        server = await asyncio.start_server(serve, LOOPBACK, 0)
        wire = Wire(
            client_id="fuzz", keepalive_s=30, username=None, password=None,
            on_message=lambda *_: None, on_room=lambda: None,
        )  # fmt: skip
        try:
            await wire.open(LOOPBACK, server.sockets[0].getsockname()[1], tls=None, limit_s=2.0, will=None)
            await asyncio.wait_for(asyncio.shield(wire.ended), 2.0)
        except TransientError as error:
            explained(error)
        finally:
            wire.abort("over")
            server.close()
            await server.wait_closed()

    with capture_logs() as logs:
        run_async(go())
    assert not [line for line in logs if line["event"].endswith("unexpected")]


# ---------------------------------------------------------------- the control socket

VERBS = ["status", "hold", "release", "reset", "acknowledge", "mode", "start-show", "confirm", "shelve",
         "count",
         "try", "fly", None, 7, [], {}]  # fmt: skip
TARGETS = ["gable/1", "gable", "arches", "site", "", None, 7, "nowhere/9", "../..", {"a": 1}, "\0", "é" * 300]
ARGUMENTS = [
    "Ann",
    "",
    None,
    7,
    "on",
    "off",
    "auto",
    "fuse-trip",
    "no-load PT2H",
    "x" * 5000,
    {"deep": [1]},
    "\ud800",
]


def test_any_line_on_the_control_socket_is_answered(tmp_path: Path) -> None:
    """A running site answers every line with one JSON object; none of them is the unexpected."""
    rng = Random(int(os.environ.get("DUSKWARD_FAILURE_SEED", "1")))
    count = max(300, EXAMPLES // 10)

    def line() -> bytes:
        if rng.random() < 0.25:
            return bytes(byte for byte in rng.randbytes(rng.randrange(60)) if byte != 10)
        request = {
            "verb": rng.choice(VERBS),
            "target": rng.choice(TARGETS),
            "argument": rng.choice(ARGUMENTS),
        }
        for key in rng.sample(sorted(request), rng.randrange(3)):
            del request[key]
        return json.dumps(request).encode()

    async def go() -> None:
        broken: list[dict[str, object]] = []
        asyncio.get_running_loop().set_exception_handler(lambda _, context: broken.append(context))
        app = App(parse(demo_config(URLS, free_port(), state_dir=str(tmp_path / "state")), folder=tmp_path))
        running = asyncio.create_task(app.run())
        await until(lambda: app.ready.is_set() or running.done(), what="the site")
        assert not running.done(), running.exception()
        talk = await asyncio.open_unix_connection(tmp_path / "state" / "control.sock", limit=2**22)
        for _ in range(count):
            asked = line()
            talk[1].write(asked + b"\n")
            said = await asyncio.wait_for(talk[0].readline(), 15)
            if not said:  # the verb before was one that is answered line by line, and then it is over
                talk[1].close()
                talk = await asyncio.open_unix_connection(tmp_path / "state" / "control.sock", limit=2**22)
                talk[1].write(asked + b"\n")
                said = await asyncio.wait_for(talk[0].readline(), 15)
            answer = json.loads(said)
            assert isinstance(answer["accepted"], bool)
            assert answer["text"] or "status" in answer
            assert "Unexpected" not in answer["text"], asked
        talk[1].close()
        await talk[1].wait_closed()
        app.stop()
        await running
        assert not broken

    with capture_logs() as logs:
        run_async(go(), 100)
    assert not [entry for entry in logs if "unexpected" in entry["event"]]
