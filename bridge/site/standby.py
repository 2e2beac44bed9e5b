"""A site of two processes: from the configuration to what a pair needs, and the wait for our turn."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AsyncExitStack, asynccontextmanager
from pathlib import Path

import structlog

from bridge.config import ConfigurationError, Settings, load
from bridge.config.fingerprint import fingerprint
from bridge.errors import PermanentError, TransientError
from bridge.journal import Journal
from bridge.mqtt.link import LinkSettings
from bridge.pair import Pair, PairKeeper, PairSettings, filters_of
from bridge.site.configuration import Configuration
from bridge.site.files import WATCH_FILES_S, stamps
from bridge.site.links import GOODBYE_LIMIT_S, tls_of
from bridge.site.start import Kept
from bridge.threads import in_thread
from bridge.watchdog import Notifier, attend
from rules.door import Asked, Event, Origin, Verb
from rules.ports import Condition, Mode, Target, TargetKind
from rules.safety import JOURNAL_HOLDER, SafetyState

_log = structlog.get_logger()

LEAST_SECRET = 16
LOCKED_OUT = "partner-lockout"
"""Who holds a port that another active one of the pair had locked out."""
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
        filters=filters_of(base),
        pause_max_s=5.0,
        stop_limit_s=GOODBYE_LIMIT_S,
    )


async def stand_by(
    stack: AsyncExitStack,
    settings: Settings,
    folder: Path,
    journal: Journal,
    kept: Kept,
    *,
    notifier: Notifier,
    file: Path | None,
    stop: Callable[[], None],
    inherit: Callable[[SafetyState], Awaitable[None]],
    trouble: Callable[[Condition, str, bool], None],
    stopped: asyncio.Event,
) -> Kept | None:
    """Wait until this process of the pair is the active one; what to keep with and go on from then.

    stack: serves the pair as long as it lasts; kept: what the own journal says; file: the configuration's;
    stop: asks this process to end, for the other one is active; inherit: takes what another active one knew
    that ends; trouble: hears why the other one could not take over; stopped: it was asked to end. None if
    that happened while it waited.

    Raises PermanentError when the two can't be told apart.
    """
    pair = Pair(
        pair_settings(settings),
        instance_link(settings),
        folder,
        journal,
        on_yield=lambda _why: stop(),
        on_inherit=inherit,
        on_fault=lambda detail: trouble(Condition.STANDBY_FAULT, detail, bool(detail)),
    )
    await stack.enter_async_context(pair.running())
    if file is not None:
        await stack.enter_async_context(file_followed(pair, file))
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
    try:
        await in_thread(lambda: keeper.write(safety), left_behind=False)
    except TransientError as error:  # a full disk keeps nobody from taking over
        _log.error("journal.unwritable", detail=str(error))
    return Kept(keeper, safety, origin)


@asynccontextmanager
async def file_followed(pair: Pair, file: Path) -> AsyncIterator[None]:
    """While the context lasts the pair knows what the file says, also after it is edited."""

    async def follow() -> None:
        known = None
        while True:
            now = await in_thread(lambda: stamps([str(file)]))
            if now != known:
                known = now
                pair.file = await in_thread(lambda: fingerprint(file))
            await asyncio.sleep(WATCH_FILES_S)

    task = asyncio.create_task(follow(), name="pair file")
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


def newest(configuration: Configuration) -> Configuration:
    """As its file is now, which may have changed while we stood by; as it was, if that can't be used."""
    if configuration.file is None:
        return configuration
    try:
        return Configuration(load(configuration.file), configuration.file)
    except ConfigurationError as error:
        for problem in error.problems:
            _log.error("configuration.refused", problem=str(problem))
        return configuration


def inherited(safety: SafetyState, site: str, number: Callable[[], int]) -> list[Event]:
    """What another active one knew, as requests: it can only add to what keeps ports dead.

    A lockout becomes a hold in the name of `LOCKED_OUT`. What we know is held stays held, also where the
    other one was told of a release. site: the site's id; number: gives each request its own.
    """
    # Our own journal is whole: that the other one had lost its own need hold nothing here.
    asked = [(Verb.HOLD, hold.target, hold.holder) for hold in safety.holds if hold.holder != JOURNAL_HOLDER]
    if safety.weather_hold:
        asked.append((Verb.WEATHER_HOLD, Target(TargetKind.SITE, site), "true"))
    for port, hand in safety.modes.items():
        if hand.mode is Mode.OFF:
            asked.append((Verb.MODE, Target(TargetKind.PORT, port), hand.mode.value))
    for port, trip in safety.trips.items():
        if trip.lockout:
            asked.append((Verb.HOLD, Target(TargetKind.PORT, port), LOCKED_OUT))
    return [Asked(number(), *one) for one in asked]
