"""`duskward check`: the file, its loads and a year of its calendar, in plain words with their arithmetic."""

import json
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from bridge.clock import SystemClock
from bridge.commands.terminal import FAULT, POWERED, QUIET
from bridge.config import Settings, load, plan
from bridge.config.secret import SecretUnavailableError, sources
from bridge.report.words import many
from rules.electrics.findings import Finding, Level, Rule, finding
from rules.electrics.load import check_plan
from rules.errors import CalendarError, RulesError
from rules.outlook.season import FILE_RULE, ShowOutlook, check_season, lead_words, outlook, spans_by_show
from rules.plan import SitePlan
from rules.ports import PortId
from rules.shows.calendar import IcsCalendar, read_ics
from rules.shows.calendar_types import Ics
from rules.shows.schedule import local_day_time

AHEAD = timedelta(days=366)
"""How far ahead the calendar is looked at."""
HEADINGS = {Level.OVER: "Over a limit", Level.NEAR: "Look at this", Level.NOTE: "To know"}
_SECRET_RULE = Rule("secrets are read when the site starts; it can't without them", "common practice")
CAUTIONS = (
    "This is arithmetic on what the file says; nothing was measured.",
    "Powered outdoor circuits can injure or kill.",
    "Local electrical codes come first; a licensed electrician decides on fuses and wiring.",
)
COLOURS = {Level.OVER: FAULT, Level.NEAR: POWERED, Level.NOTE: QUIET}


def check(file: Path, *, as_json: bool, now_utc: datetime | None = None) -> bool:
    """Check `file` from `now_utc` (default: the machine's clock) a year ahead and print what was found.

    Returns whether nothing is over a limit. Raises ConfigurationError with every mistake in the file.
    """
    settings = load(file)
    site = plan(settings)
    start_utc = now_utc or SystemClock().now().utc
    end_utc = start_utc + AHEAD
    calendars, found = read_calendars(site)
    shows = outlook(site, calendars, start_utc, end_utc)
    found += read_secrets(settings)
    found += check_plan(site, spans_by_show(shows))
    found += check_season(site, shows, calendars, start_utc, end_utc)
    by_level = {level: [one for one in found if one.severity is level] for level in Level}
    if as_json:
        print(json.dumps(_as_data(site, shows, by_level, start_utc, end_utc), indent=2, ensure_ascii=False))
    else:
        _print(site, shows, by_level, start_utc, end_utc)
    return not by_level[Level.OVER]


def read_calendars(site: SitePlan) -> tuple[dict[str, IcsCalendar], list[Finding]]:
    """The calendar files that the shows of `site` name, and a finding for each that can't be used."""
    calendars: dict[str, IcsCalendar] = {}
    found: list[Finding] = []
    for name, content in calendar_files(site).items():
        try:
            if isinstance(content, str):
                raise CalendarError(content)
            calendars[name] = read_ics(content, site.place)
        except RulesError as error:
            text = f"{Path(name).name}: {error}"
            found.append(
                finding(Level.OVER, name, FILE_RULE, text=text, arithmetic="", remedy="correct the file")
            )
    return calendars, found


def read_secrets(settings: Settings) -> list[Finding]:
    """A finding for each secret that can't be read here; another user, or systemd, may be let."""
    found: list[Finding] = []
    for source in dict.fromkeys(sources(settings)):
        try:
            source.read()
        except SecretUnavailableError as error:
            text, _, remedy = str(error).partition("; ")
            remedy = f"{remedy}, for the user that runs duskward"
            found.append(
                finding(Level.NEAR, error.subject, _SECRET_RULE, text=text, arithmetic="", remedy=remedy)
            )
    return found


def calendar_files(site: SitePlan) -> Mapping[str, bytes | str]:
    """The bytes of every calendar file a show names, or why it can't be read, by name."""
    names = sorted({when.name for show in site.shows for when in show.when if isinstance(when, Ics)})
    files: dict[str, bytes | str] = {}
    for name in names:
        try:
            files[name] = Path(name).read_bytes()
        except OSError as error:
            files[name] = f"the file can't be read: {error.strerror}"
    return files


# ---------------------------------------------------------------- as JSON


