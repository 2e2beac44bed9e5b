"""The history of a running site: what it knew at the start, what is written to it, how it fares."""

import asyncio
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from functools import partial
from pathlib import Path

import structlog

from bridge.history.store import Loaded, NewsKind, Store, StoreNews
from bridge.site.configuration import Configuration
from bridge.site.folder import HISTORY
from bridge.threads import in_thread
from rules.door import BaselineLoaded, CountersLoaded, EnergyLoaded, Event, LearnedLoaded, Record
from rules.ports import Condition

_log = structlog.get_logger()

OnTrouble = Callable[[Condition, str, bool], None]
"""Takes a condition of the whole site: which, its detail, whether it stands."""


class History:
    """The store of one site, on the event loop.

    folder: where its file is; utc_now: the instant for what it says of itself; on_trouble: hears when it
    can't be written, and when it can be again. `start` it before anything else.
    """

    def __init__(
        self,
        folder: Path,
        configuration: Configuration,
        utc_now: Callable[[], datetime],
        on_trouble: OnTrouble,
    ) -> None:
        self._configuration = configuration
        self._utc_now = utc_now
        self._on_trouble = on_trouble
        self._lost = False
        self._loaded: Loaded
        on_news = partial(_hand_over, asyncio.get_running_loop(), self._on_news)
        self.store = Store(folder / HISTORY, utc_now=utc_now, on_news=on_news)

    def _on_news(self, news: StoreNews) -> None:
        if news.kind is NewsKind.SET_ASIDE:
            self._lost = True
        log = _log.warning if news.active else _log.info
        log("store.news", kind=news.kind.value, text=news.text)
        self._on_trouble(Condition.STORE_FAULT, news.text, news.active)

    async def start(self) -> None:
        """Open the file, or a new one where it can't be used, and read what it knows."""
        self._loaded = await in_thread(self.store.start)

    async def close(self, limit_s: float) -> None:
        """Write what is left, for at most so long [s]."""
        await in_thread(lambda: self.store.close(limit_s))

    def known(self) -> list[Event]:
        """What it knew of this site, as events. A port that a whole history never saw is new."""
        loaded, plan = self._loaded, self._configuration.plan
        events: list[Event] = [
            BaselineLoaded(port, idle_a, spread_a) for port, (idle_a, spread_a) in loaded.baselines.items()
        ]
        events += [LearnedLoaded(port, name, packed) for (port, name), packed in loaded.learned.items()]
        whole = loaded.existed and loaded.available and not self._lost
        for port in {**dict.fromkeys(plan.ports), **dict.fromkeys(loaded.energy)}:
            counted = loaded.energy.get(port)
            if counted is not None:
                events.append(EnergyLoaded(port, *counted))
            elif whole:
                events.append(EnergyLoaded(port, 0.0))
        counters = {name: value for (target, name), value in loaded.counters.items() if target == plan.id}
        events.append(CountersLoaded(counters, whole))
        return events

    def started(self) -> None:
        """Write that this process began, and the newest word of the one before."""
        last_utc = self._loaded.last_utc
        self._write_life("started", {} if last_utc is None else {"last": last_utc.isoformat()})

    def stopped(self) -> None:
        """Write that this process ends."""
        self._write_life("stopped", {})

    def _write_life(self, kind: str, data: dict[str, str]) -> None:
        self.store.record(Record(kind, self._utc_now(), self._configuration.site, data))


def _hand_over(loop: asyncio.AbstractEventLoop, heard: Callable[[StoreNews], None], news: StoreNews) -> None:
    """From the store's thread to the loop's; a loop that has ended hears nothing more."""
    with suppress(RuntimeError):
        loop.call_soon_threadsafe(heard, news)
