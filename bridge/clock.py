"""The only place where clocks are read for the rules."""

import asyncio
import ctypes
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Protocol

import structlog

from rules.door import ClockStatus, Event
from rules.ports import Now

_log = structlog.get_logger()

WATCH_S = 10.0
"""The kernel is asked this often [s] whether its clock is synchronised."""

_TIME_ERROR = 5
"""adjtimex(2): the clock is not synchronised to a reliable server."""


class Clock(Protocol):
    """Tells the instant, and how long to wait for one."""

    def now(self) -> Now:
        """The instant: aware UTC and monotonic seconds."""


class SystemClock:
    """The clocks of the machine."""

    def now(self) -> Now:
        """The instant as the machine knows it."""
        return Now(datetime.now(UTC), time.monotonic())


class PacedClock:
    """A wall clock that runs `pace` times as fast, from `start_utc` on; delays keep real seconds.

    The demo's evening passes on it in a minute and a half, while fuses, filters and people's delays stay
    what they are.
    """

    def __init__(self, start_utc: datetime, pace: float) -> None:
        self._start_utc = start_utc
        self._start_s = time.monotonic()
        self._pace = pace

    def now(self) -> Now:
        """The instant on the fast wall clock, with real monotonic seconds."""
        monotonic_s = time.monotonic()
        return Now(
            self._start_utc + timedelta(seconds=(monotonic_s - self._start_s) * self._pace), monotonic_s
        )


def is_synchronised() -> bool | None:
    """Whether the kernel says that its clock is synchronised (adjtimex(2)); None where it can't be asked."""
    try:
        libc = ctypes.CDLL(None)  # the C library this process runs on; looking for it would start a process
        # struct timex with modes = 0 only reads; its size is below 512 bytes on every Linux.
        buffer = (ctypes.c_char * 512)()
        state = int(libc.adjtimex(buffer))
    except (OSError, AttributeError):
        return None
    return None if state < 0 else state != _TIME_ERROR


async def watch(feed: Callable[[list[Event]], None]) -> None:
    """For ever: tell the rules whether the clock can be trusted."""
    if is_synchronised() is None:
        _log.error("clock.unreadable", detail="adjtimex(2) is forbidden here, so the clock can't be trusted")
    while True:
        feed([ClockStatus(is_synchronised() is True)])
        await asyncio.sleep(WATCH_S)
