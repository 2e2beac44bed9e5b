"""The controllers of a running site: made, watched, exchanged on a reload, read faster while they power."""

import asyncio
from collections.abc import Callable, Mapping
from collections.abc import Set as AbstractSet

from bridge.config import Settings
from bridge.config.reach import HttpReach, HwmonReach, MqttReach
from bridge.controllers import create
from bridge.controllers.base import Controller
from rules.door import Event
from rules.plan import SitePlan
from rules.ports import Abilities, number_of

HURRY_SHOW_S = 5.0
"""A controller with a powered port is read at its fast pace for this long [s] at a time."""


Making = tuple[HttpReach | MqttReach | HwmonReach, dict[int, Abilities]]
"""What a controller is made of: how it is reached, and what its ports can do."""


class Controllers:
    """The site's controllers and the tasks that watch them.

    present: by id, the same dictionary as long as the site runs; clock: of their readings [monotonic s];
    feed: takes what they say; tasks: where they are watched.
    """

    def __init__(
        self,
        present: dict[str, Controller],
        *,
        clock: Callable[[], float],
        feed: Callable[[list[Event]], None],
        tasks: asyncio.TaskGroup,
    ) -> None:
        self.present = present
        self._clock = clock
        self._feed = feed
        self._tasks = tasks
        self._watchers: dict[str, asyncio.Task[None]] = {}
        self._made_of: dict[str, Making] = {}

    def make(self, settings: Settings, plan: SitePlan) -> None:
        """Make them as configured; nothing is asked of them yet. Raises DuskwardError kinds."""
        self._made_of = _makings(settings, plan)
        self.present |= self._made(self._made_of)

    def _made(self, makings: Mapping[str, Making]) -> dict[str, Controller]:
        return {
            name: create(name, reach, abilities, clock=self._clock)
            for name, (reach, abilities) in makings.items()
        }

    def _changed(self, makings: Mapping[str, Making]) -> dict[str, Making]:
        return {name: made for name, made in makings.items() if made != self._made_of.get(name)}

    def watch(self) -> None:
        """Hear each that is not heard yet."""
        for name, controller in self.present.items():
            if name not in self._watchers:
                self._watchers[name] = self._tasks.create_task(
                    controller.watch(self._feed), name=f"controller {name}"
                )

    async def prove(self, settings: Settings, plan: SitePlan) -> None:
        """Raise DuskwardError kinds where one that is reached otherwise can't be made; change nothing."""
        for controller in self._made(self._changed(_makings(settings, plan))).values():
            await controller.close()

    async def exchange(self, settings: Settings, plan: SitePlan) -> None:
        """Controllers that are reached otherwise are closed and made anew; the others go on undisturbed.

        Raises DuskwardError kinds, and changes nothing, when one can't be made.
        """
        makings = _makings(settings, plan)
        made = self._made(self._changed(makings))
        try:
            for name, controller in tuple(self.present.items()):
                if name in made or name not in makings:
                    await self._unwatch(name)
                    await controller.close()
                    del self.present[name]
        except asyncio.CancelledError:
            for controller in made.values():
                await controller.close()
            raise
        self.present |= made
        self._made_of = makings
        self.watch()

    async def _unwatch(self, name: str) -> None:
        task = self._watchers.pop(name, None)
        if task is not None:
            task.cancel()
            await asyncio.wait({task})

    async def keep_pace(self, lit: Mapping[str, AbstractSet[str]]) -> None:
        """For ever: controllers with powered ports (`lit`, by controller) are read at their fast pace."""
        while True:
            await asyncio.sleep(HURRY_SHOW_S / 2)
            for name, ports in lit.items():
                if ports and name in self.present:
                    self.present[name].hurry(HURRY_SHOW_S)

    def stop(self) -> None:
        """Hear them no more; commands still go out."""
        for task in self._watchers.values():
            task.cancel()

    async def close(self) -> None:
        """Free their connections."""
        for controller in self.present.values():
            await controller.close()


def _makings(settings: Settings, plan: SitePlan) -> dict[str, Making]:
    return {
        name: (
            controller.reach,
            {number_of(port): plan.ports[port].abilities for port in plan.controllers[name].ports},
        )
        for name, controller in settings.controllers.items()
    }
