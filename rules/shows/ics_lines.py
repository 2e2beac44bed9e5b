"""The bytes of a calendar file → components and properties that know their line (RFC 5545, section 3.1).

icalendar takes the content lines apart. Its own components are not used: they turn a time whose zone is
unknown into one without a zone, forget whether a duration was written in days or hours, and know no
line numbers.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

from rules.errors import CalendarError

LARGEST_FILE = 16 * 1024 * 1024
"""A calendar file beyond this many bytes is refused."""

DEEPEST = 8
"""A file with more components inside each other is refused; calendars have three."""

_MARKS = {b"\xff\xfe": "UTF-16", b"\xfe\xff": "UTF-16", b"PK": "a ZIP archive", b"\x1f\x8b": "a gzip file"}


@dataclass(frozen=True, slots=True)
class Property:
    """One content line: NAME, parameters by upper-case name, text of the value, line from 1."""

    name: str
    parameters: dict[str, str]
    value: str
    line: int


@dataclass(slots=True)
class Component:
    """What stands between a BEGIN and its END."""

    name: str
    line: int
    properties: list[Property] = field(default_factory=list)
    children: list["Component"] = field(default_factory=list)
    source: list[str] = field(default_factory=list)
    """The unfolded lines of the component itself, for a zone's definition with what it contains."""

    def all(self, name: str) -> list[Property]:
        """All properties of that name, in order."""
        return [found for found in self.properties if found.name == name]

    def one(self, name: str) -> Property | None:
        """The property of that name, or None. Raises CalendarError where there are several."""
        found = self.all(name)
        if len(found) > 1:
            raise CalendarError(f"{name} stands here for the second time; one is allowed.", found[1].line)
        return found[0] if found else None

    def text(self, name: str) -> str:
        """The value of the first property of that name, without outer blanks; empty where there is none."""
        return next((found.value.strip() for found in self.properties if found.name == name), "")


def read_components(content: bytes) -> list[Component]:
    """The calendars of a file. Raises CalendarError, with the line, where it is no calendar file."""
    from icalendar.parser import Contentline  # noqa: PLC0415  # only sites with a calendar pay for the import

    calendars: list[Component] = []
    stack: list[Component] = []
    for line, text in _unfold(_decode(content)):
        try:
            name, parameters, value = Contentline(text).parts()  # type: ignore[no-untyped-call]  # icalendar: no types
        except ValueError as error:
            raise CalendarError(
                f"{_short(text)} is no calendar line; a line is a name, a colon and a value, as in "
                "SUMMARY:Open evening.",
                line,
            ) from error
        name = name.upper()
        for open_component in stack:
            if open_component.name == "VTIMEZONE":
                open_component.source.append(text)
        if name == "BEGIN":
            _begin(value.strip().upper(), line, text, stack, calendars)
        elif name == "END":
            _end(value.strip().upper(), line, stack)
        elif not stack:
            raise CalendarError(f"{_short(text)} stands outside BEGIN:VCALENDAR … END:VCALENDAR.", line)
        else:
            words = {
                key.upper(): found if isinstance(found, str) else ",".join(found)
                for key, found in parameters.items()
            }
            stack[-1].properties.append(Property(name, words, value, line))
    if stack:
        raise CalendarError(
            f"BEGIN:{stack[-1].name} has no END:{stack[-1].name}; the file was cut short.", stack[-1].line
        )
    if not calendars:
        raise CalendarError("The file holds no calendar; it must begin with BEGIN:VCALENDAR.")
    return calendars


def _begin(name: str, line: int, text: str, stack: list[Component], calendars: list[Component]) -> None:
    if len(stack) == DEEPEST:
        raise CalendarError(f"BEGIN:{name} stands inside {DEEPEST} others; no calendar does that.", line)
    component = Component(name, line)
    if name == "VTIMEZONE":
        component.source.append(text)
    if stack:
        stack[-1].children.append(component)
    elif name == "VCALENDAR":
        calendars.append(component)
    else:
        raise CalendarError(f"The file must begin with BEGIN:VCALENDAR, not with BEGIN:{name}.", line)
    stack.append(component)


def _end(name: str, line: int, stack: list[Component]) -> None:
    if not stack or stack[-1].name != name:
        expected = f"END:{stack[-1].name} (begun in line {stack[-1].line})" if stack else "BEGIN:VCALENDAR"
        raise CalendarError(f"END:{name} stands where {expected} should be.", line)
    stack.pop()


def _short(text: str) -> str:
    return repr(text if len(text) <= 60 else text[:57] + "...")


def _decode(content: bytes) -> str:
    if len(content) > LARGEST_FILE:
        raise CalendarError(f"The file is larger than {LARGEST_FILE // 1024**2} MiB; no show calendar is.")
    for mark, what in _MARKS.items():
        if content.startswith(mark):
            raise CalendarError(f"The file is {what}; save it as an iCalendar file in UTF-8.", 1)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise CalendarError(
            f"The byte 0x{content[error.start]:02x} is no UTF-8 text; save the file in UTF-8.", line
        ) from error


def _unfold(text: str) -> Iterator[tuple[int, str]]:
    """Unfolded lines with the number of their first line; lines that are empty are left out."""
    first, parts = 0, list[str]()
    for number, raw in enumerate(text.replace("\r\n", "\n").replace("\r", "\n").split("\n"), start=1):
        if raw[:1] in (" ", "\t") and parts:
            parts.append(raw[1:])
            continue
        if parts:
            yield first, "".join(parts)
        first, parts = number, [raw] if raw.strip() else []
    if parts:
        yield first, "".join(parts)
