"""A preview as shapes on a sheet: rectangles, lines and texts in pixels, origin at the top left.

Both kinds of picture are made from the same shapes. Every show has a colour and a hatch of its own, so that
a sheet printed in grey can be read as well.
"""

from collections.abc import Callable, Iterator, Sequence
from datetime import date, datetime, time, timedelta
from itertools import pairwise
from typing import NamedTuple

from rules.outlook.preview import Preview, Run
from rules.outlook.preview_days import Day, PortSum, days, groups, port_sums, total
from rules.ports import PortId
from rules.shows.schedule import zone

WIDTH = 1200.0
MARGIN = 24.0
LABEL = 170.0
NOTES = 210.0
INK, SOFT, GRID, WARN, REST = "#222222", "#6b6b6b", "#d8d8d8", "#a34700", "#b9b9b9"
COLOURS = ("#0072b2", "#e69f00", "#009e73", "#cc79a7", "#56b4e9", "#d55e00")
"""A colour-blind-safe set, after Okabe and Ito."""
HATCHES = 4
MOST_ROWS = 80
MOST_LEGEND = 18
MOST_LANES = 4


class Rect(NamedTuple):
    """A filled rectangle; hatch 0 is plain, 1 to 3 are lines over the fill; opacity 0..1."""

    x: float
    y: float
    width: float
    height: float
    fill: str
    hatch: int = 0
    opacity: float = 1.0


class Line(NamedTuple):
    """A straight line of one pixel."""

    x1: float
    y1: float
    x2: float
    y2: float
    colour: str = GRID


class Words(NamedTuple):
    """One line of text; x, y: its anchor on the baseline. anchor: start, middle or end."""

    x: float
    y: float
    text: str
    size: float = 12.0
    anchor: str = "start"
    colour: str = INK
    bold: bool = False


Shape = Rect | Line | Words


class Sheet(NamedTuple):
    """The shapes and the size [px] they need."""

    width: float
    height: float
    shapes: list[Shape]


class Style(NamedTuple):
    """How a show is drawn."""

    colour: str
    hatch: int


def sheet(played: Preview) -> Sheet:
    """The whole picture: heading, legend, the evenings, what has power."""
    all_days, sums = days(played), port_sums(played)
    styles = {
        show.id: Style(COLOURS[place % len(COLOURS)], place % HATCHES)
        for place, show in enumerate(played.plan.shows)
    }
    shapes = list(_heading(played, all_days, sums))
    y = 78.0
    shapes_legend, y = _legend(played, styles, y)
    evenings, y = _evenings(played, all_days, styles, y + 18)
    power, y = _power(played, sums, styles, y + 40)
    return Sheet(WIDTH, y + MARGIN, [*shapes, *shapes_legend, *evenings, *power])


def _heading(played: Preview, all_days: Sequence[Day], sums: dict[PortId, PortSum]) -> Iterator[Shape]:
    hours, energy, _ = total(sums)
    yield Words(MARGIN, 38, f"{played.plan.name}: what will have power", 22, bold=True)
    words = (
        f"{all_days[0].date:%a %d %b %Y} to {all_days[-1].date:%a %d %b %Y}, times in "
        f"{played.plan.place.timezone}. {hours:.0f} port-hours, {energy.typical_wh / 1000:.1f} kWh expected."
    )
    yield Words(MARGIN, 60, words, 13, colour=SOFT)


def _legend(played: Preview, styles: dict[str, Style], y: float) -> tuple[list[Shape], float]:
    shapes: list[Shape] = []
    x = MARGIN
    names = [(show.name, styles[show.id]) for show in played.plan.shows[:MOST_LEGEND]]
    if any(port.resting for port in played.plan.ports.values()):
        names.append(("rests powered", Style(REST, 0)))
    for name, style in names:
        width = 28 + 7 * len(name)
        if x + width > WIDTH - MARGIN:
            x, y = MARGIN, y + 20
        shapes += [Rect(x, y, 16, 12, *style), Words(x + 22, y + 11, name)]
        x += width + 16
    if len(played.plan.shows) > MOST_LEGEND:
        shapes.append(Words(x, y + 11, f"and {len(played.plan.shows) - MOST_LEGEND} more", colour=SOFT))
    return shapes, y + 16


# ---------------------------------------------------------------- evenings


