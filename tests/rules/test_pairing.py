"""Which of two processes is active: every combination of what can be known."""

from itertools import product

import pytest

from rules.pairing import ALONE_S, STALE_S, Heard, Own, Partner, Role, decide

ROLES = tuple(Role)
AGES_S = (0.1, 3.0, 10.0)


def own(role, **more):
    """Ourselves, named attic."""
    values = {
        "active_for_s": 60.0 if role is Role.ACTIVE else 0.0,
        "running_s": 60.0,
        "copy": 5,
        "name": "attic",
    }
    return Own(role, **{**values, **more})


def heard(role, age_s=0.1, **more):
    """The partner's word, named shed."""
    values = {"active_for_s": 60.0 if role is Role.ACTIVE else 0.0, "copy": 5, "name": "shed"}
    return Heard(role, age_s=age_s, **{**values, **more})


EVERYTHING = list(product(ROLES, [None, *product(ROLES, AGES_S)], tuple(Partner), (0.5, 60.0)))


@pytest.mark.parametrize(("role", "said", "partner", "running_s"), EVERYTHING)
def test_general_truths_hold_in_every_combination(role, said, partner, running_s) -> None:
    """A process becomes active only beside one that is not, or when the broker says the partner is gone."""
    word = None if said is None else heard(said[0], said[1])
    before = own(role, running_s=running_s)
    after = decide(before, word, partner)
    audible = word is not None and word.age_s < 2.0
    if role is not Role.ACTIVE and after.role is Role.ACTIVE:
        assert (audible and word.role is not Role.ACTIVE) or (not audible and partner is Partner.ABSENT)
    if role is Role.ACTIVE:
        assert after.role is Role.ACTIVE
        assert not after.stale
    if after.stop:
        assert role is Role.ACTIVE
        assert audible
        assert word.role is Role.ACTIVE
    if after.stale:
        assert role is Role.STANDBY
        assert not audible
        assert partner is not Partner.ABSENT
    if partner is Partner.UNKNOWN and not audible:
        assert after.role is role
        assert after.stale is (role is Role.STANDBY)


@pytest.mark.parametrize("role", [Role.STARTING, Role.STANDBY])
def test_a_dead_partner_is_replaced_when_the_broker_says_so(role) -> None:
    """Silence and the will together make the standby active."""
    assert decide(own(role), heard(Role.ACTIVE, age_s=3.0), Partner.ABSENT).role is Role.ACTIVE


def test_silence_alone_proves_nothing() -> None:
    """Without the broker's word a silent partner is not replaced."""
    assert decide(own(Role.STANDBY), heard(Role.ACTIVE, age_s=60.0), Partner.UNKNOWN).role is Role.STANDBY
    assert decide(own(Role.STANDBY), heard(Role.ACTIVE, age_s=60.0), Partner.PRESENT).role is Role.STANDBY


def test_a_partner_that_lives_but_is_not_heard_makes_the_copy_stale() -> None:
    """A broken direct line to a living partner makes the standby's copy stale."""
    after = decide(own(Role.STANDBY), heard(Role.ACTIVE, age_s=STALE_S + 1), Partner.PRESENT)
    assert after.stale


def test_exactly_one_of_two_that_are_active_yields() -> None:
    """Whatever their ages and names, of two active ones that hear each other exactly one stops."""
    for age_a, age_b in product((1.0, 1.2, 60.0), repeat=2):
        a = Own(Role.ACTIVE, age_a, 60.0, 5, "attic")
        b = Own(Role.ACTIVE, age_b, 60.0, 5, "shed")
        a_stops = decide(a, Heard(Role.ACTIVE, age_b, 0.1, 5, "shed"), Partner.PRESENT).stop
        b_stops = decide(b, Heard(Role.ACTIVE, age_a, 0.1, 5, "attic"), Partner.PRESENT).stop
        assert a_stops is not b_stops


def test_exactly_one_of_two_that_begin_becomes_active() -> None:
    """Two that start together agree: the newer copy of the safety state wins, then the first name."""
    for copy_a, copy_b in product((0, 5, 9), repeat=2):
        a = decide(own(Role.STARTING, copy=copy_a), heard(Role.STARTING, copy=copy_b), Partner.PRESENT)
        b = decide(
            Own(Role.STARTING, 0.0, 60.0, copy_b, "shed"),
            Heard(Role.STARTING, 0.0, 0.1, copy_a, "attic"),
            Partner.PRESENT,
        )
        assert {a.role, b.role} == {Role.ACTIVE, Role.STANDBY}
        if copy_a != copy_b:
            assert (a.role is Role.ACTIVE) is (copy_a > copy_b)


def test_a_start_alone_waits_for_a_word_first() -> None:
    """A process that starts alone becomes active only after it has listened for a while."""
    assert decide(own(Role.STARTING, running_s=0.5), None, Partner.ABSENT).role is Role.STARTING
    assert decide(own(Role.STARTING, running_s=ALONE_S), None, Partner.ABSENT).role is Role.ACTIVE
