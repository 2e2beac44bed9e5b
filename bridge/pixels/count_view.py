"""`duskward count`: asks the running process, shows how it goes, prints what came out."""

import asyncio
import json
import sys
from contextlib import aclosing
from pathlib import Path
from typing import Any

from bridge import control
from bridge.config import load
from bridge.site.folder import asked_folder

STAGES = {
    "dark": "nothing lit: what the dark string draws",
    "calibrate": "what one pixel adds",
    "search": "looking for the end",
    "prove": "proving the end",
    "beyond": "looking behind it",
    "inside": "looking for pixels that do not light",
}


def count(file: Path, port: str, *, as_json: bool) -> bool:
    """Count the pixels of `port`; whether there was an answer. Ending this program ends the count.

    Raises DuskwardError kinds as `control.ask`: without a running process there is nothing to ask.
    """
    folder = asked_folder(load(file))
    last = asyncio.run(_follow(folder, port, quiet=as_json))
    if as_json:
        print(json.dumps(last, indent=2, ensure_ascii=False))
        return bool(last["accepted"])
    print(last["text"], file=sys.stdout if last["accepted"] else sys.stderr)
    figures = last.get("count", {})
    if last["accepted"] and figures.get("configured") != figures.get("pixels"):
        print(f"To keep it, write in {file}, under {figures['under']}:\n\n        {figures['line']}\n")
    return bool(last["accepted"])


async def _follow(folder: Path, port: str, *, quiet: bool) -> dict[str, Any]:
    stage = ""
    live = sys.stderr.isatty() and not quiet
    async with aclosing(control.follow(folder, {"verb": "count", "target": port})) as answers:
        async for answer in answers:
            if "progress" not in answer:
                if not answer.get("goes_on"):
                    if live:
                        sys.stderr.write("\r\x1b[K")
                    return answer
                if not quiet:
                    print(f"{answer['text']} Ctrl-C ends it and takes the power away.", file=sys.stderr)
                continue
            at = answer["progress"]
            words = STAGES.get(at["stage"], at["stage"])
            if live:
                lit, current_a = at["lit"], at["current_a"]
                line = f"{words}: {lit} lit, {current_a:.3f} A, {at['readings']} readings"
                sys.stderr.write(f"\r\x1b[K{line[:118]}")
                sys.stderr.flush()
            elif at["stage"] != stage and not quiet:
                print(f"{words} …", file=sys.stderr)
            stage = at["stage"]
    return {"accepted": False, "text": "The count ended without a word."}
