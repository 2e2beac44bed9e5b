"""How often a draft is right with nobody's help, over controllers made up at random."""

import random
import sys
from collections import Counter

from random_shapes import Shape, judged, moment

from bridge.config.mapping import Table
from bridge.controllers.table import MisfitError, compile_table
from bridge.learn.guess import infer

SHAPES = range(10_000, 10_400)
"""Other ones than those the guessing was bettered on."""


def outcome(seed: int, *, lit: bool = True) -> set[str]:
    """What is wrong with the first draft for one random controller, read at a later moment.

    lit: whether any port had power while it was learned.
    """
    shape, rng = Shape(seed), random.Random(seed)
    answers = [shape.document(moment(rng, shape.ports, lit=lit)) for _ in range(3)]
    drafts = infer(answers[0], answers[1:])
    if not drafts:
        return {"nothing found"}
    if "current" in drafts[0].guesses and drafts[0].guesses["current"].unit_open:
        return {"unit asked"}
    table = Table.model_validate({k: v for k, v in drafts[0].mapping.items() if k != "counts_from"})
    later = moment(rng, shape.ports)
    try:
        rows = compile_table(table, range(1, 99), counts_from=drafts[0].counts_from)(shape.document(later))
    except MisfitError:
        return {"ports wrong"}
    if rows.keys() != later.keys():
        return {"ports wrong"}
    return set().union(*(judged(rows[number], later[number]) for number in rows))


def test_most_drafts_are_right_unaided(record_property, capsys):
    """Of 400 random controllers the first draft reads every port rightly for 90 % or more.

    It says something wrong of a port for at most 1 %; what it can't know it asks for or leaves out. Where one
    word tells on, off and tripped, and no port was tripped meanwhile, nobody could know the third word.
    """
    right, wrong = rates(lit=True, capsys=capsys)
    record_property("right_unaided", right)
    assert right >= 0.90
    assert wrong <= 0.01


def test_what_was_never_powered_is_asked_for_rather_than_guessed(capsys):
    """With every port off while it was asked, 1 % or less of the drafts say something wrong later."""
    _, wrong = rates(lit=False, capsys=capsys)
    assert wrong <= 0.01


def rates(*, lit: bool, capsys) -> tuple[float, float]:
    """The shares of drafts that are wholly right, and that say something wrong of a port; printed."""
    outcomes = [outcome(seed, lit=lit) for seed in SHAPES]
    right = sum(not one for one in outcomes) / len(SHAPES)
    wrong = sum(any("wrong" in trouble for trouble in one) for one in outcomes) / len(SHAPES)
    troubles = dict(Counter(trouble for one in outcomes for trouble in one))
    with capsys.disabled():
        ports = "some ports on" if lit else "all ports off"
        sys.stdout.write(f"\n{ports}: right unaided {right:.1%}, something wrong {wrong:.1%}, {troubles}\n")
    return right, wrong
