"""The door. `Engine.step(now, events) -> effects` is all that the outside uses of `rules`.

What a caller can rely on:

- The same events at the same instants give the same effects.
- Nothing is powered before `Restored`, `Configured` and a first fresh reading of the port.
- The new state is taken when `step` returns. If something unexpected is raised inside, the old state is put
  back, the events are taken one by one so that one bad event loses only itself, `internal-fault` is told,
  OFFs go on, and no ON is given for a while.
- The cost of a step grows with what changed, not with what exists.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from rules import configure, readings, requests
from rules.cost import metering
from rules.door import (
    Asked,
    BaselineLoaded,
    CalendarLoaded,
    ClockStatus,
    CommandResult,
    Configured,
    ControllerStatus,
    Counted,
    CountersLoaded,
    Effect,
    EffectDone,
    EnergyLoaded,
    Event,
    Expected,
    Heard,
    JobChanged,
    LearnedLoaded,
    Persist,
    Record,
    Restored,
    Stopping,
    Switch,
    Trouble,
    WakeAt,
)
from rules.errors import RulesError
from rules.faults import conditions
from rules.ports import Condition, Now, PortId, Reading, TargetKind
from rules.power import jobs, preshow, settle, switching
from rules.safety import JOURNAL_HOLDER
from rules.show_data import hearing, learning, nights
from rules.shows import schedule
from rules.shows.ics import read_ics
from rules.state import SiteState
from rules.step import Memo, Step, Timers
from rules.telling import tell_load, tell_site

NO_ON_AFTER_FAULT_S = 60.0
"""After an unexpected error no ON is given for this long [s]."""
OFF_AFTER_FAULT_S = 5.0
SHOW_TIMER = "shows"
FAULT_TIMER = "fault"
GATE_TIMER = "gate "
KEEP_TIMER = "keep"
KEEP_AGAIN_S = 5.0
"""What could not be written to disk is tried again after this long [s]; an ON goes on waiting for it."""
MOST_ROUNDS = 8
CLOCK_STEP_S = 2.0
"""A change of wall clock against monotonic seconds beyond this [s] is a step: shows are looked at anew."""


class Engine:
    """The rules of one site."""

    def __init__(self) -> None:
        self._site = SiteState()
        self._timers = Timers()
        self._memo = Memo()

    @property
    def state(self) -> SiteState:
        """What is known and decided, to look at after a step; never to change."""
        return self._site

    def step(self, now: Now, events: Sequence[Event]) -> list[Effect]:
        """Take in `events` at the instant `now`; say what shall happen.

        now.utc: aware, UTC; now.monotonic_s: never less than in the step before. Raises nothing.
        """
        due = self._timers.due(now.monotonic_s)
        step = Step(now, self._site, self._timers, self._memo)
        try:
            _take_in(step, events)
            _work(step, due)
        except Exception as error:
            step.undo()
            return self._limp(now, events, due, error)
        return _finish(step)

    def _limp(self, now: Now, events: Sequence[Event], due: list[str], error: Exception) -> list[Effect]:
        """After an unexpected error: the events one by one, each with its own undo, and OFFs in any case."""
        effects: list[Effect] = []
        problem = f"{type(error).__name__}: {error}"
        for event in events:
            step = Step(now, self._site, self._timers, self._memo)
            try:
                _take_in(step, [event])
                _mark_fault(step, problem)
                _work(step, [])
            except Exception as again:  # this event is the bad one: it is left out, and told
                step.undo()
                problem = f"{type(event).__name__}: {type(again).__name__}: {again}"
                continue
            effects += _finish(step)
        for key in [FAULT_TIMER, *due]:
            step = Step(now, self._site, self._timers, self._memo)
            try:
                _mark_fault(step, problem)
                _work(step, [] if key == FAULT_TIMER else [key])
            except Exception:  # what can not be settled stays as it is; its OFF follows
                step.undo()
                effects += _bare_off(now, self._site, key)
                continue
            effects += _finish(step)
        self._timers.at(now.monotonic_s + OFF_AFTER_FAULT_S, FAULT_TIMER)
        wake_s = self._timers.next_s()
        kept = [effect for effect in effects if not isinstance(effect, WakeAt)]
        return [*kept, WakeAt(max(now.monotonic_s, now.monotonic_s if wake_s is None else wake_s))]


def _bare_off(now: Now, site: SiteState, key: str) -> list[Effect]:
    """An OFF for a port that can't be settled and must not be on; nothing else is decided for it."""
    port = site.ports.get(PortId(key))
    if port is None or not switching.is_safety_off(port) or not port.plan.abilities.switch:
        return []
    site.next_id += 1
    return [
        Switch(site.next_id - 1, port.plan.id, False),
        Record("switch", now.utc, port.target, {"power": False, "reason": port.verdict.reason}),
    ]


