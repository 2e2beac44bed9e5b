"""Pictures over time: a night's current, readings around a fault, the season's nights. Pure, as `svg`."""

import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from bridge.history.store_pack import Sample
from bridge.history.store_read import Point
from bridge.report.curves import Curve
from bridge.report.episodes import Episode, night_of
from bridge.report.svg import (
    BOTTOM,
    LEFT,
    TOP,
    WIDTH,
    diamond,
    line,
    path,
    picture,
    rect,
    ring,
    text,
    tick_text,
    ticks,
)
from rules.ports import SEVERITY, Severity

MARK = {Severity.HIGH: "fault", Severity.MEDIUM: "fault-medium", Severity.LOW: "fault-low"}
SHADES = 5
FAINT = 0.02
"""An hour with less of the largest than this is as good as dark: the lead of a show is no hour of light."""


def runs(points: Sequence[Point]) -> list[list[Point]]:
    """Points that follow each other without a break: between two runs nothing was powered or read."""
    found: list[list[Point]] = []
    for point in points:
        last = found[-1][-1] if found else None
        if last is not None and point.start_utc <= last.start_utc + timedelta(seconds=last.lasts_s * 1.01):
            found[-1].append(point)
        else:
            found.append([point])
    return found


def _shown_span(curve: Curve) -> tuple[datetime, datetime]:
    """The hours of the night in which something happened, to whole hours."""
    moments = [
        *(point.start_utc for point in curve.points),
        *(point.start_utc + timedelta(seconds=point.lasts_s) for point in curve.points[-1:]),
        *(at_utc for at_utc, _ in curve.switchings),
        *(one.since_utc for one in curve.faults),
    ]
    margin = timedelta(minutes=10)
    start = max(curve.since_utc, min(moments) - margin)
    end = min(curve.until_utc, max(moments) + margin)
    return (
        start.replace(minute=0, second=0, microsecond=0),
        (end + timedelta(minutes=59, seconds=59)).replace(minute=0, second=0, microsecond=0),
    )


