"""Wiring: one TaskGroup of named tasks around the engine.

Start-up order: the journal is read, the engine is configured and restored, controllers are read and the
broker is connected, all without waiting for each other. Only a start that looks like the first one asks
the broker, for a moment, whether this site was there before: then it was no first start.
"""

import asyncio
from collections.abc import AsyncGenerator, Callable, Mapping
from contextlib import AsyncExitStack, suppress
from datetime import datetime
from functools import partial
from importlib.metadata import version
from pathlib import Path
from typing import Any

import structlog

from bridge import control
from bridge.app_links import link_settings
from bridge.app_state import HISTORY, state_folder
from bridge.clock import Clock, SystemClock, is_synchronised
from bridge.config import ConfigurationError, Settings, load
from bridge.config import plan as plan_of
from bridge.controllers import create
from bridge.controllers.base import Controller
from bridge.errors import PermanentError, TransientError
from bridge.history.store import Loaded, NewsKind, Store, StoreNews
from bridge.journal import Journal
from bridge.learn.tries import Tries
from bridge.learn.tries import refusal as try_refusal
from bridge.mqtt import homie_lifecycle as lifecycle
from bridge.mqtt.announcer import Announcer
from bridge.mqtt.homie import Tree
from bridge.mqtt.homie_values import HomieError
from bridge.mqtt.link import Link
from bridge.mqtt.outlet import Outlet
from bridge.mqtt.wire import ConnectionEndedError
from bridge.pixels.counts import Counts
from bridge.pixels.hearing import Hearing
from bridge.runner import Keeper, Runner
from bridge.watchdog import Notifier, attend
from rules.cost.metering import cost_counters
from rules.door import (
    Adopted,
    Alert,
    Answer,
    Asked,
    BaselineLoaded,
    CalendarLoaded,
    ClockStatus,
    Configured,
    CountersLoaded,
    CountPixels,
    EnergyLoaded,
    Event,
    JobEnded,
    LearnedLoaded,
    Origin,
    Presence,
    Publish,
    Record,
    Remark,
    Restored,
    Stopping,
    Trouble,
    Value,
    Verb,
)
from rules.plan import SitePlan
from rules.ports import Condition, Now, PortId, Reading, Target, TargetKind, controller_of, number_of
from rules.safety import SafetyState
from rules.shows.calendar_types import Ics

_log = structlog.get_logger()

WATCH_FILES_S = 2.0
"""Configuration and calendar files are looked at this often [s]."""
WATCH_CLOCK_S = 10.0
"""The kernel is asked this often [s] whether its clock is synchronised."""
KNOWN_SITE_LIMIT_S = 3.0
"""A start that looks like the first waits at most this long [s] for the broker's word."""
SURVEY_QUIET_S = 0.15
"""The broker has said all it holds when nothing came for this long [s]."""
STOP_LIMIT_S = 1.1
"""A clean stop waits at most this long [s] for ports to go dark."""
HURRY_SHOW_S = 5.0
COUNT_HURRY_S = 30.0
"""A count begins with readings of a dark port, at the fast pace for this long [s]; then it has power."""

Told = Callable[[Target, str, Any], None]
"""Hears every published value: target, property, value."""


