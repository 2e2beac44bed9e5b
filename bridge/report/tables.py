"""Everything a report shows as JSON, and as CSV in long form (one value a line). Pure.

CSV columns: part, key, of, quantity, unit, value. Energy in Wh, times in s, instants in UTC (ISO 8601).
"""

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from bridge.history.store_pack import Sample
from bridge.report.episodes import Episode
from bridge.report.gather import Amount, Season

UNITS = {"_wh": "Wh", "_s": "s", "_a": "A", "cost": "money", "price": "money/kWh", "share": "", "_w": "W"}
Row = tuple[str, str, str, str, str, object]


def amount(one: Amount) -> dict[str, float]:
    """An amount by its names, rounded far below what can be measured."""
    return {name: round(value, 6) for name, value in one._asdict().items()}


def episode(one: Episode) -> dict[str, Any]:
    """A fault."""
    return {
        "kind": one.target_kind,
        "target": one.target_id,
        "condition": one.condition.value,
        "since": one.since_utc.isoformat(),
        "until": _iso(one.until_utc),
        "acknowledged": _iso(one.acknowledged_utc),
        "measured": one.measured,
        "limit": one.limit,
    }


def _iso(at_utc: datetime | None) -> str | None:
    return None if at_utc is None else at_utc.isoformat()


def season_data(season: Season) -> dict[str, Any]:
    """The season, ready for JSON."""
    tariff = season.tariff
    return {
        "site": season.plan.id,
        "name": season.plan.name,
        "from": season.since.isoformat(),
        "to": season.until.isoformat(),
        "known_from": season.known[0].isoformat(),
        "known_to": season.known[1].isoformat(),
        "currency": None if tariff is None else tariff.currency,
        "efficiency": dict(season.efficiencies),
        "total": amount(season.total),
        "counters": dict(zip(("energy_wh", "saved_wh"), season.counters_wh, strict=True)),
        "days": {day.isoformat(): amount(one) for day, one in season.days.items()},
        "shows": {show: amount(one) for show, one in season.shows.items()},
        "ports": {port: amount(one) for port, one in season.ports.items()},
        "prices": [
            {
                "from": None if one.band is None else f"{one.band.start:%H:%M}",
                "to": None if one.band is None else f"{one.band.end:%H:%M}",
                "weekdays": None if one.band is None else sorted(one.band.days),
                "price": one.price,
                "wall_wh": one.wall_wh,
                "cost": one.cost,
                "saved_wall_wh": one.saved_wall_wh,
                "saved_cost": one.saved_cost,
            }
            for one in season.bands
        ],
        "hours": {day.isoformat(): [round(watts, 3) for watts in row] for day, row in season.hours.items()},
        "faults": [episode(one) for one in season.faults],
        "worst": [{"port": port, "faults": len(own)} for port, own in season.worst],
        "controllers": {
            name: {"share": one.share, "watched_s": one.watched_s, "lost_s": one.lost_s, "times": one.times}
            for name, one in season.controllers.items()
        },
        "not_running": [
            {"since": one.since_utc.isoformat(), "until": one.until_utc.isoformat(), "clean": one.clean}
            for one in season.pauses
        ],
        "evenings": [
            {
                "port": curve.port,
                "night": curve.night.isoformat(),
                "current": [
                    {"start": point.start_utc.isoformat(), **dict(list(point._asdict().items())[1:])}
                    for point in curve.points
                ],
                "switchings": [{"at": at_utc.isoformat(), "power": on} for at_utc, on in curve.switchings],
            }
            for curve in season.curves
        ],
    }


def fault_data(
    found: Sequence[Episode], after_s: Sequence[float | None], samples: Mapping[int, Sequence[Sample]]
) -> list[dict[str, Any]]:
    """Faults with the time since power came on [s] and the readings around them, ready for JSON."""
    return [
        {
            **episode(one),
            "after_on_s": passed_s,
            "readings": [
                {"at_ms": sample.at_ms, "current_a": sample.current_a, "power": sample.power}
                for sample in samples.get(one.event, ())
            ],
        }
        for one, passed_s in zip(found, after_s, strict=True)
    ]


def csv_text(told: Mapping[str, Any] | Sequence[Mapping[str, Any]]) -> str:
    """What `season_data` or `fault_data` made, one value a line."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("part", "key", "of", "quantity", "unit", "value"))
    parts: Mapping[str, Any] = told if isinstance(told, Mapping) else {"faults": told}
    for part, inside in parts.items():
        writer.writerows(_rows(part, inside))
    return out.getvalue()


def _rows(part: str, inside: object) -> Iterator[Row]:
    """Values below a part of the JSON: at most two keys name a value."""
    if isinstance(inside, Mapping):
        for key, value in inside.items():
            yield from _values(part, str(key), value)
    elif isinstance(inside, Sequence) and not isinstance(inside, str):
        for at, value in enumerate(inside, start=1):
            yield from _values(part, str(at), value)
    else:
        yield part, "", "", part, "", inside


def _values(part: str, key: str, value: object) -> Iterator[Row]:
    if isinstance(value, Mapping):
        for name, one in value.items():
            if isinstance(one, Sequence) and not isinstance(one, str) and one and isinstance(one[0], Mapping):
                for at, row in enumerate(one, start=1):
                    for quantity, cell in row.items():
                        yield part, key, f"{name} {at}", quantity, _unit(quantity), cell
            elif isinstance(one, Sequence) and not isinstance(one, str):
                yield part, key, "", str(name), _unit(str(name)), " ".join(str(cell) for cell in one)
            else:
                yield part, key, "", str(name), _unit(str(name)), one
    elif isinstance(value, Sequence) and not isinstance(value, str):
        for hour, watts in enumerate(value):
            yield part, key, f"{hour:02d}:00", "power_w", "W", watts
    else:
        yield part, "", "", key, _unit(key), value


def _unit(name: str) -> str:
    return next((unit for end, unit in UNITS.items() if name.endswith(end)), "")