def _evenings(
    played: Preview, all_days: Sequence[Day], styles: dict[str, Style], y: float
) -> tuple[list[Shape], float]:
    """A row per evening, noon to noon, cut to the hours that are used."""
    site = zone(played.plan.place)
    names = {show.id: show.name for show in played.plan.shows}

    def noon(instant: datetime) -> datetime:
        evening = (instant.astimezone(site).replace(tzinfo=None) - timedelta(hours=12)).date()
        return datetime.combine(evening, time(12))

    def hours(instant: datetime, since: datetime) -> float:
        """Wall-clock hours, so that an hour is as wide as any where clocks change."""
        return (instant.astimezone(site).replace(tzinfo=None) - since).total_seconds() / 3600

    rows: dict[date, list[Run]] = {day.date: [] for day in all_days}
    ends: list[tuple[float, float]] = []
    for run in played.runs:
        evening = noon(run.start_utc)
        while evening == noon(run.start_utc) or hours(run.end_utc, evening) > 0:
            if evening.date() in rows or evening == noon(run.start_utc) >= noon(played.start_utc):
                rows.setdefault(evening.date(), []).append(run)
                ends.append((hours(run.on_utc, evening), hours(run.off_utc, evening)))
            evening += timedelta(days=1)
    notes = {day.date: _short(day.notes) for day in all_days}
    first = max(0.0, min((start for start, _ in ends), default=5.0) // 1)
    last = min(24.0, max((end for _, end in ends), default=11.0) // 1 + 1)
    last = max(last, first + 4)
    left, right = MARGIN + 84, WIDTH - MARGIN - NOTES
    scale = (right - left) / (last - first)
    height = 30.0 if len(rows) <= 14 else 16.0 if len(rows) <= 70 else 7.0
    shapes: list[Shape] = [Words(MARGIN, y + 4, "Shows", 15, bold=True)]
    y += 26
    for hour in range(int(first), int(last) + 1, 1 if last - first <= 14 else 2):
        x = left + (hour - first) * scale
        shapes.append(Line(x, y, x, y + height * len(rows)))
        shapes.append(Words(x, y - 5, f"{(hour + 12) % 24:02d}:00", 11, "middle", SOFT))
    for place, (day, runs) in enumerate(sorted(rows.items())):
        top = y + place * height
        if height > 10 or day.day == 1:
            shapes.append(Words(MARGIN, top + height / 2 + 4, f"{day:%a %d %b}", 11, colour=SOFT))
        if height > 10:
            shapes.append(
                Words(right + 10, top + height / 2 + 4, _fit(notes.get(day, ""), NOTES), 11, colour=WARN)
            )
        for run, lane, lanes in _lanes(runs):
            since = datetime.combine(day, time(12))
            bar = (height - 2) / lanes
            on, start, end, off = (
                left + (min(max(hours(instant, since), first), last) - first) * scale for instant in run[1:]
            )
            style = styles[run.show]
            shapes.append(
                Rect(on, top + 1 + lane * bar, max(off - on, 0.6), bar - 0.5, style.colour, 0, 0.35)
            )
            shapes.append(Rect(start, top + 1 + lane * bar, max(end - start, 0.6), bar - 0.5, *style))
            name = names[run.show]
            if bar >= 13 and end - start > 8 * len(name) + 12:
                middle = top + lane * bar + bar / 2
                shapes.append(Rect(start + 4, middle - 5, 7 * len(name) + 4, 11, "#ffffff", 0, 0.85))
                shapes.append(Words(start + 6, middle + 5, name, 11))
    bottom = y + height * len(rows)
    shapes.append(Line(left, bottom, right, bottom))
    return shapes, bottom


def _lanes(runs: Sequence[Run]) -> Iterator[tuple[Run, int, int]]:
    """Runs that overlap get lanes of their own, as far as there are any: run, lane, number of lanes."""
    free: list[datetime] = []
    placed = []
    for run in sorted(runs, key=lambda run: run.on_utc):
        lane = next((place for place, until in enumerate(free) if until <= run.on_utc), len(free))
        free[lane : lane + 1] = [run.off_utc]
        placed.append((run, lane))
    lanes = min(max(len(free), 1), MOST_LANES)
    for run, lane in placed:
        yield run, min(lane, lanes - 1), lanes


def _short(notes: Sequence[str]) -> str:
    """The notes of a day in a few words."""
    found: dict[str, None] = {}
    for note in notes:
        if note.startswith("Clocks"):
            found[note.rstrip(".").lower()] = None
        elif note.startswith("Over budget"):
            found["over budget"] = None
        elif " share " in note:
            found["shows share ports"] = None
        else:
            found["a show falls out" if note.endswith("no show.") else "by fallback"] = None
    return ", ".join(found)


# ---------------------------------------------------------------- power


def _power(
    played: Preview, sums: dict[PortId, PortSum], styles: dict[str, Style], y: float
) -> tuple[list[Shape], float]:
    """A row per prop, and per port of no prop, over all days."""
    rows = groups(played.plan)
    left, right = MARGIN + LABEL, WIDTH - MARGIN - 110
    whole_s = (played.end_utc - played.start_utc).total_seconds()
    scale = (right - left) / whole_s

    def at(instant: datetime) -> float:
        return left + min(max((instant - played.start_utc).total_seconds(), 0.0), whole_s) * scale

    shown = rows[:MOST_ROWS]
    height = 20.0 if len(shown) <= 30 else 14.0
    bottom = y + 26 + height * len(shown)
    shapes: list[Shape] = [Words(MARGIN, y + 4, "Power", 15, bold=True)]
    for x, words in ((WIDTH - MARGIN - 50, "hours"), (WIDTH - MARGIN, "kWh")):
        shapes.append(Words(x, y + 21, words, 11, "end", SOFT))
    shapes += _midnights(played, at, y + 21, bottom)
    y += 26
    fates = played.fate_of()
    for place, (name, ports) in enumerate(shown):
        top = y + place * height
        shapes.append(Words(MARGIN, top + height / 2 + 4, _fit(name, LABEL - 10), 12))
        powered = _union([fates[port].powered(played.end_utc) for port in dict.fromkeys(ports)])
        shows = [show.id for show in played.plan.shows if not set(ports).isdisjoint(show.needs)]
        runs = [run for run in played.runs if run.show in shows]
        for start, end, active in _pieces(powered, runs, scale):
            lanes: list[Style] = [styles[show] for show in active] or [Style(REST, 0)]
            bar = (height - 4) / len(lanes)
            for lane, style in enumerate(lanes):
                x, width = at(start), max(at(end) - at(start), 1.2)
                hatch = style.hatch if width > 4 else 0
                shapes.append(Rect(x, top + 2 + lane * bar, width, bar, style.colour, hatch))
        for x, words in zip((WIDTH - MARGIN - 50, WIDTH - MARGIN), _sums(ports, sums), strict=True):
            shapes.append(Words(x, top + height / 2 + 4, words, 11, "end", SOFT))
    if len(rows) > len(shown):
        bottom += 16
        shapes.append(Words(MARGIN, bottom - 2, f"and {len(rows) - len(shown)} more", colour=SOFT))
    return shapes, bottom


def _midnights(
    played: Preview, at: Callable[[datetime], float], top: float, bottom: float
) -> Iterator[Shape]:
    site = zone(played.plan.place)
    day = played.start_utc.astimezone(site).date()
    every = max(1, round((played.end_utc - played.start_utc).days / 12))
    count = 0
    while (midnight := datetime.combine(day, time(), site)) < played.end_utc:
        if count % every == 0:
            yield Line(at(midnight), top, at(midnight), bottom)
            if played.end_utc - midnight > timedelta(hours=12) * every:
                yield Words(at(midnight) + 3, top, f"{day:%d %b}", 11, colour=SOFT)
        day += timedelta(days=1)
        count += 1


def _union(stretches: Sequence[Sequence[tuple[datetime, datetime]]]) -> list[tuple[datetime, datetime]]:
    merged: list[tuple[datetime, datetime]] = []
    for start, end in sorted(one for of_port in stretches for one in of_port):
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(end, merged[-1][1]))
        else:
            merged.append((start, end))
    return merged


def _pieces(
    powered: Sequence[tuple[datetime, datetime]], runs: Sequence[Run], scale: float
) -> Iterator[tuple[datetime, datetime, list[str]]]:
    """Stretches with power, cut where the shows behind them change (if that can be seen), and those shows."""
    waiting = sorted(runs, key=lambda run: run.on_utc)
    for start, end in powered:
        waiting = [run for run in waiting if run.off_utc > start]
        own = []
        for run in waiting:
            if run.on_utc >= end:
                break
            own.append(run)
        if (end - start).total_seconds() * scale < 2 * len(own):
            yield start, end, [run.show for run in own[:1]]
            continue
        edges = {start, end} | {
            edge for run in own for edge in (run.on_utc, run.off_utc) if start < edge < end
        }
        for first, last in pairwise(sorted(edges)):
            shows = [run.show for run in own if run.on_utc <= first and last <= run.off_utc]
            yield first, last, list(dict.fromkeys(shows))[:MOST_LANES]


def _sums(ports: Sequence[PortId], sums: dict[PortId, PortSum]) -> tuple[str, str]:
    """Hours with power, and expected energy."""
    hours = max(sums[port].hours_h for port in ports)
    energy = [sums[port].energy for port in ports]
    known = sum(one.typical_wh for one in energy if one is not None) / 1000
    return f"{hours:.1f}", "?" if None in energy else f"{known:.2f}"


def _fit(text: str, width: float) -> str:
    most = int(width / 6.5)
    return text if len(text) <= most else f"{text[: most - 1]}…"
