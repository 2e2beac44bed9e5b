"""The garbage collector is kept from looking at what a running site is made of."""

import asyncio
import gc

from bridge.memory import freeze_when_settled


def test_memory_is_frozen_once_the_site_is_ready():
    """Nothing is frozen before the site is ready; afterwards what stays is out of the collector's sight."""

    async def go():
        ready = asyncio.Event()
        task = asyncio.create_task(freeze_when_settled(ready, settled_s=0.0))
        await asyncio.sleep(0)
        assert gc.get_freeze_count() == before
        ready.set()
        await task
        assert gc.get_freeze_count() > before + 1000

    before = gc.get_freeze_count()
    try:
        asyncio.run(go())
    finally:
        gc.unfreeze()
