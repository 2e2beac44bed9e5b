"""Chattering and floods: recognised by the published figures, told once, counted."""

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from rules.faults.nuisance import Chatter, FloodWatch, Telling
from rules.ports import Now


def at(seconds: float) -> Now:
    """`seconds` after a start."""
    return Now(datetime(2026, 12, 5, tzinfo=UTC) + timedelta(seconds=seconds), seconds)


def test_flood_begins_with_the_eleventh_alarm_in_ten_minutes():
    """Alarms at 0, 50 … 500 s: the eleventh begins a flood.

    More than 10 in 10 min: inductiveautomation.com, quick alarm system self-audit.
    """
    watch, told = FloodWatch(), []
    for second in range(0, 501, 50):
        watch, how = watch.raised(at(second))
        told.append(how)
    assert told == [Telling.EACH] * 10 + [Telling.BEGIN]
    watch, how = watch.raised(at(510))
    assert how is Telling.COUNTED
    assert watch.counted == 2


def test_ten_in_ten_minutes_are_no_flood():
    """Ten alarms in ten minutes, again and again, are not a flood."""
    watch = FloodWatch()
    for second in range(0, 6000, 60):
        watch, how = watch.raised(at(second))
        assert how is Telling.EACH


def test_flood_ends_below_five_and_says_how_many():
    """The flood ends below 5 alarms in 10 min (from memory), and tells its count once."""
    watch = FloodWatch()
    for second in range(0, 601, 50):
        watch, _ = watch.raised(at(second))
    same, ended = watch.passed(at(601))
    assert ended is None
    watch, ended = watch.passed(at(999))  # five are left: 400 ... 600
    assert ended is None
    watch, ended = watch.passed(at(1000))  # the one at 400 is ten minutes old
    assert ended == 3
    assert watch.passed(at(1001)) == (watch, None)
    assert same.on


def test_three_returns_in_a_minute_are_chattering():
    """Three times active and clear within a minute are chattering: told once, then counted."""
    chatter, told = Chatter(), []
    for second in range(0, 60, 10):
        chatter, how = chatter.raised(at(second))
        chatter = chatter.returned(at(second + 5))
        told.append(how)
    assert told == [Telling.EACH] * 3 + [Telling.BEGIN, Telling.COUNTED, Telling.COUNTED]
    chatter, ended = chatter.passed(at(114))
    assert ended is None
    chatter, ended = chatter.passed(at(115))
    assert ended == 3
    assert chatter.raised(at(120))[1] is Telling.EACH


def test_slow_repetition_is_not_chattering():
    """Once every 31 s is a nuisance, but not chattering."""
    chatter = Chatter()
    for second in range(0, 3100, 31):
        chatter, how = chatter.raised(at(second))
        chatter = chatter.returned(at(second + 1))
        assert how is Telling.EACH


@given(st.lists(st.floats(0.0, 400.0), max_size=60))
def test_every_alarm_is_told_or_counted(gaps_s):
    """No alarm gets lost: each is told, begins a flood, or is in the count of a flood that ends."""
    watch, now_s, alone, in_floods = FloodWatch(), 0.0, 0, 0
    for gap_s in gaps_s:
        now_s += gap_s
        watch, ended = watch.passed(at(now_s))
        in_floods += ended or 0
        watch, how = watch.raised(at(now_s))
        alone += how is Telling.EACH
    watch, ended = watch.passed(at(now_s + 600.0))
    assert alone + in_floods + (ended or 0) == len(gaps_s)
    assert not watch.on
