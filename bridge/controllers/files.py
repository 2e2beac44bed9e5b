"""Files that may block: read and written in threads of their own, never on the event loop.

A kernel file can block for seconds or for ever, and a blocked thread can't be ended. So each round of reads
runs in one daemon thread; when a file holds it up longer than the limit, that thread is left behind with
this one file, the rest goes on in a new one, and the file is not touched again until its thread came back.
There are never more lost threads than blocking files.
"""

import asyncio
import os
import threading
from collections.abc import Iterable
from dataclasses import dataclass, field

from bridge.threads import in_thread, tell

_LONGEST_BYTES = 4096  # the kernel gives one page at most
_SIDE_BY_SIDE = 8

Content = bytes | OSError
"""What a file said, or why it said nothing."""


class BlockedError(TimeoutError):
    """The file did not answer within its limit; it is left alone until it does."""


@dataclass(slots=True)
class _Round:
    """One thread's work. Written by that thread, watched by the loop."""

    paths: list[str]
    done: asyncio.Event
    loop: asyncio.AbstractEventLoop
    results: dict[str, Content] = field(default_factory=dict)
    current: str = ""
    abandoned: bool = False


class FileReader:
    """Reads many small files per poll; one that blocks costs its limit once and delays no other poll."""

    def __init__(self, limit_s: float) -> None:
        self.limit_s = limit_s
        self._blocked: set[str] = set()
        self._lock = threading.Lock()

    async def read(self, paths: Iterable[str]) -> dict[str, Content]:
        """The content of each file, or its error; each file is read exactly once, in order."""
        wanted = list(dict.fromkeys(paths))
        results: dict[str, Content] = {path: _blocked(path) for path in wanted if path in self._blocked}
        left = [path for path in wanted if path not in results]
        results.update(await self._round(left))
        left = [path for path in left if path not in results]
        while left:
            # A file blocked, so others may (a bus that hangs takes all its chips along): side by side now.
            async with asyncio.TaskGroup() as group:
                parts = [left[start::_SIDE_BY_SIDE] for start in range(min(_SIDE_BY_SIDE, len(left)))]
                tasks = [group.create_task(self._round(part)) for part in parts]
            for task in tasks:
                results.update(task.result())
            left = [path for path in left if path not in results]
        return results

    async def _round(self, paths: list[str]) -> dict[str, Content]:
        """Read `paths` in one thread, up to the first that blocks (its error is among the results)."""
        if not paths:
            return {}
        work = _Round(paths, asyncio.Event(), asyncio.get_running_loop())
        threading.Thread(target=self._run, args=(work,), name="duskward files", daemon=True).start()
        try:
            stuck = await self._follow(work)
        except asyncio.CancelledError:
            self._abandon(work)
            raise
        if stuck:
            self._abandon(work)
            work.results.setdefault(stuck, _blocked(stuck))
        return dict(work.results)

    async def _follow(self, work: _Round) -> str:
        """Wait until the round is done (""), or one file holds it up: that file."""
        while True:
            before = work.current
            try:
                async with asyncio.timeout(self.limit_s):
                    await work.done.wait()
            except TimeoutError:
                if work.current == before and before and not work.done.is_set():
                    return before
            else:
                return ""

    def _abandon(self, work: _Round) -> None:
        """Leave the thread behind with the file it reads, if it still reads one."""
        with self._lock:
            work.abandoned = True
            if work.current and work.current not in work.results:
                self._blocked.add(work.current)

    def _run(self, work: _Round) -> None:
        """In the thread: read one file after the other."""
        for path in work.paths:
            with self._lock:
                if work.abandoned:
                    return
                work.current = path
            try:
                content: Content = read_small(path)
            except OSError as error:
                content = error
            with self._lock:
                if work.abandoned:
                    self._blocked.discard(path)
                    return
                work.results[path] = content
        tell(work.loop, work.done.set)


def read_small(path: str) -> bytes:
    """The first page of a file. Raises OSError."""
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        return os.read(descriptor, _LONGEST_BYTES)
    finally:
        os.close(descriptor)


def _blocked(path: str) -> BlockedError:
    return BlockedError(f"{path} blocks")


class FileWriter:
    """Writes commands; at most one lost thread per file and content."""

    def __init__(self, limit_s: float) -> None:
        self.limit_s = limit_s
        self._busy: set[tuple[str, str]] = set()

    async def write(self, path: str, text: str) -> None:
        """Write `text`. Raises OSError; BlockedError when it takes longer than the limit (it may still act).

        Raises BlockedError at once, without another attempt, while an earlier write of the same blocks.
        """
        key = (path, text)
        if key in self._busy:
            raise _blocked(path)
        self._busy.add(key)

        def run() -> None:
            try:
                write_small(path, text)
            finally:
                self._busy.discard(key)

        done = in_thread(run)
        try:
            async with asyncio.timeout(self.limit_s):
                await done
        except TimeoutError:
            raise _blocked(path) from None


def write_small(path: str, text: str) -> None:
    """Write `text` in one go, as kernel files want it. Raises OSError."""
    # Truncating means nothing to a kernel file; in an ordinary one nothing old may stay behind.
    descriptor = os.open(path, os.O_WRONLY | os.O_TRUNC | os.O_CLOEXEC)
    try:
        os.write(descriptor, text.encode())
    finally:
        os.close(descriptor)