def _mark_fault(step: Step, problem: str) -> None:
    step.site.fault_until_s = step.now.monotonic_s + NO_ON_AFTER_FAULT_S
    step.timers.at(step.site.fault_until_s, FAULT_TIMER)
    if step.site.plan is not None:
        conditions.raise_(step, step.site, Condition.INTERNAL_FAULT, detail=problem)


# ---------------------------------------------------------------- events


def _take_in(step: Step, events: Sequence[Event]) -> None:
    for event in events:
        if type(event) is Reading:
            readings.read(step, event)
        elif step.site.plan is None and not isinstance(event, Configured | Restored):
            raise RulesError(f"{type(event).__name__} came before Configured")
        else:
            _TAKE[type(event)](step, event)


def _result(step: Step, event: CommandResult) -> None:
    port = step.site.ports.get(event.port)
    if port is not None:
        switching.resolve(step, port, event)


def _calendar(step: Step, event: CalendarLoaded) -> None:
    site = step.site
    problem = event.problem
    if event.content is not None:
        try:
            loaded = read_ics(event.content, step.plan.place)
        except RulesError as error:
            problem = f"{event.name}: {error}"
        else:
            site.calendars = {**site.calendars, event.name: loaded}
            problem = "; ".join(f"{event.name}: {warning}" for warning in loaded.warnings)
            _refresh_shows(step)
    before = site.calendar_problems
    others = {name: text for name, text in before.items() if name != event.name}
    site.calendar_problems = {**others, event.name: problem} if problem else others
    if site.calendar_problems == before:
        return
    conditions.return_(step, site, Condition.CALENDAR_FAULT)
    if site.calendar_problems:
        detail = "; ".join(site.calendar_problems.values())
        conditions.raise_(step, site, Condition.CALENDAR_FAULT, detail=detail)


def _clock(step: Step, event: ClockStatus) -> None:
    site = step.site
    if site.clock_trusted is event.synchronised:
        return
    site.clock_trusted = event.synchronised
    if event.synchronised:
        conditions.return_(step, site, Condition.CLOCK_UNTRUSTED)
    elif not step.plan.trust_clock:
        conditions.raise_(step, site, Condition.CLOCK_UNTRUSTED)
    if not step.plan.trust_clock:
        step.look_at_all()


def _done(step: Step, event: EffectDone) -> None:
    site = step.site
    if event.ok:
        if site.unkept_id == event.id:
            site.unkept_id = None
        if not any(hold.holder == JOURNAL_HOLDER for hold in site.holds):  # a lost one is not mended
            conditions.return_(step, site, Condition.JOURNAL_FAULT)
    else:
        conditions.raise_(step, site, Condition.JOURNAL_FAULT, detail=event.detail)
        step.timers.at(step.now.monotonic_s + KEEP_AGAIN_S, KEEP_TIMER)


def _baseline(step: Step, event: BaselineLoaded) -> None:
    port = step.site.ports.get(event.port)
    if port is not None:
        metering.learned(step, port, event.idle_a, event.spread_a)


