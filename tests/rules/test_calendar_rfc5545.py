"""The worked examples of RFC 5545, pitfalls met in the field, and a second implementation as referee."""

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

import icalendar
import pytest
import recurring_ical_events
from dateutil.rrule import rrulestr
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from rules.errors import CalendarError
from rules.shows.calendar import IcsCalendar, Place, read_ics

SITE = Place("America/New_York", 40.7, -74.0)
BEGIN, END = datetime(1997, 1, 1, tzinfo=UTC), datetime(2010, 1, 1, tzinfo=UTC)


def file(*events: str, extra: str = "") -> bytes:
    """A calendar file of events; each is the lines between BEGIN and END, without its UID."""
    bodies = "".join(
        f"BEGIN:VEVENT\nUID:{number}\nDTSTAMP:20240901T120000Z\n{event.strip()}\nEND:VEVENT\n"
        for number, event in enumerate(events)
    )
    text = f"BEGIN:VCALENDAR\nVERSION:2.0\nPRODID:-//Invented hill farm//EN\n{extra}{bodies}END:VCALENDAR\n"
    return text.replace("\n", "\r\n").encode()


def begins(start: str, *lines: str) -> list[datetime]:
    """The instants at which an event of an hour, 09:00 in New York unless `start` says else, begins."""
    stamp = start if "T" in start else f"{start}T090000"
    event = "\n".join((f"DTSTART;TZID=America/New_York:{stamp}", "DURATION:PT1H", *lines))
    calendar = read_ics(file(event), SITE)
    assert calendar.warnings == ()
    return [span.start_utc for span in calendar.spans(BEGIN, END)]


def at(hour_utc: int, year: int, *days: Sequence[int]) -> list[datetime]:
    """Instants from (month, day, day, …)."""
    return [datetime(year, month, day, hour_utc, tzinfo=UTC) for month, *rest in days for day in rest]


EDT, EST = 13, 14
"""09:00 in New York as the hour in UTC."""
TUESDAYS_AND_THURSDAYS = at(EDT, 1997, (9, 2, 4, 9, 11, 16, 18, 23, 25, 30), (10, 2))
FORTNIGHT = (
    at(EDT, 1997, (9, 1, 3, 5, 15, 17, 19, 29), (10, 1, 3, 13, 15, 17))
    + at(EST, 1997, (10, 27, 29, 31), (11, 10, 12, 14, 24, 26, 28), (12, 8, 10, 12, 22))
)  # fmt: skip


@pytest.mark.parametrize(
    ("start", "lines", "wanted"),
    [
        (
            "19970902",
            ["RRULE:FREQ=WEEKLY;UNTIL=19971007T000000Z;WKST=SU;BYDAY=TU,TH"],
            TUESDAYS_AND_THURSDAYS,
        ),
        ("19970902", ["RRULE:FREQ=WEEKLY;COUNT=10;WKST=SU;BYDAY=TU,TH"], TUESDAYS_AND_THURSDAYS),
        (
            "19970905",
            ["RRULE:FREQ=MONTHLY;COUNT=10;BYDAY=1FR"],
            at(EDT, 1997, (9, 5), (10, 3)) + at(EST, 1997, (11, 7), (12, 5))
            + at(EST, 1998, (1, 2), (2, 6), (3, 6), (4, 3)) + at(EDT, 1998, (5, 1), (6, 5)),
        ),
        (
            "19970901",
            ["RRULE:FREQ=WEEKLY;INTERVAL=2;UNTIL=19971224T000000Z;WKST=SU;BYDAY=MO,WE,FR"],
            FORTNIGHT,
        ),
        (
            "19970902",
            ["RRULE:FREQ=WEEKLY;COUNT=10"],
            at(EDT, 1997, (9, 2, 9, 16, 23, 30), (10, 7, 14, 21)) + at(EST, 1997, (10, 28), (11, 4)),
        ),
        (
            "19970902",
            ["EXDATE;TZID=America/New_York:19970902T090000", "RRULE:FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13",
             "X-UNTIL:the first five"],
            at(EST, 1998, (2, 13), (3, 13), (11, 13)) + at(EDT, 1999, (8, 13)) + at(EDT, 2000, (10, 13)),
        ),
        (
            "20070115",
            ["RRULE:FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5"],
            at(EST, 2007, (1, 15, 30), (2, 15)) + at(EDT, 2007, (3, 15, 30)),
        ),
    ],
)  # fmt: skip
def test_examples_of_the_standard(start: str, lines: list[str], wanted: list[datetime]) -> None:
    """The recurrence sets printed in RFC 5545, section 3.8.5.3 (the open one up to its fifth)."""
    assert begins(start, *lines)[: len(wanted)] == wanted
    if "X-UNTIL:the first five" not in lines:
        assert len(begins(start, *lines)) == len(wanted)


