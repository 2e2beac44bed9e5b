"""The days ahead: the engine itself, driven by a clock of its own, over controllers that obey.

There is no second logic: every instant, every on and off and every reason comes out of `Engine.step`. The
controllers of the preview answer at once, never fail and report by themselves whenever something changes,
so the clock can go from one wake to the next. Ports that can't differ are worked once (`folding`).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

from rules.door import (
    CalendarLoaded,
    ClockStatus,
    CommandResult,
    Configured,
    ControllerStatus,
    Effect,
    EffectDone,
    Event,
    Heard,
    Origin,
    Outcome,
    Persist,
    Publish,
    Restored,
    Switch,
    WakeAt,
)
from rules.engine import Engine
from rules.errors import RulesError
from rules.outlook.folding import Folded, fold
from rules.plan import SitePlan
from rules.ports import Condition, Now, PortId, Reading
from rules.safety import SafetyState
from rules.shows.schedule import MEMORY, Phase, ShowState

ALWAYS_FRESH_S = 1e12
"""A controller that reports every change by itself is never out of date [s]."""
MOST_EXACT = 30_000
"""Ports to be worked x shows x days above which a preview is coarse (about two seconds)."""
MOST_STEPS_AT_ONCE = 10_000


class Change(NamedTuple):
    """From `at_utc` on a port has power or not, for this reason in words."""

    at_utc: datetime
    power: bool
    reason: str


@dataclass(frozen=True, slots=True)
class Fate:
    """What becomes of `ports`, which share it to the second. Changes in order, the first at the start."""

    ports: tuple[PortId, ...]
    changes: tuple[Change, ...]

    def at(self, instant_utc: datetime) -> Change:
        """What holds at an instant of the preview."""
        found = self.changes[0]
        for change in self.changes:
            if change.at_utc > instant_utc:
                break
            found = change
        return found

    def powered(self, end_utc: datetime) -> list[tuple[datetime, datetime]]:
        """The stretches with power until `end_utc`, half-open and apart."""
        found: list[tuple[datetime, datetime]] = []
        since = None
        for change in self.changes:
            if change.power and since is None:
                since = change.at_utc
            elif not change.power and since is not None:
                found.append((since, change.at_utc))
                since = None
        if since is not None and since < end_utc:
            found.append((since, end_utc))
        return found


class Run(NamedTuple):
    """One run of a show: its ports begin to come on, it starts, it ends, its ports go dark."""

    show: str
    on_utc: datetime
    start_utc: datetime
    end_utc: datetime
    off_utc: datetime


class OverBudget(NamedTuple):
    """A supply that would carry more than its budget: from when until when."""

    supply: str
    start_utc: datetime
    end_utc: datetime


@dataclass(frozen=True, slots=True)
class Preview:
    """What the rules will do in [start_utc, end_utc) if nothing fails and nobody interferes."""

    plan: SitePlan
    start_utc: datetime
    end_utc: datetime
    fates: tuple[Fate, ...]
    runs: tuple[Run, ...]
    over_budget: tuple[OverBudget, ...]
    problems: tuple[str, ...]
    """What is wrong with calendar files, in sentences."""
    coarse: bool = False
    """Like neighbours on a supply were worked once: each is shown from when the first of them comes on."""

    def fate_of(self) -> dict[PortId, Fate]:
        """Every port's fate, in plan order."""
        by_port = {port: fate for fate in self.fates for port in fate.ports}
        return {port: by_port[port] for port in self.plan.ports}


