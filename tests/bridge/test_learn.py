"""Drafts from answers: they read what a hand-written mapping reads, and never claim what was not seen."""

import json

import pytest
from controller_faces import LOOPBACK, SHAPE_MAPPINGS, Tree, controller_of, reach_of, with_base
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from support import run_async

from bridge.config.mapping import Table
from bridge.config.reader import plain, read
from bridge.controllers.table import MisfitError, compile_table
from bridge.learn.draft import http_yaml, hwmon_yaml, mqtt_yaml
from bridge.learn.elsewhere import infer_chips, infer_topics
from bridge.learn.guess import infer
from bridge.simulator.port import Told
from bridge.simulator.shapes import SHAPES, Voice


def told(count=6):
    """A site where the ports differ: some on, one tripped, different currents."""
    return [
        Told(n, 0.226 * n if n % 2 == 0 else 0.0, n % 2 == 0, n == 3, 12.0, 21.0, 1.5 * n)
        for n in range(1, count + 1)
    ]


def documents(shape, ports):
    """(method, path, document) of each read of a shape."""
    voice = Voice("box", 12.0, ports)
    return [(method, path, SHAPES[shape].document(path, voice)) for method, path in SHAPES[shape].reads]


def reach_in(text):
    """``reach:`` of the one controller in a drafted file, read as a configuration file is."""
    root, problems = read(text)
    assert problems == []
    (controller,) = plain(root, {})["controllers"].values()
    return reach_of(controller["reach"]), controller["ports"]


@pytest.mark.parametrize("shape", SHAPES)
def test_a_draft_reads_what_the_hand_written_mapping_reads(shape):
    """For every shape the simulator answers in, the draft is a valid file and its rows are the right ones."""
    base = f"http://{LOOPBACK}:1"
    made = documents(shape, told())
    drafts = [(base + path, method, infer(document)[0]) for method, path, document in made]
    reach, ports = reach_in(http_yaml("gable", drafts))
    assert sorted(ports) == [1, 2, 3, 4, 5, 6]
    by_hand = reach_of({"kind": "http", **with_base(SHAPE_MAPPINGS[shape], base)})
    # Another moment than the one it was learned from: all ports changed.
    later = documents(shape, [Told(n, 0.1 * n, n % 3 == 0, n == 4, 11.0, 5.0, 9.0) for n in range(1, 7)])
    for drafted, wanted, (_, _, document) in zip(reach.asks, by_hand.asks, later, strict=True):
        rows = compile_table(drafted, range(1, 7))(document)
        truth = compile_table(wanted, range(1, 7))(document)
        assert rows.keys() == truth.keys()
        for number, row in rows.items():
            for said, right in zip(row, truth[number], strict=True):
                if right is not None:
                    assert said == (right if isinstance(right, bool) else pytest.approx(right, rel=1e-4))


def test_the_draft_switches_nothing():
    """How a port is switched can't be learned by looking; a draft has no switch, and says so."""
    text = http_yaml("gable", [("http://h/status", "GET", infer(documents("rows", told())[0][2])[0])])
    assert reach_in(text)[0].switch is None
    assert "# switch:" in text
    assert "not a fact" in text


def test_small_negative_numbers_as_large_ones():
    """Whole numbers just below 65536 beside small ones are taken for signed 16-bit numbers."""
    answer = {"o": [{"id": 1, "ma": 12}, {"id": 2, "ma": 65535}, {"id": 3, "ma": 65530}]}
    assert infer(answer)[0].guesses["current"].mapping == {"from": "ma", "unit": "mA", "signed16": True}


@pytest.mark.parametrize(
    ("key", "values", "mapping"),
    [
        ("ma", [120, 4000], "ma | mA"),
        ("current", [0.12, 3.5], "current | A"),
        ("current", [120, 3500], "current | mA"),
        ("outputCurrent", [1.5, 0.0], "outputCurrent | A"),
        ("load-a", [1.5, 0.0], '"load-a" | A'),
        ("draw", ["0.5 A", "1.5 A"], {"from": "draw", "unit": "A", "text": True}),
    ],
)
def test_units_by_name_by_text_or_by_size(key, values, mapping):
    """A unit in the name or the text counts; else the size says whether it is A or mA (no port has 40 A)."""
    answer = {"o": [{"id": n, key: value} for n, value in enumerate(values, 1)]}
    assert infer(answer)[0].guesses["current"].mapping == mapping


