"""Keep the garbage collector's long pauses away from a running site.

A full collection looks at every object there is; with a thousand ports that holds up the loop for tens of
milliseconds, each time. What a site is made of stays for good, so it is taken out of the collector's sight.
"""

import asyncio
import gc

SETTLED_S = 30.0
"""By then controllers have answered, topics are said, and what stays is there."""


async def freeze_when_settled(ready: asyncio.Event, *, settled_s: float = SETTLED_S) -> None:
    """Freeze what is there once the site is ready, and again what came with its first answers."""
    await ready.wait()
    gc.collect()
    gc.freeze()
    await asyncio.sleep(settled_s)
    gc.collect()
    gc.freeze()