def _trouble(step: Step, event: Trouble) -> None:
    part: Any = step.site
    if event.target.kind is TargetKind.CONTROLLER:
        part = step.site.controllers.get(event.target.id, step.site)
    if event.active:
        conditions.raise_(step, part, event.condition, detail=event.detail)
    else:
        conditions.return_(step, part, event.condition)


def _stopping(step: Step, event: Stopping) -> None:
    step.site.stopping = event.power_off
    for port in step.site.ports.values():
        step.touch(port)
        metering.tell_energy(step, port)
    metering.tell_site_energy(step)
    if event.power_off:
        step.look_at_all()


_TAKE: dict[type[Any], Callable[[Step, Any], None]] = {
    Restored: configure.restore,
    Configured: configure.adopt_plan,
    CalendarLoaded: _calendar,
    BaselineLoaded: _baseline,
    EnergyLoaded: metering.load_energy,
    CountersLoaded: metering.load_counters,
    ClockStatus: _clock,
    ControllerStatus: readings.status,
    CommandResult: _result,
    Asked: requests.ask,
    EffectDone: _done,
    Trouble: _trouble,
    Stopping: _stopping,
    JobChanged: jobs.change,
    Counted: jobs.counted,
    Heard: hearing.heard,
    Expected: hearing.expected,
    LearnedLoaded: learning.load,
}


# ---------------------------------------------------------------- what follows


def _work(step: Step, due: list[str]) -> None:
    site = step.site
    if site.plan is None:
        return
    show_due = False
    for key in due:
        if key == SHOW_TIMER:
            show_due = True
        elif key == FAULT_TIMER:
            _fault_timer(step)
        elif key == preshow.PRE_SHOW_TIMER:
            preshow.timer(step)
        elif key == conditions.SHELF_TIMER:
            conditions.unshelve_due(step)
        elif key == conditions.STALE_TIMER:
            conditions.tell_stale(step)
        elif key == conditions.NUISANCE_TIMER:
            conditions.pass_nuisances(step)
        elif key == KEEP_TIMER and site.unkept_id is not None:
            step.must_keep()
        elif key == KEEP_TIMER and conditions.is_active(site, Condition.JOURNAL_FAULT):
            step.keep_anew()
        elif key.startswith(nights.TIMER):
            nights.timer(step, PortId(key.removeprefix(nights.TIMER)))
        elif key.startswith(GATE_TIMER):
            if key.removeprefix(GATE_TIMER) in site.supplies:
                step.gates[key.removeprefix(GATE_TIMER)] = None
        elif key in site.ports:
            timed = site.ports[PortId(key)]
            step.look_at(timed)
    _follow_clock(step)
    _decide(step, show_due=show_due)
    if configure.finish_succession(step):
        _decide(step)
    tell_load(step)
    if step.site_dirty:
        if Condition.OVER_BUDGET in site.alarms:
            settle.end_over_budget(step)
        tell_site(step)


def _decide(step: Step, *, show_due: bool = False) -> None:
    """Shows first, then every port that is to be looked at, until nothing moves any more."""
    if step.show_dirty or show_due or step.now.utc >= step.site.show_check_utc:
        _advance_shows(step)
    rounds = 0
    while step.dirty or step.gates:
        if not step.dirty:
            _open_gates(step)
            continue
        port_ids, step.dirty = step.dirty, {}
        for port_id in port_ids:
            port = step.site.ports.get(port_id)
            if port is not None:
                settle.settle(step, port)
        rounds += 1
        if rounds > MOST_ROUNDS:
            raise RulesError(f"decisions do not come to rest: {', '.join(step.dirty)}")