def test_daily_until_in_utc() -> None:
    """Daily until 24 December 00:00 UTC: 113 instances, 54 in summer time, the last on 23 December."""
    found = begins("19970902", "RRULE:FREQ=DAILY;UNTIL=19971224T000000Z")
    assert len(found) == 113
    assert [instant.hour for instant in found] == [EDT] * 54 + [EST] * 59
    assert found[-1] == datetime(1997, 12, 23, EST, tzinfo=UTC)


def test_every_day_in_january() -> None:
    """Every day in January for three years: 93 instances, UNTIL being inclusive."""
    found = begins("19980101", "RRULE:FREQ=DAILY;UNTIL=20000131T140000Z;BYMONTH=1")
    assert found == [
        datetime(year, 1, day, EST, tzinfo=UTC) for year in (1998, 1999, 2000) for day in range(1, 32)
    ]


def test_yearly_form_gives_the_same() -> None:
    """The standard writes the same set a second way, and so do we read it."""
    assert begins(
        "19980101", "RRULE:FREQ=YEARLY;UNTIL=20000131T140000Z;BYMONTH=1;BYDAY=SU,MO,TU,WE,TH,FR,SA"
    ) == begins("19980101", "RRULE:FREQ=DAILY;UNTIL=20000131T140000Z;BYMONTH=1")


def test_an_open_rule_that_hits_the_gap_skips_it() -> None:
    """Without COUNT, too, no repetition is at a time that clocks skip (RFC 5545, section 3.3.10)."""
    found = begins("20070304T023000", "RRULE:FREQ=WEEKLY;UNTIL=20070401T000000Z")
    assert [f"{instant:%m-%d %H:%M}" for instant in found] == ["03-04 07:30", "03-18 06:30", "03-25 06:30"]


def test_summary_picks_events() -> None:
    """Only events of that title run when one is asked for; case and blanks make no difference."""
    event = "DTSTART:2024120{}T180000Z\nDURATION:PT1H\nSUMMARY:{}"
    calendar = read_ics(file(event.format(1, "Open  evening"), event.format(2, "Choir")), SITE)
    assert calendar.titles == ("Choir", "Open  evening")
    year = datetime(2024, 1, 1, tzinfo=UTC), datetime(2025, 1, 1, tzinfo=UTC)
    assert [span.title for span in calendar.spans(*year, "open evening")] == ["Open  evening"]
    assert [span.title for span in calendar.spans(*year)] == ["Open  evening", "Choir"]
    assert calendar.spans(*year, "closed evening") == []


def test_calendar_zone_beside_times_without_zone() -> None:
    """A calendar that names a zone of its own beside times without one is read in the site's, and told."""
    content = file("DTSTART:20241201T170000\nDURATION:PT1H", extra="X-WR-TIMEZONE:Europe/Paris\n")
    calendar = read_ics(content, SITE)
    spans = calendar.spans(datetime(2024, 1, 1, tzinfo=UTC), datetime(2025, 1, 1, tzinfo=UTC))
    assert [span.start_utc for span in spans] == [datetime(2024, 12, 1, 22, tzinfo=UTC)]
    assert len(calendar.warnings) == 1
    assert "Europe/Paris" in calendar.warnings[0]


def test_cancelled_file() -> None:
    """A file that is a cancellation as a whole has no shows and says so."""
    calendar = read_ics(file("DTSTART:20241201T180000Z\nDURATION:PT1H", extra="METHOD:CANCEL\n"), SITE)
    assert calendar.spans(BEGIN, datetime(2030, 1, 1, tzinfo=UTC)) == []
    assert "METHOD:CANCEL" in calendar.warnings[0]


