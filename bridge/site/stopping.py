"""How a site ends: counts and proofs are broken off and seen dark; ports go dark first if so configured."""

import asyncio
from collections.abc import Iterable
from contextlib import suppress

from bridge.runner import Runner
from bridge.site.jobs import Jobs
from rules.door import Stopping
from rules.state import PortState

STOP_LIMIT_S = 1.1
"""A clean stop waits at most this long [s] for ports to go dark."""


async def end_jobs(jobs: Jobs, runner: Runner) -> None:
    """Break off a count or a proof, and see its ports without power."""
    given_back = await jobs.close()
    runner.step_now([])  # the rules take them, which is the OFF
    ports = runner.engine.state.ports
    await _until_dark([ports[port] for port in given_back if port in ports])


async def darken(runner: Runner, *, power_off: bool) -> None:
    """Tell people that the site stops; with `power_off` its ports go dark first."""
    runner.step_now([Stopping(power_off=power_off)])
    if power_off:
        await _until_dark(runner.engine.state.ports.values())


async def _until_dark(ports: Iterable[PortState]) -> None:
    with suppress(TimeoutError):
        async with asyncio.timeout(STOP_LIMIT_S):
            # Not until they are told off: an ON just carried out may not have been read yet.
            while any(  # noqa: ASYNC110 - what it waits for is the engine's state, which sets no event
                port.plan.abilities.switch and (port.off_owed or port.pending or port.seen_power)
                for port in ports
            ):
                await asyncio.sleep(0.01)