class _Site:
    """The engine, its clock and its obedient controllers, and what came of them."""

    def __init__(self, plan: SitePlan, start_utc: datetime) -> None:
        self.engine = Engine()
        self.start_utc = start_utc
        self.now = Now(start_utc, 0.0)
        self.power = dict.fromkeys(plan.ports, False)
        self.reason = dict.fromkeys(plan.ports, "")
        self.changes: dict[PortId, list[Change]] = {port: [] for port in plan.ports}
        self.runs: dict[tuple[str, datetime], Run] = {}
        self.over: dict[str, datetime] = {}
        self.over_budget: list[OverBudget] = []
        self.wake_s = 0.0
        self._plan = plan
        self._shows: Mapping[str, ShowState] = {}

    def play(self, events: list[Event], end_utc: datetime) -> None:
        """Drive the engine from wake to wake until `end_utc`."""
        steps = 0
        while True:
            effects = self.engine.step(self.now, events)
            events = self._obey(effects)
            self._look()
            if not events:
                wake_utc = self.start_utc + timedelta(seconds=self.wake_s)
                if wake_utc >= end_utc:
                    return
                steps = steps + 1 if self.wake_s <= self.now.monotonic_s else 0
                self.now = Now(wake_utc, self.wake_s)
            else:
                steps += 1
            if steps > MOST_STEPS_AT_ONCE:
                raise RulesError(f"The rules do not come to rest at {self.now.utc:%Y-%m-%d %H:%M:%S} UTC.")

    def _obey(self, effects: Sequence[Effect]) -> list[Event]:
        """Carry the effects out; what the controllers and the disk say to it."""
        events: list[Event] = []
        touched: dict[PortId, None] = {}
        for effect in effects:
            kind = type(effect)
            if kind is Publish and effect.property == "reason":  # type: ignore[union-attr]
                port = PortId(effect.target.id)  # type: ignore[union-attr]
                self.reason[port] = str(effect.value)  # type: ignore[union-attr]
                touched[port] = None
            elif isinstance(effect, Switch):
                self.power[effect.port] = effect.power
                touched[effect.port] = None
                events.append(CommandResult(effect.id, effect.port, Outcome.ACCEPTED))
                events.append(self.reading(effect.port))
            elif isinstance(effect, WakeAt):
                self.wake_s = effect.monotonic_s
            elif isinstance(effect, Persist):
                events.append(EffectDone(effect.id, ok=True))
        for port in touched:
            change = Change(self.now.utc, self.power[port], self.reason[port])
            known = self.changes[port]
            if known and known[-1].at_utc == change.at_utc:
                known[-1] = change
            else:
                known.append(change)
        return events

    def reading(self, port: PortId) -> Reading:
        """What the port's controller says of it."""
        told = self._plan.ports[port].abilities
        return Reading(
            port,
            self.now.monotonic_s,
            power=self.power[port] if told.readback else None,
            tripped=False if told.trip else None,
        )

    def _look(self) -> None:
        """Which shows run, and which supplies are over budget."""
        state = self.engine.state
        if state.shows is not self._shows:
            self._shows = state.shows
            for show in state.shows.values():
                if show.phase is not Phase.IDLE and show.current is not None:
                    self._run(show)
        if Condition.OVER_BUDGET in state.alarms or self.over:
            for name, supply in state.supplies.items():
                if supply.over_words:
                    self.over.setdefault(name, self.now.utc)
                elif name in self.over:
                    self.over_budget.append(OverBudget(name, self.over.pop(name), self.now.utc))

    def _run(self, show: ShowState) -> None:
        span = show.current
        assert span is not None
        key = (show.plan.id, span.start_utc)
        off_utc = span.end_utc + timedelta(seconds=show.plan.run_on_s)
        on_utc = self.runs[key].on_utc if key in self.runs else min(self.now.utc, span.start_utc)
        self.runs[key] = Run(show.plan.id, on_utc, span.start_utc, span.end_utc, off_utc)

    def joined_runs(self) -> list[Run]:
        """All runs by their beginning. One that goes on for days was met in parts, as spans became known."""
        found: dict[str, list[Run]] = {}
        for run in sorted(self.runs.values(), key=lambda run: (run.start_utc, run.end_utc)):
            own = found.setdefault(run.show, [])
            if own and run.start_utc <= own[-1].end_utc:
                on_utc = min(own[-1].on_utc, run.on_utc)
                end_utc, off_utc = max(own[-1].end_utc, run.end_utc), max(own[-1].off_utc, run.off_utc)
                own[-1] = Run(run.show, on_utc, own[-1].start_utc, end_utc, off_utc)
            else:
                own.append(run)
        return sorted((run for own in found.values() for run in own), key=lambda run: run.on_utc)