def _fault_timer(step: Step) -> None:
    """Every few seconds after an unexpected error: OFFs that are owed go on; at the end ONs may come back."""
    site = step.site
    if step.now.monotonic_s >= site.fault_until_s:
        conditions.return_(step, site, Condition.INTERNAL_FAULT)
        step.look_at_all()
    else:
        step.timers.at(min(step.now.monotonic_s + OFF_AFTER_FAULT_S, site.fault_until_s), FAULT_TIMER)
        for port in site.ports.values():
            if port.off_owed:
                step.look_at(port)


def _follow_clock(step: Step) -> None:
    offset_s = step.now.utc.timestamp() - step.now.monotonic_s
    known_s = step.site.utc_offset_s
    if known_s is None or abs(offset_s - known_s) > CLOCK_STEP_S:
        step.site.utc_offset_s = offset_s
        step.show_dirty = True
        if known_s is not None:  # timers kept their seconds, but these go by the wall clock
            preshow.schedule(step)
            conditions.unshelve_due(step)


def _refresh_shows(step: Step) -> None:
    site = step.site
    site.shows = {
        show_id: schedule.refreshed(show, step.plan.place, site.calendars, step.now.utc, force=True)
        for show_id, show in site.shows.items()
    }
    step.show_dirty = True


def _advance_shows(step: Step) -> None:
    """The phase of every show that may change now; ports of shows that changed are looked at again."""
    site, now = step.site, step.now
    shows, changes = dict(site.shows), dict[str, datetime]()
    for show_id, before in site.shows.items():
        changes[show_id] = site.show_changes_utc.get(show_id, now.utc)
        timed = before.started_until_s is not None or before.silent_s is not None
        if not step.show_dirty and not timed and now.utc < changes[show_id]:
            continue
        show = schedule.refreshed(before, step.plan.place, site.calendars, now.utc)
        known_done = show.done
        show = schedule.advanced(show, now.utc, now.monotonic_s)
        if show.done != known_done and not settle.trusts_clock(step):
            show = replace(show, done=known_done)  # what ends by a wrong clock has not run
        shows[show_id] = show
        if show is not before:
            step.site_dirty = True
            for port_id in show.plan.needs:
                step.dirty[port_id] = None
        if show.started_until_s is not None:
            step.timers.at(show.started_until_s, SHOW_TIMER)
        if show.silent_s is not None and show.phase is schedule.Phase.RUN_ON:
            step.timers.at(show.silent_s + show.plan.run_on_s, SHOW_TIMER)
        changes[show_id] = schedule.next_change(show, now.utc)
    site.shows, site.show_changes_utc = shows, changes
    site.show_check_utc = min(changes.values(), default=now.utc + timedelta(days=1))
    step.timers.at(now.monotonic_s + max(0.0, (site.show_check_utc - now.utc).total_seconds()), SHOW_TIMER)
    if step.site_dirty or "next-show" not in site.published:
        starts = [schedule.next_start(show, now.utc) for show in shows.values()]
        step.tell(site, "next-show", min((start for start in starts if start is not None), default=None))


def _open_gates(step: Step) -> None:
    gates, step.gates = step.gates, {}
    for supply_id in gates:
        supply = step.site.supplies[supply_id]
        plan = step.plan.supplies[supply_id]
        gate, through = supply.gate.admit(
            plan, step.now.monotonic_s, lambda port: step.plan.ports[port].stands_for
        )
        if gate is not supply.gate:
            step.touch(supply)
            supply.gate = gate
        for port_id in through:
            port = step.site.ports[port_id]
            if switching.wants_on(step, port) and settle.fits_budget(step, port):
                switching.give_on(step, port)
        if gate.waiting:
            step.timers.at(gate.opens_s, f"{GATE_TIMER}{supply_id}")


def _finish(step: Step) -> list[Effect]:
    effects = step.effects
    configure.note_kept(step)
    if step.keep is not None:
        effects.insert(0, Persist(step.keep, configure.safety_of(step)))
    wake_s = step.timers.next_s()
    if wake_s is not None:
        effects.append(WakeAt(max(wake_s, step.now.monotonic_s)))
    return effects
