"""The demo as a person sees it: a live table on a terminal, plain lines elsewhere, a summary at the end."""

import asyncio
import sys

from rich.console import Console
from rich.live import Live
from rich.text import Text

from bridge import logs
from bridge.commands.demo import EVENING_S, Demo
from bridge.commands.terminal import view

REFRESH_S = 0.2


def show(*, keep: bool, port: int | None, plain: bool, seed: int) -> bool:
    """Run the demo and show it; whether everything promised happened."""
    logs.configure(level="error")
    console = Console(markup=False)
    live = console.is_terminal and not plain
    demo = Demo(_quiet if live else _line, port=port, seed=seed)
    if not live:
        print(f"Quarry Lane, an invented site; an evening in about {EVENING_S:.0f} s.", flush=True)

    async def beside(running: Demo) -> None:
        if live:
            await _live(console, running)
        else:
            _line(_address(running))

    try:
        kept = asyncio.run(demo.run(keep=keep, during=beside))
    except BaseExceptionGroup as group:
        raise group.exceptions[0] from group
    _summary(demo)
    return kept


def _quiet(_line: str) -> None:
    """The table shows the news."""


def _line(line: str) -> None:
    print(line, flush=True)


def _address(demo: Demo) -> str:
    port = demo.address.rpartition(":")[2]
    return f"Point an MQTT client at {demo.address}: mosquitto_sub -p {port} -v -t 'homie/#'"


async def _live(console: Console, demo: Demo) -> None:
    assert demo.app is not None
    app = demo.app
    title = f"{app.plan.name} (invented), MQTT on {demo.address}"
    with Live(console=console, refresh_per_second=1 / REFRESH_S, screen=False) as live:
        while True:
            at = app.clock.now().utc.strftime("%H:%M")
            live.update(
                view(
                    app.plan,
                    app.told,
                    title=f"{title}  {at}",
                    lines=demo.lines,
                    height=console.height,
                )
            )
            await asyncio.sleep(REFRESH_S)


def _summary(demo: Demo) -> None:
    print("\nWhat the demo promised, and what happened:", file=sys.stdout)
    console = Console(highlight=False, markup=False)
    for promise, kept in demo.promises():
        console.print(
            Text(f"  {'happened' if kept else 'MISSING '}  {promise}", style="" if kept else "bold"),
            soft_wrap=True,
        )
    print("Now your own controllers: README, chapter 'Your own controllers in five minutes'.", flush=True)
