"""Plans and kept state come in: the first plan, a new plan, what the journal restored."""

from collections.abc import Collection, Mapping
from dataclasses import replace
from datetime import timedelta
from types import MappingProxyType

from rules.cost import metering
from rules.cost.energy import GAP_S
from rules.door import Adopted, Configured, EnergyLoaded, Origin, Remark, Restored, Value
from rules.electrics.load import port_loads
from rules.errors import RulesError
from rules.faults import alarms, conditions
from rules.faults.alarms import AlarmEvent
from rules.plan import PropPlan, SitePlan
from rules.ports import Condition, HoldState, Mode, PortId, Target, TargetKind, controller_of
from rules.power import jobs, preshow, reclose, staging
from rules.power.holding import hangs_on
from rules.safety import JOURNAL_HOLDER, Hold, SafetyState, Shelved, Tripped
from rules.show_data import hearing, learning
from rules.shows import schedule
from rules.state import NEVER_S, ControllerState, PortState, SiteState, SupplyState
from rules.step import Step
from rules.telling import tell_holds

FLOORS_S = 300.0
"""Energy counters in the safety journal are at most this old [s] when it is written."""
LEAVE_WITHIN_S = 20.0
"""Ports that leave the configuration have this long [s] to be proven dark; then the plan counts anyway."""


def adopt_plan(step: Step, event: Configured) -> None:
    """Take over a plan; refuse one that would drop a port that is held or locked out."""
    site = step.site
    if site.plan is None:
        step.effects.append(Adopted(event.plan, True))
        _install(step, event.plan)
        return
    objections = _objections(site, event.plan)
    if objections:
        _refuse(step, event.plan, objections)
        return
    site.successor = event.plan
    site.successor_until_s = step.now.monotonic_s + LEAVE_WITHIN_S
    _let_leave(step, event.plan)


def _refuse(step: Step, plan: SitePlan, objections: list[str]) -> None:
    text = " ".join(objections)
    step.effects.append(Adopted(plan, False, text))
    step.effects.append(Remark("error", step.site.target, f"The new configuration is refused. {text}"))


def _let_leave(step: Step, plan: SitePlan) -> None:
    """Ports that `plan` does not name go dark; one that an earlier plan would have dropped stays again."""
    for port_id, port in step.site.ports.items():
        leaves = port_id not in plan.ports
        if leaves is not port.leaving:
            step.touch(port)
            port.leaving = leaves
            step.look_at(port)
        if leaves:
            step.timers.at(step.site.successor_until_s, port_id)


def _objections(site: SiteState, plan: SitePlan) -> list[str]:
    assert site.plan is not None
    found = []
    if plan.id != site.plan.id:
        found.append(
            f"The site's id can't change from {site.plan.id} to {plan.id} while running; restart instead."
        )
    props = _props_of(plan)
    for port_id, port in site.ports.items():
        held = _loses_hold(site, port, props.get(port_id)) if port_id in plan.ports else None
        if held is not None:
            found.append(f"{port_id} ({port.plan.name}) is held by {held}: release it before that is undone.")
        elif port_id not in plan.ports and (port.hold_proof is not HoldState.NONE or _is_held(site, port)):
            found.append(f"{port_id} ({port.plan.name}) is held: release it before it leaves.")
        elif port_id not in plan.ports and port.reclose.tripped:
            found.append(f"{port_id} ({port.plan.name}) is tripped or locked out: reset it before it leaves.")
    return found


def _loses_hold(site: SiteState, port: PortState, prop: PropPlan | None = None) -> str | None:
    """The holder of a hold that keeps `port` dead now, and would not as a feed of `prop` (or alone)."""
    if not site.holds:
        return None
    before = hangs_on(site.target, port.prop, port.feeds)
    feeds = (port.plan.id,) if prop is None else prop.fed_by
    after = hangs_on(site.target, None if prop is None else prop.id, feeds)
    return next((hold.holder for hold in site.holds if hold.target in before - after), None)


def _is_held(site: SiteState, port: PortState) -> bool:
    targets = hangs_on(site.target, port.prop, port.feeds) - {site.target}
    return any(hold.target in targets for hold in site.holds)


