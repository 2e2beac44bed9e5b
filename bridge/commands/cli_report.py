"""`duskward report` and `duskward backup` on the command line."""

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from datetime import date

    from bridge.report.command import Form

File = Annotated[
    Path, typer.Argument(help="The configuration file (YAML).", metavar="FILE", show_default=False)
]


def _day(name: str, words: str) -> object:
    return typer.Option(name, formats=["%Y-%m-%d"], metavar="DATE", help=words, show_default=False)


def report(
    file: File,
    *,
    faults: Annotated[bool, typer.Option("--faults", help="The faults and their pattern instead.")] = False,
    since: Annotated[
        datetime | None,
        _day("--from", "First local day; default: as far as the history goes, at most a year."),
    ] = None,
    until: Annotated[datetime | None, _day("--to", "Last local day, included; default: the newest.")] = None,
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
        datetime | None, _day("--evening", "Draw this evening; default: the last telling one.")
    ] = None,
) -> None:
    """Write what the season cost and saved as a page, JSON or CSV; also while the site runs."""
    from bridge.report.command import report as make

    if as_json and as_csv:
        raise typer.BadParameter("--json and --csv exclude each other; choose one.")
    form: Form = "json" if as_json else "csv" if as_csv else "html"
    make(
        file,
        history=history,
        since=_date(since),
        until=_date(until),
        out=out,
        form=form,
        faults=faults,
        ports=port or (),
        night=_date(night),
    )


def _date(given: datetime | None) -> "date | None":
    return None if given is None else given.date()


def backup(
    file: File,
    target: Annotated[
        Path, typer.Argument(help="The folder that takes the copies; made if need be.", show_default=False)
    ],
) -> None:
    """Copy the history and the safety journal, also while the site runs."""
    from bridge.commands.backup import backup as copy

    copy(file, target)
