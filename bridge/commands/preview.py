"""`duskward preview`: what will have power in the days ahead, when and why, as tables, JSON or a picture."""

import json
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn
from rich.table import Table
from rich.text import Text

from bridge.clock import SystemClock
from bridge.commands.checking import calendar_files
from bridge.commands.terminal import FAULT, POWERED, QUIET
from bridge.config import load, plan
from bridge.errors import AskedWronglyError
from bridge.report.words import many
from rules.outlook.preview import Change, Preview, Run, preview
from rules.outlook.preview_days import Day, PortSum, days, groups, port_sums, total
from rules.plan import SitePlan
from rules.ports import PortId
from rules.shows.schedule import local_day_time, local_time, zone
from rules.shows.zones import to_utc

MOST_DAYS = 400
FIRST_YEAR, LAST_YEAR = 1900, 2999
"""Other years are slips of the keyboard, and at the ends of the calendar nothing can be reckoned."""
MOMENT_FORMATS = ("%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%dT%H:%M")


def show(
    file: Path,
    *,
    day_count: int,
    first: str | None,
    at: str | None,
    as_json: bool,
    picture: Path | None,
    now_utc: datetime | None = None,
) -> None:
    """Print the preview of `file`, and draw it where a picture is asked for.

    first: the first day, YYYY-MM-DD, None for today at the site; at: a local moment to look at instead of
    days; now_utc: instead of the machine's clock. Raises ConfigurationError, AskedWronglyError, and
    PermanentError where the picture can't be drawn.
    """
    if picture is not None:
        if at is not None:
            raise AskedWronglyError("a picture shows days, not a moment; leave --at or --picture out.")
        if picture.suffix.lower() not in (".svg", ".png"):
            raise AskedWronglyError(f"--picture must end in .svg or .png, not {picture.name!r}.")
    site = plan(load(file))
    if at is not None:
        moment = _moment(site, at)
        played = _play(site, moment - timedelta(minutes=1), moment + timedelta(seconds=1))
        _print_moment(played, moment, as_json=as_json)
        return
    if not 1 <= day_count <= MOST_DAYS:
        raise AskedWronglyError(f"--days must be 1 to {MOST_DAYS}, not {day_count}.")
    today = (now_utc or SystemClock().now().utc).astimezone(zone(site.place)).date()
    begin = today if first is None else _date(first)
    played = _play(site, _midnight(site, begin), _midnight(site, begin + timedelta(days=day_count)))
    if picture is not None:
        from bridge.commands.preview_picture import draw  # noqa: PLC0415 - only a picture needs it

        draw(played, picture)
    if as_json:
        print(json.dumps(_as_data(played), indent=2, ensure_ascii=False))
        return
    _print(played)
    if picture is not None:
        print(f"Picture: {picture}")


def _in_reach(day: date) -> date:
    """The day, if a preview can reach it. Raises ValueError."""
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise ValueError("out of reach")
    return day


def _date(text: str) -> date:
    try:
        return _in_reach(date.fromisoformat(text))
    except ValueError:
        raise AskedWronglyError(f"--from must be a day such as 2025-12-24, not {text!r}.") from None


def _moment(site: SitePlan, text: str) -> datetime:
    """A local moment in UTC; one that happens twice is the first, one that is skipped lies after the jump."""
    for form in MOMENT_FORMATS:
        try:
            local = datetime.strptime(text, form)  # noqa: DTZ007 - local time of the site
            _in_reach(local.date())
        except ValueError:
            continue
        return to_utc(local, zone(site.place))
    raise AskedWronglyError(f'--at must be a local moment such as "2025-12-24 18:00", not {text!r}.')


def _midnight(site: SitePlan, day: date) -> datetime:
    return to_utc(datetime.combine(day, time()), zone(site.place))


def _play(site: SitePlan, start_utc: datetime, end_utc: datetime) -> Preview:
    """Play the site; a long one shows that it goes on."""
    console = Console(stderr=True, markup=False)
    with Progress(
        SpinnerColumn(),
        TextColumn("playing {task.description}", markup=False),
        TimeElapsedColumn(),
        console=console,
        transient=True,
        disable=not console.is_terminal,
    ) as progress:
        progress.add_task(f"{(end_utc - start_utc).days} days of {site.name}", total=None)
        return preview(site, calendar_files(site), start_utc, end_utc)


