"""Calendar files → spans."""

from dataclasses import dataclass
from datetime import datetime

from rules.calendar_types import Place, Span


@dataclass(frozen=True, slots=True)
class IcsCalendar:
    """A calendar file that was read. `warnings`: sentences about what was left out, and why."""

    warnings: tuple[str, ...] = ()

    def spans(self, start_utc: datetime, end_utc: datetime, summary: str | None = None) -> list[Span]:
        """The spans that intersect [start_utc, end_utc), in order."""
        return []


def read_ics(content: bytes, place: Place) -> IcsCalendar:
    """Reads the bytes of a calendar file."""
    raise NotImplementedError
