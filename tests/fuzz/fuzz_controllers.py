"""What controllers say: answers through mappings, published payloads, streams, and guesses from all of it."""

import json
import math
from functools import cache
from typing import Any

from fuzz_target import FINITE, ROOT, SEPARATOR, Target, explained, joined, nothing_unexpected, parts, run
from pydantic import ValidationError
from rich.console import Console

from bridge.config import load
from bridge.config.expressions import (
    check_flag_expression,
    compile_expression,
    splits_positions,
    without_star,
)
from bridge.config.mapping import LONGEST_EXPRESSION, Table
from bridge.config.reach import HttpReach, MqttReach
from bridge.config.reader import read
from bridge.controllers import create
from bridge.controllers.mqtt import MqttController
from bridge.controllers.stream import Lines
from bridge.controllers.table import MisfitError, Row, Rows, compile_table, merge
from bridge.errors import ConfigurationError
from bridge.learn.draft import http_yaml, hwmon_yaml, mqtt_yaml
from bridge.learn.elsewhere import infer_chips, infer_topics
from bridge.learn.guess import infer, infer_single
from bridge.learn.view import answer_tree, chips_tree, topics_tree
from bridge.simulator.port import Told
from bridge.simulator.shapes import SHAPES, Voice
from rules.ports import Abilities

PORTS = range(1, 7)
UNREADABLE = (ValueError, RecursionError)
"""What the callers of `json.loads` and of a mapping take for an unreadable answer."""


def sound(row: Row) -> None:
    """A row's numbers are finite, its flags are flags, and what is not said is None."""
    for value in (row.current_a, row.voltage_v, row.temperature_c):
        assert value is None or (type(value) in (int, float) and math.isfinite(value) and abs(value) < FINITE)
    for flag in (row.power, row.tripped):
        assert flag in (True, False, None)


def _documents() -> list[Any]:
    ports = [Told(n, 0.226 * n, n % 2 == 0, n == 3, 12.0, 21.0, 1.5 * n) for n in (1, 2, 3)]
    voice = Voice("box", 12.0, ports)
    return [shape.document(path, voice) for shape in SHAPES.values() for _, path in shape.reads]


@cache
def _tables() -> tuple[bytes, ...]:
    """The mappings of the examples, as JSON."""
    texts = []
    for file in sorted((ROOT / "examples/controllers").glob("*.yaml")):
        if file.name == "simulated.yaml":
            continue
        for controller in load(file).controllers.values():
            reach = controller.reach
            asks = (
                (reach, *reach.also)
                if isinstance(reach, HttpReach)
                else reach.topics
                if isinstance(reach, MqttReach)
                else ()
            )
            for ask in asks:
                table = Table.model_construct(**{name: getattr(ask, name) for name in Table.model_fields})
                texts.append(table.model_dump_json(by_alias=True, exclude_none=True).encode())
    return tuple(dict.fromkeys(texts))


def answer(data: bytes) -> None:
    """A mapping and two answers: rows with finite numbers of ports that were asked for, or a reason."""
    mapping, *bodies = parts(data)
    try:
        table = Table.model_validate_json(mapping)
    except ValidationError as error:
        explained(error)
        return
    parse = compile_table(table, PORTS)
    rows: Rows = {}
    for body in bodies[:2]:
        try:
            more = parse(json.loads(body))
        except UNREADABLE as error:
            explained(error)
            assert not isinstance(error, MisfitError) or str(error).startswith("there ")
            continue
        assert more.keys() <= ({0} if table.single else set(PORTS))
        merge(rows, more)
    for row in rows.values():
        sound(row)


def _answers() -> list[bytes]:
    bodies = [json.dumps(one).encode() for one in _documents()]
    return [joined(table, body) for table in _tables() for body in bodies]


