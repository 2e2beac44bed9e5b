"""YAML is read as version 1.2 means it, with places, within bounds."""

import math
import re

import pytest
import yaml
from hypothesis import example, given, settings
from hypothesis import strategies as st

from bridge.config.reader import MAX_DEPTH, decode, locate, plain, read, resolve
from bridge.errors import ConfigurationError


def value_of(text: str):
    """The document's value; no problem may be found."""
    root, problems = read(text, "site.yaml")
    assert problems == []
    return plain(root, {})


def told(text: str) -> list[tuple[int, int, str]]:
    """Line, column and sentence of every problem."""
    try:
        _, problems = read(text, "site.yaml")
    except ConfigurationError as error:
        problems = error.problems
    assert all(problem.file == "site.yaml" and problem.right for problem in problems)
    return [(problem.line, problem.column, problem.what) for problem in problems]


# The core schema: YAML 1.2.2, chapter 10.3.2 and example 10.9 (from memory), and what YAML 1.1 made of it.
CORE = [
    ("null", None), ("~", None), ("Null", None), ("", None),
    ("true", True), ("True", True), ("TRUE", True), ("false", False), ("FALSE", False),
    ("0", 0), ("0o7", 7), ("0x3A", 58), ("-19", -19), ("+12", 12),
    ("0.", 0.0), ("-0.0", -0.0), (".5", 0.5), ("+12e03", 12000.0), ("-2E+05", -200000.0),
    (".inf", math.inf), ("-.Inf", -math.inf), ("+.INF", math.inf),
    ("010", 10), ("08", 8), ("0o10", 8),
    # text in 1.2, something else in 1.1 (the cases of yaml/pyyaml issues 395, 165 and 41 among them)
    ("22:30", "22:30"), ("08:15", "08:15"), ("6:05", "6:05"), ("52:54:00:12:34:56", "52:54:00:12:34:56"),
    ("1:30:00", "1:30:00"), ("on", "on"), ("off", "off"), ("yes", "yes"), ("no", "no"), ("NO", "NO"),
    ("y", "y"), ("n", "n"), ("2026-12-24", "2026-12-24"), ("11-28", "11-28"), ("1_000", "1_000"),
    ("0b11", "0b11"), ("=", "="), ("tRUE", "tRUE"), ("1e", "1e"), ("0x", "0x"), (".", "."), ("1 2", "1 2"),
    ("9" * 5000, "9" * 5000),
]  # fmt: skip


@pytest.mark.parametrize(("text", "value"), CORE)
def test_scalars_mean_what_yaml_1_2_says(text, value):
    """An unquoted scalar has the meaning of the YAML 1.2 core schema; its type counts as well."""
    found = resolve(text)
    assert found == value
    assert type(found) is type(value)


def test_not_a_number_is_read_as_such():
    """``.nan`` is a float that is not a number (YAML 1.2.2, 10.3.2); models refuse it later."""
    assert math.isnan(resolve(".nan"))
    assert math.isnan(resolve(".NAN"))


@pytest.mark.parametrize("text", ["22:30", "true", "12", "~", "no"])
def test_quoted_is_text(text):
    """In quotes everything is text."""
    assert value_of(f"a: '{text}'") == {"a": text}
    assert value_of(f'a: "{text}"') == {"a": text}


def test_keys_are_text_or_whole_numbers():
    """``on:`` is a word, ``1:`` a number; other keys are refused at their place."""
    assert value_of("on: a\n1: b\n0x10: c") == {"on": "a", 1: "b", 16: "c"}
    assert told("true: a") == [(1, 1, "a key must be text or a whole number")]
    assert told("a: 1\n? [1, 2]\n: b") == [(2, 3, "a key must be text or a whole number")]
    assert told("1.5: a\n~: b") == [
        (1, 1, "a key must be text or a whole number"),
        (2, 1, "a key must be text or a whole number"),
    ]


def test_duplicate_keys_are_refused_with_both_places():
    """The second of two equal keys is told with the line of the first, and all of them are told."""
    assert told("a: 1\nb: {c: 1, c: 2}\na: 3") == [(2, 11, "duplicate key c"), (3, 1, "duplicate key a")]
    _, problems = read("a: 1\na: 3")
    assert "line 1" in problems[0].right
    assert told("1: a\n01: b") == [(2, 1, "duplicate key 1")]
    assert told("1: a\n'1': b") == []


def test_anchors_and_aliases_repeat_a_value():
    """An alias is the value of its anchor."""
    assert value_of("a: &x {b: 1}\nc: *x\nd: [*x, *x]") == {"a": {"b": 1}, "c": {"b": 1}, "d": [{"b": 1}] * 2}