def _props_of(plan: SitePlan) -> dict[PortId, PropPlan]:
    """The prop of every port that feeds one."""
    return {port: prop for prop in plan.props.values() for port in prop.fed_by}


def finish_succession(step: Step) -> bool:
    """Take the waiting plan once the ports that leave are dark, or too late; say whether it was taken."""
    site = step.site
    if site.successor is None:
        return False
    lit = [port for port in site.ports.values() if port.leaving and port.seen_power is True]
    if lit and step.now.monotonic_s < site.successor_until_s:
        return False
    objections = _objections(site, site.successor)
    if objections:  # held or tripped while it was waited for
        plan, site.successor = site.successor, None
        _refuse(step, plan, objections)
        _let_leave(step, step.plan)
        return True
    if lit:
        names = ", ".join(port.plan.id for port in lit)
        step.effects.append(
            Remark("error", site.target, f"Left the configuration without being proven off: {names}.")
        )
    plan, site.successor = site.successor, None
    step.effects.append(Adopted(plan, True))
    _install(step, plan)
    return True


def _install(step: Step, plan: SitePlan) -> None:
    site = step.site
    before = site.ports
    kept = None
    for port_id, known in before.items():
        if port_id not in plan.ports:
            metering.leave(step, known)
    if site.restored and before.keys() != plan.ports.keys():
        note_kept(step)
        site.floors_next_s = NEVER_S  # counters of ports that leave, as they are now
        kept = safety_of(step)
    site.plan = plan
    site.target = Target(TargetKind.SITE, plan.id)
    of_prop = _props_of(plan)
    calls: dict[PortId, set[str]] = {}
    for show in plan.shows:
        for port_id in show.needs:
            calls.setdefault(port_id, set()).add(show.id)
    loads = port_loads(plan)
    ports, other_strings = {}, []
    for index, (port_id, port_plan) in enumerate(plan.ports.items()):
        prop = of_prop.get(port_id)
        feeds = prop.fed_by if prop is not None else (port_id,)
        port = site.ports.get(port_id)
        if port is None:
            port = PortState(port_plan, index, feeds, None)
        else:
            step.touch(port)
        if port.plan is not port_plan and (port.plan.idle_a, port.plan.pixels) != (
            port_plan.idle_a,
            port_plan.pixels,
        ):
            other_strings.append(port)
        if port.plan.pixels != port_plan.pixels:
            port.counted = None
        port.plan, port.index, port.feeds = port_plan, index, feeds
        port.prop = prop.id if prop is not None else None
        port.shows = frozenset(calls.get(port_id, ()))
        supply = plan.supplies.get(port_plan.supply) if port_plan.supply is not None else None
        controller = plan.controllers[controller_of(port_id)]
        expected = loads[port_id].expected
        port.expected_a = None if expected is None else expected.full_a
        port.computed_idle_a = expected.dark_a if port_plan.idle_a is None and expected else port_plan.idle_a
        if not port.facts.learned:
            port.facts = port.facts._replace(idle_a=port.computed_idle_a)
        port.meter.volts_v = None if supply is None else supply.volts_v
        port.meter.gap_s = max(GAP_S, 2 * controller.stale_s)
        port.facts = port.facts._replace(
            rating_a=port_plan.rating_a,
            abilities=port_plan.abilities,
            nominal_v=None if supply is None else supply.volts_v,
            gap_s=controller.stale_s,
        )
        hearing.prepare(plan, port)
        ports[port_id] = port
    site.ports = MappingProxyType(ports)
    site.controllers = MappingProxyType({key: _controller(step, plan, key) for key in plan.controllers})
    site.supplies = MappingProxyType(_supplies(step, plan))
    site.shows = _shows(step, plan)
    for port in other_strings:
        metering.relearn(step, port)
    for port in ports.values():
        learning.follow_plan(step, port)
    site.ports_on = sum(port.seen_power is True for port in ports.values())
    site.load_w = sum(port.load_w for port in ports.values())
    parts: list[PortState | ControllerState | SiteState] = [site, *site.controllers.values(), *ports.values()]
    site.faults = sum(bool(part.alarms) for part in parts)
    _tell_all(step)
    if kept is not None:
        _exchange(step, kept, before)
        step.must_keep()
    step.show_dirty = step.site_dirty = True
    step.look_at_all()
    preshow.schedule(step)