# ---------------------------------------------------------------- one moment


def state_words(change: Change, *, switchable: bool) -> str:
    """On, off, or why it is neither."""
    if not switchable:
        return "not ours"
    if not change.power and change.reason.startswith("On"):
        return "next"
    return "on" if change.power else "off"


def _print_moment(played: Preview, moment: datetime, *, as_json: bool) -> None:
    site = played.plan
    fates = played.fate_of()
    states = {port: fates[port].at(moment) for port in site.ports}
    if as_json:
        ports = {
            port: {"name": site.ports[port].name, "power": change.power, "reason": change.reason}
            for port, change in states.items()
        }
        data = {"site": site.id, "at": moment.astimezone(UTC).isoformat(), "ports": ports}
        print(json.dumps(data, indent=2, ensure_ascii=False))
        return
    console = Console(highlight=False, markup=False)
    on = sum(change.power for change in states.values())
    local = moment.astimezone(zone(site.place))
    console.print(Text(f"{site.name}, {local:%a %d %b %Y %H:%M %Z}: {on} of {len(states)} ports on", "bold"))
    table = Table(box=None, pad_edge=False)
    for column in ("port", "name", "power"):
        table.add_column(column, no_wrap=True, max_width=22)
    table.add_column("why")
    for port, change in states.items():
        words = state_words(change, switchable=site.ports[port].abilities.switch)
        colour = POWERED if change.power else QUIET
        table.add_row(port, site.ports[port].name, Text(words, style=colour), change.reason)
    console.print(table)
    _print_problems(console, played)


# ---------------------------------------------------------------- days


def _print(played: Preview) -> None:
    site = played.plan
    console = Console(highlight=False, markup=False)
    all_days = days(played)
    sums = port_sums(played)
    span = f"{all_days[0].date:%a %d %b %Y} to {all_days[-1].date:%a %d %b %Y}"
    console.print(Text(f"{site.name}: {span}, times in {site.place.timezone}", style="bold"))
    console.print()
    console.print(_days_table(played, all_days))
    console.print()
    console.print(_ports_table(site, sums))
    console.print()
    console.print(_total(played, sums))
    if played.coarse:
        console.print(
            Text("Neighbours alike on one supply are shown from when the first comes on.", style=QUIET)
        )
    _print_problems(console, played)


def _print_problems(console: Console, played: Preview) -> None:
    for problem in played.problems:
        console.print(Text(problem, style=FAULT))


def _days_table(played: Preview, all_days: list[Day]) -> Table:
    site = played.plan
    names = {one.id: (one.name, len(one.needs)) for one in site.shows}
    table = Table(box=None, pad_edge=False)
    table.add_column("day", no_wrap=True)
    table.add_column("shows, and power from lead to run-on")
    table.add_column("port-h", justify="right", no_wrap=True)
    table.add_column("kWh", justify="right", no_wrap=True)
    for day in all_days:
        lines = Text()
        for run in day.runs:
            name, ports = names[run.show]
            lasts_days = run.end_utc - run.start_utc > timedelta(days=1)
            said = local_day_time if lasts_days else local_time
            start, end, on, off = (said(site.place, instant) for instant in _edges(run))
            lines.append(f"{start}{' to ' if lasts_days else '-'}{end} {name}", style=POWERED)
            power = "" if lasts_days or (on, off) == (start, end) else f"power {on}-{off}, "
            lines.append(f"  {power}{many(ports, 'port')}\n", style=QUIET)
        for run in day.going_on:
            name, ports = names[run.show]
            lines.append(f"{name} goes on until {local_day_time(site.place, run.end_utc)}", style=POWERED)
            lines.append(f"  {many(ports, 'port')}\n", style=QUIET)
        for note in day.notes:
            lines.append(f"{note}\n", style=FAULT)
        if not lines:
            lines.append("no show", style=QUIET)
        lines.rstrip()
        table.add_row(
            f"{day.date:%a %d %b}", lines, f"{day.port_hours_h:.1f}", f"{day.energy.typical_wh / 1000:.2f}"
        )
    return table


