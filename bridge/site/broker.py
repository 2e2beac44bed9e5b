"""The site at its broker: what is told goes out, what people ask comes in, what the broker remembers is read.

Before the first word the broker is asked what it holds of this site: that tells a first start from a lost
journal, gives back counters that nothing else knows, and finds a foreign tree under our ids.
"""

import asyncio
from collections.abc import Callable, Mapping
from contextlib import suppress
from importlib.metadata import version

import structlog

from bridge.mqtt import homie_lifecycle as lifecycle
from bridge.mqtt.announcer import Announcer
from bridge.mqtt.homie_values import HomieError
from bridge.mqtt.link import Link
from bridge.mqtt.outlet import Outlet
from bridge.mqtt.retained import Retained
from bridge.mqtt.wire import ConnectionEndedError
from bridge.site.configuration import Configuration
from bridge.site.history import OnTrouble
from bridge.site.links import link_settings
from rules.cost.metering import cost_counters
from rules.door import CountersLoaded, EnergyLoaded, Event
from rules.ports import Condition

_log = structlog.get_logger()

SURVEY_QUIET_S = 0.15
"""The broker has said all it holds when nothing came for this long [s]."""
SURVEY_LIMIT_S = 30.0
"""It is not listened to for longer [s]: some thousand ports' topics come within, also over a slow line."""
FOREIGN_AGAIN_S = 30.0
"""While somebody else's tree stands under our ids, it is looked again this often [s]."""


class BrokerSide:
    """Link, tree and discovery documents of one site.

    tasks: where a survey runs; ready: the engine is configured, so that what the broker remembers can be
    taken in; floor_s: the wall clock [s since 1970], the least version of a description; number: gives each
    request its own; step: takes events at once; feed: takes them soon; on_trouble: hears of a name in use.

    Raises PermanentError when the broker's password can't be read.
    """

    def __init__(
        self,
        configuration: Configuration,
        *,
        tasks: asyncio.TaskGroup,
        ready: asyncio.Event,
        floor_s: Callable[[], int],
        number: Callable[[], int],
        step: Callable[[list[Event]], None],
        feed: Callable[[list[Event]], None],
        on_trouble: OnTrouble,
    ) -> None:
        self._configuration = configuration
        self._ready = ready
        self._tasks = tasks
        self._number = number
        self._step = step
        self._feed = feed
        self._on_trouble = on_trouble
        self.surveyed = asyncio.Event()
        """The broker told what it holds of this site."""
        self.knows_site = False
        """The broker holds a retained state of this site: it ran before."""
        tree = configuration.tree()
        discovery = configuration.settings.broker.discovery
        self.link = Link(
            link_settings(configuration.settings, tree),
            on_message=self._on_message,
            on_connected=self._on_connected,
            on_refused=self._on_refused,
            on_evicted=self._on_evicted,
            arrange=lambda retained: lifecycle.arrange(self.outlet.tree, retained),
        )
        self.announcer = Announcer(
            self.link, prefix=discovery.prefix, version=version("duskward"), enabled=discovery.enabled
        )
        self.outlet = Outlet(tree, self.link, floor_s, self.announcer)

    def replan(self) -> None:
        """Tell the structure of the configuration's new plan."""
        self.outlet.replan(self._configuration.plan, self._configuration.tree())

    # ------------------------------------------------------------ what the broker holds

    def _on_connected(self) -> None:
        if self.outlet.opened:
            self._tasks.create_task(self._sweep(), name="sweep")
        else:
            self._tasks.create_task(self._survey(), name="survey")

    async def _survey(self) -> None:
        """Before the first word: what the broker has of this site, until the ids are ours."""
        with suppress(ConnectionEndedError):
            while not await self._open():
                await self.link.wait_ended(FOREIGN_AGAIN_S)

    async def _open(self) -> bool:
        """Ask what the broker has of this site; say all of ours unless ids of ours are somebody else's."""
        found = await survey(self.link, self.outlet)
        self.knows_site = self.outlet.tree.state_topic in found
        self.surveyed.set()
        await self._ready.wait()
        before = self.outlet.refused_foreign
        counters = self._counters(found)
        if counters and not before:
            self._step(counters)  # before anything is said: a counter never falls
        try:
            self.outlet.open(found)
        except HomieError as error:
            if str(error) != before:
                _log.error("outlet.foreign_tree", detail=str(error))
                self._on_trouble(Condition.DUPLICATE_SITE, str(error), True)
            return False
        if before:
            self._on_trouble(Condition.DUPLICATE_SITE, "", False)
        return True

    async def _sweep(self) -> None:
        """After a reconnect: a broker that was killed comes back with what it last wrote to disk."""
        with suppress(ConnectionEndedError):
            self.outlet.sweep(await _gather(self.link, self.outlet.sweep_filters, Retained()))

    def _counters(self, found: Mapping[str, bytes]) -> list[Event]:
        """Our counters as the broker holds them: the last resort where history and journal know nothing."""
        plan = self._configuration.plan
        events: list[Event] = []
        for port in plan.ports:
            topic = self.outlet.energy_topic(port)
            if topic is not None and topic in found:
                with suppress(ValueError):
                    events.append(EnergyLoaded(port, 1000.0 * float(found[topic])))
        for prop, counter in cost_counters(plan.tariff).items() if plan.tariff else ():
            payload = found.get(self.outlet.tree.topic(self._configuration.site, prop))
            with suppress(TypeError, ValueError):
                events.append(CountersLoaded({counter: float(payload or "")}))
        return events

    # ------------------------------------------------------------ what the link hears

    def _on_message(self, topic: str, payload: bytes, retained: bool) -> None:
        if self.announcer.heard(topic, payload, retained):
            return
        asked = self.outlet.command(topic, payload, retained, self._number())
        if asked is not None:
            self.outlet.taken(asked)
            self._feed([asked])

    def _on_refused(self, topic: str, reason: str) -> None:
        _log.error("outlet.refused", topic=topic, reason=reason)

    def _on_evicted(self, sentence: str | None) -> None:
        """Somebody else has our client id; None: it is ours again."""
        self._on_trouble(Condition.DUPLICATE_SITE, sentence or "", sentence is not None)


async def survey(link: Link, outlet: Outlet) -> Retained:
    """What the broker holds of a site, and of devices that left its plan. Raises `ConnectionEndedError`."""
    found = Retained()
    for filters in outlet.surveys:
        await _gather(link, filters, found)
    ghosts = outlet.ghost_filters(found)
    return await _gather(link, ghosts, found) if ghosts else found


async def _gather(link: Link, filters: list[str], into: Retained) -> Retained:
    return await link.gather(filters, quiet_s=SURVEY_QUIET_S, limit_s=SURVEY_LIMIT_S, into=into)
