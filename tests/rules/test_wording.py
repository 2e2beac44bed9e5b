"""What people are told: complete, plain, and translatable without breaking."""

import re

import pytest

from rules import wording
from rules.aftermath import SENTENCES, Aftermath, Decided
from rules.errors import RulesError
from rules.ports import Condition

FACTS = {
    "port": "Left arch",
    "prop": "Arches",
    "controller": "Gable",
    "measured": 4.63,
    "limit": 4.0,
    "done": "It stays off until a person resets it.",
    "detail": "It was tried twice.",
}


@pytest.mark.parametrize("condition", Condition)
@pytest.mark.parametrize("facts", [FACTS, {"port": "Left arch"}, {"controller": "Gable"}, {}])
def test_every_condition_has_a_whole_sentence(condition, facts):
    """Every condition has a plain sentence and an advice, whatever is known; nothing is left to fill in."""
    text = wording.message(condition, facts)
    assert not re.search(r"[\[\]{}]|\s\s| [.,;]|None", text), text
    assert text.endswith(".")
    assert text.startswith(("Left arch", "Gable", "The site"))
    assert wording.advice(condition).endswith((".", "?"))


def test_it_names_what_a_person_needs():
    """The sentence names the port, the prop, what was measured, the limit, and what was done."""
    text = wording.message(Condition.FUSE_TRIP, FACTS | {"detail": None})
    assert text == (
        "Left arch (Arches): the fuse opened; 4.63 A flowed when it was last asked, the rating is 4 A. "
        "It stays off until a person resets it."
    )


def test_a_fuse_that_did_not_open_is_not_said_to_have():
    """Where the rules switched off, the sentence says why; behind a ``|`` stands what is said otherwise."""
    facts = {"port": "Left arch", "detail": "overcurrent", "measured": 4.5}
    assert wording.message(Condition.FUSE_TRIP, facts).startswith(
        "Left arch: switched off because of overcurrent; 4.5 A"
    )
    words = wording.wording_from({"fuse-trip": {"message": "{where}: [{detail}|Sicherung] offen."}})
    assert wording.message(Condition.FUSE_TRIP, facts, words) == "Left arch: overcurrent offen."
    assert wording.message(Condition.FUSE_TRIP, {"port": "Left arch"}, words) == "Left arch: Sicherung offen."


@pytest.mark.parametrize(
    ("condition", "value", "text"),
    [
        (Condition.UNDERCURRENT, 0.1131, "113 mA"),
        (Condition.OVERCURRENT, 4.1, "4.1 A"),
        (Condition.IMPLAUSIBLE, 1500.0, "1500 A"),
        (Condition.OVERTEMPERATURE, 71.24, "71.2 °C"),
        (Condition.UNDERVOLTAGE, 10.44, "10.4 V"),
    ],
)
def test_values_carry_the_unit_of_the_condition(condition, value, text):
    """A value is written with its unit, to a sensible number of digits."""
    assert text in wording.message(condition, FACTS | {"measured": value})


def test_a_translation_replaces_what_it_names():
    """A translation is used where it is given; everything else stays."""
    words = wording.wording_from({"no-load": {"message": "{where}: nichts angeschlossen[ ({measured})]."}})
    assert (
        wording.message(Condition.NO_LOAD, {"port": "Left arch"}, words) == "Left arch: nichts angeschlossen."
    )
    assert wording.advice(Condition.NO_LOAD, words) == wording.advice(Condition.NO_LOAD)
    assert words.conditions[Condition.LEAKAGE] == wording.WORDS[Condition.LEAKAGE]
    assert words.aftermaths == SENTENCES


def test_what_is_decided_after_a_trip_is_translated():
    """A translated sentence carries the figures of the decision; what is left out stays in our words."""
    words = wording.wording_from({"after-trip": {"closes-again": "Schließt {wait} danach ({shot}/{shots})."}})
    closes = Decided(Aftermath.CLOSES_AGAIN, wait_s=30.0, shot=1, shots=2)
    assert wording.decided(closes, words) == "Schließt 30 s danach (1/2)."
    assert wording.decided(closes) == "It closes again 30 s after the trip (shot 1 of 2)."
    budget = Decided(Aftermath.OVER_BUDGET, supply="shed")
    assert "its supply shed was over budget" in wording.decided(budget, words)
    assert wording.decided(None, words) == ""


@pytest.mark.parametrize(
    ("texts", "problem"),
    [
        ({"no-laod": {}}, "no-laod: no such condition"),
        ({"no-load": {"text": "x"}}, "'text'"),
        ({"no-load": {"message": "{where}: {amps}"}}, "{amps} is not known"),
        ({"no-load": {"message": "nothing"}}, "must name {where}"),
        ({"no-load": {"message": "{where} [ {measured}"}}, "not closed"),
        ({"no-load": {"message": "{where} {measured"}}, "not closed"),
        ({"no-load": {"advice": "Look at {port}."}}, "an advice has no placeholders"),
        ({"no-load": {"advice": " "}}, "empty"),
        ({"after-trip": {"no-shwo": "x"}}, "no such code as 'no-shwo'"),
        ({"after-trip": {"no-show": "Aus, {wait}."}}, "no-show: {wait} is not known; none is known here"),
        ({"after-trip": {"closes-again": "In {wiat}."}}, "{wiat} is not known; known are shot, shots, wait"),
        ({"after-trip": {"held": "[{where}"}}, "not closed"),
        ({"after-trip": {"held": ""}}, "empty"),
    ],
)
def test_a_wrong_translation_is_refused_with_what_would_be_right(texts, problem):
    """A mistake in a translation is named, and nothing of it is used."""
    with pytest.raises(RulesError, match=re.escape(problem)):
        wording.wording_from(texts)


def test_all_mistakes_are_told_at_once():
    """Two mistakes are told together."""
    with pytest.raises(RulesError, match="foo: no such condition; bar: no such condition"):
        wording.wording_from({"foo": {}, "bar": {}})


def test_our_own_words_pass_the_check():
    """The built-in texts obey what is asked of translations."""
    own = {condition.value: words._asdict() for condition, words in wording.WORDS.items()}
    own |= {wording.AFTER_TRIP: {what.value: text for what, text in SENTENCES.items()}}
    assert wording.wording_from(own) == wording.WORDING
    assert set(wording.WORDS) == set(Condition)
    assert set(SENTENCES) == set(Aftermath)
