"""How a site ends: a count is broken off and seen dark, and ports go dark first if so configured."""

import asyncio
from contextlib import suppress

from bridge.pixels.counts import Counts
from bridge.runner import Runner
from bridge.site.mirror import Mirror
from rules.door import Stopping

STOP_LIMIT_S = 1.1
"""A clean stop waits at most this long [s] for ports to go dark."""


async def end_count(counts: Counts, mirror: Mirror) -> None:
    """Break off a count, and see its port without power."""
    port = await counts.close()
    if port is not None:
        with suppress(TimeoutError):
            async with asyncio.timeout(STOP_LIMIT_S):
                await mirror.until_dark(port)


async def darken(runner: Runner, *, power_off: bool) -> None:
    """Tell people that the site stops; with `power_off` its ports go dark first."""
    runner.step_now([Stopping(power_off=power_off)])
    if not power_off:
        return
    with suppress(TimeoutError):
        async with asyncio.timeout(STOP_LIMIT_S):
            # Not until they are told off: an ON just carried out may not have been read yet.
            while any(  # noqa: ASYNC110 - what it waits for is the engine's state, which sets no event
                port.plan.abilities.switch and (port.off_owed or port.pending or port.seen_power)
                for port in runner.engine.state.ports.values()
            ):
                await asyncio.sleep(0.01)
