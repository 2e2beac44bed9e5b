"""Odd calendars: every file in `calendars/` says itself what it must give.

`X-EXPECT:<start>/<end>` is a span in UTC, `X-EXPECT-LOCAL:<start>/<end>` one in the site's time,
`X-EXPECT-WARNING:<words>` what a warning must contain, `X-WHY:` the promise. A new file needs no code.
"""

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from rules.shows.calendar import IcsCalendar, Place, read_ics

FILES = sorted((Path(__file__).parent / "calendars").glob("*.ics"))
ZONES = (
    "Europe/Dublin",
    "America/Los_Angeles",
    "Australia/Lord_Howe",
    "Asia/Kathmandu",
    "Pacific/Kiritimati",
)
BEGIN, END = datetime(1990, 1, 1, tzinfo=UTC), datetime(2040, 1, 1, tzinfo=UTC)


def site(zone: str) -> Place:
    """A site in a zone; where on Earth does not matter to a calendar file."""
    return Place(zone, 50.0, 0.0)


def words(text: str, name: str) -> list[str]:
    """The values of one X- property."""
    return re.findall(rf"(?m)^{name}:(.*?)\r?$", text)


def expected(text: str, zone: str) -> list[tuple[datetime, datetime]]:
    """The spans a file says it must give at a site."""
    spans = []
    for line in words(text, "X-EXPECT"):
        start, end = (datetime.strptime(part, "%Y%m%dT%H%M%S%z") for part in line.split("/"))
        spans.append((start, end))
    for line in words(text, "X-EXPECT-LOCAL"):
        naive = (datetime.strptime(part, "%Y%m%dT%H%M%S") for part in line.split("/"))  # noqa: DTZ007  # site's zone
        start, end = (part.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC) for part in naive)
        spans.append((start, end))
    return sorted(spans)


def turned(text: str) -> str:
    """The same calendar with its components in the opposite order."""
    lines = text.split("\r\n")
    head, blocks, depth = list[str](), list[list[str]](), 0
    for line in lines[1:-2]:
        opens, closes = line.upper().startswith("BEGIN:"), line.upper().startswith("END:")
        if opens and depth == 0:
            blocks.append([])
        (blocks[-1] if depth or opens else head).append(line)
        depth += opens - closes
    return "\r\n".join(
        [lines[0], *head, *(line for block in reversed(blocks) for line in block), *lines[-2:]]
    )


def pairs(
    calendar: IcsCalendar, begin: datetime = BEGIN, end: datetime = END
) -> list[tuple[datetime, datetime]]:
    """The spans of a calendar without their titles."""
    return [(span.start_utc, span.end_utc) for span in calendar.spans(begin, end)]


@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("order", ["as written", "turned round"])
@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_file_gives_what_it_says(path: Path, order: str, zone: str) -> None:
    """Every file gives the spans and warnings it names, at sites all over, in either order of its parts."""
    text = path.read_bytes().decode()
    calendar = read_ics((text if order == "as written" else turned(text)).encode(), site(zone))
    assert pairs(calendar) == expected(text, zone)
    for wanted in words(text, "X-EXPECT-WARNING"):
        assert any(wanted in warning for warning in calendar.warnings), (wanted, calendar.warnings)
    assert len(calendar.warnings) == len(words(text, "X-EXPECT-WARNING"))


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_file_in_slices_is_the_file_whole(path: Path) -> None:
    """Asked in slices of 7 hours, a calendar gives the same spans as asked once."""
    text = path.read_bytes().decode()
    calendar = read_ics(path.read_bytes(), site("Europe/Dublin"))
    spans = expected(text, "Europe/Dublin")
    if not spans:
        return
    begin, end = spans[0][0] - timedelta(days=1), min(spans[-1][1], spans[0][0] + timedelta(days=45))
    cut, found = begin, set()
    while cut < end:
        found |= set(pairs(calendar, cut, cut + timedelta(hours=7)))
        cut += timedelta(hours=7)
    assert found == set(pairs(calendar, begin, cut))


def test_there_are_files() -> None:
    """The folder of odd calendars is found, so the tests above do run."""
    assert len(FILES) >= 25
    for path in FILES:
        assert words(path.read_bytes().decode(), "X-WHY"), path.name
