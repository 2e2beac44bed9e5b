"""A site of two processes: from the configuration to what a pair needs, and the wait for our turn."""

import asyncio
from collections.abc import Callable
from contextlib import AsyncExitStack
from pathlib import Path

from bridge.config import Settings
from bridge.errors import PermanentError
from bridge.journal import Journal
from bridge.mqtt.link import LinkSettings
from bridge.pair import Pair, PairKeeper, PairSettings
from bridge.site.links import tls_of
from bridge.site.start import Kept
from bridge.watchdog import Notifier, attend
from rules.door import Origin

LEAST_SECRET = 16
KEEPALIVE_S = 2
"""The broker misses a process that lost its power after one and a half of these [s]."""


def pair_settings(settings: Settings) -> PairSettings:
    """Who we are in the pair. Raises PermanentError when the secret can't be read or is too short."""
    standby = settings.standby
    assert standby is not None
    secret = standby.secret.read().get_secret_value()
    if len(secret) < LEAST_SECRET:
        raise PermanentError(
            f"the secret of the pair is shorter than {LEAST_SECRET} characters; "
            "make one with: openssl rand -hex 32",
            subject="standby",
        )
    return PairSettings(name=standby.name, listen=standby.listen, partner=standby.partner, secret=secret)


def instance_link(settings: Settings) -> LinkSettings:
    """The small connection that holds our instance topic. Raises PermanentError as for the site's own."""
    standby, broker = settings.standby, settings.broker
    assert standby is not None
    base = f"duskward/{settings.site.id}"
    return LinkSettings(
        host=broker.host,
        port=broker.port_or_default,
        client_id=f"{broker.client_id or 'duskward-' + settings.site.id}-{standby.name}",
        username=broker.username,
        password=broker.password.read().get_secret_value() if broker.password is not None else None,
        tls=tls_of(settings),
        keepalive_s=KEEPALIVE_S,
        state_topic=f"{base}/{standby.name}",
        filters=(f"{base}/+",),
        pause_max_s=5.0,
    )


async def stand_by(
    stack: AsyncExitStack,
    settings: Settings,
    folder: Path,
    journal: Journal,
    kept: Kept,
    *,
    notifier: Notifier,
    stop: Callable[[], None],
    stopped: asyncio.Event,
) -> Kept | None:
    """Wait until this process of the pair is the active one; what to keep with and go on from then.

    stack: serves the pair as long as it lasts; kept: what the own journal says; stop: asks this process to
    end, for the other one is active; stopped: it was asked to end. None if that happened while it waited.
    """
    pair = Pair(
        pair_settings(settings), instance_link(settings), folder, journal, on_yield=lambda _why: stop()
    )
    await stack.enter_async_context(pair.running())
    attending = asyncio.create_task(
        attend(notifier, lambda: 0.0, lambda: "Standing by."), name="watchdog standby"
    )
    waiting = asyncio.create_task(pair.until_active(), name="pair wait")
    stopping = asyncio.create_task(stopped.wait(), name="pair stop")
    try:
        await asyncio.wait({waiting, stopping}, return_when=asyncio.FIRST_COMPLETED)
        if not waiting.done():
            return None
        copied, stale = waiting.result()
    finally:
        for task in (attending, waiting, stopping):
            task.cancel()
        await asyncio.gather(attending, waiting, stopping, return_exceptions=True)
    safety, origin = (kept.safety, kept.origin) if copied is None else (copied, Origin.JOURNAL)
    if stale:
        origin = Origin.LOST
    keeper = PairKeeper(journal, pair, asyncio.get_running_loop())
    await asyncio.to_thread(keeper.write, safety)
    return Kept(keeper, safety, origin)
