"""`duskward learn --try`: asks the person first, then shows step by step whether the port follows."""

import asyncio
import json
import sys
from collections.abc import AsyncGenerator
from contextlib import aclosing
from pathlib import Path
from typing import Any

import typer

from bridge import control
from bridge.config import Settings, load, plan
from bridge.errors import PermanentError
from bridge.site.folder import asked_folder
from rules.ports import PortId

QUESTION = (
    "{name} ({port}) will be switched off, on and off again; its string is alive meanwhile. "
    "Are all hands off it, and do you see it?"
)


def try_port(file: Path, port: str, *, yes: bool, as_json: bool) -> bool:
    """Prove `port`; whether it followed. Raises DuskwardError kinds, each one sentence."""
    settings = load(file)
    site = plan(settings)
    if port not in site.ports:
        known = ", ".join(list(site.ports)[:8])
        raise PermanentError(f"there is no port {port} in {file}; there are: {known}")
    if not site.ports[PortId(port)].abilities.switch:
        raise PermanentError(f"the mapping of {port} in {file} has no switch; write how it is switched first")
    question = QUESTION.format(name=site.ports[PortId(port)].name, port=port)
    if not yes and not _agreed(question):
        print("Nothing was switched.", file=sys.stderr)
        return False
    lines = asyncio.run(_collect(settings, PortId(port), quiet=as_json))
    last = lines[-1] if lines else {"accepted": False, "text": "It ended without a word."}
    if as_json:
        steps = [line for line in lines if "step" in line]
        told = {"port": port, "proven": last["accepted"], "text": last["text"], "steps": steps}
        print(json.dumps(told, indent=2, ensure_ascii=False))
    else:
        print(last["text"], file=sys.stdout if last["accepted"] else sys.stderr)
    return bool(last["accepted"])


def _agreed(question: str) -> bool:
    if not sys.stdin.isatty():
        raise PermanentError(
            "power would be switched, and nobody is here to agree; add --yes to say so yourself"
        )
    return typer.confirm(question, default=False, err=True)


async def _collect(settings: Settings, port: PortId, *, quiet: bool) -> list[dict[str, Any]]:
    """All lines; through the running process where there is one, else by the driver."""
    from bridge.learn.trying_alone import try_alone  # noqa: PLC0415 - only where nothing runs

    lines: list[dict[str, Any]] = []
    folder = asked_folder(settings)
    try:
        await _take(control.follow(folder, {"verb": "try", "target": port}), lines, quiet=quiet)
    except control.NotRunningError:
        if not quiet:
            print("No duskward runs with this state folder; the driver alone switches.", file=sys.stderr)
        await _take(try_alone(settings, port), lines, quiet=quiet)
    return lines


async def _take(
    answers: AsyncGenerator[dict[str, Any], None], lines: list[dict[str, Any]], *, quiet: bool
) -> None:
    async with aclosing(answers):
        async for line in answers:
            lines.append(line)
            if "step" in line and not quiet:
                print(line["step"], file=sys.stderr)