def _supplies(step: Step, plan: SitePlan) -> dict[str, SupplyState]:
    fed: dict[str | None, list[PortId]] = {}
    for port in plan.ports.values():
        fed.setdefault(port.supply, []).append(port.id)
    supplies = {}
    for key in plan.supplies:
        supply = step.site.supplies.get(key) or SupplyState()
        step.touch(supply)
        supply.ports = tuple(fed.get(key, ()))
        for port_id in supply.gate.waiting:
            if port_id not in supply.ports:
                supply.gate = supply.gate.leave(port_id)
        supplies[key] = supply
    return supplies


def _controller(step: Step, plan: SitePlan, key: str) -> ControllerState:
    known = step.site.controllers.get(key)
    if known is None:
        return ControllerState(plan.controllers[key])
    step.touch(known)
    known.plan = plan.controllers[key]
    return known


def _shows(step: Step, plan: SitePlan) -> Mapping[str, schedule.ShowState]:
    shows = {}
    for show in plan.shows:
        lead = timedelta(seconds=staging.lead_s(plan, show))
        known = step.site.shows.get(show.id)
        state = replace(known, plan=show, lead=lead) if known else schedule.ShowState(show, lead)
        state = schedule.followed(state, step.site.heard, step.now.monotonic_s)
        shows[show.id] = schedule.refreshed(state, plan.place, step.site.calendars, step.now.utc, force=True)
    return shows


def _tell_all(step: Step) -> None:
    """Every retained property has a value from the start."""
    for port in step.site.ports.values():
        if not port.published:
            for name, value in _INITIAL.items():
                step.tell(port, name, value)
        pixels = port.plan.pixels if port.counted is None else port.counted
        if pixels is not None:
            step.tell(port, "pixels", pixels)
        if port.facts.idle_a is not None:
            step.tell(port, "expected", port.facts.idle_a)
    others: list[ControllerState | SiteState] = [step.site, *step.site.controllers.values()]
    for part in others:
        if "fault" not in part.published:
            step.tell(part, "fault", "none")
            step.tell(part, "alarm", "normal")
            step.tell(part, "fault-detail", {})
    tell_holds(step)
    for prop in step.plan.props.values():
        target = Target(TargetKind.PROP, prop.id)
        step.tell_prop(target, "fault", "none")
        jobs.tell_prop_pixels(step, prop.id)


_INITIAL: Mapping[str, Value] = {
    "mode": "auto",
    "override-left": "PT0S",
    "hold": [],
    "hold-state": "none",
    "fault": "none",
    "alarm": "normal",
    "fault-detail": {},
    "reason": "Off: nothing is known yet.",
    "shots": 0,
}


def restore(step: Step, event: Restored) -> None:
    """Put back what the journal kept; without it a site starts held, unless it is the first start."""
    site = step.site
    if site.plan is None:
        raise RulesError("Restored came before Configured")
    safety = event.safety
    site.holds = _placed(step, safety.holds)
    site.weather_hold = safety.weather_hold
    site.orphans = _without(safety, site.ports)
    first = event.origin is Origin.FIRST_START
    site.counters_whole = site.counters_whole or first
    for port in site.ports.values():
        # Only a first start begins at zero: a counter that has counted before waits for one who knows it.
        port.meter.start(safety.energy_floor_wh.get(port.plan.id, 0.0 if first else None))
        _restore_port(step, port, safety, rebooted=event.rebooted)
    for port_id, energy_wh in safety.energy_floor_wh.items():
        if port_id not in site.ports:
            metering.load_energy(step, EnergyLoaded(port_id, energy_wh))
    for shelved in safety.shelved:
        _restore_shelved(step, shelved)
    site.shows = {
        name: schedule.restored(show, safety.ended_utc[name]) if name in safety.ended_utc else show
        for name, show in site.shows.items()
    }
    if event.origin is Origin.LOST:
        text = "The safety journal was lost or can't be read, so holds and lockouts are not known."
        conditions.raise_(step, site, Condition.JOURNAL_FAULT, detail=text)
        if step.plan.hold_when_journal_lost:
            site.holds = (*site.holds, Hold(site.target, JOURNAL_HOLDER, step.now.utc))
            step.must_keep()
            step.effects.append(
                Remark(
                    "error",
                    site.target,
                    f"{text} Everything is held by {JOURNAL_HOLDER} until a person confirms it.",
                )
            )
    tell_holds(step)
    site.restored = True
    if not first:
        step.keep_anew()  # so that a disk that takes nothing is told before anything hangs on it
    step.show_dirty = step.site_dirty = True
    step.look_at_all()


