"""What people ask of a running site, by topic or at its control socket: numbered, asked, answered."""

import asyncio
import itertools
from collections.abc import Callable, Mapping
from difflib import get_close_matches
from typing import Any

import structlog

from bridge.site.configuration import Configuration
from rules.door import Answer, Asked, Event, Verb
from rules.plan import SitePlan
from rules.ports import Target, TargetKind

_log = structlog.get_logger()

_SOCKET_VERBS = (
    Verb.HOLD,
    Verb.RELEASE,
    Verb.RESET,
    Verb.ACKNOWLEDGE,
    Verb.MODE,
    Verb.START_SHOW,
    Verb.CONFIRM,
    Verb.SHELVE,
    Verb.RELEARN,
)
"""What can be asked in one line at the control socket; what takes long is followed instead."""


def refused(text: str) -> Mapping[str, Any]:
    """An answer of the control socket that says no."""
    return {"accepted": False, "text": f"Refused: {text}"}


def named(plan: SitePlan, name: str) -> Target | None:
    """What a person means by a name: a port (``gable/1``), a controller, a prop, or the site (empty)."""
    if not name or name == plan.id:
        return Target(TargetKind.SITE, plan.id)
    if name in plan.ports:
        return Target(TargetKind.PORT, name)
    if name in plan.controllers:
        return Target(TargetKind.CONTROLLER, name)
    if name in plan.props:
        return Target(TargetKind.PROP, name)
    return None


def unknown(plan: SitePlan, name: str) -> str:
    """That nothing has this name, and what is like it."""
    names = [*plan.ports, *plan.controllers, *plan.props]
    like = get_close_matches(name, names, n=3) or [*list(plan.ports)[:1], *list(plan.props)[:1]]
    return f"there is no {name}; names here are like {' or '.join(like)}."


class Requests:
    """Requests under way. feed: takes events for the engine; status: all that was last published, as JSON."""

    def __init__(
        self,
        configuration: Configuration,
        feed: Callable[[list[Event]], None],
        status: Callable[[], Mapping[str, Any]],
    ) -> None:
        self._configuration = configuration
        self._feed = feed
        self._status = status
        self._numbers = itertools.count(1)
        self._waiting: dict[int, asyncio.Future[Answer]] = {}

    def number(self) -> int:
        """A number no other request of this process has."""
        return next(self._numbers)

    async def ask(self, verb: Verb, target: Target, argument: str = "") -> Answer:
        """Ask the engine; its answer, after what must be kept is kept."""
        number = self.number()
        future: asyncio.Future[Answer] = asyncio.get_running_loop().create_future()
        self._waiting[number] = future
        try:
            self._feed([Asked(number, verb, target, argument)])
            return await future
        finally:
            del self._waiting[number]

    def answered(self, answer: Answer) -> None:
        """Hand an answer to whoever waits for it."""
        future = self._waiting.get(answer.request)
        if future is not None and not future.done():
            future.set_result(answer)
        log = _log.info if answer.accepted else _log.warning
        log("request.answered", target=answer.target.id, accepted=answer.accepted, text=answer.text)

    async def control(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """Answer a line of the control socket."""
        verb = request.get("verb")
        if verb == "status":
            return {"accepted": True, "text": "", "status": self._status()}
        if verb not in _SOCKET_VERBS:
            return refused(f"{verb!r} is no verb of this socket.")
        target = named(self._configuration.plan, str(request.get("target") or ""))
        if target is None:
            return refused(unknown(self._configuration.plan, str(request.get("target"))))
        answer = await self.ask(Verb(verb), target, str(request.get("argument") or ""))
        return {"accepted": answer.accepted, "text": answer.text}
