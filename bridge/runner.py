"""Steps the engine and carries out what it says. All of it runs on the event loop, in one thread.

Events are collected and taken in one step per turn of the loop. Effects that wait for something to be on
disk are held here until the journal has it. Whatever goes wrong while one effect is carried out is logged
and told as a condition; the others go on.
"""

import asyncio
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from functools import partial
from typing import Any, Protocol

import structlog

from bridge.clock import Clock
from bridge.controllers.base import Controller
from bridge.errors import TransientError
from bridge.threads import in_thread
from rules.door import (
    Adopted,
    Alert,
    Answer,
    CommandResult,
    CountPixels,
    Effect,
    EffectDone,
    Event,
    JobEnded,
    Outcome,
    Persist,
    Presence,
    Publish,
    Record,
    Remark,
    Switch,
    Trouble,
    WakeAt,
)
from rules.engine import Engine
from rules.ports import Condition, Now, Reading, Target, TargetKind, controller_of, number_of
from rules.safety import SafetyState

_log = structlog.get_logger()

LONGEST_SLEEP_S = 1.0
"""A step at least this often [s]: a clock that was set is noticed within this time."""
HURRY_S = 10.0
"""A controller is read at its fast pace for this long [s] after a command."""


class Keeper(Protocol):
    """Writes the safety state to disk; called in a thread."""

    def write(self, safety: SafetyState) -> None:
        """Return once it is on disk; raise TransientError if it can't be."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Takers:
    """Who takes what the engine says; each is called on the event loop and returns at once.

    outlet: what is published; record: for the history; readings: what was read in a step, and when; adopted:
    whether a new plan was; answer: to a request; job: counts to begin and jobs that ended.
    """

    outlet: Callable[[Publish | Alert | Presence | Remark | Answer], None]
    record: Callable[[Record], None]
    readings: Callable[[Now, list[Reading]], None]
    adopted: Callable[[Adopted], None]
    answer: Callable[[Answer], None]
    job: Callable[[CountPixels | JobEnded], None]


class Runner:
    """The engine at work, inside a running loop. Say who `takes` its effects, `feed` it events, `stop` it.

    keeper: writes the safety state.
    """

    takes: Takers
    """To be said before the first step."""

    def __init__(self, clock: Clock, keeper: Keeper) -> None:
        self.engine = Engine()
        self.controllers: dict[str, Controller] = {}
        """They carry out the commands, by id."""
        self.stepped_s = clock.now().monotonic_s
        """When the engine's last step was completed [monotonic s]."""
        self._clock = clock
        self._keeper = keeper
        self._events: list[Event] = []
        self._scheduled = False
        self._wake: asyncio.TimerHandle | None = None
        self._kept_id = 0
        self._to_keep: Persist | None = None
        self._keep_asked = asyncio.Event()
        self._waiting: list[Switch | Answer] = []
        self._tasks: set[asyncio.Task[None]] = set()
        self._stopped = False

    # ------------------------------------------------------------ in

    def feed(self, events: list[Event]) -> None:
        """Take in events; the step follows within this turn of the loop."""
        self._events += events
        if not self._scheduled and not self._stopped:
            self._scheduled = True
            asyncio.get_running_loop().call_soon(self._step)

    def step_now(self, events: list[Event]) -> None:
        """Take in events and step at once."""
        self._events += events
        self._step()

    def _step(self) -> None:
        self._scheduled = False
        if self._stopped:
            return
        events, self._events = self._events, []
        now = self._clock.now()
        effects = self.engine.step(now, events)
        self.stepped_s = now.monotonic_s
        wake_s = None
        for effect in effects:
            if type(effect) is WakeAt:
                wake_s = effect.monotonic_s
                continue
            self._attempt(self._carry_out, effect)
        readings = [event for event in events if type(event) is Reading]
        if readings:
            self.takes.readings(now, readings)
        self._sleep_until(wake_s)

    def _sleep_until(self, wake_s: float | None) -> None:
        if self._wake is not None:
            self._wake.cancel()
        delay_s = LONGEST_SLEEP_S
        if wake_s is not None:
            delay_s = min(delay_s, max(0.0, wake_s - self._clock.now().monotonic_s))
        self._wake = asyncio.get_running_loop().call_later(delay_s, self._step)

    def _attempt(self, work: Callable[[Any], None], effect: Effect) -> None:
        """Do what an effect asks for: one that fails must not take the others with it."""
        try:
            work(effect)
        except Exception as error:
            _log.exception("runner.effect_failed", effect=type(effect).__name__)
            self._tell_fault(error)

    def _tell_fault(self, error: Exception) -> None:
        detail = f"{type(error).__name__}: {error}"
        self.feed([Trouble(Condition.INTERNAL_FAULT, True, Target(TargetKind.SITE, ""), detail)])

    # ------------------------------------------------------------ out

    def _carry_out(self, effect: Effect) -> None:
        if isinstance(effect, Publish | Alert | Presence | Remark):
            self.takes.outlet(effect)
        elif isinstance(effect, Switch | Answer):
            if effect.after is not None and effect.after > self._kept_id:
                self._waiting.append(effect)
            else:
                self._release(effect)
        elif isinstance(effect, Persist):
            self._to_keep = effect
            self._keep_asked.set()
        elif isinstance(effect, Record):
            self.takes.record(effect)
        elif isinstance(effect, CountPixels | JobEnded):
            self.takes.job(effect)
        elif isinstance(effect, Adopted):
            self.takes.adopted(effect)

    def _release(self, effect: Switch | Answer) -> None:
        if isinstance(effect, Answer):
            self.takes.answer(effect)
            self.takes.outlet(effect)
            return
        self._spawn(self._command(effect), name=f"switch {effect.port} {'on' if effect.power else 'off'}")

    def _spawn(self, work: Coroutine[Any, Any, None], *, name: str) -> None:
        task = asyncio.create_task(work, name=name)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _command(self, effect: Switch) -> None:
        controller = self.controllers.get(controller_of(effect.port))
        if controller is None:
            outcome, detail = Outcome.NOT_SENT, "its controller is not there"
        else:
            outcome, detail = await controller.command(
                number_of(effect.port), effect.power, clear=effect.clear
            )
            controller.hurry(HURRY_S)
        log = _log.info if outcome is Outcome.ACCEPTED else _log.warning
        log("port.switched", port=effect.port, power=effect.power, outcome=outcome.value, detail=detail)
        self.feed([CommandResult(effect.id, effect.port, outcome, detail)])

    async def keep(self) -> None:
        """The journal's task, for ever: write the newest safety state, then let go what waited for it."""
        told = ""  # once: what is tried each few seconds would fill the log of a full disk
        while True:
            await self._keep_asked.wait()
            self._keep_asked.clear()
            effect, self._to_keep = self._to_keep, None
            if effect is None:
                continue
            try:
                await in_thread(partial(self._keeper.write, effect.safety), left_behind=False)
            except TransientError as error:
                log = _log.debug if str(error) == told else _log.error
                log("journal.unwritable", detail=str(error))
                told = str(error)
                self._let_go(effect.id, kept=False)
                self.feed([EffectDone(effect.id, False, str(error))])
            except Exception as error:
                _log.exception("journal.unexpected")
                self._let_go(effect.id, kept=False)
                self.feed([EffectDone(effect.id, False, f"{type(error).__name__}: {error}")])
            else:
                if told:
                    _log.info("journal.writable")
                    told = ""
                self._kept_id = max(self._kept_id, effect.id)
                self._let_go(effect.id, kept=True)
                self.feed([EffectDone(effect.id, True)])

    def _let_go(self, up_to: int, *, kept: bool) -> None:
        ready = [effect for effect in self._waiting if (effect.after or 0) <= up_to]
        self._waiting = [effect for effect in self._waiting if (effect.after or 0) > up_to]
        for effect in ready:
            if kept:
                self._attempt(self._release, effect)
            elif isinstance(effect, Switch):
                self.feed(
                    [CommandResult(effect.id, effect.port, Outcome.NOT_SENT, "the journal can't be written")]
                )
            else:
                text = f"{effect.text} But it can't be written to disk now, so a crash would forget it."
                unkept = Answer(effect.request, effect.target, effect.accepted, text)
                self._attempt(self._release, unkept)

    async def stop(self) -> None:
        """Step no more; commands under way are broken off."""
        self._stopped = True
        if self._wake is not None:
            self._wake.cancel()
        for task in tuple(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
