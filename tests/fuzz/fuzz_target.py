"""What a fuzz target is: a function of bytes, where its inputs begin, and the words of its language."""

import asyncio
import warnings
from collections.abc import Callable, Coroutine, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from structlog.testing import capture_logs

ROOT = Path(__file__).parents[2]
FOUND = Path(__file__).parent / "found"
"""Inputs that once broke a target, kept: ``found/TARGET/NAME``."""
SEPARATOR = b"\0\xff"
"""Stands between the parts of an input that has several; in no text and in no JSON document."""
FINITE = 1e12


@dataclass(frozen=True, slots=True)
class Target:
    """One parser of outside input.

    check: takes any bytes, returns where the promise holds, raises where not; seeds: gives inputs to begin
    with; words: what the input's language is made of; libraries: packages whose branches are followed too;
    longest_bytes: longer inputs are not made.
    """

    name: str
    promise: str
    check: Callable[[bytes], None]
    seeds: Callable[[], list[bytes]]
    words: tuple[str | bytes, ...] = ()
    libraries: tuple[str, ...] = ()
    longest_bytes: int = 2000


def parts(data: bytes) -> list[bytes]:
    """The parts of an input."""
    return data.split(SEPARATOR)


def joined(*some: bytes) -> bytes:
    """An input of several parts."""
    return SEPARATOR.join(some)


def explained(error: Exception) -> None:
    """A refusal has words."""
    assert str(error).strip(), f"{type(error).__name__} without a word"


@contextmanager
def nothing_unexpected() -> Iterator[None]:
    """Nothing is logged as unexpected meanwhile."""
    with capture_logs() as logs:
        yield
    strange = [line for line in logs if line["event"].endswith("unexpected")]
    assert not strange, strange


def run(coroutine: Coroutine[Any, Any, None]) -> None:
    """Run to the end; what a task or callback raises with nobody to hear it is raised here."""
    broken: list[dict[str, Any]] = []

    async def watched() -> None:
        asyncio.get_running_loop().set_exception_handler(lambda _, context: broken.append(context))
        await coroutine

    with warnings.catch_warnings():
        warnings.simplefilter("error")
        asyncio.run(watched())
    assert not broken, broken


def found_inputs(target: str) -> list[Path]:
    """The kept inputs of a target."""
    folder = FOUND / target
    return sorted(folder.iterdir()) if folder.is_dir() else []
