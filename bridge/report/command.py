"""What the command line calls: read the history, write the report."""

import json
import sys
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

from bridge.config import load, plan
from bridge.errors import AskedWronglyError, PermanentError
from bridge.history.store_read import StoreReader
from bridge.report.episodes import after_on_s
from bridge.report.fault_page import fault_page
from bridge.report.gather import Season, gather
from bridge.report.page import days_of, season_page
from bridge.report.tables import csv_text, fault_data, season_data
from bridge.site.folder import HISTORY, asked_folder
from rules.plan import SitePlan
from rules.ports import PortId

Form = Literal["html", "json", "csv"]
SEASON = timedelta(days=365)
"""Without a first day the report begins where the history does, at most this long before its last day."""


class ReportError(PermanentError):
    """The report can't be made as asked."""


def report(
    file: Path,
    *,
    history: Path | None,
    since: date | None,
    until: date | None,
    out: Path | None,
    form: Form,
    faults: bool,
    ports: Sequence[str] = (),
    night: date | None = None,
) -> None:
    """Write the season's report, or that of its faults, of the site in `file`.

    history: a copy of the history instead of the running site's; out: where to write (default: the page into
    the current folder, JSON and CSV to standard output). Raises ConfigurationError, AskedWronglyError,
    StoreError, ReportError.
    """
    if since is not None and until is not None and since > until:
        raise _backwards(since, until)
    settings = load(file)
    site = plan(settings)
    source = history if history is not None else asked_folder(settings) / HISTORY
    unknown = [name for name in ports if name not in site.ports]
    if unknown:
        raise AskedWronglyError(
            f"there is no port {', '.join(unknown)}; a port is named like {next(iter(site.ports))}"
        )
    with StoreReader(source) as reader:
        first, last = _days(reader, site, since, until)
        season = gather(reader, site, first, last, curves_of=[PortId(name) for name in ports], night=night)
        text = _faults(reader, season, form) if faults else _season(season, form)
    target = out
    if target is None and form == "html":
        target = Path(f"{site.id}-{'faults' if faults else 'report'}.html")
    if target is None:
        sys.stdout.write(text)
        return
    try:
        target.write_text(text, encoding="utf-8")
    except OSError as error:
        raise ReportError(f"{target} can't be written: {error.strerror}", subject=str(target)) from error
    sys.stdout.write(f"{target}: {season.plan.name}, {first} to {last}\n")


def _days(reader: StoreReader, site: SitePlan, since: date | None, until: date | None) -> tuple[date, date]:
    """First and last local day: as asked, else what the history knows of the last year."""
    zone = ZoneInfo(site.place.timezone)
    known = reader.bounds()
    if known is None:
        if since is None or until is None:
            raise ReportError("the history knows nothing yet; let the site run for an evening")
        return since, until
    last = until or known[1].astimezone(zone).date()
    first = since or max(known[0].astimezone(zone).date(), last - SEASON)
    if first > last:
        raise _backwards(first, last)
    return first, last


def _backwards(first: date, last: date) -> AskedWronglyError:
    return AskedWronglyError(
        f"the report would end ({last}) before it begins ({first}); give days that follow each other"
    )


def _season(season: Season, form: Form) -> str:
    if form == "html":
        return season_page(season, made_utc=datetime.now(UTC))
    told = season_data(season)
    return csv_text(told) if form == "csv" else json.dumps(told, indent=1, ensure_ascii=False) + "\n"


def _faults(reader: StoreReader, season: Season, form: Form) -> str:
    switchings = reader.switchings(season.since_utc, season.until_utc)
    samples = {one.event: reader.around(one.event) for one in season.faults}
    if form == "html":
        return fault_page(
            season.plan,
            season.faults,
            days=days_of(season),
            until_utc=season.known[1],
            switchings=switchings,
            samples=samples,
        )
    after = [after_on_s(one, switchings.get(PortId(one.target_id), ())) for one in season.faults]
    told = fault_data(season.faults, after, samples)
    return csv_text(told) if form == "csv" else json.dumps(told, indent=1, ensure_ascii=False) + "\n"
