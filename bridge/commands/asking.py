"""Asking the running process from the command line, through its control socket."""

import asyncio
import json
import sys
from pathlib import Path
from typing import Any

from bridge import control
from bridge.config import load, plan
from bridge.site.folder import asked_folder
from rules.ports import Target, TargetKind


def ask(file: Path, verb: str, target: str, argument: str) -> bool:
    """Ask, print the answer, say whether it was accepted. Raises DuskwardError kinds as `control.ask`."""
    folder = asked_folder(load(file))
    answer = asyncio.run(control.ask(folder, {"verb": verb, "target": target, "argument": argument}))
    print(answer["text"], file=sys.stdout if answer["accepted"] else sys.stderr)
    return bool(answer["accepted"])


def status(file: Path, *, as_json: bool) -> None:
    """Print what the running process last published."""
    settings = load(file)
    answer = asyncio.run(control.ask(asked_folder(settings), {"verb": "status"}))
    told = answer["status"]
    if as_json:
        print(json.dumps(told, indent=2, ensure_ascii=False))
        return
    from rich.console import Console  # noqa: PLC0415 - JSON needs none

    from bridge.commands.terminal import view  # noqa: PLC0415

    site_plan = plan(settings)
    values: dict[Target, dict[str, Any]] = {Target(TargetKind.SITE, site_plan.id): told.get("values", {})}
    for kind in (TargetKind.CONTROLLER, TargetKind.PORT):
        values |= {Target(kind, name): part for name, part in told.get(f"{kind}s", {}).items()}
    alerts = [
        text
        for target in values.values()
        for name, text in sorted(target.items())
        if name.startswith("alert ")
    ]
    broker = "connected to the broker" if told.get("broker") else "no connection to the broker"
    Console(markup=False).print(view(site_plan, values, title=f"{site_plan.name}, {broker}", lines=alerts))