def _edges(run: Run) -> tuple[datetime, datetime, datetime, datetime]:
    return run.start_utc, run.end_utc, run.on_utc, run.off_utc


def _ports_table(site: SitePlan, sums: dict[PortId, PortSum]) -> Table:
    table = Table(box=None, pad_edge=False)
    table.add_column("prop or port", no_wrap=True, max_width=24)
    table.add_column("ports")
    table.add_column("shows")
    table.add_column("hours", justify="right", no_wrap=True)
    table.add_column("kWh", justify="right", no_wrap=True)
    for name, ports in groups(site):
        shows = ", ".join(one.name for one in site.shows if not set(ports).isdisjoint(one.needs))
        if any(site.ports[port].resting for port in ports):
            shows = f"{shows}, rests powered".removeprefix(", ")
        hours = max(sums[port].hours_h for port in ports)
        energy = [sums[port].energy for port in ports]
        known = [one for one in energy if one is not None]
        words = (
            f"{sum(one.typical_wh for one in known) / 1000:.2f}" if len(known) == len(energy) else "unknown"
        )
        table.add_row(
            name, ports[0] if len(ports) == 1 else str(len(ports)), shows or "none", f"{hours:.1f}", words
        )
    return table


def _total(played: Preview, sums: dict[PortId, PortSum]) -> Text:
    hours, energy, unknown = total(sums)
    every_h = (played.end_utc - played.start_utc).total_seconds() / 3600 * len(sums)
    share = f" ({100 * hours / every_h:.0f} % of the time)" if every_h else ""
    words = (
        f"{hours:.0f} port-hours with power{share}; {energy.typical_wh / 1000:.1f} kWh expected at the wall, "
        f"{energy.most_wh / 1000:.1f} kWh if all were white"
    )
    if unknown:
        words += f"; {many(unknown, 'port')} of unknown load {'is' if unknown == 1 else 'are'} not in it"
    return Text(f"{words}.", style="bold")


# ---------------------------------------------------------------- as JSON


def _as_data(played: Preview) -> dict[str, Any]:
    site = played.plan
    sums = port_sums(played)
    fates = played.fate_of()
    hours, energy, unknown = total(sums)
    return {
        "site": site.id,
        "timezone": site.place.timezone,
        "from": played.start_utc.isoformat(),
        "to": played.end_utc.isoformat(),
        "coarse": played.coarse,
        "problems": list(played.problems),
        "total": {
            "port_hours": round(hours, 3),
            "energy_kwh": round(energy.typical_wh / 1000, 3),
            "energy_most_kwh": round(energy.most_wh / 1000, 3),
            "ports_of_unknown_load": unknown,
        },
        "days": [
            {
                "date": day.date.isoformat(),
                "runs": [
                    {"show": run.show, **{key: value.isoformat() for key, value in _named(run).items()}}
                    for run in day.runs
                ],
                "going_on": [run.show for run in day.going_on],
                "port_hours": round(day.port_hours_h, 3),
                "energy_kwh": round(day.energy.typical_wh / 1000, 3),
                "notes": list(day.notes),
            }
            for day in days(played)
        ],
        "over_budget": [
            {"supply": one.supply, "start": one.start_utc.isoformat(), "end": one.end_utc.isoformat()}
            for one in played.over_budget
        ],
        "ports": {
            port: {
                "name": site.ports[port].name,
                "hours": round(one.hours_h, 3),
                "energy_kwh": None if one.energy is None else round(one.energy.typical_wh / 1000, 3),
                "changes": [
                    {"at": change.at_utc.isoformat(), "power": change.power, "reason": change.reason}
                    for change in fates[port].changes
                ],
            }
            for port, one in sums.items()
        },
    }


def _named(run: Run) -> dict[str, datetime]:
    return {"on": run.on_utc, "start": run.start_utc, "end": run.end_utc, "off": run.off_utc}