# --------------------------------------------------------- a second implementation as referee

WEEKDAYS = st.lists(
    st.sampled_from(["MO", "TU", "WE", "TH", "FR", "SA", "SU"]), min_size=1, max_size=4, unique=True
)
RULES = st.one_of(
    st.builds("FREQ=DAILY;INTERVAL={}".format, st.integers(1, 9)),
    st.builds("FREQ=WEEKLY;INTERVAL={};BYDAY={}".format, st.integers(1, 4), WEEKDAYS.map(",".join)),
    st.builds("FREQ=MONTHLY;INTERVAL={};BYDAY={}{}".format, st.integers(1, 3), st.sampled_from([1, 2, -1]),
              st.sampled_from(["FR", "SU"])),
    st.builds("FREQ=MONTHLY;BYMONTHDAY={}".format, st.integers(1, 31)),
    st.builds("FREQ=YEARLY;BYMONTH={};BYDAY={}".format, st.integers(1, 12), st.sampled_from(["FR", "1SA"])),
)  # fmt: skip
LIMITS = st.one_of(
    st.just(""),
    st.integers(1, 40).map(";COUNT={}".format),
    st.integers(0, 900).map(lambda days: f";UNTIL={date(2023, 1, 1) + timedelta(days=days):%Y%m%d}T235959Z"),
)


def hits_its_start(rule: str, first: date) -> bool:
    """Whether a rule gives its own start, by dateutil."""
    start = datetime.combine(first, datetime.min.time())
    return next(iter(rrulestr(rule, dtstart=start)), None) == start


@given(
    zone=st.sampled_from(["Europe/Dublin", "America/Los_Angeles", "Australia/Lord_Howe", "Asia/Kathmandu"]),
    day=st.integers(0, 500),
    rule=RULES,
    limit=LIMITS,
    out=st.lists(st.integers(0, 60), max_size=4),
    look=st.integers(0, 1200),
)
@settings(max_examples=150, deadline=None)
def test_agrees_with_recurring_ical_events(
    *, zone: str, day: int, rule: str, limit: str, out: list[int], look: int
) -> None:
    """Where no clock change is in the way, the recurring-ical-events library gives the same occurrences."""
    first = date(2023, 1, 1) + timedelta(days=day)
    gone = "".join(f"EXDATE;TZID={zone}:{first + timedelta(days=days):%Y%m%d}T170000\n" for days in out)
    content = file(f"DTSTART;TZID={zone}:{first:%Y%m%d}T170000\nDURATION:PT2H\nRRULE:{rule}{limit}\n{gone}")
    begin = datetime(2023, 1, 1, tzinfo=UTC) + timedelta(days=look)
    end = begin + timedelta(days=70)
    series = icalendar.Calendar.from_ical(content)
    theirs = {found.start.astimezone(UTC) for found in recurring_ical_events.of(series).between(begin, end)}
    # RFC 5545 leaves open what a DTSTART is that its rule misses: we count it, the library does not.
    assume("COUNT" not in limit or hits_its_start(rule, first))
    ours = {span.start_utc for span in read_ics(content, SITE).spans(begin, end)}
    assert ours == theirs