def _without(safety: SafetyState, ports: Collection[PortId]) -> SafetyState:
    """What is kept of ports that are not among `ports`, but for their counters."""
    return SafetyState(
        modes={port: mode for port, mode in safety.modes.items() if port not in ports},
        trips={port: trip for port, trip in safety.trips.items() if port not in ports},
        shots={port: shots for port, shots in safety.shots.items() if port not in ports},
    )


def _exchange(step: Step, kept: SafetyState, before: Collection[PortId]) -> None:
    """After a reload: what was kept of ports that left is not forgotten, and holds again for those back."""
    site = step.site
    for port_id, port in site.ports.items():
        if port_id not in before:
            metering.come_back(step, port)
            port.meter.start(0.0 if site.counters_whole else None)
            _restore_port(step, port, kept)
    site.orphans = _without(kept, site.ports)


def _placed(step: Step, holds: tuple[Hold, ...]) -> tuple[Hold, ...]:
    """The holds as this plan can honour them: of a site or a prop it does not name, the whole site is held.

    Which ports that meant is not known any more. Held ports and controllers that are gone stay dark anyway.
    """
    site, placed = step.site, dict[tuple[Target, str], Hold]()
    for hold in holds:
        kind, name = hold.target
        lost = kind is TargetKind.SITE and hold.target != site.target
        if lost or (kind is TargetKind.PROP and name not in step.plan.props):
            text = (
                f"{hold.holder} held {name}, which the configuration does not name: "
                f"the whole site is held until a person releases {hold.holder} there."
            )
            step.effects.append(Remark("error", site.target, text))
            step.must_keep()
            placed.setdefault((site.target, hold.holder), replace(hold, target=site.target))
        else:
            placed.setdefault((hold.target, hold.holder), hold)
    return tuple(placed.values())


def _restore_port(step: Step, port: PortState, safety: SafetyState, *, rebooted: bool = False) -> None:
    now = step.now
    port_id = port.plan.id
    hand = safety.modes.get(port_id)
    trip = safety.trips.get(port_id)
    shots = safety.shots.get(port_id, 0)
    if hand is None and trip is None and not shots:
        return
    step.touch(port)
    if hand is not None and hand.mode is Mode.OFF:
        port.hand = hand
    elif hand is not None and hand.until_utc is not None and not rebooted:
        left_s = min((hand.until_utc - now.utc).total_seconds(), step.plan.manual_on_s)
        if left_s > 0:
            port.hand, port.hand_until_s = hand, now.monotonic_s + left_s
    port.reclose = reclose.restored(
        trip, shots, port.plan.reclosing, now, fuse=port.plan.fuse, rebooted=rebooted
    )
    if trip is not None:
        port.trip_a = trip.measured_a
        _restore_alarm(step, port, Condition.FUSE_TRIP, trip)
        if trip.lockout:
            _restore_alarm(step, port, Condition.LOCKOUT, trip)
    step.tell(port, "shots", port.reclose.shots)