def expression(data: bytes) -> None:
    """An expression is compiled and never raises when it is evaluated, or it is refused with a sentence."""
    text, *answers = parts(data)
    source = text.decode("utf-8", "replace")[:LONGEST_EXPRESSION]
    try:
        evaluate = compile_expression(source)
        splits_positions(source)
        compile_expression(without_star(source))
    except ValueError as error:
        explained(error)
        return
    try:
        check_flag_expression(source)
    except ValueError as error:
        explained(error)
    for body in answers[:2]:
        try:
            found = json.loads(body)
        except UNREADABLE:
            continue
        evaluate(found)


def _expressions() -> list[bytes]:
    sources = [
        '"amps-now"', "banks[].slots[]", "outputs[?id > `2`].ma", "merge(a, b)", "[{port: `1`, ma: p1_ma}]",
        "a.b[0:2:-1] || @", "sort_by(o, &id)[*].ma", "to_number(x) && !y", "values(@)[*].[a, b]", "sum(a)",
        "join(',', keys(@))", "max_by(o, &ma).id", "map(&ma, o)", "a | b[::2]", "avg(o[].ma)", "$", "a.*.b",
    ]  # fmt: skip
    body = b'{"o": [{"id": 1, "ma": 5}, {"id": 2, "ma": null}], "a": {"b": [1, 2]}, "x": "7", "p1_ma": 3}'
    return [joined(source.encode(), body) for source in sources]


# ---------------------------------------------------------------- published and pushed

_TOPICS = ("yard/1/amps", "yard/2/amps", "yard/all", "yard/1/power", "yard/x/amps", "yard/line", "yard")
_REACH = {
    "kind": "mqtt", "broker": {"host": "127.0.0.1"}, "every": "1 s", "topics": [
        {"topic": "yard/{port}/amps", "current": {"from": "@", "unit": "A", "text": True}},
        {"topic": "yard/{port}/power", "power": "@"},
        {"topic": "yard/all", "ports": "outputs[*]", "port": "id", "current": "amps | A", "power": "on"},
    ],
}  # fmt: skip
_ON_CHANGE = {
    **_REACH, "on_change": True, "lag": "0.5 s",
    "available": {"topic": "yard/line", "yes": ["online", 1], "no": ["offline", False]},
}  # fmt: skip


def published(messages: list[tuple[str, bytes, bool]], *, on_change: bool = False) -> None:
    """A controller on MQTT may publish anything: nothing is raised, currents are finite or none."""
    reach = MqttReach.model_validate(_ON_CHANGE if on_change else _REACH)

    async def go() -> None:
        controller = create("yard", reach, {n: Abilities() for n in (1, 2)})
        assert isinstance(controller, MqttController)
        for topic, payload, retained in messages:
            controller._incoming(topic, payload, retained)
        for number in (1, 2):
            reading = controller._reading(number)
            if reading is not None:
                sound(Row(*reading[2:]))
        await controller.close()

    with nothing_unexpected():
        run(go())


def payload(data: bytes) -> None:
    """Messages of a controller: the first byte of each is its topic, the second whether it is retained."""
    first, *rest = parts(data)
    messages = [(_TOPICS[one[0] % len(_TOPICS)], one[2:], one[1] % 2 == 1) for one in rest if len(one) >= 2]
    published(messages, on_change=first[:1] == b"c")


_PAYLOADS = [
    joined(b"", b"\0\x000.5", b"\1\x00120 mA", b"\3\0on", b'\2\0{"outputs":[{"id":1,"amps":0.5,"on":true}]}'),
    joined(b"c", b"\5\1online", b'\2\1{"outputs":[{"id":2,"amps":1e3,"on":0}]}', b"\3\0OFF", b"\5\0offline"),
]


def stream(data: bytes) -> None:
    """A stream gives the same documents however it is cut, and never keeps what it gave."""
    events, size, content = data[:1] == b"e", max(1, sum(data[1:2])), data[2:]
    whole, cut = Lines(events=events), Lines(events=events)
    at_once = whole.feed(content)
    in_pieces = [
        document
        for at in range(0, len(content), size)
        for document in cut.feed(content[at : at + size])
    ]  # fmt: skip
    assert at_once == in_pieces
    assert whole._rest == cut._rest
    assert whole._size == cut._size
    for document in at_once:
        assert b"\n" not in document or events
        assert document in content or events
        try:
            json.loads(document)
        except UNREADABLE as error:
            explained(error)