def _as_data(
    site: SitePlan,
    shows: Mapping[str, ShowOutlook],
    by_level: Mapping[Level, list[Finding]],
    start_utc: datetime,
    end_utc: datetime,
) -> dict[str, Any]:
    return {
        "site": site.id,
        "from": start_utc.isoformat(),
        "to": end_utc.isoformat(),
        "summary": {level.value: len(found) for level, found in by_level.items()},
        "findings": [
            {
                "severity": one.severity.value,
                "subject": one.subject,
                "text": one.text,
                "arithmetic": one.arithmetic,
                "rule": one.rule,
                "source": one.source,
                "remedy": one.remedy,
            }
            for found in by_level.values()
            for one in found
        ],
        "shows": [
            {
                "id": show_id,
                "name": one.show.name,
                "runs": len(one.spans),
                "first": one.spans[0].start_utc.isoformat() if one.spans else None,
                "last": one.spans[-1].start_utc.isoformat() if one.spans else None,
                "staging_s": one.staging_s,
                "warm_up_s": one.show.warm_up_s,
                "lead_s": one.lead_s,
                "run_on_s": one.show.run_on_s,
            }
            for show_id, one in shows.items()
        ],
        "cautions": list(CAUTIONS),
    }


# ---------------------------------------------------------------- for people


def _print(
    site: SitePlan,
    shows: Mapping[str, ShowOutlook],
    by_level: Mapping[Level, list[Finding]],
    start_utc: datetime,
    end_utc: datetime,
) -> None:
    console = Console(highlight=False, markup=False, soft_wrap=False)
    console.print(
        Text(f"{site.name}: ", style="bold")
        + Text(
            f"{many(len(site.ports), 'port')}, {many(len(site.supplies), 'supply', 'supplies')}, "
            f"{many(len(site.shows), 'show')}; {start_utc:%Y-%m-%d} to {end_utc:%Y-%m-%d}"
        )
    )
    named: set[str] = set()
    for level, found in by_level.items():
        if found:
            console.print()
            console.print(Text(f"{HEADINGS[level]} ({len(found)})", style=f"bold {COLOURS[level]}"))
            for alike in _alike(site, found):
                _print_finding(console, alike, named)
    if shows:
        console.print()
        console.print(_shows_table(site, shows, start_utc))
    console.print()
    for caution in CAUTIONS:
        console.print(Text(caution, style=QUIET))
    console.print()
    console.print(_summary(by_level))


def _alike(site: SitePlan, found: Iterable[Finding]) -> list[list[Finding]]:
    """Findings that differ only in their port, together: a hundred ports alike are told once."""
    groups: dict[tuple[str, ...], list[Finding]] = {}
    for one in found:
        port = site.ports.get(PortId(one.subject))
        said = one.text if port is None else one.text.replace(port.name, "", 1)
        groups.setdefault((said, one.rule, one.source, one.arithmetic, one.remedy), []).append(one)
    return list(groups.values())


def _print_finding(console: Console, alike: list[Finding], named: set[str]) -> None:
    """One finding, or several alike; its rule where it is met first (`named`: the rules already told)."""
    first = alike[0]
    text = first.text
    if len(alike) > 1:
        others = [one.subject for one in alike[1:]]
        more = f" and {len(others) - 6} more" if len(others) > 6 else ""
        text += f" The same: {', '.join(others[:6])}{more}."
    lines = [Text(text)]
    if first.arithmetic:
        lines.append(Text(first.arithmetic))
    if first.remedy:
        lines.append(Text(f"Remedy: {first.remedy}."))
    if first.rule not in named:
        named.add(first.rule)
        lines.append(Text(f"Rule: {first.rule} ({first.source}).", style=QUIET))
    subject = Path(first.subject).name if first.subject.startswith("/") else first.subject
    console.print(Text(f"  {subject}", style="bold"))
    for line in lines:
        console.print(Padding(line, (0, 0, 0, 4), expand=False))


def _shows_table(site: SitePlan, shows: Mapping[str, ShowOutlook], now_utc: datetime) -> Table:
    table = Table(box=None, pad_edge=False, expand=False)
    table.add_column("show", max_width=22)
    table.add_column("runs", justify="right")
    table.add_column("next", no_wrap=True)
    table.add_column("ports come on before it begins")
    for one in shows.values():
        table.add_row(one.show.name, str(len(one.spans)), _next_words(site, one, now_utc), lead_words(one))
    return table


def _next_words(site: SitePlan, one: ShowOutlook, now_utc: datetime) -> str:
    if not one.spans:
        return "never"
    first = one.spans[0]  # of those that end after now
    if now_utc in first:
        return f"now, until {local_day_time(site.place, first.end_utc)}"
    return local_day_time(site.place, first.start_utc)


def _summary(by_level: Mapping[Level, list[Finding]]) -> Text:
    over, near, note = (len(by_level[level]) for level in (Level.OVER, Level.NEAR, Level.NOTE))
    if over:
        words = (
            f"{over} over a limit, {near} to look at, {note} to know. Mend what is over before power is on."
        )
        return Text(words, style=f"bold {FAULT}")
    return Text(f"Nothing is over a limit; {near} to look at, {note} to know.", style=f"bold {POWERED}")
