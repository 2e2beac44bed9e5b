"""A show's learned current: labelled simulated nights, learning, changes, false alarms."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.errors import RulesError
from rules.show_data.signature import ShowSignature, SignatureSettings, Verdict

IDLE_A = 0.226
"""100 dark pixels (common practice: 0.225 to 0.227 A)."""


def make_show(seed, length_s=300):
    """Lit current [A] per second: scenes of 2 to 12 s at random brightness, some dark."""
    source = random.Random(seed)
    show = []
    while len(show) < length_s:
        level = source.choice([0.0, source.uniform(0.1, 4.0), source.uniform(0.1, 4.0)])
        show += [level] * source.randint(2, 12)
    return show[:length_s]


def play(signature, show, source, *, fault=lambda second, idle, lit: idle + lit, late_s=None, stop=None):
    """One night: sensor noise 4 mA and 8 mA steps, gain within 0.5 %, start within 0.4 s."""
    gain = source.gauss(1.0, 0.005)
    late_s = source.uniform(-0.4, 0.4) if late_s is None else late_s
    told = []
    for second in range(stop or len(show)):
        now_s = second + 0.5
        lit = show[min(len(show) - 1, max(0, int(now_s - late_s)))]
        current_a = gain * fault(second, IDLE_A, lit) + source.gauss(0.0, 0.004)
        departure = signature.observe(now_s, round(current_a / 0.008) * 0.008)
        if departure:
            told.append((second, departure))
    return told


def learned_signature(seed, nights=6):
    """A signature after normal nights, its show and its source of chance."""
    source = random.Random(seed)
    show = make_show(seed)
    signature = ShowSignature()
    for _ in range(nights):
        play(signature, show, source)
        signature.end()
    assert signature.learned
    return signature, show, source


def test_nothing_is_told_while_learning():
    """During the nights of learning nothing is told, whatever is drawn."""
    source = random.Random(1)
    signature = ShowSignature()
    for night in range(5):
        assert play(signature, make_show(night), source) == []
        assert signature.end().verdict is Verdict.LEARNING
    assert signature.learned


def test_false_alarm_rate():
    """Of 600 normal nights of 5 minutes (20 shows) at most 2 are told: less than 1 in 200 nights."""
    false = 0
    for seed in range(20):
        signature, show, source = learned_signature(seed)
        for _ in range(30):
            live = play(signature, show, source)
            night = signature.end()
            false += bool(live) or night.verdict is not Verdict.NORMAL
    assert false <= 2


@pytest.mark.parametrize("share", [0.10, 0.25, 0.5])
def test_dark_tail_is_told(share):
    """A dark tail (part of the string draws nothing) is told during the show, with where and how much."""
    for seed in range(15):
        signature, show, source = learned_signature(seed)

        def dark(second, idle, lit):
            return (idle + lit) * (1 - share) if second >= 100 else idle + lit

        live = play(signature, show, source, fault=dark)
        night = signature.end()
        assert night.verdict is Verdict.DEPARTED
        assert len(live) == 1
        second, departure = live[0]
        assert 100 <= second < 200
        assert 95 <= departure.start_s <= 200
        assert departure.share == pytest.approx(-share, abs=0.04)
        assert "less" in departure.text
        assert all(found.tonight_a < found.expected_a for found in night.departures)


def test_bulbs_dark_idle_only_is_told():
    """A rise of 60 mA of leakage in every second is told as more."""
    signature, show, source = learned_signature(3)
    live = play(signature, show, source, fault=lambda second, idle, lit: idle + lit + 0.06)
    night = signature.end()
    assert night.verdict is Verdict.DEPARTED
    assert all(found.tonight_a > found.expected_a for found in night.departures)
    assert "more" in night.departures[0].text
    assert all(departure.share > 0 for _, departure in live)


def test_span_is_right():
    """A departure of a minute in the middle is told with its beginning and end."""
    signature, show, source = learned_signature(4)
    play(signature, show, source, fault=lambda s, idle, lit: (idle + lit) * (0.5 if 120 <= s < 180 else 1.0))
    night = signature.end()
    assert night.departures[0].start_s == pytest.approx(120, abs=2)
    assert night.departures[-1].end_s == pytest.approx(180, abs=6)


def test_single_wild_readings_are_no_news():
    """A wild reading now and then is not told, neither live nor at the end."""
    signature, show, source = learned_signature(5)
    live = play(signature, show, source, fault=lambda s, idle, lit: 0.0 if s % 40 == 20 else idle + lit)
    assert live == []
    assert signature.end().verdict is Verdict.NORMAL


def test_changed_show_is_noticed_and_relearned():
    """A changed show is told once as changed, never live as a fault, then learned anew and quiet."""
    for seed in range(10):
        signature, _, source = learned_signature(seed)
        new = make_show(seed + 1000)
        live = 0
        live += len(play(signature, new, source))
        assert signature.end().verdict is Verdict.CHANGED
        verdicts = []
        for _ in range(6):
            live += len(play(signature, new, source))
            verdicts.append(signature.end().verdict)
        assert verdicts == [Verdict.LEARNING] * 4 + [Verdict.NORMAL] * 2
        assert live <= 1


def test_partly_edited_show_is_a_change():
    """A show edited in one third is a changed show, not a fault."""
    signature, show, source = learned_signature(7)
    edited = show[:200] + make_show(77)[:100]
    play(signature, edited, source)
    assert signature.end().verdict is Verdict.CHANGED


def test_longer_show_is_a_change():
    """A show that became longer by ten seconds is a changed show."""
    signature, show, source = learned_signature(8)
    play(signature, [*show, *[1.0] * 10], source)
    assert signature.end().verdict is Verdict.CHANGED


def test_one_other_night_forgets_nothing():
    """When another show ran for one night, the old one is known again the night after."""
    signature, show, source = learned_signature(9)
    play(signature, make_show(99), source)
    assert signature.end().verdict is Verdict.CHANGED
    play(signature, show, source)
    assert signature.end().verdict is Verdict.NORMAL
    assert signature.learned


def test_lasting_fault_is_not_learned():
    """A fault that stays is a departure every night, until somebody accepts it."""
    signature, show, source = learned_signature(10)

    def dark(second, idle, lit):
        return (idle + lit) * 0.8

    for _ in range(10):
        play(signature, show, source, fault=dark)
        assert signature.end().verdict is Verdict.DEPARTED
    signature.accept()
    assert not signature.learned
    for _ in range(5):
        play(signature, show, source, fault=dark)
        night = signature.end()
    assert night.verdict is Verdict.NORMAL


def test_incomplete_nights_are_not_learned():
    """A show that was cut off, or hardly seen, is neither judged nor learned."""
    signature, show, source = learned_signature(11)
    before = signature.nights
    play(signature, show, source, stop=80)
    assert signature.end(complete=False).verdict is Verdict.INCOMPLETE
    assert signature.end().verdict is Verdict.INCOMPLETE
    assert signature.nights == before


def test_slow_drift_over_a_season_is_followed():
    """A string that ages by 5 % over 40 nights stays normal: the oldest nights are dropped."""
    signature, show, source = learned_signature(12)
    for night in range(40):
        play(signature, show, source, fault=lambda s, idle, lit, n=night: (idle + lit) * (1 - 0.05 * n / 40))
        assert signature.end().verdict is Verdict.NORMAL
    assert len(signature.nights) == 15


def test_knowledge_outlives_a_restart():
    """What is learned can be kept outside and taken up again."""
    signature, show, source = learned_signature(13)
    again = ShowSignature(nights=signature.nights)
    assert again.learned
    play(again, show, source)
    assert again.end().verdict is Verdict.NORMAL


def test_gaps_are_not_zero():
    """Seconds without a reading are unknown, not 0 A."""
    signature, show, _ = learned_signature(14)
    for second in range(0, 300, 2):
        assert signature.observe(second + 0.5, IDLE_A + show[second]) is None
    assert signature.end().verdict is Verdict.NORMAL
    assert signature.nights[-1][1] is None


@settings(max_examples=30, deadline=None)
@given(st.lists(st.lists(st.tuples(st.floats(-10, 400), st.floats(0, 50)), max_size=60), max_size=9))
def test_any_nights_are_taken(nights):
    """Any order of readings and nights is taken, and the memory stays bounded."""
    signature = ShowSignature(SignatureSettings(max_bins=100))
    for night in nights:
        for position_s, current_a in night:
            signature.observe(position_s, current_a)
        signature.end()
    assert len(signature.nights) <= 15
    assert all(len(night) <= 100 for night in signature.nights)


def test_nonsense_is_refused():
    """Settings and readings that cannot be meant are refused."""
    with pytest.raises(RulesError, match="3 nights"):
        SignatureSettings(nights=1)
    with pytest.raises(RulesError, match="above 0"):
        SignatureSettings(bin_s=0.0)
    with pytest.raises(RulesError, match="above clip"):
        SignatureSettings(h=3.0)
    with pytest.raises(RulesError, match="finite"):
        ShowSignature().observe(1.0, float("inf"))
