"""What the active process of a pair says of the other."""

from itertools import product

import pytest

from bridge.readiness import FAULT_S, Readiness, Seen

EVERY = [Seen(*facts) for facts in product((False, True), repeat=3)]
WORDS = {"silent": "not been heard", "behind": "not taken", "differs": "configuration file"}


@pytest.mark.parametrize("seen", EVERY)
def test_what_is_wrong_for_long_is_told_and_the_gravest_first(seen):
    """Before five minutes are over nothing is told; then the gravest of what is wrong, and nothing else."""
    readiness = Readiness()
    assert readiness.fault(seen, 100.0) == ""
    assert readiness.fault(seen, 99.9 + FAULT_S) == ""
    said = readiness.fault(seen, 100.0 + FAULT_S)
    gravest = next((what for what, wrong in seen._asdict().items() if wrong), None)
    assert [what for what, words in WORDS.items() if words in said] == ([gravest] if gravest else [])
    assert readiness.fault(Seen(False, False, False), 101.0 + FAULT_S) == ""


@pytest.mark.parametrize("before", EVERY)
def test_time_counts_from_the_last_moment_that_was_well(before):
    """What was well in between, or while the other one was active, is not told early."""
    all_wrong = Seen(True, True, True)
    readiness, away = Readiness(), Readiness()
    for one in (readiness, away):
        one.fault(all_wrong, 0.0)
    readiness.fault(Seen(False, False, False), 200.0)
    away.reset()
    for one in (readiness, away):
        one.fault(before, 201.0)
        assert one.fault(all_wrong, 200.0 + FAULT_S) == ""
