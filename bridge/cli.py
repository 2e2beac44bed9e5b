"""The command line. Exit codes: 0 well, 1 something is wrong, 2 called wrongly.

Everything heavy is imported inside the command that needs it: `duskward --help` must be there at once.
"""

import sys
from pathlib import Path
from typing import Annotated

import typer

from bridge.commands.cli_learn import learn
from bridge.commands.cli_report import backup, report

app = typer.Typer(
    name="duskward",
    help="Power for pixel-light ports only while a show needs it; faults told at once, on MQTT.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

File = Annotated[
    Path, typer.Argument(help="The configuration file (YAML).", metavar="FILE", show_default=False)
]
Port = Annotated[str, typer.Argument(help="The port (gable/1).", metavar="PORT")]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON.")]
Level = Annotated[str, typer.Option("--log-level", help="debug, info, warning or error.")]
JsonLogs = Annotated[
    bool | None,
    typer.Option("--json-logs/--plain-logs", help="Log lines as JSON or for people.", show_default=False),
]


def main() -> None:
    """Run the command line; what a person can mend ends in one sentence, not in a traceback."""
    from bridge.errors import AskedWronglyError, ConfigurationError, DuskwardError

    try:
        app()
    except ConfigurationError as error:
        for problem in error.problems:
            print(problem, file=sys.stderr)
        count = len(error.problems)
        print(f"{count} thing{'s' if count > 1 else ''} to mend; nothing was done.", file=sys.stderr)
        sys.exit(1)
    except DuskwardError as error:
        print(f"duskward: {error}", file=sys.stderr)
        sys.exit(2 if isinstance(error, AskedWronglyError) else 1)
    except KeyboardInterrupt:
        sys.exit(130)


def _stop_on_signals(stop: "object") -> None:
    """Call `stop` on SIGINT and SIGTERM."""
    import asyncio
    import signal

    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop)  # type: ignore[arg-type]  # any callable without arguments


@app.command()
def run(file: File, log_level: Level = "info", json_logs: JsonLogs = None) -> None:
    """Run a site until it is stopped (SIGTERM or Ctrl-C).

    Its ports get power by the rules, and faults are told on MQTT.
    """
    import asyncio
    import signal

    from bridge import logs
    from bridge.app import App
    from bridge.config import load
    from bridge.memory import freeze_when_settled

    _check_level(log_level)
    site = App(load(file), file=file)
    logs.configure(level=log_level, json=json_logs)

    async def serve() -> None:
        freezing = asyncio.create_task(freeze_when_settled(site.ready), name="memory")
        _stop_on_signals(site.stop)
        asyncio.get_running_loop().add_signal_handler(signal.SIGHUP, site.reload)
        try:
            await site.run()
        finally:
            freezing.cancel()

    _run(serve())


def _check_level(level: str) -> None:
    from bridge.logs import LEVELS

    if level not in LEVELS:
        raise typer.BadParameter(f"{level!r} is no level; say debug, info, warning or error.")


def _run(work: "object") -> None:
    """Run a coroutine; the first error of a group is the one a person reads."""
    import asyncio

    try:
        asyncio.run(work)  # type: ignore[arg-type]  # a coroutine
    except BaseExceptionGroup as group:
        raise group.exceptions[0] from group


@app.command()
def demo(
    *,
    keep: Annotated[bool, typer.Option("--keep", help="Stay up after the evening.")] = False,
    port: Annotated[
        int | None,
        typer.Option(
            "--port", help="TCP port of the demo's broker.", min=1, max=65535, show_default="any free one"
        ),
    ] = None,
    plain: Annotated[bool, typer.Option("--plain", help="Lines instead of the live table.")] = False,
    seed: Annotated[int, typer.Option("--seed", help="Seed of the simulated site.")] = 1,
) -> None:
    """Watch an evening of a simulated site in about 90 seconds.

    Shows, a short, water in a connector, half a string dark, a reset.
    """
    from bridge.commands.demo_view import show

    if not show(keep=keep, port=port, plain=plain, seed=seed):
        raise typer.Exit(1)


@app.command()
def schema() -> None:
    """Print the JSON Schema of the configuration file, for editors."""
    import json

    from bridge.config import schema as make

    print(json.dumps(make(), indent=2, ensure_ascii=False))


