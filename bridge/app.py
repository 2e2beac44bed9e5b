"""Wiring: one TaskGroup of named tasks around the engine. The parts are in `bridge/site/`.

Start-up order: the journal is read, the engine is configured and restored, controllers are read and the
broker is connected, all without waiting for each other. Only a start that looks like the first one asks
the broker, for a moment, whether this site was there before: then it was no first start.
"""

import asyncio
from contextlib import AsyncExitStack
from datetime import datetime
from pathlib import Path
from typing import Any

from bridge import clock as clocks
from bridge import control
from bridge.clock import Clock, SystemClock
from bridge.config import Settings
from bridge.journal import Journal
from bridge.runner import Runner, Takers
from bridge.site.broker import BrokerSide
from bridge.site.configuration import Configuration
from bridge.site.controllers import Controllers
from bridge.site.files import read_calendars
from bridge.site.folder import HISTORY, state_folder
from bridge.site.history import History
from bridge.site.jobs import Jobs
from bridge.site.mirror import Mirror, OnTold
from bridge.site.reload import Reload
from bridge.site.requests import Requests
from bridge.site.show_data import ShowData
from bridge.site.start import Kept, true_origin
from bridge.site.stopping import STOP_LIMIT_S, darken, end_jobs
from bridge.watchdog import Notifier, attend
from rules.door import (
    Alert,
    Answer,
    Configured,
    Presence,
    Publish,
    Remark,
    Restored,
    Trouble,
    Verb,
)
from rules.plan import SitePlan
from rules.ports import Condition, Now, Reading, Target
from rules.safety import SafetyState


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
        on_told: OnTold | None = None,
    ) -> None:
        self.configuration = Configuration(settings, file)
        self.clock = clock or SystemClock()
        self.mirror = Mirror(on_told)
        self.ready = asyncio.Event()
        """The engine is configured and restored."""
        self._stopped = asyncio.Event()
        self._yielded = False
        self._reload_asked = asyncio.Event()

    @property
    def plan(self) -> SitePlan:
        """The plan that runs now."""
        return self.configuration.plan

    @property
    def told(self) -> dict[Target, dict[str, Any]]:
        """What was last published, by target; alerts as ``alert CODE``."""
        return self.mirror.told

    def stop(self) -> None:
        """Ask for a clean end; `run` returns soon."""
        self._stopped.set()

    def reload(self) -> None:
        """Read the configuration file again."""
        self._reload_asked.set()

    async def ask(self, verb: Verb, target: Target, argument: str = "") -> Answer:
        """Ask the engine; its answer, after what must be kept is kept."""
        return await self.requests.ask(verb, target, argument)

    def headline(self) -> str:
        """How the site is, in one line."""
        return self.mirror.headline(self.plan, connected=self.broker.link.connected)

    # ------------------------------------------------------------ life

    async def run(self) -> None:
        """Run until `stop`. Raises DuskwardError kinds for what the person must mend before it can start."""
        notifier = Notifier()
        settings = self.configuration.settings
        self.folder = state_folder(settings)
        async with AsyncExitStack() as stack:
            journal = stack.enter_context(Journal(self.folder, traces=(HISTORY,)))
            kept = Kept(journal, *journal.read())
            if settings.standby is not None:
                from bridge.site.standby import newest, stand_by  # noqa: PLC0415 - only a pair needs it

                taken = await stand_by(
                    stack, settings, self.folder, journal, kept, notifier=notifier,
                    file=self.configuration.file, stop=self._yield, inherit=self._inherit,
                    trouble=self._on_early_trouble, stopped=self._stopped,
                )  # fmt: skip
                if taken is None:
                    return
                kept = taken
                self.configuration = newest(self.configuration)
                settings = self.configuration.settings
            self.runner = Runner(self.clock, kept.keeper)
            self.history = History(self.folder, self.configuration, self._utc_now, self._on_early_trouble)
            await self.history.start()
            stack.push_async_callback(self.history.close, STOP_LIMIT_S)
            tasks = asyncio.TaskGroup()
            self._connect(tasks)
            stack.callback(self.broker.announcer.stop)
            stack.push_async_callback(self.controllers.close)
            self.controllers.make(settings, self.plan)
            await stack.enter_async_context(
                control.listen(self.folder, self.requests.control, self.jobs.followers)
            )
            stack.push_async_callback(self.jobs.counts.close)
            async with tasks:
                link = tasks.create_task(self.broker.link.run(), name="link")
                keeping = tasks.create_task(self.runner.keep(), name="journal")
                attending = await self._begin(tasks, journal, kept, notifier)
                await self._stopped.wait()
                await self._end([keeping, *attending], notifier)
                link.cancel()

    def _connect(self, tasks: asyncio.TaskGroup) -> None:
        """Make the parts and say who takes what the engine says."""
        runner, configuration = self.runner, self.configuration
        self.controllers = Controllers(
            runner.controllers, clock=self._monotonic_s, feed=runner.feed, tasks=tasks
        )
        self.requests = Requests(configuration, runner.feed, self._status)
        self.jobs = Jobs(
            configuration,
            feed=runner.feed,
            ask=self.requests.ask,
            monotonic_s=self._monotonic_s,
            told=self.told,
            controllers=runner.controllers,
        )
        self.show_data = ShowData(
            configuration,
            tasks=tasks,
            feed=runner.feed,
            now_s=self._monotonic_s,
            own=self.jobs.counts.cid,
        )
        self.broker = BrokerSide(
            configuration,
            tasks=tasks,
            ready=self.ready,
            floor_s=lambda: int(self._utc_now().timestamp()),
            number=self.requests.number,
            step=runner.step_now,
            feed=runner.feed,
            on_trouble=self._on_trouble,
        )
        self.reloading = Reload(
            configuration,
            tasks=tasks,
            feed=runner.feed,
            controllers=self.controllers,
            on_plan=self._on_plan,
            on_exchanged=self.show_data.listen,
        )

        def outlet(effect: Publish | Alert | Presence | Remark | Answer) -> None:
            self.mirror.take(effect)
            self.broker.outlet.say(effect)

        def readings(now: Now, read: list[Reading]) -> None:
            self.history.store.readings(now, read)
            self.jobs.readings(read)

        runner.takes = Takers(
            outlet=outlet,
            record=self.history.store.record,
            readings=readings,
            adopted=self.reloading.adopted,
            answer=self.requests.answered,
            job=self.jobs.change,
        )

    async def _begin(
        self, tasks: asyncio.TaskGroup, journal: Journal, kept: Kept, notifier: Notifier
    ) -> list[asyncio.Task[None]]:
        """The first step, with all that was kept; what attends to the site from then on."""
        origin = await true_origin(kept, journal, self.broker, self._stopped)
        self.runner.step_now(
            [
                Configured(self.plan),
                *read_calendars(self.plan),
                Restored(kept.safety, origin, journal.rebooted),
                *self.history.known(),
            ]
        )
        self.history.started()
        self.ready.set()
        self.controllers.watch()
        self.show_data.listen()
        return [
            tasks.create_task(clocks.watch(self.runner.feed), name="clock"),
            tasks.create_task(self.reloading.watch(self._reload_asked), name="files"),
            tasks.create_task(self.controllers.keep_pace(self.mirror.lit), name="pace"),
            tasks.create_task(attend(notifier, self._idle_s, self.headline), name="watchdog"),
        ]

    async def _end(self, attending: list[asyncio.Task[None]], notifier: Notifier) -> None:
        """The last step, and the last word at the broker."""
        await end_jobs(self.jobs, self.runner)
        notifier.tell(STOPPING=1, STATUS="Stopping.")
        # Another process that is active keeps the ports as they are.
        power_off = self.configuration.settings.site.at_stop == "off" and not self._yielded
        await darken(self.runner, power_off=power_off)
        await self.reloading.stop()
        self.controllers.stop()
        self.show_data.stop()
        for task in attending:
            task.cancel()
        self.history.stopped()
        await self.runner.stop()
        await self.broker.link.stop()

    def _yield(self) -> None:
        """End, for the other process of the pair goes on."""
        self._yielded = True
        self.stop()

    async def _inherit(self, safety: SafetyState) -> None:
        """Take over what keeps ports dead from another active process that ends."""
        from bridge.site.standby import inherited  # noqa: PLC0415 - only a pair needs it

        await self.ready.wait()
        self.runner.feed(inherited(safety, self.plan.id, self.requests.number))

    # ------------------------------------------------------------ what the parts ask for

    def _on_plan(self) -> None:
        self.mirror.forget(self.plan)
        self.broker.replan()

    def _utc_now(self) -> datetime:
        return self.clock.now().utc

    def _monotonic_s(self) -> float:
        return self.clock.now().monotonic_s

    def _idle_s(self) -> float:
        return self._monotonic_s() - self.runner.stepped_s

    def _status(self) -> dict[str, Any]:
        link = self.broker.link
        return self.mirror.status(self.plan, connected=link.connected, unacknowledged=link.unacknowledged)

    def _on_early_trouble(self, condition: Condition, detail: str, active: bool) -> None:
        """As `_on_trouble`, of parts that are at work before the engine is."""
        if self.ready.is_set():
            self._on_trouble(condition, detail, active)

    def _on_trouble(self, condition: Condition, detail: str, active: bool) -> None:
        self.runner.feed([Trouble(condition, active, self.configuration.site, detail)])