_STREAMS = [
    b'n\1{"outputs": []}\n\n{"outputs": [1]}\r\n{"a"',
    b'e\2: hello\r\n\r\ndata: {"outputs":\r\ndata: []}\r\n\r\nevent: x\ndata:1\n\nid: 7\n\n',
]

# ---------------------------------------------------------------- guesses

_TERMINAL = Console(width=100, force_terminal=False)


def _reads_as_yaml(text: str) -> None:
    try:
        _, problems = read(text)
    except ConfigurationError as error:
        raise AssertionError(text) from error
    assert not problems, (problems, text)


def learn(data: bytes) -> None:
    """Guesses from any answers are mappings the file would take, in a draft that is YAML; nothing is raised."""
    answers = []
    for body in parts(data)[:3]:
        try:
            answers.append(json.loads(body))
        except UNREADABLE:
            return
    drafts = infer(answers[0], answers[1:])
    for draft in drafts[:3]:
        assert 0 <= draft.confidence <= 1
        assert draft.numbers
        table = Table.model_validate({k: v for k, v in draft.mapping.items() if k != "counts_from"})
        parse = compile_table(table, range(1, 4098), counts_from=draft.counts_from)
        for one in answers:
            try:
                rows = parse(one)
            except MisfitError as error:
                explained(error)
            else:
                for row in rows.values():
                    sound(row)
        _reads_as_yaml(http_yaml("gable", [("http://127.0.0.1:1/s", "GET", draft)]))
    with _TERMINAL.capture():
        _TERMINAL.print(answer_tree("answer", answers[0], drafts[0] if drafts else None))
    single = infer_single(dict(enumerate(answers, 1)))
    assert single is None or single.guesses


def _learned() -> list[bytes]:
    more = [
        {"unit": "mA", "i": [120, 65530, 5], "on": [1, 0, 1]}, {"port1_ma": 5, "port2_ma": 7, "port1_on": True},
        [{"amps": 0.5, "fuse": "ok"}, {"amps": "0.25 A", "fuse": "blown"}], {"1": {"a": 1}, "2": {"a": 2}},
        {"b": {"x": {"p1": {"ma": 1}}, "y": {"p2": {"ma": 2}}}}, {"scale": 0.1, "adc": [100, 200]},
    ]  # fmt: skip
    bodies = [json.dumps(one).encode() for one in (*_documents(), *more)]
    return [*bodies, *(joined(body, body) for body in bodies)]


def learn_topics(data: bytes) -> None:
    """Guesses from any topics and payloads: a topic's name, a line's end, its payload."""
    found = {}
    for part in parts(data):
        name, _, said = part.partition(b"\n")
        found[name.decode("utf-8", "replace")] = said
    draft = infer_topics(found)
    if draft is not None:
        assert draft.numbers
        _reads_as_yaml(mqtt_yaml("gable", "127.0.0.1", draft))
    with _TERMINAL.capture():
        _TERMINAL.print(topics_tree("topics", found, draft))


def learn_files(data: bytes) -> None:
    """Guesses from any names and contents of kernel files, given like topics."""
    found = {}
    for part in parts(data):
        name, _, said = part.partition(b"\n")
        found[name.decode("utf-8", "replace")] = said.decode("utf-8", "replace").strip()
    draft = infer_chips(found)
    if draft is not None:
        _reads_as_yaml(hwmon_yaml("roof", draft))
    with _TERMINAL.capture():
        _TERMINAL.print(chips_tree("chips", found, draft))


