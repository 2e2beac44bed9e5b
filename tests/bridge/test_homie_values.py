"""Payload grammars of the Homie convention, version 5, against its text and an independent library.

Sources: Homie convention 5, "Payload" (homieiot/convention, CC-BY 4.0); the reader library ebus-sdk 0.27,
whose own encoder and parser of each datatype judge ours.
"""

import json
import math
from datetime import UTC, datetime, timedelta, timezone

import pytest
from ebus_sdk.homie import _encode_property_value, _parse_set_payload
from hypothesis import given
from hypothesis import strategies as st

from bridge.mqtt.homie_values import (
    Datatype,
    HomieError,
    Property,
    RefusedPayloadError,
    decode,
    encode,
    encode_float,
)

ENUM = "auto,on,off"
NAIVE = datetime(2025, 12, 6)  # noqa: DTZ001 - a time without a zone is what is refused


def spec(datatype, format_=""):
    """A property of one datatype."""
    return Property("p", "P", Datatype(datatype), format=format_, settable=True)


@pytest.mark.parametrize(
    ("datatype", "value", "payload"),
    [
        ("boolean", True, b"true"),
        ("boolean", False, b"false"),
        ("string", "", b"\0"),
        ("string", "Größe", "Größe".encode()),
        ("string", "\ufeffno mark", b"no mark"),
        ("integer", -(2**63), b"-9223372036854775808"),
        ("integer", 0, b"0"),
        ("float", 1.5, b"1.5"),
        ("float", 3, b"3"),
        ("float", 0.0, b"0"),
        ("float", -0.0, b"0"),
        ("float", -0.0000001, b"0"),
        ("float", 0.012346, b"0.012346"),
        ("float", 1e-7, b"0"),
        ("float", 123456.7891, b"123456.789"),
        ("float", 1e14, b"100000000000000"),
        ("enum", "on", b"on"),
        (
            "datetime",
            datetime(2025, 12, 6, 18, 30, tzinfo=timezone(timedelta(hours=1))),
            b"2025-12-06T17:30:00Z",
        ),
        ("datetime", "2025-12-06T17:30:00Z", b"2025-12-06T17:30:00Z"),
        ("duration", 0, b"PT0S"),
        ("duration", 5400.4, b"PT1H30M"),
        ("duration", "PT45S", b"PT45S"),
        ("json", [], b"[]"),
        ("json", {"a": [1, None]}, b'{"a":[1,null]}'),
    ],
)
def test_values_become_payloads(datatype, value, payload):
    """Each datatype's value is written as the convention's grammar asks (PIT-11)."""
    assert encode(spec(datatype, ENUM if datatype == "enum" else ""), value) == payload


@pytest.mark.parametrize(
    ("datatype", "value"),
    [
        ("boolean", 1), ("boolean", "true"), ("boolean", None),
        ("integer", True), ("integer", 1.0), ("integer", 2**63), ("integer", "1"),
        ("float", math.nan), ("float", math.inf), ("float", -math.inf), ("float", True), ("float", "1"),
        ("float", 1e15),
        ("string", 1), ("string", "\ud800"),
        ("enum", "AUTO"), ("enum", ""), ("enum", "auto,on"), ("enum", 1),
        ("datetime", NAIVE), ("datetime", "tomorrow"), ("datetime", 5),
        ("duration", -1), ("duration", math.nan), ("duration", "P1D"), ("duration", True), ("duration", "PT"),
        ("json", "text"), ("json", 1), ("json", None), ("json", [math.nan]), ("json", {"a": {1}}),
    ],
)  # fmt: skip
def test_wrong_values_are_never_published(datatype, value):
    """A value outside its datatype is an error that names the property, not a payload readers choke on."""
    with pytest.raises(HomieError, match="property p"):
        encode(spec(datatype, ENUM if datatype == "enum" else ""), value)


@pytest.mark.parametrize(
    ("datatype", "format_", "payload", "value"),
    [
        ("boolean", "", b"true", True),
        ("boolean", "", b"false", False),
        ("string", "", b"\0", ""),
        ("string", "", b" x ", " x "),
        ("integer", "", b"-5", -5),
        ("integer", "", b"9223372036854775807", 2**63 - 1),
        ("integer", "0:10", b"10", 10),
        ("integer", "0:10:5", b"7", 5),
        ("integer", "0:10:5", b"8", 10),
        ("float", "", b"1.5e-3", 0.0015),
        ("float", "0:100:0.5", b"100.2", 100.0),
        ("enum", ENUM, b"auto", "auto"),
        ("datetime", "", b"2025-12-06T17:30:00Z", datetime(2025, 12, 6, 17, 30, tzinfo=UTC)),
        ("duration", "", b"PT1H30M10S", 5410.0),
        ("json", "", b'{"a": 1}', {"a": 1}),
    ],
)
def test_payloads_become_values(datatype, format_, payload, value):
    """A payload in the grammar is read; numbers are rounded to the step before limits are checked."""
    assert decode(spec(datatype, format_), payload) == value