def _restore_alarm(step: Step, port: PortState, condition: Condition, trip: Tripped) -> None:
    now = step.now._replace(utc=trip.since_utc)
    alarm = alarms.advance(
        alarms.new_alarm(condition),
        AlarmEvent.RAISED,
        now,
        measured=trip.measured_a,
        limit=port.plan.rating_a,
    )
    if condition is Condition.FUSE_TRIP and trip.cause is not condition:
        step.site.details = {**step.site.details, (port.target, condition): trip.cause.value}
    if trip.acknowledged:
        alarm = alarms.advance(alarm, AlarmEvent.ACKNOWLEDGED, now)
    conditions.set_alarm(step, port, alarm)


def _restore_shelved(step: Step, shelved: Shelved) -> None:
    part = {
        TargetKind.PORT: step.site.ports.get(PortId(shelved.target.id)),
        TargetKind.CONTROLLER: step.site.controllers.get(shelved.target.id),
        TargetKind.SITE: step.site,
    }.get(shelved.target.kind)
    if part is not None and shelved.until_utc > step.now.utc:
        conditions.shelve(step, part, shelved.condition, shelved.until_utc)


def safety_of(step: Step) -> SafetyState:
    """All that must be kept, as it is now; only what differs from the default."""
    site = step.site
    modes, trips, shots = dict(site.orphans.modes), dict(site.orphans.trips), dict(site.orphans.shots)
    shelved = []
    for port in sorted((site.ports[one] for one in site.kept_ports if one in site.ports), key=_index):
        port_id = port.plan.id
        if port.hand is not None:
            modes[port_id] = port.hand
        if port.reclose is not reclose.FRESH:
            acknowledged = _acknowledged(port)
            trip, used = reclose.kept(port.reclose, measured_a=port.trip_a, acknowledged=acknowledged)
            if trip is not None:
                trips[port_id] = trip
            if used:
                shots[port_id] = used
        if port.alarms:
            shelved += _shelved(port)
    others: list[ControllerState | SiteState] = [site, *site.controllers.values()]
    for part in others:
        shelved += _shelved(part)
    return SafetyState(
        holds=site.holds,
        weather_hold=site.weather_hold,
        modes=MappingProxyType(modes),
        trips=MappingProxyType(trips),
        shots=MappingProxyType(shots),
        shelved=tuple(shelved),
        ended_utc=MappingProxyType(
            {name: show.ended_utc for name, show in site.shows.items() if show.ended_utc is not None}
        ),
        energy_floor_wh=_energy_floors(step),
    )


def note_kept(step: Step) -> None:
    """After a step's changes: which ports have anything to keep. Looks only at what the step touched."""
    site = step.site
    more: set[PortId] = set()
    fewer: set[PortId] = set()
    for port in step.touched_ports():
        keeps = port.hand is not None or port.reclose.tripped or port.reclose.shots or port.alarms
        if bool(keeps) != (port.plan.id in site.kept_ports):
            (more if keeps else fewer).add(port.plan.id)
    if more or fewer:
        site.kept_ports = (site.kept_ports | more) - fewer


def _index(port: PortState) -> int:
    return port.index


def _energy_floors(step: Step) -> Mapping[PortId, float]:
    """Counters as a last resort for where they go on, not older than some minutes: a walk over all ports."""
    site = step.site
    if step.now.monotonic_s < site.floors_next_s:
        return site.floors_wh
    floors = {port: round(gone_wh, 3) for port, (gone_wh, _, _) in site.gone_wh.items() if gone_wh}
    for port_id, port in site.ports.items():
        energy_wh = port.meter.energy_wh
        if energy_wh:
            floors[port_id] = round(energy_wh, 3)
    site.floors_wh = MappingProxyType(floors)
    site.floors_next_s = step.now.monotonic_s + FLOORS_S
    return site.floors_wh


def _acknowledged(port: PortState) -> bool:
    alarm = port.alarms.get(Condition.LOCKOUT) or port.alarms.get(Condition.FUSE_TRIP)
    return alarm is not None and "unacknowledged" not in alarm.process.value


def _shelved(part: PortState | ControllerState | SiteState) -> list[Shelved]:
    return [
        Shelved(part.target, alarm.condition, alarm.shelved_until_utc)
        for alarm in part.alarms.values()
        if alarm.shelved_until_utc is not None
    ]
