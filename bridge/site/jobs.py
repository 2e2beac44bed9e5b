"""Counts and proofs of mappings in a running site: begun and ended by the rules, followed by who asked."""

from collections.abc import AsyncGenerator, Awaitable, Callable, Mapping
from typing import Any

from bridge.control import Follower
from bridge.controllers.base import Controller
from bridge.learn.tries import Tries
from bridge.learn.tries import refusal as try_refusal
from bridge.pixels.counts import Counts
from bridge.site.configuration import Configuration
from bridge.site.requests import named, refused
from rules.door import Answer, CountPixels, Event, JobEnded, Verb
from rules.ports import PortId, Reading, Target, TargetKind, controller_of

COUNT_HURRY_S = 30.0
"""A count begins with readings of a dark port, at the fast pace for this long [s]; then it has power."""

Ask = Callable[[Verb, Target, str], Awaitable[Answer]]


class Jobs:
    """What takes ports for a while.

    feed: takes events for the engine; ask: asks the engine; monotonic_s: the clock of readings; told: what
    was last published, by target; controllers: by id.
    """

    def __init__(
        self,
        configuration: Configuration,
        *,
        feed: Callable[[list[Event]], None],
        ask: Ask,
        monotonic_s: Callable[[], float],
        told: Mapping[Target, Mapping[str, Any]],
        controllers: Mapping[str, Controller],
    ) -> None:
        self._configuration = configuration
        self._ask = ask
        self._told = told
        self._controllers = controllers
        self.counts = Counts(feed, monotonic_s)
        self._tries = Tries(feed, monotonic_s)
        self.followers: Mapping[str, Follower] = {Verb.COUNT.value: self._count, "try": self._try}
        """Requests of the control socket that are answered line by line."""

    def readings(self, readings: list[Reading]) -> None:
        """Hand readings to what waits for them."""
        self.counts.readings(readings)
        self._tries.readings(readings)

    def change(self, effect: CountPixels | JobEnded) -> None:
        """The rules begin a count, or ended a job."""
        if isinstance(effect, CountPixels):
            controller = self._controllers.get(controller_of(effect.port))
            if controller is not None:  # else a reload is just exchanging it
                controller.hurry(COUNT_HURRY_S)
            self.counts.begin(effect, self._configuration.settings, self._configuration.plan)
        else:
            self.counts.ended(effect)
            self._tries.ended(effect)

    async def close(self) -> list[PortId]:
        """End what goes on and give its ports back; which they are."""
        counted = await self.counts.close()
        return [*self._tries.close(), *([] if counted is None else [counted])]

    def _port(self, request: Mapping[str, Any]) -> PortId | None:
        target = named(self._configuration.plan, str(request.get("target") or ""))
        return PortId(target.id) if target is not None and target.kind is TargetKind.PORT else None

    async def _count(self, request: Mapping[str, Any]) -> AsyncGenerator[Mapping[str, Any], None]:
        """A count: progress, then the outcome; leaving ends it."""
        port = self._port(request)
        if port is None:
            yield _no_port(request)
            return
        with self.counts.watching() as heard:
            answer = await self._ask(Verb.COUNT, Target(TargetKind.PORT, port), "start")
            if not answer.accepted:
                yield {"accepted": False, "text": answer.text}
                return
            name = self._configuration.plan.ports[port].name
            try:
                yield {"accepted": True, "text": f"{name}: {answer.text}", "goes_on": True}
                while True:
                    line = await heard.get()
                    yield line
                    if "accepted" in line:
                        return
            finally:
                self.counts.left(heard)

    async def _try(self, request: Mapping[str, Any]) -> AsyncGenerator[Mapping[str, Any], None]:
        """A proof of a mapping: its steps, then the outcome."""
        port, plan = self._port(request), self._configuration.plan
        if port is None:
            yield _no_port(request)
            return
        if why := try_refusal(plan, self._told, port):
            yield refused(why)
            return
        controller = self._controllers.get(controller_of(port))
        if controller is None:
            yield refused(f"a reload is just exchanging the controller of {port}; ask again.")
            return
        lines = self._tries.run(plan, port, controller)
        try:
            async for line in lines:
                yield line
        finally:
            await lines.aclose()


def _no_port(request: Mapping[str, Any]) -> Mapping[str, Any]:
    return refused(f"{request.get('target')!r} is no port; name one such as gable/1.")
