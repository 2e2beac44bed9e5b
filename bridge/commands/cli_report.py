"""`duskward report` and `duskward backup` on the command line."""

import contextlib
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from bridge.report.command import Form

File = Annotated[
    Path, typer.Argument(help="The configuration file (YAML).", metavar="FILE", show_default=False)
]


def _date(text: str) -> date:
    day = None
    with contextlib.suppress(ValueError):
        day = date.fromisoformat(text)
    # Earlier there is no history, and at the end of the calendar nothing can be reckoned.
    if day is None or not 1970 <= day.year <= 2999:
        raise typer.BadParameter(f"{text!r} is no day; write it as 2025-12-24.")
    return day


def _day(name: str, words: str) -> object:
    return typer.Option(name, parser=_date, metavar="DATE", help=words, show_default=False)


def report(
    file: File,
    *,
    faults: Annotated[bool, typer.Option("--faults", help="The faults and their pattern instead.")] = False,
    since: Annotated[
        date | None,
        _day("--from", "First local day; default: as far as the history goes, at most a year."),
    ] = None,
    until: Annotated[date | None, _day("--to", "Last local day, included; default: the newest.")] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="PATH", help="Where to write; default: SITE-report.html.", show_default=False
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of a page.")] = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="CSV instead of a page.")] = False,
    history: Annotated[
        Path | None,
        typer.Option("--history", metavar="PATH", help="Read this copy of the history.", show_default=False),
    ] = None,
    port: Annotated[
        list[str] | None,
        typer.Option("--port", help="Draw the evening of this port (again for more).", show_default=False),
    ] = None,
    night: Annotated[
        date | None, _day("--evening", "Draw this evening; default: the last telling one.")
    ] = None,
) -> None:
    """Write what the season cost and saved: a page, JSON or CSV.

    Also while the site runs; it changes nothing.
    """
    from bridge.report.command import report as make

    if as_json and as_csv:
        raise typer.BadParameter("--json and --csv exclude each other; choose one.")
    form: Form = "json" if as_json else "csv" if as_csv else "html"
    make(
        file,
        history=history,
        since=since,
        until=until,
        out=out,
        form=form,
        faults=faults,
        ports=port or (),
        night=night,
    )


def backup(
    file: File,
    folder: Annotated[
        Path,
        typer.Argument(
            help="The folder that takes the copies; made if need be.", metavar="FOLDER", show_default=False
        ),
    ],
) -> None:
    """Copy history and safety journal, also while the site runs."""
    from bridge.commands.backup import backup as copy

    copy(file, folder)
