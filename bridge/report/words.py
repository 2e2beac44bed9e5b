"""Numbers and times as people read them in a report. Pure."""

from datetime import date, datetime, timedelta
from html import escape
from zoneinfo import ZoneInfo

from rules.cost.tariff import Band
from rules.ports import Condition

THIN = "\N{NARROW NO-BREAK SPACE}"
NO_NUMBER = "–"
WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")

CONDITION_WORDS = {condition: condition.value.replace("-", " ") for condition in Condition} | {
    Condition.LOCKOUT: "locked out",
    Condition.FUSE_TRIP: "tripped",
    Condition.STUCK_ON: "stuck on",
    Condition.STUCK_OFF: "stuck off",
    Condition.UNDERCURRENT: "part dark (undercurrent)",
    Condition.NO_LOAD: "nothing draws (no load)",
    Condition.NO_DATA: "no answer (no data)",
}
"""What a condition is called in a table."""


def many(count: int, one: str, several: str = "") -> str:
    """A count and what is counted: 1 port, 2 ports; `several` where it is not `one` with an s."""
    return f"{count} {one if count == 1 else several or f'{one}s'}"


def grouped(value: float, places: int) -> str:
    """A number with its thousands apart."""
    return f"{value:,.{places}f}".replace(",", THIN)


def kwh(watt_hours: float) -> str:
    """Energy: as fine as its size deserves."""
    value = watt_hours / 1000.0
    places = 3 if 0.0 < value < 1.0 else 2 if value < 10.0 else 1 if value < 10_000.0 else 0
    return f"{grouped(value, places)}{THIN}kWh"


def money(amount: float, currency: str) -> str:
    """Money with two places."""
    return f"{grouped(amount, 2)}{THIN}{currency}".rstrip(THIN)


def hours(seconds: float) -> str:
    """A time in hours, one place below 100."""
    value = seconds / 3600.0
    return f"{grouped(value, 1 if value < 100.0 else 0)}{THIN}h"


def duration(lasted: timedelta) -> str:
    """How long something lasted."""
    seconds = round(lasted.total_seconds())
    if seconds < 60:
        return f"{seconds}{THIN}s"
    if seconds < 3600:
        return f"{seconds // 60}{THIN}min"
    if seconds < 48 * 3600:
        return f"{seconds // 3600}{THIN}h {seconds % 3600 // 60:02d}{THIN}min"
    return f"{seconds / 86400:.1f}{THIN}days"


def percent(share: float | None) -> str:
    """A share of the whole; hundredths only near it, never rounded up to all of it."""
    if share is None:
        return NO_NUMBER
    value = 100.0 * share
    if 99.995 <= value < 100.0:
        return f"over 99.99{THIN}%"
    return f"{value:.2f}{THIN}%" if 90.0 <= value < 100.0 else f"{value:.0f}{THIN}%"


def day_words(day: date) -> str:
    """A day with its weekday."""
    return f"{WEEKDAYS[day.weekday()]} {day.day} {day:%b}"


def span_words(since: date, until: date) -> str:
    """First to last day."""
    first = f"{since.day} {since:%b}" + (f" {since.year}" if since.year != until.year else "")
    return f"{first} to {until.day} {until:%b} {until.year}"


def moment(at_utc: datetime, zone: ZoneInfo) -> str:
    """A local date and time."""
    local = at_utc.astimezone(zone)
    return f"{day_words(local.date())} {local:%H:%M}"


def band_words(band: Band | None, *, only: bool) -> str:
    """When a price holds; `only`: it is the only one."""
    if band is None:
        return "at all times" if only else "at all other times"
    clock = "all day" if band.start == band.end else f"{band.start:%H:%M} to {band.end:%H:%M}"
    if len(band.days) == len(WEEKDAYS):
        return clock
    return f"{clock} on {', '.join(WEEKDAYS[day] for day in sorted(band.days))}"


def data(value: float, words: str, name: str = "") -> str:
    """A number of the page with its full value beside it for machines."""
    mark = f' id="{escape(name)}"' if name else ""
    return f'<data{mark} value="{value:.6f}">{escape(words)}</data>'


def measured(condition: Condition, value: float | None) -> str:
    """What was measured, in the condition's own unit."""
    if value is None:
        return NO_NUMBER
    if condition is Condition.OVERTEMPERATURE:
        return f"{value:.0f}{THIN}°C"
    if condition is Condition.UNDERVOLTAGE:
        return f"{value:.2f}{THIN}V"
    return f"{value * 1000:.0f}{THIN}mA" if abs(value) < 1.0 else f"{value:.2f}{THIN}A"