@pytest.mark.parametrize(
    ("datatype", "format_", "payload", "right"),
    [
        *(
            ("boolean", "", p, "true or false")
            for p in (b"", b"TRUE", b"1", b"on", b" true", b"true ", b"True")
        ),
        *(
            ("integer", "", p, "whole number")
            for p in (b"", b"+1", b"1.0", b" 1", b"1_0", b"9223372036854775808")
        ),
        ("integer", "", "٣".encode(), "whole number"),
        ("integer", "0:10", b"11", "at least 0, at most 10"),
        *(
            ("float", "", p, "decimal point")
            for p in (b"", b"+1", b"NaN", b"Infinity", b"1e400", b"1,5", b"0x1", b"-")
        ),
        *(("enum", ENUM, p, "auto, on, off") for p in (b"", b"On", b" on", b"on,off", b"\0")),
        *(("duration", "", p, "PT1H30M") for p in (b"", b"PT", b"P1D", b"PT1M1H", b"5", b"pt5s")),
        *(("datetime", "", p, "2025-12-06") for p in (b"", b"2025-12-06", b"2025-12-06T17:30:00", b"now")),
        *(
            ("json", "", p, "array or object")
            for p in (b"", b"1", b'"a"', b"{", b"null", b"[NaN]", b"[" * 99999)
        ),
        ("string", "", b"", "zero byte"),
        ("string", "", b"\xff", "UTF-8"),
        ("string", "", b"\xef\xbb\xbfx", "byte order mark"),
    ],
)
def test_payloads_outside_the_grammar_are_refused(datatype, format_, payload, right):
    """What is not exactly in the grammar is refused, and the refusal says what would be right (PIT-11)."""
    with pytest.raises(RefusedPayloadError, match=right):
        decode(spec(datatype, format_), payload)


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e9, max_value=1e9))
def test_floats_are_close_short_and_plain(value):
    """A float is written without exponent, to a thousandth (a millionth below 1), and reads back."""
    payload = encode_float(value)
    assert set(payload) <= set(b"-0123456789.")
    assert decode(spec("float"), payload) == pytest.approx(value, abs=0.00051 if abs(value) >= 1 else 5.1e-7)


@given(st.text().filter(lambda text: not text.startswith("\ufeff") and text != "\0"))
def test_any_text_comes_back(text):
    """Every text survives the way out and back, the empty one too."""
    assert decode(spec("string"), encode(spec("string"), text)) == text


@given(
    st.sampled_from(["boolean", "integer", "float", "enum", "json", "duration"]),
    st.one_of(
        st.text("0123456789-+.eE ", max_size=8),
        st.sampled_from(
            ["true", "false", "on", "off", "auto", "[]", "{}", "[1]", "PT1H", "PT2M3S", "PT", "null"]
        ),
        st.text(max_size=6),
    ),
)
def test_the_independent_reader_agrees(datatype, text):
    """What ebus-sdk accepts as a command for a datatype we accept, and what it refuses we refuse."""
    format_ = ENUM if datatype == "enum" else ""
    try:
        decode(spec(datatype, format_), text.encode())
        ours = True
    except (RefusedPayloadError, UnicodeEncodeError):
        ours = False
    _, problem = _parse_set_payload(text, datatype, format_ or None, None)
    assert ours == (problem is None), problem


PLAIN_TEXT = st.text(max_size=20).filter(lambda text: "\0" not in text and "\ufeff" not in text)


@given(
    st.one_of(
        st.tuples(st.just("boolean"), st.booleans()),
        st.tuples(st.just("integer"), st.integers(-(2**63), 2**63 - 1)),
        st.tuples(
            st.just("string"),
            PLAIN_TEXT,
        ),
        st.tuples(st.just("enum"), st.sampled_from(ENUM.split(","))),
        st.tuples(st.just("json"), st.dictionaries(st.text(max_size=5), st.integers(), max_size=4)),
    )
)
def test_the_independent_writer_agrees(case):
    """ebus-sdk writes the same payload for the same value (JSON: the same document)."""
    datatype, value = case
    ours = encode(spec(datatype, ENUM if datatype == "enum" else ""), value).decode()
    theirs, problem = _encode_property_value(value, datatype, ENUM if datatype == "enum" else None)
    assert problem is None
    if datatype == "json":
        assert json.loads(ours) == json.loads(theirs)
    else:
        assert ours == (theirs or "\0")
