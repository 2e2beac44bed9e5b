"""Answers to rows: what is there is understood in its unit, and nothing is invented."""

import json
import math

import pytest
from controller_faces import SHAPE_MAPPINGS, reach_of, with_base
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from bridge.config.mapping import CurrentNumber, Flag, Table, TemperatureNumber, VoltageNumber
from bridge.controllers.table import MisfitError, Row, compile_flag, compile_number, compile_table, merge
from bridge.simulator.port import Told
from bridge.simulator.shapes import SHAPES, Voice


def table(**spec):
    """A table from the person's words."""
    return Table.model_validate(spec)


def current(**spec):
    """A current's conversion."""
    return compile_number(CurrentNumber.model_validate({"from": "x", **spec}))


@pytest.mark.parametrize(
    ("unit", "raw", "amperes"),
    [("A", 1.5, 1.5), ("mA", 1500, 1.5), ("µA", 1_500_000, 1.5), ("uA", 1500, 0.0015), ("mA", -6, -0.006)],
)
def test_units_of_current(unit, raw, amperes):
    """SI prefixes: milli 10^-3, micro 10^-6 (BIPM SI brochure, 9th edition, table 7)."""
    assert current(unit=unit)(raw) == pytest.approx(amperes)


@pytest.mark.parametrize(
    ("unit", "raw", "celsius"),
    # Fixed points: water freezes at 32 degF and boils at 212 degF; 0 degC is 273.15 K (BIPM SI brochure);
    # -40 is the same on both scales.
    [("°F", 32, 0.0), ("°F", 212, 100.0), ("°F", -40, -40.0), ("K", 273.15, 0.0), ("m°C", -500, -0.5)],
)
def test_units_of_temperature(unit, raw, celsius):
    """Temperatures come out in degrees Celsius."""
    convert = compile_number(TemperatureNumber.model_validate({"from": "x", "unit": unit}))
    assert convert(raw) == pytest.approx(celsius, abs=1e-9)


def test_millivolts():
    """12050 mV are 12.05 V."""
    assert compile_number(VoltageNumber.model_validate({"from": "x", "unit": "mV"}))(12050) == pytest.approx(
        12.05
    )


def test_signed16_only_when_declared():
    """65535 and 65530 are -1 and -6 mA where signed 16 bits are declared, else large positive numbers."""
    signed, plain = current(unit="mA", signed16=True), current(unit="mA")
    assert [signed(65535), signed(65530), signed(12)] == pytest.approx([-0.001, -0.006, 0.012])
    assert plain(65535) == pytest.approx(65.535)
    assert signed(65536) is None
    assert signed(-32769) is None


def test_raw_counts():
    """(count × factor + offset) in the unit given: 39 counts of 8.14 mA above 12 counts of zero."""
    convert = current(unit="mA", factor=8.14, offset=-12 * 8.14)
    assert convert(39) == pytest.approx((39 - 12) * 0.00814)


@pytest.mark.parametrize(
    "raw", [None, True, False, "1", "120 mA", [], {}, math.nan, math.inf, -math.inf, 10**400]
)
def test_no_number_no_value(raw):
    """What is no finite number is no value; a truth value is no number either."""
    assert current(unit="mA")(raw) is None


@pytest.mark.parametrize(
    ("text", "amperes"),
    [("120 mA", 0.12), ("120mA", 0.12), (" 0.12 A ", 0.12), ("120", 0.12), ("-3.5e1 mA", -0.035),
     ("120 W", None), ("mA", None), ("1.2.3 A", None), ("", None), ("9" * 400, None), ("inf A", None),
     ("nan", None)],
)  # fmt: skip
def test_text_with_unit_only_when_declared(text, amperes):
    """`120 mA` in a text is 0.12 A where texts are allowed; the text's own unit counts."""
    assert current(unit="mA", text=True)(text) == (None if amperes is None else pytest.approx(amperes))
    assert current(unit="mA")(text) is None


@pytest.mark.parametrize(
    ("raw", "meaning"),
    [(True, True), (False, False), (1, True), (0, False), (1.0, True), ("ON", True), (" off ", False),
     ("yes", True), (None, None), (2, None), ("closed", None), ("", None), ([], None), ({}, None),
     (math.nan, None)],
)  # fmt: skip
def test_usual_spellings(raw, meaning):
    """The usual spellings are understood; any other value is not said."""
    assert compile_flag(Flag.model_validate({"from": "x"}))(raw) is meaning


def test_own_spellings_and_other():
    """Own spellings replace the usual ones; `other` takes whatever else is there, never what is missing."""
    own = compile_flag(Flag.model_validate({"from": "x", "yes": ["Tripped", "short"], "no": "other"}))
    assert [own(raw) for raw in ("TRIPPED", "short", "fine", 0, None, [])] == [
        True,
        True,
        False,
        False,
        None,
        None,
    ]