def preview(
    plan: SitePlan,
    calendars: Mapping[str, bytes | str],
    start_utc: datetime,
    end_utc: datetime,
    *,
    coarse: bool | None = None,
) -> Preview:
    """Play [start_utc, end_utc), both aware UTC, on a site without faults, holds and hands.

    calendars: the bytes of each calendar file the shows name, or why it can't be read. The clock counts as
    synchronised, and shows that follow their data have them, so they are seen as long as they may be. A day
    before the start is played too, so that what runs over the start is seen as it is.
    coarse: like neighbours on a supply are worked once, see `folding`; None: where much is asked.
    Raises RulesError if the rules do not come to rest.
    """
    start_utc, end_utc = start_utc.astimezone(UTC), end_utc.astimezone(UTC)
    folded = fold(_reporting(plan))
    if coarse is None:
        asked = len(folded.plan.ports) * max(1, len(plan.shows)) * (end_utc - start_utc).days
        coarse = asked > MOST_EXACT
    if coarse:
        folded = fold(_reporting(plan), coarse=True)
    site = _Site(folded.plan, start_utc - MEMORY)
    first: list[Event] = [
        Configured(folded.plan),
        Restored(SafetyState(), Origin.FIRST_START),
        ClockStatus(synchronised=True),
    ]
    problems: list[str] = []
    for name, content in calendars.items():
        if isinstance(content, str):
            problems.append(f"{name}: {content}")  # and the engine says so too
        first.append(
            CalendarLoaded(name, None, content) if isinstance(content, str) else CalendarLoaded(name, content)
        )
    data = {universe for show in folded.plan.shows for universe in show.data}
    if data:
        first.append(Heard(tuple(sorted(data))))
    first += [ControllerStatus(controller, reachable=True) for controller in folded.plan.controllers]
    first += [site.reading(port) for port in folded.plan.ports]
    site.play(first, end_utc)
    problems += [
        detail for (_, what), detail in site.engine.state.details.items() if what in _TELL and detail
    ]
    return Preview(
        plan,
        start_utc,
        end_utc,
        tuple(
            Fate(folded.stands_for[port], _cut(changes, start_utc)) for port, changes in site.changes.items()
        ),
        tuple(run for run in site.joined_runs() if run.off_utc > start_utc),
        tuple(_over(site, folded, start_utc, end_utc)),
        tuple(dict.fromkeys(problems)),
        coarse,
    )


_TELL = (Condition.CALENDAR_FAULT, Condition.INTERNAL_FAULT)


def _reporting(plan: SitePlan) -> SitePlan:
    controllers = {
        name: replace(controller, stale_s=ALWAYS_FRESH_S) for name, controller in plan.controllers.items()
    }
    return replace(plan, controllers=controllers)


def _cut(changes: list[Change], start_utc: datetime) -> tuple[Change, ...]:
    """The changes from `start_utc` on, the one that holds then first."""
    held = Change(start_utc, False, "Off: nothing is known yet.")
    later = []
    for change in changes:
        if change.at_utc <= start_utc:
            held = change._replace(at_utc=start_utc)
        else:
            later.append(change)
    return (held, *later)


def _over(site: _Site, folded: Folded, start_utc: datetime, end_utc: datetime) -> list[OverBudget]:
    found = site.over_budget + [OverBudget(name, since, end_utc) for name, since in site.over.items()]
    return [
        OverBudget(supply, max(one.start_utc, start_utc), one.end_utc)
        for one in sorted(found, key=lambda one: one.start_utc)
        if one.end_utc > start_utc
        for supply in folded.supplies[one.supply]
    ]