# --------------------------------------------------------- what is no calendar


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "holds no calendar"),
        (b"\n\n", "holds no calendar"),
        (b"<html>not found</html>", "Line 1: '<html>not found</html>' is no calendar line"),
        (b"BEGIN:VCALENDAR\nVERSION:2.0\n", "Line 1: BEGIN:VCALENDAR has no END:VCALENDAR"),
        (file("DTSTART:20241201T180000Z\nDURATION PT1H"), "Line 8: 'DURATION PT1H' is no calendar line"),
        (file("BEGIN:VALARM\nDTSTART:20241201T180000Z"), "Line 9: END:VEVENT stands where END:VALARM"),
        (file("SUMMARY:x").replace(b"x", b"\xff"), "Line 7: The byte 0xff is no UTF-8 text"),
        (file("SUMMARY:x").decode().encode("utf-16"), "Line 1: The file is UTF-16"),
        (b"BEGIN:VEVENT\nEND:VEVENT\n", "must begin with BEGIN:VCALENDAR"),
        (b"SUMMARY:x\n", "stands outside"),
        (file("SUMMARY:x").replace(b"VERSION:2.0", b"VERSION:1.0"), "must say VERSION:2.0"),
        (file("SUMMARY:x", extra="CALSCALE:LUNAR\n"), "'LUNAR' is not known"),
        (b"\x00" * 100, "is no calendar line"),
        (b"PK\x03\x04rest", "is a ZIP archive"),
    ],
)  # fmt: skip
def test_refused_files(content: bytes, said: str) -> None:
    """A file that is no calendar is refused in one sentence that names the line."""
    with pytest.raises(CalendarError, match=r"^[^\n]*$") as caught:
        read_ics(content, SITE)
    assert said in str(caught.value)


@given(st.binary(max_size=200))
@settings(max_examples=150, deadline=None)
def test_any_bytes(content: bytes) -> None:
    """Whatever the bytes, there is a calendar or a CalendarError, and nothing else."""
    try:
        calendar = read_ics(content, SITE)
    except CalendarError:
        return
    assert isinstance(calendar, IcsCalendar)


LINES = st.lists(
    st.sampled_from(
        [
            "DTSTART:20241201T180000Z", "DTSTART;VALUE=DATE:20241201", "DTSTART;TZID=Nowhere:20241201T180000",
            "DTSTART:99991231T235959Z", "DTSTART:00010101T000000", "DTSTART:20241301T180000Z", "DTSTART:",
            "DTEND:20241201T200000Z", "DTEND:20241131T200000Z", "DURATION:PT99999999H", "DURATION:P1W",
            "DURATION:P", "DURATION:PT1H", "RRULE:FREQ=DAILY;COUNT=999999999",
            "RRULE:FREQ=WEEKLY;INTERVAL=999999999;COUNT=999999999", "RRULE:FREQ=MINUTELY",
            "RRULE:FREQ=YEARLY;BYWEEKNO=53;BYDAY=MO;BYSETPOS=-1", "RRULE:FREQ=HOURLY;INTERVAL=24;BYHOUR=3",
            "RRULE:", "RRULE:FREQ=MINUTELY;INTERVAL=15;BYMONTH=2;BYMONTHDAY=30", "EXDATE:,,", "RDATE:x",
            "RDATE;VALUE=PERIOD:20241208T170000Z/PT0S", "RECURRENCE-ID:20241201T180000Z", "RECURRENCE-ID:",
            "SEQUENCE:٣", "SEQUENCE:9999999999999", "STATUS:CANCELLED", "SUMMARY:Umlaut ä\\, and \\n more",
        ]
    ),
    max_size=6,
)  # fmt: skip


@given(st.lists(LINES, min_size=1, max_size=3))
@example([["DTSTART:20241201T180000Z", "DURATION:P1W", "RECURRENCE-ID:"]])
@example([["DTSTART:20241201T180000Z", "DURATION:P1W", "RDATE;VALUE=PERIOD:20241208T170000Z/PT0S"]])
@example([["DTSTART:20241201T180000Z", "DURATION:PT99999999H"]])
@example([["DTSTART:99991231T235959Z", "DURATION:P1W"]])
@example([["DTSTART:20241201T180000Z", "DURATION:P1W", "RRULE:FREQ=HOURLY;INTERVAL=24;BYHOUR=3"]])
@settings(max_examples=150, deadline=None)
def test_any_event(events: list[list[str]]) -> None:
    """Whatever lines an event has, it gives spans longer than zero or a warning, soon."""
    calendar = read_ics(file(*("\n".join(lines) for lines in events)), SITE)
    spans = calendar.spans(datetime(2024, 11, 1, tzinfo=UTC), datetime(2025, 3, 1, tzinfo=UTC))
    assert all(span.start_utc < span.end_utc for span in spans)
    assert calendar.spans(datetime.min.replace(tzinfo=UTC), datetime(2024, 12, 2, tzinfo=UTC)) is not None
    assert all(warning.startswith("Line") for warning in calendar.warnings)
