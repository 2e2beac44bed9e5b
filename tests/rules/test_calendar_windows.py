"""Evenings: which, from when to when, over midnight, New Year, clock changes and polar nights."""

from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.errors import RulesError
from rules.shows.calendar import (
    Anchor,
    Moment,
    Place,
    Season,
    Span,
    Window,
    merge,
    missing_sun,
    parse_evening,
    parse_moment,
    window_spans,
)

DUBLIN = Place("Europe/Dublin", 53.35, -6.26)
NEW_YORK = Place("America/New_York", 40.7, -74.0)
TROMSO = Place("Europe/Oslo", 69.65, 18.96)
FAIRBANKS = Place("America/Anchorage", 64.84, -147.72)


def window(start: str, end: str, **more) -> Window:
    """A window as a person writes it."""
    return Window(parse_moment(start), parse_moment(end), **more)


def local(what: Window, place: Place, first: str, last: str) -> list[str]:
    """The spans that touch the local days `first` to `last`, as local times."""
    zone = ZoneInfo(place.timezone)
    begin = datetime.fromisoformat(first).replace(tzinfo=zone).astimezone(UTC)
    end = (datetime.fromisoformat(last) + timedelta(days=1)).replace(tzinfo=zone).astimezone(UTC)
    found = window_spans(what, place, begin, end)
    return [f"{s.start_utc.astimezone(zone):%d %H:%M} {s.end_utc.astimezone(zone):%d %H:%M}" for s in found]


