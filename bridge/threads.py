"""Work that may take long, in a thread of its own: the event loop's few threads are for looking names up.

The loop looks up a name in one of its own threads, for seconds where nobody answers for it; a few boxes that
are off take all of them, and what must be on disk can't wait behind that.
"""

import asyncio
import threading
from collections.abc import Callable
from typing import TypeVar, cast

T = TypeVar("T")


def tell(loop: asyncio.AbstractEventLoop, what: Callable[[], None]) -> None:
    """Run `what` on the loop, unless that has ended meanwhile."""
    try:
        loop.call_soon_threadsafe(what)
    except RuntimeError:  # the loop is closed: nobody waits any more
        return


def in_thread(work: Callable[[], T], *, left_behind: bool = True) -> asyncio.Future[T]:
    """Run `work` in a thread of its own; its result, or the exception it raised.

    left_behind: the process may end before it; else its end waits for it.
    """
    loop = asyncio.get_running_loop()
    done: asyncio.Future[T] = loop.create_future()

    def finish(result: T | None, error: Exception | None) -> None:
        if done.done():
            return
        if error is not None:
            done.set_exception(error)
        else:
            done.set_result(cast("T", result))

    def run() -> None:
        result, error = None, None
        try:
            result = work()
        except Exception as met:  # noqa: BLE001 - handed over to whoever waits on the loop
            error = met
        tell(loop, lambda: finish(result, error))

    threading.Thread(target=run, name="duskward work", daemon=left_behind).start()
    return done