@pytest.mark.parametrize(
    "key", ["energy_wh", "maxCurrent", "current_limit", "rating_a", "total_ma", "name", "uptime"]
)
def test_other_numbers_are_no_current(key):
    """Limits, ratings, peaks and counters are not taken for the present current."""
    drafts = infer({"o": [{"id": 1, key: 3}, {"id": 2, key: 4}]})
    assert not any("current" in draft.guesses for draft in drafts)


def test_ports_counted_from_zero():
    """Ports numbered from 0 are drafted with counts_from 0, and are ours from 1 on."""
    answer = {"ports": [{"id": 0, "ma": 5}, {"id": 1, "ma": 7}]}
    draft = infer(answer)[0]
    assert (draft.mapping["counts_from"], draft.numbers) == (0, (1, 2))
    reach, _ = reach_in(http_yaml("gable", [("http://h/s", "GET", draft)]))
    rows = compile_table(reach, (1, 2), counts_from=reach.counts_from)(answer)
    assert [rows[n].current_a for n in (1, 2)] == [pytest.approx(0.005), pytest.approx(0.007)]


def test_positions_are_told_as_a_guess():
    """Where nothing numbers the ports the position is used, and a note says so."""
    draft = infer([{"amps": 0.5}, {"amps": 0.25}])[0]
    assert "port" not in draft.guesses
    assert "position" in draft.notes[0]


@pytest.mark.parametrize(
    "answer", [None, 5, "x", [], {}, [1, 2], {"a": {"b": 1}}, {"error": "busy"}, [[]], [{}]]
)
def test_nothing_that_looks_like_ports(answer):
    """An answer without ports gives no draft rather than a bad one."""
    assert infer(answer) == []


KEYS = st.sampled_from(
    [
        "id",
        "ports",
        "ma",
        "amps",
        "on",
        "tripped",
        "fuse",
        "state",
        "o-1",
        "o-2",
        "factor",
        "adc",
        'q"x',
        "",
        "é",
    ]
)
VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-5, 70000)
    | st.floats()
    | st.sampled_from([10**400, -(10**400), "on", "12 mA", "tripped", "7", "on\x85", "\x7f mA"]),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEYS, inner, max_size=4),
    max_leaves=25,
)


@given(answer=VALUES)
@example(answer={"id": [None, 0], "ma": [1, 2]})
@example(answer={"o": [{"id": 1, "ma": 5}, {"ma": 7}]})
@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_every_draft_is_a_valid_mapping(answer):
    """Whatever is answered: each draft is accepted by the configuration and finds its ports in the answer."""
    for draft in infer(answer):
        keys = {key: value for key, value in draft.mapping.items() if key != "counts_from"}
        table = Table.model_validate(keys)
        try:
            rows = compile_table(table, range(5000), counts_from=draft.counts_from)(answer)
        except MisfitError:
            pytest.fail(f"{keys} finds no ports in {answer!r}")
        assert set(rows) <= set(draft.numbers)
        reach_in(http_yaml("gable", [("http://h/s", "GET", draft)]))


def test_topics_of_a_controller_that_publishes():
    """Topics that differ in a number are one topic per port; words and payloads say what they mean."""
    messages = {
        **{f"yard/lights/{n}/amps": f"{n / 4}".encode() for n in range(1, 5)},
        **{f"yard/lights/{n}/relay": b"ON" if n % 2 else b"OFF" for n in range(1, 5)},
        **{
            f"yard/lights/{n}/info": json.dumps({"tripped": n == 2, "volts": 12.0}).encode()
            for n in range(1, 5)
        },
        "yard/lights/uptime": b"1234",
        "yard/note": b"\xff\xfe",
    }
    draft = infer_topics(messages)
    assert draft is not None
    assert draft.numbers == (1, 2, 3, 4)
    by_topic = {topic["topic"]: topic for topic in draft.topics}
    assert by_topic["yard/lights/{port}/amps"]["current"] == "@ | A"
    assert by_topic["yard/lights/{port}/relay"]["power"] == {"from": "@", "yes": ["on"], "no": ["off"]}
    assert by_topic["yard/lights/{port}/info"]["tripped"] == "tripped"
    reach, ports = reach_in(mqtt_yaml("lights", "mqtt.example", draft))
    assert reach.told == {"current", "power", "tripped", "voltage"}
    assert sorted(ports) == [1, 2, 3, 4]