def utc(text: str) -> datetime:
    """An instant."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


# ------------------------------------------------------------------- membership: [start, end)

TRUTH = [
    ("2026-12-05T17:59:59", False, "a second before the start is before it"),
    ("2026-12-05T18:00:00", True, "the start belongs to the show"),
    ("2026-12-05T23:59:59", True, "it runs up to midnight"),
    ("2026-12-06T00:00:00", True, "midnight does not end the evening it began on"),
    ("2026-12-06T01:59:59.999999", True, "it runs until just before the end"),
    ("2026-12-06T02:00:00", False, "the end no longer belongs to the show"),
    ("2026-12-06T18:00:00", False, "Sunday is not picked, though Saturday's show ended on it"),
]


@pytest.mark.parametrize(("instant", "runs", "why"), TRUTH)
def test_half_open_membership(instant: str, runs: bool, why: str) -> None:
    """A show runs from its start, inclusive, to its end, exclusive, on the evening it begins on."""
    now = utc(instant)
    saturday = window("18:00", "02:00", weekdays=frozenset({5}))
    here = Place("UTC", 50.0, 0.0)
    around = window_spans(saturday, here, utc("2026-12-01T00:00"), utc("2026-12-09T00:00"))
    assert any(now in span for span in around) is runs, why
    assert bool(window_spans(saturday, here, now, now + timedelta(microseconds=1))) is runs, why


def test_a_range_that_only_touches_has_no_span() -> None:
    """A span is outside of a range that ends at its start or begins at its end; an empty range has none."""
    evening, here = window("18:00", "20:00"), Place("UTC", 50.0, 0.0)
    assert window_spans(evening, here, utc("2026-12-05T12:00"), utc("2026-12-05T18:00")) == []
    assert window_spans(evening, here, utc("2026-12-05T20:00"), utc("2026-12-06T18:00")) == []
    assert window_spans(evening, here, utc("2026-12-05T19:00"), utc("2026-12-05T19:00")) == []
    assert window_spans(evening, here, utc("2026-12-05T19:00"), utc("2026-12-05T18:00")) == []


# ------------------------------------------------------------------- which evenings


@pytest.mark.parametrize("month", range(1, 13))
@pytest.mark.parametrize("day", [1, 5, 6, 7, 15, 27, 28])
def test_season_over_the_new_year(month: int, day: int) -> None:
    """28 November to 6 January, both inclusive, holds exactly those evenings."""
    what = window("18:00", "20:00", season=Season((11, 28), (1, 6)))
    inside = (month, day) >= (11, 28) or (month, day) <= (1, 6)
    here = f"2026-{month:02d}-{day:02d}"
    assert bool(local(what, DUBLIN, here, here)) is inside


def test_season_within_a_year_and_of_one_day() -> None:
    """A season from earlier to later stays inside the year; from and to the same day is that day."""
    summer = window("18:00", "20:00", season=Season((6, 1), (6, 3)))
    assert local(summer, DUBLIN, "2026-05-25", "2026-06-10") == [
        "01 18:00 01 20:00", "02 18:00 02 20:00", "03 18:00 03 20:00",
    ]  # fmt: skip
    leap = window("18:00", "20:00", season=Season((2, 29), (2, 29)))
    assert local(leap, DUBLIN, "2024-02-01", "2024-03-10") == ["29 18:00 29 20:00"]
    assert local(leap, DUBLIN, "2026-02-01", "2026-03-10") == []


def test_the_last_evening_of_a_season_ends_after_it() -> None:
    """The season looks at the evening; the show of the last one runs on past midnight."""
    what = window("22:00", "01:00", season=Season((12, 30), (12, 31)))
    assert local(what, DUBLIN, "2026-12-31", "2027-01-01") == ["30 22:00 31 01:00", "31 22:00 01 01:00"]


def test_exceptions_and_extra_evenings() -> None:
    """Exceptions leave evenings out, extra ones are added, and an exception beats an extra."""
    what = window(
        "18:00",
        "20:00",
        weekdays=frozenset({4}),
        season=Season((12, 1), (12, 31)),
        exceptions=frozenset({parse_evening("12-11"), parse_evening("2026-12-25")}),
        extra=frozenset({date(2026, 12, 16), date(2027, 1, 2), date(2026, 12, 25)}),
    )
    days = [line[:2] for line in local(what, DUBLIN, "2026-12-01", "2027-01-05")]
    assert days == ["04", "16", "18", "02"]  # Fridays but 11 and 25, and two more evenings


def test_rules_pick_evenings() -> None:
    """An RFC 5545 rule picks evenings; the window gives the hours (cases of RFC 5545, section 3.8.5.3)."""
    first_friday = window(
        "18:00", "20:00", rule="FREQ=MONTHLY;COUNT=10;BYDAY=1FR", rule_start=date(1997, 9, 5)
    )
    spans = window_spans(first_friday, NEW_YORK, utc("1997-01-01T00:00"), utc("1999-01-01T00:00"))
    assert [f"{span.start_utc:%m-%d}" for span in spans] == [
        "09-05", "10-03", "11-07", "12-05", "01-02", "02-06", "03-06", "04-03", "05-01", "06-05",
    ]  # fmt: skip
    fortnight = window("18:00", "20:00", rule="FREQ=WEEKLY;INTERVAL=2;BYDAY=TU", rule_start=date(1997, 9, 2))
    assert [line[:2] for line in local(fortnight, NEW_YORK, "1997-09-01", "1997-10-01")] == ["02", "16", "30"]
    until = window("18:00", "20:00", rule="FREQ=DAILY;UNTIL=19970904", rule_start=date(1997, 9, 2))
    assert [line[:2] for line in local(until, NEW_YORK, "1997-08-30", "1997-09-30")] == ["02", "03", "04"]
    never = window("18:00", "20:00", rule="FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30")
    assert local(never, NEW_YORK, "1997-01-01", "1998-12-31") == []
    with pytest.raises(RulesError, match="must pick evenings"):
        local(window("18:00", "20:00", rule="FREQ=HOURLY"), NEW_YORK, "1997-09-01", "1997-09-02")


# ------------------------------------------------------------------- which day the end is on


@pytest.mark.parametrize(
    ("start", "end", "day", "span"),
    [
        ("18:00", "22:30", "2026-12-05", "05 18:00 05 22:30"),
        ("18:00", "00:00", "2026-12-05", "05 18:00 06 00:00"),
        ("22:00", "06:00", "2026-12-05", "05 22:00 06 06:00"),
        ("18:00", "18:00", "2026-12-05", "05 18:00 06 18:00"),
        ("00:00", "06:00", "2026-12-05", "05 00:00 05 06:00"),
        ("sunset", "sunrise", "2026-12-21", "21 16:08 22 08:38"),
        ("sunset", "12:00", "2026-12-21", None),  # noon is the same day's, and over before sunset
        ("sunset - 15 min", "22:30", "2026-12-21", "21 15:53 21 22:30"),
        ("sunset", "01:00", "2026-06-21", "21 21:57 22 01:00"),
        ("00:30", "sunrise", "2026-12-21", "21 00:30 21 08:38"),
        ("06:30", "sunrise", "2026-12-21", "21 06:30 21 08:38"),
        ("dawn", "sunset", "2026-12-21", "21 07:55 21 16:08"),
        ("sunset + 6 h", "15:00", "2026-12-21", "21 22:08 22 15:00"),
    ],
)
def test_day_of_the_end(start: str, end: str, day: str, span: str | None) -> None:
    """The end is on the day a person means: the same evening, or after the night."""
    begun = [line for line in local(window(start, end), DUBLIN, day, day) if line[:2] == day[8:]]
    assert begun == ([] if span is None else [span])


def test_an_end_before_the_start_is_no_show_and_told() -> None:
    """With "16:30 to sunset" an earlier sunset makes no show of nearly a day, and the preview hears why."""
    afternoon = window("16:30", "sunset")
    assert local(afternoon, DUBLIN, "2026-12-20", "2026-12-22") == []
    assert local(afternoon, DUBLIN, "2026-02-01", "2026-02-01") == ["01 16:30 01 17:08"]
    missed = missing_sun(afternoon, DUBLIN, date(2026, 12, 21), date(2026, 12, 21))
    assert missed == [
        (
            date(2026, 12, 21),
            "The end (2026-12-21 16:08) is not after the start (2026-12-21 16:30); no show.",
        )
    ]
    assert missing_sun(afternoon, DUBLIN, date(2026, 6, 1), date(2026, 6, 30)) == []


def test_a_night_may_be_longer_than_18_hours() -> None:
    """Sunset to sunrise is the night, also the long one of a high latitude."""
    assert local(window("sunset", "sunrise"), FAIRBANKS, "2024-12-21", "2024-12-21")[1:] == [
        "21 14:40 22 10:59"
    ]


# ------------------------------------------------------------------- clock changes

CLOCK_CHANGES = [
    # New York: clocks go from 02:00 to 03:00 on 2026-03-08, from 02:00 to 01:00 on 2026-11-01
    ("02:30", "05:00", "2026-03-08", ("07:30", "09:00"), "a skipped start keeps the offset before the jump"),
    ("01:00", "02:30", "2026-03-08", ("06:00", "07:30"), "a skipped end keeps the offset before the jump"),
    (
        "02:30",
        "03:15",
        "2026-03-08",
        ("07:00", "07:15"),
        "where that is after the end, it starts at the jump",
    ),
    (
        "02:10",
        "02:50",
        "2026-03-08",
        ("07:10", "07:50"),
        "a show wholly in the skipped hour keeps its length",
    ),
    ("01:30", "03:30", "2026-03-08", ("06:30", "07:30"), "the short night is an hour shorter"),
    ("01:00", "01:45", "2026-11-01", ("05:00", "05:45"), "a doubled time is the first of the two"),
    ("01:30", "02:30", "2026-11-01", ("05:30", "07:30"), "the long night is an hour longer"),
    ("00:30", "01:30", "2026-11-01", ("04:30", "05:30"), "an end that comes twice is the first"),
]


@pytest.mark.parametrize(("start", "end", "day", "span", "why"), CLOCK_CHANGES)
def test_clock_changes(start: str, end: str, day: str, span: tuple[str, str], why: str) -> None:
    """Nights on which clocks change follow RFC 5545, section 3.3.5."""
    begin = utc(f"{day}T04:00")
    found = window_spans(window(start, end), NEW_YORK, begin, begin + timedelta(hours=6))
    assert [(f"{s.start_utc:%H:%M}", f"{s.end_utc:%H:%M}") for s in found] == [span], why


def test_the_second_pass_of_a_doubled_hour_is_off() -> None:
    """01:00 to 01:45 ended at 05:45 UTC; when clocks show 01:30 again it is 06:30 UTC, and off."""
    found = window_spans(window("01:00", "01:45"), NEW_YORK, utc("2024-11-03T04:00"), utc("2024-11-03T12:00"))
    assert [utc("2024-11-03T05:30") in span for span in found] == [True]
    assert [utc("2024-11-03T06:30") in span for span in found] == [False]


def test_half_hour_clock_change() -> None:
    """Lord Howe Island moves its clocks by 30 minutes: 02:00 to 02:30 on 2026-10-04."""
    here = Place("Australia/Lord_Howe", -31.55, 159.08)
    found = window_spans(window("02:15", "02:40"), here, utc("2026-10-03T14:00"), utc("2026-10-03T17:00"))
    assert found == [Span(utc("2026-10-03T15:30"), utc("2026-10-03T15:40"))]


# ------------------------------------------------------------------- no sun event that day


def test_polar_night_has_no_show_or_the_fallback() -> None:
    """Without a sunset the evening falls out or runs by its fallback; either is told with the reason."""
    bare = window("sunset", "22:00")
    assert local(bare, TROMSO, "2024-12-21", "2024-12-21") == []
    assert missing_sun(bare, TROMSO, date(2024, 12, 21), date(2024, 12, 21)) == [
        (date(2024, 12, 21), "On 2024-12-21 the sun does not set, it has not risen; no show.")
    ]
    safe = Window(parse_moment("sunset", fallback="15:00"), parse_moment("22:00"))
    assert local(safe, TROMSO, "2024-12-21", "2024-12-21") == ["21 15:00 21 22:00"]
    assert [what for _, what in missing_sun(safe, TROMSO, date(2024, 12, 21), date(2024, 12, 21))] == [
        "On 2024-12-21 the sun does not set, it has not risen; 15:00 is used instead."
    ]
    assert local(window("17:00", "22:00"), TROMSO, "2024-12-21", "2024-12-21") == ["21 17:00 21 22:00"]


def test_fallbacks_at_both_ends_are_a_night() -> None:
    """A night whose sunset and sunrise both fail runs from the one fallback to the other."""
    night = Window(parse_moment("sunset", fallback="15:00"), parse_moment("sunrise", fallback="09:00"))
    found = local(night, TROMSO, "2024-12-21", "2024-12-21")
    assert found == ["20 15:00 21 09:00", "21 15:00 22 09:00"]


def test_evening_that_begins_after_midnight() -> None:
    """In Fairbanks the evening of 21 June begins at 00:47 of the 22nd; that there is no dusk is no matter."""
    assert local(window("sunset", "sunset + 1 h"), FAIRBANKS, "2024-06-22", "2024-06-22")[:1] == [
        "22 00:47 22 01:47"
    ]
    only_21 = window("sunset", "sunset + 1 h", season=Season((6, 21), (6, 21)))
    assert local(only_21, FAIRBANKS, "2024-06-19", "2024-06-24") == ["22 00:47 22 01:47"]
    assert local(window("sunset", "22:30"), FAIRBANKS, "2024-06-21", "2024-06-21") == []


def test_unknown_zone_is_refused() -> None:
    """A site in a zone that does not exist is refused with an example."""
    with pytest.raises(RulesError, match="such as Europe/Dublin"):
        window_spans(
            window("18:00", "20:00"),
            Place("Europe/Dublln", 0, 0),
            utc("2026-01-01T00:00"),
            utc("2026-01-02T00:00"),
        )


# ------------------------------------------------------------------- the union


def test_merge() -> None:
    """Spans that overlap or touch become one with both titles; a gap of a second keeps two."""
    at = [utc("2026-12-05T18:00") + timedelta(hours=hour) for hour in range(6)]
    assert merge([Span(at[2], at[3], "b"), Span(at[0], at[2], "a")]) == [Span(at[0], at[3], "a + b")]
    assert merge([Span(at[0], at[4], "a"), Span(at[1], at[2], "a")]) == [Span(at[0], at[4], "a")]
    apart = [Span(at[0], at[1]), Span(at[1] + timedelta(seconds=1), at[2])]
    assert merge(reversed(apart)) == apart
    assert merge([]) == []


# ------------------------------------------------------------------- for all windows

ANCHORS = st.sampled_from([Anchor.DAWN, Anchor.SUNRISE, Anchor.SUNSET, Anchor.DUSK])
CLOCKS = st.builds(time, st.integers(0, 23), st.sampled_from([0, 15, 30, 59]))
MOMENTS = st.one_of(
    st.builds(lambda clock: Moment(Anchor.CLOCK, clock), CLOCKS),
    st.builds(
        lambda anchor, offset, fallback: Moment(anchor, None, offset, fallback),
        ANCHORS,
        st.sampled_from([0.0, -43200.0, -900.0, 3600.0, 43200.0]),
        st.one_of(st.none(), CLOCKS),
    ),
)
MONTH_DAYS = st.tuples(st.integers(1, 12), st.integers(1, 28))
PLACES = st.sampled_from(
    [
        *(DUBLIN, NEW_YORK, TROMSO, FAIRBANKS),
        Place("Australia/Lord_Howe", -31.55, 159.08),
        Place("Pacific/Kiritimati", 1.87, -157.4),
        Place("Asia/Kathmandu", 27.7, 85.3),
        Place("UTC", 89.0, 0.0),
    ]
)
WINDOWS = st.builds(
    Window,
    MOMENTS,
    MOMENTS,
    weekdays=st.frozensets(st.integers(0, 6), min_size=1),
    season=st.one_of(st.none(), st.builds(Season, MONTH_DAYS, MONTH_DAYS)),
    exceptions=st.frozensets(MONTH_DAYS, max_size=2),
    rule=st.sampled_from([None, None, "FREQ=WEEKLY;BYDAY=SA,SU", "FREQ=MONTHLY;BYMONTHDAY=-1,1,15"]),
)


@given(WINDOWS, PLACES, st.integers(0, 900), st.lists(st.integers(1, 20 * 24), min_size=1, max_size=6))
@settings(max_examples=200, deadline=None)
def test_spans_of_any_window(what: Window, place: Place, first_day: int, cuts_h: list[int]) -> None:
    """Spans are in UTC, longer than zero, in order, in range; a range cut anywhere gives the same ones."""
    begin = utc("2024-01-01T00:00") + timedelta(days=first_day)
    end = begin + timedelta(days=20)
    whole = window_spans(what, place, begin, end)
    assert whole == sorted(whole)
    for span in whole:
        assert span.start_utc < span.end_utc
        assert span.start_utc.tzinfo is UTC
        assert span.end_utc.tzinfo is UTC
        assert span.start_utc < end
        assert begin < span.end_utc
    edges = sorted({begin, end, *(begin + timedelta(hours=cut) for cut in cuts_h)})
    pieces = [window_spans(what, place, *edge) for edge in pairwise(edges)]
    assert set(whole) == {span for piece in pieces for span in piece}


@given(WINDOWS, PLACES, st.integers(0, 900))
@settings(max_examples=100, deadline=None)
def test_every_picked_evening_has_a_span_or_is_told(what: Window, place: Place, first_day: int) -> None:
    """No evening is lost without a word: it has a span, or `missing_sun` names it."""
    day = date(2024, 1, 1) + timedelta(days=first_day)
    wide = utc(day.isoformat()) - timedelta(days=4), utc(day.isoformat()) + timedelta(days=5)
    alone = Window(what.start, what.end, extra=frozenset({day}), weekdays=frozenset())
    spans = window_spans(alone, place, *wide)
    missed = missing_sun(alone, place, day, day)
    assert len(spans) <= 1
    assert bool(spans) != any("no show" in what for _, what in missed)


@given(st.lists(st.tuples(st.integers(0, 40), st.integers(1, 10)), max_size=12))
@settings(max_examples=100, deadline=None)
def test_merge_keeps_every_instant(pieces: list[tuple[int, int]]) -> None:
    """The union holds exactly the instants of its parts, in spans that do not even touch."""
    base = utc("2026-12-05T18:00")
    spans = [Span(base + timedelta(hours=a), base + timedelta(hours=a + n)) for a, n in pieces]
    merged = merge(spans)
    for half_hour in range(110):
        instant = base + timedelta(minutes=30 * half_hour)
        assert any(instant in span for span in spans) == any(instant in span for span in merged)
    assert all(one.end_utc < two.start_utc for one, two in pairwise(merged))
