"""How a site begins: what it goes on from, and whether this is its first start or its journal is lost."""

import asyncio
from dataclasses import dataclass

import structlog

from bridge.errors import TransientError
from bridge.journal import Journal
from bridge.runner import Keeper
from bridge.site.broker import BrokerSide
from bridge.threads import in_thread
from rules.door import Origin
from rules.safety import SafetyState

_log = structlog.get_logger()

KNOWN_SITE_LIMIT_S = 3.0
"""A start that looks like the first waits at most this long [s] for a broker to take it."""
SLOW_BROKER_LIMIT_S = 12.0
"""What a broker holds that took it by then is waited for, at most this long [s]."""


@dataclass(frozen=True, slots=True)
class Kept:
    """The safety state to go on from, where it is from, and what keeps it from now on."""

    keeper: Keeper
    safety: SafetyState
    origin: Origin


async def true_origin(kept: Kept, journal: Journal, broker: BrokerSide, stopped: asyncio.Event) -> Origin:
    """Where the safety state is from: what looks like a first start is none where the broker knows the site.

    A first start leaves a journal, else the history beside none would mean a lost one next time.
    """
    if kept.origin is not Origin.FIRST_START:
        return kept.origin
    waits = [asyncio.ensure_future(event.wait()) for event in (broker.surveyed, stopped)]
    done, _ = await asyncio.wait(waits, timeout=KNOWN_SITE_LIMIT_S, return_when=asyncio.FIRST_COMPLETED)
    if not done and broker.link.connected:
        await asyncio.wait(waits, timeout=SLOW_BROKER_LIMIT_S, return_when=asyncio.FIRST_COMPLETED)
    for wait in waits:
        wait.cancel()
    if broker.knows_site:
        return Origin.LOST
    try:
        await in_thread(lambda: journal.write(kept.safety), left_behind=False)
    except TransientError as error:
        _log.error("journal.unwritable", detail=str(error))
    return kept.origin