_HEARD = [
    joined(b"yard/1/amps\n0.5", b"yard/2/amps\n0.25", b"yard/1/state\non", b"yard/2/state\ntripped"),
    joined(b'yard/all\n{"outputs": [{"id": 1, "ma": 5}, {"id": 2, "ma": 6}]}', b"yard/status\nonline"),
]
_KERNEL = [
    joined(
        b"devices/1-0040/hwmon/hwmon3/curr1_input\n1500", b"devices/1-0040/hwmon/hwmon3/in1_input\n12000",
        b"devices/1-0040/hwmon/hwmon3/label\nroof", b"devices/1-0040/hwmon/hwmon3/curr1_crit_alarm\n0",
        b"devices/gpio/value\n1",
    )
]  # fmt: skip

_JSON = (
    "null",
    "true",
    "1e400",
    "-0.0",
    "NaN",
    "65535",
    "[]",
    "{}",
    "9999999999999999999999",
    '"',
    "\\ud800",
)

TARGETS = (
    Target(
        "answer",
        "an answer through a mapping gives finite numbers of the ports that were asked for, or a reason",
        answer,
        _answers,
        words=(
            SEPARATOR, *_JSON, '"ports":', '"map":', '"arrays":', '"port":', '"label":"out-{port}"', '"from":',
            '"unit":"mA"', '"factor":1e300', '"offset":', '"signed16":true', '"text":true', '"yes":', '"no":',
            '"other"', '"bit":', '"current":', '"power":', '"tripped":', '"voltage":', '"temperature":', "@",
        ),
        libraries=("jmespath",),
        longest_bytes=2500,
    ),
    Target(
        "expression",
        "an expression is compiled and never raises, or is refused with a sentence",
        expression,
        _expressions,
        words=(
            SEPARATOR, *_JSON, "[*]", "[]", "[?", "||", "&&", "!", "==", ">=", "`1`", "'a'", '"a-b"', "&", "@",
            "keys(", "values(", "sort_by(", "max_by(", "map(&", "to_number(", "join(", "merge(", "reverse(",
            "not_null(", "type(", "sum(", "avg(", "ceil(", "contains(", "starts_with(", "[::-1]", "[0:1:0]",
        ),
        libraries=("jmespath",),
        longest_bytes=400,
    ),
    Target(
        "payload",
        "whatever a controller publishes, nothing is raised and each value is finite or none",
        payload,
        lambda: _PAYLOADS,
        words=(SEPARATOR, *_JSON, "online", "offline", "outputs", "120 mA", b"\5\1", b"\2\0"),
        longest_bytes=600,
    ),
    Target(
        "stream",
        "a stream gives the same documents however it is cut",
        stream,
        lambda: _STREAMS,
        words=("data:", "data: ", "\r\n", "\n\n", "\r", ": ", *_JSON),
        longest_bytes=1000,
    ),
    Target(
        "learn",
        "guesses are mappings the configuration takes, in a draft that is YAML",
        learn,
        _learned,
        words=(
            SEPARATOR, *_JSON, '"ma"', '"amps"', '"id"', '"on"', '"fuse"', '"tripped"', '"unit":"mA"', '"volts"',
            '"temp_c"', '"scale"', '"offset"', '"120 mA"', '"ok"', '"port1"', '"port2"', '"out-1"', '"raw"',
        ),
        longest_bytes=1500,
    ),
    Target(
        "learn-topics",
        "guesses from topics and payloads are a draft that is YAML",
        learn_topics,
        lambda: _HEARD,
        words=(SEPARATOR, *_JSON, "/1/", "/2/", "\n", "amps", "state", "tripped", '"ma":', "{port}"),
        longest_bytes=600,
    ),
    Target(
        "learn-files",
        "guesses from the kernel's files are a draft that is YAML",
        learn_files,
        lambda: _KERNEL,
        words=(SEPARATOR, "/hwmon/hwmon1/", "curr1_input\n", "in1_input\n", "label\n", "curr2_max_alarm\n"),
        longest_bytes=600,
    ),
)  # fmt: skip