def test_one_bit_of_a_status_word():
    """A bit of a status number; what is no whole number says nothing."""
    bit = compile_flag(Flag.model_validate({"from": "x", "bit": 2}))
    assert [bit(raw) for raw in (4, 5, 3, 0, -1, True, 4.0, "4", None)] == [
        True,
        True,
        False,
        False,
        *[None] * 5,
    ]


def test_null_keeps_its_place():
    """Where the position is the number, a null or a broken element does not move the others."""
    parse = compile_table(table(ports="outputs[*]", current="ma | mA"), range(1, 5))
    rows = parse({"outputs": [{"ma": 1000}, None, {"ma": 3000}, "broken"]})
    assert {n: row.current_a for n, row in rows.items()} == {1: 1.0, 3: 3.0, 4: None}


def test_positions_count_from_one_whatever_the_controller_counts_from():
    """`counts_from: 0` shifts the controller's numbers, not the positions."""
    named = compile_table(table(ports="o", port="id", current="ma | mA"), range(1, 3), counts_from=0)
    assert sorted(named({"o": [{"id": 0, "ma": 1}, {"id": 1, "ma": 2}]})) == [1, 2]
    placed = compile_table(table(ports="o", current="ma | mA"), range(1, 3), counts_from=0)
    assert sorted(placed({"o": [{"ma": 1}, {"ma": 2}]})) == [1, 2]


def test_a_port_named_twice_is_not_said():
    """Two entries for one port contradict each other, so neither counts."""
    parse = compile_table(table(ports="o", port="id", power="on"), (1, 2))
    rows = parse({"o": [{"id": 1, "on": True}, {"id": 1, "on": False}, {"id": 2, "on": True}]})
    assert rows == {2: Row(power=True)}


def test_columns_of_unequal_length():
    """A list that is longer or shorter than the list of numbers can't be laid beside it."""
    parse = compile_table(table(arrays="@", port="n", current="ma | mA", power="on"), (1, 2, 3))
    rows = parse({"n": [1, 2, 3], "ma": [10, 20], "on": [1, 0, 1]})
    assert [rows[n] for n in (1, 2, 3)] == [Row(power=True), Row(power=False), Row(power=True)]


def test_map_keys_with_label():
    """A map's keys are the ports, written as the label says; other keys are no ports."""
    parse = compile_table(table(map="loads", label="out-{port}", power="up"), (1, 2))
    assert parse({"loads": {"out-1": {"up": True}, "out-x": {"up": True}, "note": 3}}) == {1: Row(power=True)}


@pytest.mark.parametrize("answer", [None, [], {}, {"outputs": None}, {"outputs": {"1": {}}}, "text", 5])
def test_nothing_where_the_ports_should_be(answer):
    """An answer without the list is a misfit, told as such, not a list of ports that are off."""
    with pytest.raises(MisfitError, match="no list at 'outputs"):
        compile_table(table(ports="outputs[*]", power="on"), (1, 2))(answer)


def test_merge_fills_gaps():
    """A second address adds what the first did not say, port by port."""
    rows = {1: Row(current_a=0.5)}
    merge(rows, {1: Row(current_a=9.0, power=True), 2: Row(tripped=False)})
    assert rows == {1: Row(current_a=0.5, power=True), 2: Row(tripped=False)}


json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.sampled_from(["120 mA", "on", "off", "1", "closed", "out-1", "tripped", ""])
    | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(
                ["outputs", "loads", "banks", "slots", "lines", "out-1", "id", "slot", "line", "draw_ma",
                 "live", "fuse_open", "raw", "adc", "channel", "closed", "blown", "amps-now",
                 "power-up", "is", "load"]
            ),
            inner,
            max_size=5,
        )
    ),
    max_leaves=25,
)  # fmt: skip


ASKS = [
    ask
    for mapping in SHAPE_MAPPINGS.values()
    for ask in reach_of({"kind": "http", **with_base(mapping, "http://127.0.0.1:1")}).asks
]


@given(answer=json_values)
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_no_answer_crashes_or_invents(answer):
    """Whatever JSON comes: rows of configured ports with finite numbers and truth values, or a misfit."""
    text = json.dumps(answer)
    for ask in ASKS:
        try:
            rows = compile_table(ask, (1, 2, 3))(json.loads(text))
        except MisfitError:
            continue
        assert set(rows) <= {1, 2, 3}
        for row in rows.values():
            for number in (row.current_a, row.voltage_v, row.temperature_c):
                assert number is None or (math.isfinite(number) and not isinstance(number, bool))
            assert row.power in (None, True, False)
            assert row.tripped in (None, True, False)
            assert row.current_a is None or any(character.isdigit() for character in text)


def leaves(node, path=()):
    """The path of every single value of a document."""
    parts = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, part in parts:
        if isinstance(part, dict | list):
            yield from leaves(part, (*path, key))
        else:
            yield (*path, key)