@app.command()
def check(
    file: File,
    *,
    live: Annotated[
        bool, typer.Option("--live", help="Read every controller once instead, and say what looks wrong.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Check the configuration, its loads and a year of shows.

    Exit code 1 if something is over a limit. With --live: read every controller once; nothing is switched.
    Exit code 1 if something looks wrong.
    """
    from bridge.commands.checking import check as run_check
    from bridge.commands.checking_live import check_live

    if not (check_live if live else run_check)(file, as_json=as_json):
        raise typer.Exit(1)


@app.command()
def preview(
    file: File,
    *,
    days: Annotated[int, typer.Option("--days", help="How many days.")] = 7,
    first: Annotated[
        str | None, typer.Option("--from", help="The first day (2025-12-24).", show_default="today")
    ] = None,
    at: Annotated[
        str | None,
        typer.Option("--at", help='One moment instead: "2025-12-24 18:00", local.', show_default=False),
    ] = None,
    picture: Annotated[
        Path | None, typer.Option("--picture", help="Draw it too: FILE.svg or FILE.png.", show_default=False)
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Show what will have power in the days ahead, when, and why."""
    from bridge.commands.preview import show

    show(file, day_count=days, first=first, at=at, as_json=as_json, picture=picture)


app.command()(learn)
app.command()(report)
app.command()(backup)


@app.command()
def status(file: File, *, as_json: AsJson = False) -> None:
    """Show what the running process last published."""
    from bridge.commands.asking import status as ask_status

    ask_status(file, as_json=as_json)


@app.command()
def hold(
    file: File,
    target: Annotated[
        str, typer.Argument(help="Port (gable/1), prop, controller, or 'site'.", metavar="TARGET")
    ],
    holder: Annotated[str, typer.Argument(help="Who holds: a name.", metavar="HOLDER")],
) -> None:
    """Keep a port, prop, controller or the site dead.

    A software hold is not isolation: lock and tag the disconnect before hands touch a conductor.
    """
    _ask(file, "hold", target, holder)


@app.command()
def release(
    file: File,
    target: Annotated[str, typer.Argument(help="What was held.", metavar="TARGET")],
    holder: Annotated[str, typer.Argument(help="The holder's name, as it was given.", metavar="HOLDER")],
) -> None:
    """Lift a hold by naming its holder. Power may come back after a delay."""
    _ask(file, "release", target, holder)


@app.command()
def reset(file: File, port: Port) -> None:
    """Reset a tripped or locked-out port, once the cause is mended."""
    _ask(file, "reset", port, "")


@app.command()
def relearn(file: File, port: Port) -> None:
    """Let a port learn anew, after its string or show was changed.

    Its idle current, what its string takes by show data, and what its shows usually draw.
    """
    _ask(file, "relearn", port, "")


@app.command()
def confirm(file: File) -> None:
    """Let a site whose safety journal was lost run again.

    Look first that nobody works on it: ports may get power at once.
    """
    _ask(file, "confirm", "site", "")


@app.command()
def acknowledge(
    file: File,
    target: Annotated[str, typer.Argument(help="Port, controller or 'site'.", metavar="TARGET")],
    condition: Annotated[
        str, typer.Argument(help="The condition's code, such as fuse-trip.", metavar="CONDITION")
    ],
) -> None:
    """Say that a fault was seen."""
    _ask(file, "acknowledge", target, condition)


@app.command()
def count(
    file: File,
    port: Port,
    *,
    as_json: AsJson = False,
) -> None:
    """Count the pixels on a port by lighting them and measuring.

    The port gets power meanwhile: keep hands off the string. Goes through the running process, only while
    no show, hold or fault is about.
    """
    from bridge.pixels.count_view import count as run_count

    if not run_count(file, port, as_json=as_json):
        raise typer.Exit(1)


def _ask(file: Path, verb: str, target: str, argument: str) -> None:
    # An empty variable of a script must not become the whole site.
    if not target:
        raise typer.BadParameter("nothing is named; name a port (gable/1), prop, controller, or site.")
    from bridge.commands.asking import ask

    if not ask(file, verb, "" if target == "site" else target, argument):
        raise typer.Exit(1)


if __name__ == "__main__":
    main()
