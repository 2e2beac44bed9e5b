"""Show data on the network: heard as the configuration of the moment says."""

import asyncio
from collections.abc import Callable
from typing import Any

from bridge.pixels.hearing import Hearing
from bridge.site.configuration import Configuration
from rules.door import Event
from rules.show_data.hearing import models, universes


class ShowData:
    """What listens to show data. tasks: where; feed, now_s, own: as for `Hearing`."""

    def __init__(
        self,
        configuration: Configuration,
        *,
        tasks: asyncio.TaskGroup,
        feed: Callable[[list[Event]], None],
        now_s: Callable[[], float],
        own: bytes,
    ) -> None:
        self._configuration = configuration
        self._tasks = tasks
        self._feed = feed
        self._now_s = now_s
        self._own = own
        self._hearing: Hearing | None = None
        self._task: asyncio.Task[None] | None = None
        self._follows_from: tuple[Any, ...] = ()

    @property
    def address(self) -> tuple[str, int] | None:
        """Where it listens; None while it does not."""
        return self._hearing.address if self._hearing is not None else None

    def listen(self) -> None:
        """Listen as configured now; what listened before goes on if nothing changed for it, else ends."""
        plan, settings = self._configuration.plan, self._configuration.settings.e131.listen
        follows_from = (settings, universes(plan), models(plan)) if settings.enabled else ()
        if follows_from == self._follows_from:
            return
        self._follows_from = follows_from
        handed = self._hearing.hand_over() if self._hearing is not None and follows_from else None
        self.stop()
        if follows_from:
            self._hearing = Hearing(
                *follows_from, feed=self._feed, now_s=self._now_s, own=self._own, goes_on=handed
            )
            self._task = self._tasks.create_task(self._hearing.run(), name="show data")

    def stop(self) -> None:
        """Listen no more."""
        if self._task is not None:
            self._task.cancel()
        self._hearing = self._task = None