def test_topic_with_a_whole_document():
    """A topic whose payload speaks of all ports is read like an answer."""
    payload = json.dumps(documents("rows", told())[0][2]).encode()
    draft = infer_topics({"yard/status": payload})
    assert draft is not None
    reach, _ = reach_in(mqtt_yaml("gable", "mqtt.example", draft))
    assert reach.topics[0].ports == "outputs"
    assert infer_topics({"yard/a": b"1", "yard/b": b"on"}) is None


def test_chips_of_this_machine(tmp_path):
    """Current sensors become ports bound by device; the drafted file reads them from a real tree."""
    tree = Tree(tmp_path / "sys")
    tree.chip(
        3,
        "i2c-1/1-0040",
        {"curr1_input": "1500", "in0_input": "3", "in1_input": "12050", "curr1_crit_alarm": "0"},
    )
    tree.chip(1, "i2c-1/1-0041", {"curr1_input": "250", "label": "right"})
    tree.switch("feed-1")
    files = {
        str(path.relative_to(tree.root)): path.read_text()
        for path in tree.root.rglob("*")
        if path.is_file() and "class" not in path.parts and path.name != "measured"
    }
    draft = infer_chips(files)
    assert draft is not None
    assert draft.ports[1]["chip"] == {"device": "devices/i2c-1/1-0040"}
    assert draft.ports[2]["chip"] == {"label": "right"}
    assert any("devices/platform/feed-1/state" in note for note in draft.notes)
    root, problems = read(hwmon_yaml("shed", draft))
    assert problems == []
    mapping = plain(root, {})["controllers"]["shed"]["reach"] | {"root": str(tree.root)}

    async def once():
        controller = controller_of(mapping, 2)
        readings = await controller.read()
        await controller.close()
        return readings

    first, second = run_async(once())
    assert (first.current_a, first.voltage_v, first.tripped) == (
        pytest.approx(1.5),
        pytest.approx(12.05),
        False,
    )
    assert second.current_a == pytest.approx(0.25)
    assert infer_chips({"devices/x/hwmon/hwmon0/temp1_input": "1"}) is None


def test_asked_again_a_counter_is_told_from_a_current():
    """What only grows from answer to answer is no current, whatever it is called; what moves may be."""
    looks = [
        {"o": [{"id": n, "amps": 10 * n + look, "i": 0.5 * n + (0.1 if look % 2 else 0.0)} for n in (1, 2)]}
        for look in range(3)
    ]
    current = infer(looks[0], looks[1:])[0].guesses["current"]
    assert current.mapping == "i | A"
    assert "changes from answer to answer" in current.why


@pytest.mark.parametrize(
    ("banks", "where"),
    [
        ({"banks": {"a": [{"id": 1, "ma": 5}], "b": [{"id": 2, "ma": 7}]}}, "banks.*[]"),
        ({"banks": {"a": {"s": [{"id": 1, "ma": 5}]}, "b": {"s": [{"id": 2, "ma": 7}]}}}, "banks.*.s[]"),
        (
            {"b": {"a": {"x": {"s": [{"id": 1, "ma": 5}]}}, "c": {"x": {"s": [{"id": 2, "ma": 7}]}}}},
            "b.*.x[].s[]",
        ),
        ({"banks": [[{"id": 1, "ma": 5}], [{"id": 2, "ma": 7}]]}, "banks[]"),
        ({"banks": {"a": {"1": {"ma": 5}}, "b": {"2": {"ma": 7}}}}, "merge(banks.a, banks.b)"),
    ],
)
def test_banks_of_ports(banks, where):
    """Banks in lists and in maps, of lists and of maps: one draft that reads the ports of all banks."""
    draft = infer(banks)[0]
    assert draft.mapping.get("ports", draft.mapping.get("map")) == where
    reach, ports = reach_in(http_yaml("rack", [("http://h/s", "GET", draft)]))
    rows = compile_table(reach, ports)(banks)
    assert {number: row.current_a for number, row in rows.items()} == {
        1: pytest.approx(0.005), 2: pytest.approx(0.007)
    }  # fmt: skip


def test_banks_that_count_anew_are_no_ports():
    """Where each bank begins at 1 again nobody knows which port 1 is meant: no draft claims to."""
    banks = {"banks": {"a": [{"id": 1, "ma": 5}], "b": [{"id": 1, "ma": 7}]}}
    assert not any(len(draft.numbers) > 1 for draft in infer(banks))