def night_curve(curve: Curve, zone: ZoneInfo, *, rating_a: float | None, title: str) -> str:
    """Current through a night: mean as a line, lowest to highest as a band, switchings and faults marked."""
    width, height, left = 360.0, 160.0, 40.0
    start, end = _shown_span(curve)
    base, room = height - BOTTOM - 10, width - left - 8
    most = max((point.high_a for point in curve.points), default=0.0)
    if rating_a is not None and most > 0.5 * rating_a:
        most = max(most, rating_a)
    marks = ticks(most or 1.0, 3)
    top = max(most, marks[-1]) or 1.0
    scale = (base - TOP - 12) / top
    span_s = (end - start).total_seconds()

    def x(at_utc: datetime) -> float:
        return left + room * (at_utc - start).total_seconds() / span_s

    parts = []
    for value in marks:
        parts += [
            line(left, base - value * scale, width - 8, base - value * scale, "grid" if value else "axis"),
            text(left - 5, base - value * scale + 4, tick_text(value), anchor="end"),
        ]
    parts.append(text(0, 10, "A", name="unit"))
    for hour in range(0, int(span_s // 3600), max(1, -(-int(span_s // 3600) // 5))):
        at_utc = start + timedelta(hours=hour)
        parts.append(text(x(at_utc), height - 3, f"{at_utc.astimezone(zone):%H:%M}", anchor="middle"))
    for run in runs(curve.points):
        ends = [(x(p.start_utc), x(p.start_utc + timedelta(seconds=p.lasts_s)), p) for p in run]
        upper = [(at, base - p.high_a * scale) for x1, x2, p in ends for at in (x1, x2)]
        lower = [(at, base - p.low_a * scale) for x1, x2, p in reversed(ends) for at in (x2, x1)]
        middle = [((x1 + x2) / 2, base - p.mean_a * scale) for x1, x2, p in ends]
        if len(ends) == 1:
            middle = [(at, middle[0][1]) for at in ends[0][:2]]
        parts += [path([*upper, *lower], "band", closed=True), path(middle, "mean")]
    if rating_a is not None and rating_a <= top:
        parts.append(line(left, base - rating_a * scale, width - 8, base - rating_a * scale, "limit"))
        parts.append(text(width - 8, base - rating_a * scale - 4, "rating", anchor="end"))
    parts += [_switch_mark(x(at_utc), base, on=on) for at_utc, on in curve.switchings]
    for one in curve.faults:
        at = x(one.since_utc)
        words = f"{one.condition.value} at {one.since_utc.astimezone(zone):%H:%M:%S}"
        parts += [
            line(at, TOP + 12, at, base, "fault-line"),
            diamond(at, TOP + 8, 5, MARK[SEVERITY[one.condition]], hint=words),
        ]
    return picture(width, height, title, parts, name="night")


def _switch_mark(x: float, base: float, *, on: bool) -> str:
    """A triangle under the axis: up for on, down for off."""
    y1, y2 = (base + 10, base + 3) if on else (base + 3, base + 10)
    return path([(x - 4, y1), (x + 4, y1), (x, y2)], "switch-on" if on else "switch-off", closed=True)


def around(samples: Sequence[Sample], at_utc: datetime, title: str) -> str:
    """Current a minute before and after a fault; the fault itself is the upright line."""
    width, height = 200.0, 40.0
    if not samples:
        return ""
    at_ms = at_utc.timestamp() * 1000.0
    said = [(sample.at_ms - at_ms, sample.current_a) for sample in samples if sample.current_a is not None]
    most = max((current_a for _, current_a in said), default=0.0) or 1.0

    def place(ms: float, current_a: float) -> tuple[float, float]:
        return width * (ms + 60_000) / 120_000, height - 3 - (height - 14) * current_a / most

    points = [place(ms, current_a) for ms, current_a in said]
    parts = [
        line(0, height - 3, width, height - 3, "axis"),
        line(width / 2, 0, width / 2, height, "fault-line"),
        path(points, "mean") if len(points) > 1 else "",
        text(0, 9, f"{most:.2f} A", name="small"),
    ]
    return picture(width, height, title, parts, name="spark")


def nights_of(days: Sequence[date], others: Iterable[date]) -> list[date]:
    """The nights to draw for a span of days: the one before it too, if any of `others` is that night."""
    before = days[0] - timedelta(days=1)
    return [before, *days] if before in set(others) else list(days)


def carpet(hours: Mapping[date, Sequence[float]], days: Sequence[date], *, title: str) -> str:
    """The season as a carpet: a column per night (noon to noon), a row per hour, darker for more power."""
    nights: dict[tuple[date, int], float] = {}
    for day, by_hour in hours.items():
        for hour, watts in enumerate(by_hour):
            night = day if hour >= 12 else day - timedelta(days=1)
            nights[night, (hour - 12) % 24] = watts
    most = max(nights.values(), default=0.0)
    lit = [key for key, watts in nights.items() if watts >= FAINT * most]
    if not lit:
        return ""
    rows = [row for _, row in lit]
    days = nights_of(days, (night for night, _ in lit))
    first, last = min(rows), max(rows) + 1
    tall = 11.0 if last - first > 14 else 16.0
    height = TOP + (last - first) * tall + BOTTOM
    room = (WIDTH - LEFT) / max(1, len(days))
    parts = []
    for row in range(first, last):
        if (row - first) % 2 == 0:
            y = TOP + (row - first) * tall
            parts.append(text(LEFT - 6, y + tall * 0.5 + 5, f"{(row + 12) % 24:02d}:00", anchor="end"))
    every = max(1, -(-len(days) // 7))
    for at, day in enumerate(days):
        x = LEFT + room * at
        if at % every == 0:
            parts.append(text(x, height - 7, f"{day.day} {day:%b}"))
        parts += _column(
            [nights.get((day, row), 0.0) / most for row in range(first, last)], x, max(1.0, room - 0.8), tall
        )
    parts.append(rect(LEFT, TOP, WIDTH - LEFT, (last - first) * tall, "frame"))
    return picture(WIDTH, height, title, parts)


def _column(shares: Sequence[float], x: float, width: float, tall: float) -> list[str]:
    """One night; hours of the same shade become one box."""
    shades = [0 if share < FAINT else min(SHADES, math.ceil(share * SHADES)) for share in shares]
    parts, begin = [], 0
    for at in range(1, len(shades) + 1):
        if at == len(shades) or shades[at] != shades[begin]:
            if shades[begin]:
                parts.append(rect(x, TOP + begin * tall, width, (at - begin) * tall, f"shade{shades[begin]}"))
            begin = at
    return parts


def nights_of_faults(found: Sequence[Episode], days: Sequence[date], zone: ZoneInfo, *, title: str) -> str:
    """Each fault by night and hour: those of one wet night stand above each other."""
    height, base = 230.0, 200.0
    days = nights_of(days, (night_of(one.since_utc, zone) for one in found))
    room = (WIDTH - LEFT - 10) / max(1, len(days))
    parts = []
    for hour in range(0, 25, 4):
        y = TOP + (base - TOP) * hour / 24
        parts += [
            line(LEFT, y, WIDTH, y, "grid"),
            text(LEFT - 6, y + 5, f"{(hour + 12) % 24:02d}:00", anchor="end"),
        ]
    every = max(1, -(-len(days) // 7))
    for at in range(0, len(days), every):
        parts.append(text(LEFT + room * at, height - 7, f"{days[at].day} {days[at]:%b}"))
    for one in found:
        local = one.since_utc.astimezone(zone)
        column = (night_of(one.since_utc, zone) - days[0]).days
        passed_h = ((local.hour - 12) % 24) + local.minute / 60
        x, y = LEFT + room * (column + 0.5), TOP + (base - TOP) * passed_h / 24
        words = f"{one.target_id}: {one.condition.value}, {local:%d %b %H:%M}"
        if SEVERITY[one.condition] is Severity.HIGH:
            parts.append(diamond(x, y, 5.5, "fault", hint=words))
        else:
            parts.append(ring(x, y, 4.0, MARK[SEVERITY[one.condition]], hint=words))
    return picture(WIDTH, height, title, parts)


def share_of(at_utc: datetime, since_utc: datetime, until_utc: datetime) -> float:
    """Where an instant lies in a span, 0 to 1."""
    whole_s = (until_utc - since_utc).total_seconds()
    return min(1.0, max(0.0, (at_utc - since_utc).total_seconds() / whole_s)) if whole_s > 0.0 else 0.0