@pytest.mark.parametrize(
    ("text", "place", "sentence"),
    [
        ("a: *x", (1, 4), "no anchor of this name"),
        ("a: &x [1, *x]", (1, 11), "inside its own anchor"),
        ("a: &x {b: 1}\nc:\n  <<: *x", (3, 3), "merge keys"),
        ("a: !!str 1", (1, 4), "tags are not read"),
        ("a: !!python/object/apply:os.system [id]", (1, 4), "tags are not read"),
        ("a: ! 1", (1, 4), "tags are not read"),
        ("a: 1\n--- \nb: 2", (2, 1), "second document"),
        ("", (1, 1), "empty"),
        ("# nothing\n", (1, 1), "empty"),
        ("a:\n\t- b", (2, 1), "not YAML"),
        ("a: b: c", (1, 5), "not YAML"),
        ("a: [1, 2", (1, 9), "not YAML"),
        ("a: 'b", (1, 6), "not YAML"),
        ("a: @b", (1, 4), "not YAML"),
        ("a: 1\n b: 2", (2, 3), "not YAML"),
        ("a: \x07", (1, 4), "control character"),
    ],
)
def test_what_is_refused_has_its_place(text, place, sentence):
    """What can't be read is told with line and column and what to do instead."""
    (line, column, what), *more = told(text)
    assert sentence in what
    assert line == place[0]
    assert abs(column - place[1]) <= 1  # the two parsers of the library differ by one at the end of a line
    assert more == []


def test_quoted_merge_keys_are_ordinary():
    """A key in quotes is text, whatever it looks like."""
    assert value_of("'<<': 1") == {"<<": 1}


def bomb(levels: int, width: int) -> str:
    """A document that grows by `width` at every level."""
    grown = (f"a{level}: &a{level} [{', '.join([f'*a{level - 1}'] * width)}]" for level in range(1, levels))
    return "\n".join(["a0: &a0 [x]", *grown])


@pytest.mark.parametrize(
    "text",
    [
        bomb(10, 10),
        bomb(30, 2),
        "[" * (MAX_DEPTH + 1) + "]" * (MAX_DEPTH + 1),
        "[" * 5000 + "]" * 5000,
        "{a: " * 5000 + "1" + "}" * 5000,
        "- " * 5000 + "a",
        "\n".join(["a0: &a0 [x]", *(f"a{n}: &a{n} [[[[[[[[[[*a{n - 1}]]]]]]]]]]" for n in range(1, 60))]),
        "a: " + "x" * 2_000_000,
        "[" + "1," * 200_000 + "1]",
    ],
)
def test_bombs_are_refused(text):
    """A document that is too large, deep or, by its aliases, numerous is refused and costs little."""
    with pytest.raises(ConfigurationError, match=r"too (large|deeply|many)"):
        read(text)


def test_depth_within_the_bound_is_read():
    """The bound is far above what a configuration needs, and exact."""
    assert value_of("[" * MAX_DEPTH + "]" * MAX_DEPTH)


def test_bytes_become_text():
    """UTF-8 with or without byte-order mark is read; anything else is told with its place."""
    assert decode("a: é".encode()) == decode("a: é".encode("utf-8-sig")) == "a: é"
    with pytest.raises(ConfigurationError, match=r"s\.yaml:2:4: this is not UTF-8") as refused:
        decode(b"a: 1\nb: \xe9", "s.yaml")
    assert refused.value.__cause__ is None
    assert refused.value.__context__ is None


def test_every_value_knows_its_place():
    """Line and column of a value are those of its first character, in blocks and in lines."""
    root, _ = read("a:\n  - {b: x,\n     é: [1, 22]}\n")
    place, words = locate(root, ("a", 0, "é", 1))
    assert (place.line, place.column, words) == (3, 13, ["a", "0", "é", "1"])
    place, words = locate(root, ("a", "function-before[x()]", 0, "b", "union"))
    assert (place.line, place.column, words) == (2, 9, ["a", "0", "b"])


@settings(max_examples=300, deadline=None)
@given(
    st.text(alphabet=st.sampled_from(list("ab1:-[]{}&*!|>'\"%@#?<~, \n\t.")), max_size=60)
    | st.text(max_size=40)
)
@example("a: &a\nb: *a")
@example("? ")
@example("%YAML 1.1\n---\na: on")
def test_any_text_is_read_or_refused(text):
    """Whatever the text: a tree, or ConfigurationError with a place; no other error."""
    try:
        root, problems = read(text, "f")
    except ConfigurationError as error:
        problems = error.problems
        assert problems
    else:
        plain(root, {})
    assert all(problem.line >= 1 and problem.column >= 1 for problem in problems)


NUMBER_OF_12 = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?|0o[0-7]+|0x[0-9a-fA-F]+")
"""Numbers of YAML 1.2 (section 10.3.2). The library keeps to 1.1, where some are text without quotes."""
TEXTS = st.text(max_size=10).filter(lambda text: NUMBER_OF_12.fullmatch(text) is None)


@settings(max_examples=150, deadline=None)
@given(
    st.recursive(
        st.none() | st.booleans() | st.integers(-(10**9), 10**9) | TEXTS | st.floats(-1e6, 1e6),
        lambda inner: (
            st.lists(inner, max_size=3) | st.dictionaries(TEXTS | st.integers(0, 99), inner, max_size=3)
        ),
        max_leaves=12,
    ).filter(lambda value: value is not None)
)
def test_what_another_program_wrote_comes_back(value):
    """A document written by the YAML library is read back equal; it quotes what could be misread."""
    assert value_of(yaml.safe_dump(value, default_flow_style=False)) == value
