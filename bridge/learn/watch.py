"""Watch a controller while a person toggles a port or plugs a string, and mark what changed."""

import asyncio
import contextlib
import json
import signal
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rich.console import Console

from bridge.errors import TransientError
from bridge.learn.changes import Changes, flat, meanings
from bridge.learn.columns import Json
from bridge.learn.fetch import HttpAsker, Login, Topics, listen, scan
from bridge.learn.guess import Draft
from bridge.learn.view import change_line, console

LOOK_S = 0.5
_HINT = "Watching: toggle a port or plug a string, one thing at a time. Ctrl-C ends it and writes the draft."
_KEPT = 60
"""Looks that are kept as evidence: the guesses are made from them."""


@contextmanager
def _until_stopped(watch_s: float | None) -> Iterator[asyncio.Event]:
    """An event that is set by Ctrl-C, or when the time is over."""
    loop = asyncio.get_running_loop()
    stop = asyncio.Event()
    timer = loop.call_later(watch_s, stop.set) if watch_s is not None else None
    with contextlib.suppress(NotImplementedError, RuntimeError):
        loop.add_signal_handler(signal.SIGINT, stop.set)
    try:
        yield stop
    finally:
        with contextlib.suppress(NotImplementedError, RuntimeError):
            loop.remove_signal_handler(signal.SIGINT)
        if timer is not None:
            timer.cancel()


async def _pause(stop: asyncio.Event, seconds: float) -> None:
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(seconds):
            await stop.wait()


class _Marks:
    """Says what is news, as it comes."""

    def __init__(self) -> None:
        self.talk: Console = console()
        self.changes = Changes()
        self.talk.print(_HINT)

    def look(self, values: Mapping[str, Json], meaning: Mapping[str, str]) -> None:
        at = datetime.now(tz=UTC).astimezone().strftime("%H:%M:%S")
        for change in self.changes.look(values):
            self.talk.print(change_line(at, change, meaning.get(change.path, "")))


async def watch_http(
    asker: HttpAsker, first: Sequence[Json], drafts: Sequence[Draft | None], watch_s: float | None
) -> list[list[Json]]:
    """Ask again and again until stopped; the answers in which something was new."""
    marks = _Marks()
    kept: list[list[Json]] = []
    many = len(first) > 1
    meaning: dict[str, str] = {}
    for place, (answer, draft) in enumerate(zip(first, drafts, strict=True)):
        if draft is not None:
            named = meanings(answer, draft)
            meaning |= {f"{place + 1}: {path}" if many else path: words for path, words in named.items()}
    with _until_stopped(watch_s) as stop:
        while not stop.is_set():
            try:
                answers = await asker.ask()
            except TransientError as error:
                marks.talk.print(f"No answer: {error}")
            else:
                values: dict[str, Json] = {}
                for place, answer in enumerate(answers):
                    begin = f"{place + 1}: " if many else ""
                    values |= {begin + path: value for path, value in flat(answer)}
                marks.look(values, meaning)
                kept = [*kept[-_KEPT:], answers]
            await _pause(stop, LOOK_S)
    return kept


async def watch_topics(
    topics: Topics, login: Login, known: Mapping[str, bytes], watch_s: float | None
) -> dict[str, bytes]:
    """Listen until stopped; the newest message of each topic."""
    marks = _Marks()
    newest = dict(known)
    marks.look(_values(newest), {})
    messages = listen(topics, login)
    with _until_stopped(watch_s) as stop:
        stopped = asyncio.create_task(stop.wait())
        try:
            while not stop.is_set():
                coming = asyncio.ensure_future(anext(messages))
                await asyncio.wait({coming, stopped}, return_when=asyncio.FIRST_COMPLETED)
                if not coming.done():
                    coming.cancel()
                    await asyncio.gather(coming, return_exceptions=True)
                    break
                topic, payload = coming.result()
                newest[topic] = payload
                marks.look(_values(newest), {})
        finally:
            stopped.cancel()
            await messages.aclose()  # type: ignore[attr-defined] # it is an async generator
    return newest


def _values(messages: Mapping[str, bytes]) -> dict[str, Any]:
    values: dict[str, Any] = {}
    for topic, payload in messages.items():
        text = payload.decode("utf-8", "replace")
        try:
            said = json.loads(text)
        except (ValueError, RecursionError):
            said = text
        values |= {topic if path == "@" else f"{topic} {path}": value for path, value in flat(said)}
    return values


async def watch_files(root: Path, first: Mapping[str, str], watch_s: float | None) -> None:
    """Read the files again and again until stopped."""
    marks = _Marks()
    marks.look(_numbers(first), {})
    with _until_stopped(watch_s) as stop:
        while not stop.is_set():
            await _pause(stop, LOOK_S)
            marks.look(_numbers(await scan(root)), {})


def _numbers(files: Mapping[str, str]) -> dict[str, Json]:
    return {path: int(text) if text.lstrip("-").isdecimal() else text for path, text in files.items()}
