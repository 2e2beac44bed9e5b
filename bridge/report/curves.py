"""Which evening of which port is worth drawing, and what the history has of it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from bridge.history.store_read import Point, StoreReader
from bridge.report.episodes import NOON_H, Episode, night_of
from rules.ports import PortId


@dataclass(frozen=True, slots=True)
class Curve:
    """A port's current through one night (noon to noon), its switchings and faults."""

    port: PortId
    night: date
    since_utc: datetime
    until_utc: datetime
    points: tuple[Point, ...]
    switchings: tuple[tuple[datetime, bool], ...]
    faults: tuple[Episode, ...]


def curves(
    reader: StoreReader,
    ports: Sequence[PortId],
    faults: Sequence[Episode],
    *,
    zone: ZoneInfo,
    known: tuple[datetime, datetime],
    night: date | None,
) -> tuple[Curve, ...]:
    """The evening `night` of each port; where None that of its last fault, else its last one with power."""
    found = []
    for port in ports:
        own = [one for one in faults if one.target_kind == "port" and one.target_id == port]
        shown = night
        if shown is None:
            shown = night_of(own[-1].since_utc, zone) if own else _last_night(reader, port, known, zone)
        if shown is None:
            continue
        since_utc, until_utc = _noon(shown, zone), _noon(shown + timedelta(days=1), zone)
        points = tuple(reader.currents(port, since_utc, until_utc))
        given = reader.switchings(since_utc, until_utc, port=port).get(port, [])
        if points or given:
            seen = tuple(one for one in own if since_utc <= one.since_utc < until_utc)
            found.append(Curve(port, shown, since_utc, until_utc, points, tuple(given), seen))
    return tuple(found)


def _noon(day: date, zone: ZoneInfo) -> datetime:
    return datetime(day.year, day.month, day.day, NOON_H, tzinfo=zone).astimezone(UTC)


def _last_night(
    reader: StoreReader, port: PortId, known: tuple[datetime, datetime], zone: ZoneInfo
) -> date | None:
    """The last night on which the port was switched on; None if it never was."""
    given = reader.switchings(*known, port=port).get(port, [])
    return next((night_of(at_utc, zone) for at_utc, power in reversed(given) if power), None)
