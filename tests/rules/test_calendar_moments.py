"""What people write for times, days and rules."""

from datetime import date, time

import pytest

from rules.errors import RulesError
from rules.shows.calendar import (
    Anchor,
    Moment,
    check_rule,
    parse_date,
    parse_evening,
    parse_moment,
    parse_month_day,
    parse_weekday,
)


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("22:30", Moment(Anchor.CLOCK, time(22, 30))),
        ("6:05", Moment(Anchor.CLOCK, time(6, 5))),
        (" 08:15 ", Moment(Anchor.CLOCK, time(8, 15))),
        ("00:00", Moment(Anchor.CLOCK, time(0, 0))),
        ("17:30:15", Moment(Anchor.CLOCK, time(17, 30, 15))),
        ("sunset", Moment(Anchor.SUNSET)),
        ("Sunrise", Moment(Anchor.SUNRISE)),
        ("dawn", Moment(Anchor.DAWN)),
        ("sunset - 15 min", Moment(Anchor.SUNSET, None, -900.0)),
        ("sunset-15min", Moment(Anchor.SUNSET, None, -900.0)),
        ("sunset − 15 min", Moment(Anchor.SUNSET, None, -900.0)),
        ("dusk + 1 h 10 min", Moment(Anchor.DUSK, None, 4200.0)),
        ("dusk + 1.5 h", Moment(Anchor.DUSK, None, 5400.0)),
        ("sunset + 30 s", Moment(Anchor.SUNSET, None, 30.0)),
        ("sunset + 2 hours 1 minute", Moment(Anchor.SUNSET, None, 7260.0)),
    ],
)
def test_moments(text: str, moment: Moment) -> None:
    """Clock times and sun events with offsets are read as written."""
    assert parse_moment(text) == moment


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (1350, "22:30"),
        (None, "22:30"),
        ("", "22:30"),
        ("24:00", "00:00"),
        ("25:00", "0 to 23"),
        ("22:60", "0 to 23"),
        ("22.30", "22:30"),
        ("10:30 pm", "22:30"),
        ("sunst", "sunset - 15 min"),
        ("sunset 15 min", "sunset - 15 min"),
        ("sunset -", "lacks an amount"),
        ("sunset - 15", "units are h, min and s"),
        ("sunset - 15 m", "units are h, min and s"),
        ("sunset + 1 min 1 min", "names a unit twice"),
        ("sunset + 13 h", "more than 12 h"),
        ("sunset + 1 h - 5 min", "units are h, min and s"),
        ("٢٢:٣٠", "22:30"),
    ],
)
def test_moments_refused(text: object, said: str) -> None:
    """What is no time of day is refused with what would be right."""
    with pytest.raises(RulesError, match=r"^[^\n]*\.$") as caught:
        parse_moment(text)
    assert said in str(caught.value)


def test_fallback() -> None:
    """A sun event may carry the clock time for days without it; a clock time needs none."""
    assert parse_moment("sunset", fallback="21:00") == Moment(Anchor.SUNSET, None, 0.0, time(21, 0))
    with pytest.raises(RulesError, match="needs no fallback"):
        parse_moment("22:30", fallback="21:00")
    with pytest.raises(RulesError, match="no time of day"):
        parse_moment("sunset", fallback="dusk")


def test_days() -> None:
    """Days of every year, of one year and weekdays are read; what is none of them is refused."""
    assert parse_month_day("11-28") == (11, 28)
    assert parse_month_day("2-29") == (2, 29)
    assert parse_evening("12-24") == (12, 24)
    assert parse_evening("2026-12-24") == parse_date("2026-12-24") == date(2026, 12, 24)
    assert (parse_weekday("fri"), parse_weekday("Monday")) == (4, 0)
    for read, text in (
        (parse_month_day, "28-11"),
        (parse_month_day, "02-30"),
        (parse_month_day, 1128),
        (parse_evening, "24.12."),
        (parse_evening, "2026-02-29"),
        (parse_date, "12-24"),
        (parse_weekday, "fr"),
    ):
        with pytest.raises(RulesError, match="write "):
            read(text)


@pytest.mark.parametrize(
    "rule",
    ["FREQ=WEEKLY;BYDAY=FR,SA", "RRULE:FREQ=MONTHLY;BYDAY=-1FR", "FREQ=DAILY", "freq=daily;bymonth=12"],
)
def test_rules_that_pick_evenings(rule: str) -> None:
    """A rule that names its evenings needs no first one."""
    check_rule(rule)


@pytest.mark.parametrize(
    ("rule", "said"),
    [
        ("", "can't be used"),
        ("every friday", "can't be used"),
        ("FREQ=HOURLY", "must pick evenings"),
        ("FREQ=DAILY;BYHOUR=18", "must pick evenings"),
        ("FREQ=WEEKLY", "counts from a first evening"),
        ("FREQ=DAILY;INTERVAL=2", "counts from a first evening"),
        ("FREQ=DAILY;COUNT=5", "counts from a first evening"),
        ("FREQ=DAILY;INTERVAL=0", "whole number above 0"),
        ("FREQ=DAILY;UNTIL=20241205T235959Z", "needs a day as UNTIL"),
        ("FREQ=WEEKLY;BYDAY=1FR", "counts weekdays"),
        ("FREQ=DAILY;FREQ=DAILY", "names FREQ twice"),
    ],
)
def test_rules_refused(rule: str, said: str) -> None:
    """A rule that can't be followed is refused in a sentence."""
    with pytest.raises(RulesError, match=r"^[A-Z][^\n]*\.$") as caught:
        check_rule(rule)
    assert said in str(caught.value)
