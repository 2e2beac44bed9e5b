"""What the broker's word says of the partner, with the clock driven by the test."""

from hypothesis import given
from hypothesis import strategies as st

from bridge.presence import BACK_S, ECHO_LATE_S, SAY_AGAIN_S, UNSAID_S, Presence
from rules.pairing import ALONE_S, Partner

STEP_S = 0.25


class Broker:
    """A broker that carries what both say, or not, in steps of a quarter of a second."""

    def __init__(self) -> None:
        self.now_s = 1000.0
        self.presence = Presence("attic")
        self.presence.connected(self.now_s)

    def run(self, for_s: float, *, ours: bool = True, theirs: bool = True) -> list[Partner]:
        """What is known at each step meanwhile."""
        known = []
        for step in range(round(for_s / STEP_S)):
            self.now_s += STEP_S
            if step % round(SAY_AGAIN_S / STEP_S) == 0:
                if ours:
                    self.presence.heard("attic", True, False, self.now_s)
                if theirs:
                    self.presence.heard("shed", True, False, self.now_s)
            known.append(self.presence.partner(self.now_s))
        return known


def test_a_partner_that_says_no_more_is_gone_before_its_will_comes() -> None:
    """A partner that fell silent counts as gone after 3.5 s, and no sooner."""
    broker = Broker()
    assert set(broker.run(20.0)) == {Partner.PRESENT}
    last_s = broker.now_s - SAY_AGAIN_S + STEP_S
    known = broker.run(6.0, theirs=False)
    gone_after_s = last_s + UNSAID_S
    times_s = [last_s + SAY_AGAIN_S - STEP_S + STEP_S * (step + 1) for step in range(len(known))]
    assert [one is Partner.ABSENT for one in known] == [at_s > gone_after_s for at_s in times_s]


def test_its_word_brings_it_back() -> None:
    """A partner that was taken for gone is there again with its next word."""
    broker = Broker()
    broker.run(5.0)
    assert broker.run(6.0, theirs=False)[-1] is Partner.ABSENT
    assert set(broker.run(3.0)) == {Partner.PRESENT}


def test_a_broker_that_stands_still_proves_nothing() -> None:
    """While our own words do not come back the partner's silence means nothing, and ten seconds longer."""
    broker = Broker()
    broker.run(5.0)
    assert set(broker.run(20.0, ours=False, theirs=False)) == {Partner.PRESENT}
    assert set(broker.run(BACK_S - STEP_S, theirs=False)) == {Partner.PRESENT}
    assert broker.run(2.0, theirs=False)[-1] is Partner.ABSENT


def test_the_brokers_own_word_counts_at_once() -> None:
    """A will, or a goodbye, needs no echo."""
    broker = Broker()
    broker.run(5.0)
    broker.presence.heard("shed", False, False, broker.now_s)
    assert broker.presence.partner(broker.now_s) is Partner.ABSENT


def test_a_retained_role_of_a_partner_that_does_not_repeat_it_stands() -> None:
    """What stands retained is believed until the broker takes it back: nobody was heard who fell silent."""
    broker = Broker()
    broker.presence.heard("shed", True, True, broker.now_s)
    assert set(broker.run(60.0, theirs=False)) == {Partner.PRESENT}


def test_nobody_there_is_absence_only_after_a_moment() -> None:
    """Right after the connect nothing is known; after a connection that was lost it takes longer."""
    broker = Broker()
    known = broker.run(4.0, theirs=False)
    assert known.count(Partner.UNKNOWN) * STEP_S == ALONE_S / 2 - STEP_S
    broker.presence.lost()
    assert broker.presence.partner(broker.now_s) is Partner.UNKNOWN
    broker.presence.connected(broker.now_s)
    known = broker.run(BACK_S - STEP_S, theirs=False)
    assert set(known) == {Partner.UNKNOWN}
    assert broker.run(1.0, theirs=False)[-1] is Partner.ABSENT


@given(st.lists(st.tuples(st.floats(0.25, 15.0), st.booleans()), max_size=8))
def test_a_partner_that_goes_on_speaking_is_never_gone(spells: list[tuple[float, bool]]) -> None:
    """However the broker stalls, a partner that speaks whenever we are heard is not taken for gone."""
    broker = Broker()
    broker.run(5.0)
    for for_s, carries in spells:
        assert Partner.ABSENT not in broker.run(for_s, ours=carries, theirs=carries)


def test_the_limits_fit_each_other() -> None:
    """Three words in a row must be missed, and an echo is missed before a partner is."""
    assert UNSAID_S > 3 * SAY_AGAIN_S
    assert SAY_AGAIN_S < ECHO_LATE_S < UNSAID_S