class App:
    """One running site. `run` it; `stop` ends it cleanly.

    settings: the checked file; file: its path, watched for change, or None; on_told: hears what is published.
    """

    def __init__(
        self,
        settings: Settings,
        *,
        file: Path | None = None,
        clock: Clock | None = None,
        on_told: Told | None = None,
    ) -> None:
        self.settings = settings
        self.file = file
        self.clock = clock or SystemClock()
        self.plan: SitePlan = plan_of(settings)
        self.told: dict[Target, dict[str, Any]] = {}
        """What was last published, by target; alerts as ``alert CODE``."""
        self.ready = asyncio.Event()
        """The engine is configured and restored."""
        self._on_told = on_told
        self._stop = asyncio.Event()
        self._reload = asyncio.Event()
        self._incoming: Settings | None = None
        self._answers: dict[int, asyncio.Future[Answer]] = {}
        self._request = 0
        self._watchers: dict[str, asyncio.Task[None]] = {}
        self._exchanging: asyncio.Task[None] | None = None
        self._surveyed = asyncio.Event()
        self._heard = asyncio.Event()
        """Something was published since it was cleared."""
        self._known_site = False
        self._history_lost = False
        self.hearing: Hearing | None = None
        self._hearing: list[asyncio.Task[None]] = []
        self._heard_of: tuple[Any, ...] = ()
        """What the listening follows from."""
        self._lit: dict[str, set[str]] = {}
        """Ports that have power, by controller."""

    def _tree(self, plan: SitePlan) -> Tree:
        broker = self.settings.broker
        return Tree(plan, domain=broker.prefix, measurement_qos=broker.measurements_qos)

    # ------------------------------------------------------------ life

    async def run(self) -> None:
        """Run until `stop`. Raises DuskwardError kinds for what the person must mend before it can start."""
        notifier = Notifier()
        self.folder = state_folder(self.settings)
        async with AsyncExitStack() as stack:
            journal = stack.enter_context(Journal(self.folder, traces=(HISTORY,)))
            safety, origin = journal.read()
            keeper: Keeper = journal
            if self.settings.standby is not None:
                taken = await self._stand_by(stack, journal, notifier, safety, origin)
                if taken is None:
                    return
                keeper, safety, origin = taken
            loop = asyncio.get_running_loop()
            store = Store(
                self.folder / HISTORY,
                utc_now=lambda: self.clock.now().utc,
                on_news=partial(_hand_over, loop, self._on_store_news),
            )
            loaded = await asyncio.to_thread(store.start)
            stack.push_async_callback(asyncio.to_thread, store.close, STOP_LIMIT_S)
            tree = self._tree(self.plan)
            discovery = self.settings.broker.discovery
            self.link = Link(
                link_settings(self.settings, tree),
                on_message=self._on_message,
                on_connected=self._on_connected,
                on_refused=self._on_refused,
                on_evicted=self._on_evicted,
                arrange=lambda retained: lifecycle.arrange(self.outlet.tree, retained),
            )
            self.announcer = Announcer(
                self.link, prefix=discovery.prefix, version=version("duskward"), enabled=discovery.enabled
            )
            stack.callback(self.announcer.stop)
            self.outlet = Outlet(
                tree, self.link, lambda: int(self.clock.now().utc.timestamp()), self.announcer
            )
            self.runner = Runner(
                self.clock,
                keeper,
                self._say,
                on_record=store.record,
                on_readings=partial(self._on_readings, store),
                on_adopted=self._on_adopted,
                on_answer=self._on_answer,
                on_job=self._on_job,
            )
            self.counts = Counts(self.runner.feed, lambda: self.clock.now().monotonic_s)
            controllers = self._make_controllers(self.settings, self.plan)
            self.tries = Tries(self.runner.feed, lambda: self.clock.now().monotonic_s)
            followers = {Verb.COUNT.value: self._count, "try": self._try}
            await stack.enter_async_context(control.listen(self.folder, self._control, followers))
            try:
                async with asyncio.TaskGroup() as tasks:
                    self._tasks = tasks
                    link = tasks.create_task(self.link.run(), name="link")
                    others = [
                        tasks.create_task(self.runner.keep(), name="journal"),
                        tasks.create_task(self._watch_clock(), name="clock"),
                        tasks.create_task(self._watch_files(), name="files"),
                        tasks.create_task(self._keep_pace(), name="pace"),
                    ]
                    if origin is Origin.FIRST_START and await self._was_there_before():
                        origin = Origin.LOST
                    if origin is Origin.FIRST_START:
                        await self._begin_journal(journal, safety)
                    self.runner.controllers = controllers
                    self.runner.step_now(
                        [*self._read_calendars(self.plan, [Configured(self.plan)]),
                         Restored(safety, origin, journal.rebooted), *self._known(loaded)]
                    )  # fmt: skip
                    store.record(self._life("started", loaded.last_utc))
                    self.ready.set()
                    others.append(
                        tasks.create_task(attend(notifier, self._idle_s, self.headline), name="watchdog")
                    )
                    for controller in controllers.values():
                        self._watch(controller)
                    self._hear()
                    await self._stop.wait()
                    await self._end_count()
                    notifier.tell(STOPPING=1, STATUS="Stopping.")
                    await self._darken()
                    await self._end_exchange()
                    others += self._watchers.values()
                    others += self._hearing
                    for task in others:
                        task.cancel()
                    store.record(self._life("stopped"))
                    await self.runner.stop()
                    await self.link.stop()
                    link.cancel()
            finally:
                await self.counts.close()
                for controller in self.runner.controllers.values():
                    await controller.close()

    async def _stand_by(
        self,
        stack: AsyncExitStack,
        journal: Journal,
        notifier: Notifier,
        safety: SafetyState,
        origin: Origin,
    ) -> tuple[Keeper, SafetyState, Origin] | None:
        """Wait until this process of the pair is the active one; what to keep with and go on from.

        None if it was asked to stop meanwhile.
        """
        from bridge.pair import Pair, PairKeeper  # noqa: PLC0415 - only a pair needs it
        from bridge.pair_settings import instance_link, pair_settings  # noqa: PLC0415

        pair = Pair(
            pair_settings(self.settings),
            instance_link(self.settings),
            self.folder,
            journal,
            on_yield=lambda _why: self.stop(),
        )
        await stack.enter_async_context(pair.running())
        attending = asyncio.create_task(
            attend(notifier, lambda: 0.0, lambda: "Standing by."), name="watchdog standby"
        )
        waiting = asyncio.create_task(pair.until_active(), name="pair wait")
        stopping = asyncio.create_task(self._stop.wait(), name="pair stop")
        try:
            await asyncio.wait({waiting, stopping}, return_when=asyncio.FIRST_COMPLETED)
            if not waiting.done():
                return None
            copied, stale = waiting.result()
        finally:
            for task in (attending, waiting, stopping):
                task.cancel()
            await asyncio.gather(attending, waiting, stopping, return_exceptions=True)
        if copied is not None:
            safety, origin = copied, Origin.JOURNAL
        if stale:
            origin = Origin.LOST
        keeper = PairKeeper(journal, pair, asyncio.get_running_loop())
        await asyncio.to_thread(keeper.write, safety)
        return keeper, safety, origin

    def stop(self) -> None:
        """Ask for a clean end; `run` returns soon."""
        self._stop.set()

    def reload(self) -> None:
        """Read the configuration file again."""
        self._reload.set()

    async def _darken(self) -> None:
        """At the end: ports go dark first if so configured, and what people are told says so."""
        off = self.settings.site.at_stop == "off"
        self.runner.step_now([Stopping(power_off=off)])
        if not off:
            return
        with suppress(TimeoutError):
            async with asyncio.timeout(STOP_LIMIT_S):
                # Not until they are told off: an ON just carried out may not have been read yet.
                while any(  # noqa: ASYNC110 - what it waits for is the engine's state, which sets no event
                    port.plan.abilities.switch and (port.off_owed or port.pending or port.seen_power)
                    for port in self.runner.engine.state.ports.values()
                ):
                    await asyncio.sleep(0.01)

    # ------------------------------------------------------------ history

    def _known(self, loaded: Loaded) -> list[Event]:
        """What the history knew: baselines and counters. A port that a whole history never saw is new."""
        events: list[Event] = [
            BaselineLoaded(port, idle_a, spread_a) for port, (idle_a, spread_a) in loaded.baselines.items()
        ]
        events += [LearnedLoaded(port, name, packed) for (port, name), packed in loaded.learned.items()]
        whole = loaded.existed and loaded.available and not self._history_lost
        for port in self.plan.ports:
            counted = loaded.energy.get(port)
            if counted is not None:
                events.append(EnergyLoaded(port, *counted))
            elif whole:
                events.append(EnergyLoaded(port, 0.0))
        site = self.plan.id
        counters = {name: value for (target, name), value in loaded.counters.items() if target == site}
        events.append(CountersLoaded(counters, whole))
        return events

    def _life(self, kind: str, last_utc: datetime | None = None) -> Record:
        """For the history: this process began or ends; `last_utc` is the newest word of the one before."""
        data = {"last": last_utc.isoformat()} if last_utc is not None else {}
        return Record(kind, self.clock.now().utc, Target(TargetKind.SITE, self.plan.id), data)

    def _on_store_news(self, news: StoreNews) -> None:
        if news.kind is NewsKind.SET_ASIDE:
            self._history_lost = True
        log = _log.warning if news.active else _log.info
        log("store.news", kind=news.kind.value, text=news.text)
        if self.ready.is_set():
            self._trouble(Condition.STORE_FAULT, news.text, active=news.active)

    # ------------------------------------------------------------ controllers

    def _make_controllers(self, settings: Settings, plan: SitePlan) -> dict[str, Controller]:
        made = {}
        for name, controller in settings.controllers.items():
            abilities = {number_of(port): plan.ports[port].abilities for port in plan.controllers[name].ports}
            made[name] = create(name, controller.reach, abilities)
        return made

    def _watch(self, controller: Controller) -> None:
        self._watchers[controller.id] = self._tasks.create_task(
            controller.watch(self.runner.feed), name=f"controller {controller.id}"
        )

    # ------------------------------------------------------------ broker

    async def _was_there_before(self) -> bool:
        """Whether the broker holds a retained state of this site."""
        waits = [asyncio.ensure_future(event.wait()) for event in (self._surveyed, self._stop)]
        await asyncio.wait(waits, timeout=KNOWN_SITE_LIMIT_S, return_when=asyncio.FIRST_COMPLETED)
        for wait in waits:
            wait.cancel()
        return self._known_site

    async def _begin_journal(self, journal: Journal, safety: SafetyState) -> None:
        """The first start leaves a journal, else the history beside none would mean a lost one next time."""
        try:
            await asyncio.to_thread(journal.write, safety)
        except TransientError as error:
            _log.error("journal.unwritable", detail=str(error))

    def _say(self, effect: Publish | Alert | Presence | Remark | Answer) -> None:
        if isinstance(effect, Publish) and not effect.as_target:
            self._mirror(effect.target, effect.property, effect.value)
        elif isinstance(effect, Alert):
            self._mirror(effect.target, f"alert {effect.condition.value}", effect.text)
        elif isinstance(effect, Answer):
            self._mirror(effect.target, "last-answer", effect.text)
        elif isinstance(effect, Remark):
            log = {"info": _log.info, "warn": _log.warning, "error": _log.error}[effect.level]
            log("site.remark", target=effect.target.id, text=effect.text)
        self.outlet.say(effect)

    def _mirror(self, target: Target, name: str, value: Value) -> None:
        told = self.told.setdefault(target, {})
        if value is None:
            told.pop(name, None)
        else:
            told[name] = value
        if name.startswith("alert "):
            _log.log(30 if value else 20, "alert.told" if value else "alert.over", target=target.id,
                     condition=name.removeprefix("alert "), text=value)  # fmt: skip
        self._heard.set()
        if name == "power" and target.kind is TargetKind.PORT:
            lit = self._lit.setdefault(controller_of(PortId(target.id)), set())
            lit.add(target.id) if value else lit.discard(target.id)
        if self._on_told is not None:
            self._on_told(target, name, value)

    def _on_connected(self) -> None:
        if not self.outlet.opened and not self.outlet.refused_foreign:
            self._tasks.create_task(self._survey(), name="survey")

    async def _survey(self) -> None:
        """Before the first word: what the broker has of this site."""
        try:
            found = await self.link.gather(self.outlet.survey_filters, quiet_s=SURVEY_QUIET_S, limit_s=5.0)
            ghosts = self.outlet.ghost_filters(found)
            if ghosts:
                found |= await self.link.gather(ghosts, quiet_s=SURVEY_QUIET_S, limit_s=5.0)
        except ConnectionEndedError:
            return
        self._known_site = self.outlet.tree.state_topic in found
        self._surveyed.set()
        await self.ready.wait()
        self._on_retained_energy(found)
        try:
            self.outlet.open(found)
        except HomieError as error:
            _log.error("outlet.foreign_tree", detail=str(error))
            self._trouble(Condition.DUPLICATE_SITE, str(error))

    def _on_retained_energy(self, found: Mapping[str, bytes]) -> None:
        """What the broker holds of our counters: the last resort where history and journal know nothing."""
        events: list[Event] = []
        for port in self.plan.ports:
            topic = self.outlet.energy_topic(port)
            if topic is not None and topic in found:
                with suppress(ValueError):
                    events.append(EnergyLoaded(port, 1000.0 * float(found[topic])))
        site = Target(TargetKind.SITE, self.plan.id)
        for prop, counter in cost_counters(self.plan.tariff).items() if self.plan.tariff else ():
            payload = found.get(self.outlet.tree.topic(site, prop))
            with suppress(TypeError, ValueError):
                events.append(CountersLoaded({counter: float(payload or "")}))
        if events:
            self.runner.step_now(events)  # before anything is said: a counter never falls

    def _on_message(self, topic: str, payload: bytes, retained: bool) -> None:
        if self.announcer.heard(topic, payload, retained):
            return
        asked = self.outlet.command(topic, payload, retained, self._request + 1)
        if asked is not None:
            self._request += 1
            self.outlet.accept(asked, topic, payload)
            self.runner.feed([asked])

    def _on_refused(self, topic: str, reason: str) -> None:
        _log.error("outlet.refused", topic=topic, reason=reason)

    def _on_evicted(self, sentence: str | None) -> None:
        if sentence is None:
            self._trouble(Condition.DUPLICATE_SITE, "", active=False)
        else:
            self._trouble(Condition.DUPLICATE_SITE, sentence)

    def _trouble(self, condition: Condition, detail: str, *, active: bool = True) -> None:
        site = Target(TargetKind.SITE, self.plan.id)
        self.runner.feed([Trouble(condition, active, site, detail)])

    # ------------------------------------------------------------ requests

    async def ask(self, verb: Verb, target: Target, argument: str = "") -> Answer:
        """Ask the engine; its answer, after what must be kept is kept."""
        self._request += 1
        number = self._request
        future: asyncio.Future[Answer] = asyncio.get_running_loop().create_future()
        self._answers[number] = future
        try:
            self.runner.feed([Asked(number, verb, target, argument)])
            return await future
        finally:
            del self._answers[number]

    def _on_answer(self, answer: Answer) -> None:
        future = self._answers.get(answer.request)
        if future is not None and not future.done():
            future.set_result(answer)
        log = _log.info if answer.accepted else _log.warning
        log("request.answered", target=answer.target.id, accepted=answer.accepted, text=answer.text)

    # ------------------------------------------------------------ show data

    def _hear(self) -> None:
        """Listen to show data as the configuration says; what listened before ends."""
        wanted = (self.settings.e131.listen, self.plan.ports, self.plan.supplies, self.plan.shows)
        if wanted == self._heard_of:
            return
        self._heard_of = wanted
        for task in self._hearing:
            task.cancel()
        self._hearing = []
        if self.settings.e131.listen.enabled:
            self.hearing = Hearing(
                self.settings.e131.listen,
                self.plan,
                feed=self.runner.feed,
                now_s=lambda: self.clock.now().monotonic_s,
                own=self.counts.cid,
            )
            self._hearing = [self._tasks.create_task(self.hearing.run(), name="show data")]

    # ------------------------------------------------------------ counting

    def _on_readings(self, store: Store, now: Now, readings: list[Reading]) -> None:
        store.readings(now, readings)
        self.counts.readings(readings)
        self.tries.readings(readings)

    def _on_job(self, effect: CountPixels | JobEnded) -> None:
        if isinstance(effect, CountPixels):
            self.runner.controllers[controller_of(effect.port)].hurry(COUNT_HURRY_S)
            self.counts.begin(effect, self.settings, self.plan)
        else:
            self.counts.ended(effect)
            self.tries.ended(effect)

    async def _end_count(self) -> None:
        """At the end: a count is broken off, and its port is seen without power."""
        port = await self.counts.close()
        with suppress(TimeoutError):
            async with asyncio.timeout(STOP_LIMIT_S):
                while port is not None and self.told.get(Target(TargetKind.PORT, port), {}).get("power"):
                    self._heard.clear()
                    await self._heard.wait()

    async def _count(self, request: Mapping[str, Any]) -> AsyncGenerator[Mapping[str, Any], None]:
        """A count asked for on the control socket: progress, then the outcome; leaving ends it."""
        target = self.target(str(request.get("target") or ""))
        if target is None or target.kind is not TargetKind.PORT:
            text = f"Refused: {request.get('target')!r} is no port; name one such as gable/1."
            yield {"accepted": False, "text": text}
            return
        with self.counts.watching() as heard:
            answer = await self.ask(Verb.COUNT, target, "start")
            if not answer.accepted:
                yield {"accepted": False, "text": answer.text}
                return
            name = self.plan.ports[PortId(target.id)].name
            try:
                yield {"accepted": True, "text": f"{name}: {answer.text}", "goes_on": True}
                while True:
                    line = await heard.get()
                    yield line
                    if "accepted" in line:
                        return
            finally:
                self.counts.end("the one who asked for it left.")

    async def _try(self, request: Mapping[str, Any]) -> AsyncGenerator[Mapping[str, Any], None]:
        """A proof of a mapping asked for on the control socket: its steps, then the outcome."""
        target = self.target(str(request.get("target") or ""))
        if target is None or target.kind is not TargetKind.PORT:
            text = f"Refused: {request.get('target')!r} is no port; name one such as gable/1."
            yield {"accepted": False, "text": text}
            return
        port = PortId(target.id)
        if why := try_refusal(self.plan, self.told, port):
            yield {"accepted": False, "text": f"Refused: {why}"}
            return
        lines = self.tries.run(self.plan, port, self.runner.controllers[controller_of(port)])
        try:
            async for line in lines:
                yield line
        finally:
            await lines.aclose()

    async def _control(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        verb = request.get("verb")
        if verb == "status":
            return {"accepted": True, "text": "", "status": self.status()}
        if verb not in (Verb.HOLD, Verb.RELEASE, Verb.RESET, Verb.ACKNOWLEDGE, Verb.MODE, Verb.START_SHOW,
                        Verb.CONFIRM, Verb.SHELVE, Verb.RELEARN):  # fmt: skip
            return {"accepted": False, "text": f"Refused: {verb!r} is no verb of this socket."}
        target = self.target(str(request.get("target") or ""))
        if target is None:
            return {"accepted": False, "text": f"Refused: there is no {request.get('target')!r}."}
        answer = await self.ask(Verb(verb), target, str(request.get("argument") or ""))
        return {"accepted": answer.accepted, "text": answer.text}

    def target(self, name: str) -> Target | None:
        """What a person means by a name: a port (``gable/1``), a controller, a prop, or the site (empty)."""
        if not name or name == self.plan.id:
            return Target(TargetKind.SITE, self.plan.id)
        if name in self.plan.ports:
            return Target(TargetKind.PORT, name)
        if name in self.plan.controllers:
            return Target(TargetKind.CONTROLLER, name)
        if name in self.plan.props:
            return Target(TargetKind.PROP, name)
        return None

    def headline(self) -> str:
        """How the site is, in one line."""
        told = self.told.get(Target(TargetKind.SITE, self.plan.id), {})
        on, faults = told.get("ports-on", 0), told.get("faults", 0)
        broker = "connected to the broker" if self.link.connected else "no connection to the broker"
        show = told.get("show") or "no show"
        return f"{on} of {len(self.plan.ports)} ports on, {show}, faults: {faults}, {broker}."

    def _idle_s(self) -> float:
        return self.clock.now().monotonic_s - self.runner.stepped_s

    def status(self) -> dict[str, Any]:
        """All that was last published, by kind and id; ready for JSON."""
        status: dict[str, Any] = {"site": self.plan.id, "name": self.plan.name, "broker": self.link.connected}
        for target, values in self.told.items():
            plain = {name: _plain(value) for name, value in values.items()}
            if target.kind is TargetKind.SITE:
                status["values"] = plain
            else:
                status.setdefault(f"{target.kind.value}s", {})[target.id] = plain
        return status

    # ------------------------------------------------------------ files and clock

    def _read_calendars(self, plan: SitePlan, events: list[Event]) -> list[Event]:
        """Calendar files of `plan` that changed since they were read, as events after `events`."""
        names = {when.name for show in plan.shows for when in show.when if isinstance(when, Ics)}
        for name in sorted(names):
            try:
                content = Path(name).read_bytes()
            except OSError as error:
                problem = f"{Path(name).name} can't be read: {error.strerror}"
                events.append(CalendarLoaded(name, None, problem))
            else:
                events.append(CalendarLoaded(name, content))
        return events

    def _stamps(self) -> dict[str, tuple[int, int] | None]:
        names = {when.name for show in self.plan.shows for when in show.when if isinstance(when, Ics)}
        paths = [*sorted(names), *([str(self.file)] if self.file else [])]
        return {path: _stamp(path) for path in paths}

    async def _watch_files(self) -> None:
        """Configuration and calendars are read again when they change, or when asked."""
        await self.ready.wait()
        stamps = self._stamps()
        while True:
            with suppress(TimeoutError):
                await asyncio.wait_for(self._reload.wait(), WATCH_FILES_S)
            asked = self._reload.is_set()
            self._reload.clear()
            now = await asyncio.to_thread(self._stamps)
            changed = {path for path in now if now[path] != stamps.get(path)}
            stamps = now
            if self.file is not None and (asked or str(self.file) in changed):
                self._load_again(self.file)
            if asked or changed - {str(self.file)}:
                self.runner.feed(self._read_calendars(self.plan, []))

    def _load_again(self, file: Path) -> None:
        try:
            settings = load(file)
            plan = plan_of(settings)
        except ConfigurationError as error:
            for problem in error.problems:
                _log.error("configuration.refused", problem=str(problem))
            return
        if settings == self.settings:
            return
        if settings.broker != self.settings.broker or settings.site.state_dir != self.settings.site.state_dir:
            _log.warning(
                "configuration.needs_restart", what="broker and state_dir change with a restart only"
            )
        self._incoming = settings
        self.runner.feed([Configured(plan)])

    def _on_adopted(self, adopted: Adopted) -> None:
        if not adopted.accepted:
            _log.error("configuration.refused", problem=adopted.text)
            self._incoming = None
            return
        settings, self._incoming = self._incoming, None
        if settings is None:
            return
        before, self.settings, self.plan = self.settings, settings, adopted.plan
        self.outlet.replan(adopted.plan, self._tree(adopted.plan))
        work = self._exchange(self._exchanging, before, settings, adopted.plan)
        self._exchanging = self._tasks.create_task(work, name="reload")
        _log.info("configuration.adopted", ports=len(adopted.plan.ports))

    async def _end_exchange(self) -> None:
        """A reload under way when the site stops is broken off: it must start nothing any more."""
        if self._exchanging is not None:
            self._exchanging.cancel()
            await asyncio.wait({self._exchanging})

    async def _exchange(
        self, earlier: asyncio.Task[None] | None, before: Settings, after: Settings, plan: SitePlan
    ) -> None:
        """Controllers that changed are closed and made anew; the others go on undisturbed."""
        if earlier is not None:
            await asyncio.wait({earlier})
        controllers = dict(self.runner.controllers)
        try:
            made = self._make_controllers(after, plan)
        except (PermanentError, TransientError) as error:
            _log.error("configuration.refused", problem=str(error))
            return
        try:
            await self._close_changed(controllers, made, before, after)
        except asyncio.CancelledError:
            self.runner.controllers = controllers  # closed with the site
            for controller in made.values():
                await controller.close()
            raise
        self.runner.controllers = controllers | made
        for controller in made.values():
            self._watch(controller)
        self.runner.feed(self._read_calendars(plan, []))
        self._hear()

    async def _close_changed(
        self,
        controllers: dict[str, Controller],
        made: dict[str, Controller],
        before: Settings,
        after: Settings,
    ) -> None:
        """Take out of `controllers` what changed or left, and out of `made` what did not change."""
        for name, controller in tuple(controllers.items()):
            same = name in after.controllers and before.controllers.get(name) == after.controllers[name]
            if same:
                await made.pop(name).close()
                continue
            task = self._watchers.pop(name, None)
            if task is not None:
                task.cancel()
                await asyncio.wait({task})
            await controller.close()
            del controllers[name]

    async def _keep_pace(self) -> None:
        """Controllers with powered ports are read at their fast pace."""
        while True:
            await asyncio.sleep(HURRY_SHOW_S / 2)
            for name, lit in self._lit.items():
                if lit and name in self.runner.controllers:
                    self.runner.controllers[name].hurry(HURRY_SHOW_S)

    async def _watch_clock(self) -> None:
        await self.ready.wait()
        if is_synchronised() is None:
            _log.error(
                "clock.unreadable", detail="adjtimex(2) is forbidden here, so the clock can't be trusted"
            )
        while True:
            self.runner.feed([ClockStatus(is_synchronised() is True)])
            await asyncio.sleep(WATCH_CLOCK_S)


def _hand_over(loop: asyncio.AbstractEventLoop, heard: Callable[[StoreNews], None], news: StoreNews) -> None:
    """From the store's thread to the loop's; a loop that has ended hears nothing more."""
    with suppress(RuntimeError):
        loop.call_soon_threadsafe(heard, news)


def _plain(value: Value) -> Value:
    return value.isoformat() if isinstance(value, datetime) else value


def _stamp(path: str) -> tuple[int, int] | None:
    """What changes when a file is written; None where there is none."""
    try:
        found = Path(path).stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size
