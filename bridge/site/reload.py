"""The configuration of a running site is read again when its file changes, or when asked.

What can't be used is refused and the site goes on as it was; where only something beside the file is missing,
such as a controller's password, it is tried again until that is there. What can be used is offered to the
rules; they refuse it, for instance while a port it drops is held, or adopt it. Then topics, controllers and
listeners follow.
"""

import asyncio
from collections.abc import Callable
from contextlib import suppress
from functools import partial

import structlog

from bridge.config import ConfigurationError, Settings, load
from bridge.config import plan as plan_of
from bridge.errors import PermanentError, TransientError
from bridge.site.configuration import Configuration
from bridge.site.controllers import Controllers
from bridge.site.files import WATCH_FILES_S, calendars, read_calendars, stamps
from bridge.threads import in_thread
from rules.door import Adopted, Configured, Event
from rules.plan import SitePlan

_log = structlog.get_logger()


class Reload:
    """Reads, offers and carries out new configurations; calendar files are read again on the way.

    tasks: where an exchange runs; feed: takes events for the engine; controllers: are exchanged where they
    changed; on_plan: tells the new plan's structure; on_exchanged: is called when the controllers are the new
    ones.
    """

    def __init__(
        self,
        configuration: Configuration,
        *,
        tasks: asyncio.TaskGroup,
        feed: Callable[[list[Event]], None],
        controllers: Controllers,
        on_plan: Callable[[], None],
        on_exchanged: Callable[[], None],
    ) -> None:
        self._configuration = configuration
        self._tasks = tasks
        self._feed = feed
        self._controllers = controllers
        self._on_plan = on_plan
        self._on_exchanged = on_exchanged
        self._offered: list[tuple[Settings, SitePlan]] = []
        """What the rules have not decided on yet, oldest first: a port that leaves is seen dark before."""
        self._unmade: tuple[Settings, SitePlan] | None = None
        """What was read and its controllers could not be made of; tried again until they can."""
        self._problem = ""
        """What keeps them from being made; told once."""
        self._exchanging: asyncio.Task[None] | None = None

    # ------------------------------------------------------------ files

    def _own_paths(self) -> set[str]:
        """The configuration's files, of which the plan is made."""
        of_plan = (self._configuration.file, self._configuration.settings.site.wording_file)
        return {str(path) for path in of_plan if path is not None}

    def _paths(self) -> list[str]:
        return [*calendars(self._configuration.plan), *self._own_paths()]

    async def watch(self, asked: asyncio.Event) -> None:
        """For ever: read again what changed, and everything whenever `asked` is set."""
        known = stamps(self._paths())
        while True:
            with suppress(TimeoutError):
                async with asyncio.timeout(WATCH_FILES_S):
                    await asked.wait()
            everything = asked.is_set()
            asked.clear()
            now = await in_thread(partial(stamps, self._paths()))
            changed = {path for path in now if now[path] != known.get(path)}
            known = now
            own = self._own_paths()
            if self._configuration.file is not None and (everything or own & changed):
                await self._read()
            elif self._unmade is not None:
                await self._offer(*self._unmade)
            if everything or changed - own:
                self._feed([*read_calendars(self._configuration.plan)])

    async def _read(self) -> None:
        """Read the file and offer what it says, if that is anything else than what runs."""
        file = self._configuration.file
        assert file is not None
        try:
            settings = load(file)
            plan = plan_of(settings)
        except ConfigurationError as error:
            self._unmade, self._problem = None, ""
            for problem in error.problems:
                _log.error("configuration.refused", problem=str(problem))
            return
        if late := self._configuration.with_restart_only(settings):
            _log.warning("configuration.needs_restart", what=f"{late} changes with a restart only")
        if self._unmade or self._offered or self._configuration.differs(settings, plan):
            await self._offer(settings, plan)

    async def _offer(self, settings: Settings, plan: SitePlan) -> None:
        """Offer a plan to the rules, if its controllers can be made."""
        try:
            await self._controllers.prove(settings, plan)
        except (PermanentError, TransientError) as error:
            if str(error) != self._problem:
                _log.error("configuration.refused", problem=str(error))
            self._unmade, self._problem = (settings, plan), str(error)
            return
        self._unmade, self._problem = None, ""
        self._offered.append((settings, plan))
        self._feed([Configured(plan)])

    # ------------------------------------------------------------ what the rules made of it

    def adopted(self, adopted: Adopted) -> None:
        """The rules refused or adopted a plan that was offered."""
        if not adopted.accepted:
            _log.error("configuration.refused", problem=adopted.text)
        plans = [plan for _, plan in self._offered]
        index = next((index for index, plan in enumerate(plans) if plan is adopted.plan), None)
        if index is None:
            return
        settings, plan = self._offered[index]
        if not adopted.accepted:
            del self._offered[index]
            return
        del self._offered[: index + 1]
        self._configuration.adopt(settings, plan)
        self._on_plan()
        work = self._exchange(self._exchanging, self._configuration.settings, plan)
        self._exchanging = self._tasks.create_task(work, name="reload")
        _log.info("configuration.adopted", ports=len(plan.ports))

    async def _exchange(
        self,
        earlier: asyncio.Task[None] | None,
        settings: Settings,
        plan: SitePlan,
    ) -> None:
        if earlier is not None:
            try:
                await asyncio.wait({earlier})
            except asyncio.CancelledError:
                earlier.cancel()  # it would start what nobody ends
                await asyncio.wait({earlier})
                raise
        try:
            await self._controllers.exchange(settings, plan)
        except (PermanentError, TransientError) as error:  # it could be made a moment ago
            self._unmade, self._problem = (settings, plan), str(error)
            _log.error("configuration.incomplete", problem=self._problem)
            return
        self._feed([*read_calendars(plan)])
        self._on_exchanged()

    async def stop(self) -> None:
        """Break off an exchange under way: it must start nothing any more."""
        if self._exchanging is not None:
            self._exchanging.cancel()
            await asyncio.wait({self._exchanging})