JUNK = st.sampled_from([None, "", "junk", [], {}, "NaN", [1], {"a": 1}, float("nan"), float("inf"), 1e300])


@given(shape=st.sampled_from(sorted(SHAPES)), data=st.data())
@settings(max_examples=150, deadline=None)
def test_damage_takes_away_and_never_adds(shape, data):
    """Whatever values of a good answer are damaged or gone: a field says what it said before, or nothing."""
    ports = [Told(n, 0.25 * n, n != 2, n == 2, 12.0, 20.0, 1.0) for n in range(1, 5)]
    reads = SHAPES[shape].reads
    asks = reach_of({"kind": "http", **with_base(SHAPE_MAPPINGS[shape], "http://127.0.0.1:1")}).asks
    for ask, (_, path) in zip(asks, reads, strict=True):
        parse = compile_table(ask, (1, 2, 3, 4))
        whole = parse(SHAPES[shape].document(path, Voice("box", 1.0, ports)))
        document = SHAPES[shape].document(path, Voice("box", 1.0, ports))
        for leaf in data.draw(st.lists(st.sampled_from(list(leaves(document))), max_size=5)):
            place = document
            for key in leaf[:-1]:
                place = place[key]
            if data.draw(st.booleans()) or isinstance(place, list):
                place[leaf[-1]] = data.draw(JUNK)
            else:
                place.pop(leaf[-1], None)
        try:
            rows = parse(document)
        except MisfitError:
            continue
        for number, row in rows.items():
            for said, right in zip(row, whole[number], strict=True):
                assert said is None or said == right


@given(
    ma=st.dictionaries(
        st.integers(1, 8),
        st.fixed_dictionaries({}, optional={"ma": st.integers(-100, 30000), "live": st.booleans()}),
    )
)
@settings(max_examples=80, deadline=None)
def test_three_ways_to_write_the_same(ma):
    """A list, a map and lists side by side that say the same give the same rows."""
    rows = {n: Row(current_a=said["ma"] * 0.001 if "ma" in said else None, power=said.get("live"))
            for n, said in ma.items()}  # fmt: skip
    common = {"current": "ma | mA", "power": "live"}
    as_list = compile_table(table(ports="o", port="n", **common), range(1, 9))
    assert as_list({"o": [{"n": n, **said} for n, said in ma.items()]}) == rows
    as_map = compile_table(table(map="@", **common), range(1, 9))
    assert as_map({str(n): said for n, said in ma.items()}) == rows
    side = compile_table(table(arrays="@", port="n", **common), range(1, 9))
    columns = {key: [said.get(key) for said in ma.values()] for key in ("ma", "live")}
    assert side({"n": [*ma], **columns}) == rows


@pytest.mark.parametrize(
    ("spec", "words"),
    [
        ({"ports": "o", "current": "ma"}, "say the unit"),
        ({"ports": "o", "current": "ma | W"}, "W is no unit here"),
        ({"ports": "o", "current": "draw-ma | mA"}, "write '\"draw-ma\"'"),
        ({"ports": "loads[*].out-1", "current": "ma | mA"}, "write 'loads"),
        ({"ports": "o[", "current": "ma | mA"}, "no JMESPath expression"),
        ({"ports": "o[?x]", "current": "ma | mA"}, "leaves elements out"),
        ({"ports": "a[].b[]", "current": "ma | mA"}, "leaves elements out"),
        ({"arrays": "@", "current": "o[*].ma | mA"}, "leaves out what is null"),
        ({"ports": "o", "map": "m", "current": "ma | mA"}, "exclude each other"),
        ({"map": "m", "port": "id", "current": "ma | mA"}, "keys of a map"),
        ({"ports": "o", "label": "out", "current": "ma | mA"}, "once"),
        ({"ports": "o", "power": "!off"}, "missing value would read as"),
        ({"ports": "o", "tripped": "state == 'tripped'"}, "missing value would read as"),
        ({"ports": "o", "power": {"from": "s", "yes": ["on"]}}, "add no:"),
        ({"ports": "o", "power": {"from": "s", "yes": ["on"], "no": ["ON "]}}, "under yes and under no"),
        ({"ports": "o", "power": {"from": "s", "bit": 1, "yes": [1], "no": [0]}}, "a bit is 0 or 1"),
    ],
)  # fmt: skip
def test_mistakes_say_what_would_be_right(spec, words):
    """A mapping that can't be meant is refused when the file is read, with what would be right."""
    with pytest.raises(ValidationError) as refused:
        table(**spec)
    assert words in str(refused.value)


def test_the_quoting_that_is_proposed_works():
    """The quoted form that an error proposes for a hyphenated key reads that key."""
    parse = compile_table(table(ports="o", current='"draw-ma" | mA'), (1,))
    assert parse({"o": [{"draw-ma": 500}]}) == {1: Row(current_a=0.5)}
