"""Quantities insist on their unit and mean exactly what they say."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.config import quantities as q

RIGHT = [
    (q.DURATION, "2 s", 2.0),
    (q.DURATION, "10 min", 600.0),
    (q.DURATION, "2 h", 7200.0),
    (q.DURATION, "1 h 30 min", 5400.0),
    (q.DURATION, "1h30min", 5400.0),
    (q.DURATION, "250 ms", 0.25),
    (q.DURATION, "0 s", 0.0),
    (q.DURATION, "1 d", 86400.0),
    (q.CURRENT, "350 mA", 0.35),
    (q.CURRENT, "4 A", 4.0),
    (q.CURRENT, "4A", 4.0),
    (q.CURRENT, "0.1 mA", 0.0001),
    (q.VOLTAGE, "12 V", 12.0),
    (q.LENGTH, "10 m", 10.0),
    (q.LENGTH, "30 ft", 9.144),  # NIST SP 811, B.8: 1 ft = 0.3048 m exactly
    (q.LENGTH, "1 in", 0.0254),  # NIST SP 811, B.8: 1 in = 25.4 mm exactly
    (q.FRACTION, "30 %", 0.3),
    (q.FRACTION, "100%", 1.0),
    (q.TEMPERATURE, "70 °C", 70.0),
    (q.TEMPERATURE, "-20 °C", -20.0),
]


@pytest.mark.parametrize(("kind", "text", "value"), RIGHT)
def test_a_quantity_means_what_it_says(kind, text, value):
    """A number with its unit becomes the value in the base unit, to the last digit."""
    assert kind.parse(text) == value


WRONG = [
    (q.CURRENT, 4, "4 has no unit; write a current with its unit, for example 4 A or 350 mA"),
    (q.CURRENT, "4", "4 has no unit; write a current"),
    (q.DURATION, 1.5, "1.5 has no unit; write a duration with its unit, for example 2 s or 10 min"),
    (q.CURRENT, "4 Amps", "Amps is no unit of a current; write mA or A"),
    (q.CURRENT, "4 a", "a is no unit of a current"),
    (q.CURRENT, "4 MA", "MA is no unit of a current"),
    (q.CURRENT, "-4 A", "can't be negative"),
    (q.CURRENT, "1 A 2 mA", "one number with one unit"),
    (q.CURRENT, True, "this is not a current"),
    (q.CURRENT, None, "this is not a current"),
    (q.CURRENT, [4], "this is not a current"),
    (q.CURRENT, "0 A", "write more than 0 A"),
    (q.CURRENT, "", "this is not a current"),
    (q.CURRENT, "lots", "this is not a current"),
    (q.CURRENT, "A 4", "this is not a current"),
    (q.CURRENT, "nan A", "this is not a current"),
    (q.CURRENT, "1e400 A", "one number with one unit"),
    (q.CURRENT, "٣ A", "this is not a current"),
    (q.CURRENT, "1" * 100 + " A", "this is not a current"),
    (q.CURRENT, "1,5 A", "this is not a current"),
    (q.DURATION, "30 min 1 h", "get smaller from left to right"),
    (q.DURATION, "1 h 1 h", "get smaller from left to right"),
    (q.DURATION, "5 minutes", "minutes is no unit of a duration"),
    (q.FRACTION, "130 %", "write at most 100 %"),
    (q.FRACTION, "0.3", "has no unit"),
    (q.TEMPERATURE, "70 C", "C is no unit of a temperature; write °C"),
    (q.TEMPERATURE, "-300 °C", "write at least -273.15 °C"),
]


@pytest.mark.parametrize(("kind", "value", "sentence"), WRONG)
def test_what_is_no_quantity_is_refused_with_what_is(kind, value, sentence):
    """A missing, wrong or misspelt unit is refused with a sentence that says what to write."""
    with pytest.raises(ValueError, match=sentence):
        kind.parse(value)


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=30) | st.floats() | st.integers() | st.none() | st.booleans() | st.binary(max_size=5))
def test_nothing_else_gets_in(value):
    """Whatever is given: a finite value not below zero, or a refusal; never another error."""
    try:
        number = q.DURATION.parse(value)
    except ValueError:
        return
    assert isinstance(value, str)
    assert 0 <= number < float("inf")


KINDS = [q.DURATION, q.CURRENT, q.VOLTAGE, q.LENGTH, q.FRACTION, q.TEMPERATURE]


@settings(max_examples=100, deadline=None)
@given(kind=st.sampled_from(KINDS), number=st.decimals("0.0001", 1, places=4).map(float))
def test_what_is_written_back_reads_the_same(kind, number):
    """A value written back with its unit is accepted and gives the same value."""
    assert kind.parse(kind.format(number)) == pytest.approx(number, abs=1e-12)


@pytest.mark.parametrize(("kind", "text", "value"), RIGHT)
def test_editors_accept_what_is_right(kind, text, value):
    """The pattern of the JSON Schema accepts every right example."""
    assert re.search(kind.pattern, text)


@pytest.mark.parametrize("text", ["4", "4 Amps", "", "A", "-4 A"])
def test_editors_mark_what_is_wrong(text):
    """The pattern of the JSON Schema marks a missing or misspelt unit."""
    assert not re.search(q.CURRENT.pattern, text)
