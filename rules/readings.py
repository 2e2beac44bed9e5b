"""A reading comes in: what it proves about power, what is wrong, how much flowed. The hot path."""

from rules.cost.metering import measure, power_went_off
from rules.door import ControllerStatus
from rules.faults import conditions, detect
from rules.plan import Limit
from rules.ports import Condition, Fuse, HoldState, PortId, Reading
from rules.power import jobs, losses, reclose, switching
from rules.power.reclose import ReclosePhase
from rules.power.settle import forbids_closing
from rules.power.trips import came_back, trip
from rules.show_data import learning
from rules.state import FOR_EVER_S, NEVER_S, ControllerState, PortState
from rules.step import Step
from rules.telling import tell_measurement


def read(step: Step, reading: Reading) -> None:
    """Take in what a controller said of a port; of ports nobody configured, nothing."""
    port = step.site.ports.get(reading.port)
    if port is None:
        return
    if reading.measured_s < port.reading_s:
        return  # overtaken by a newer one on its way here
    step.touch_reading(port)
    first = port.reading is None
    port.reading = reading
    port.reading_s = reading.measured_s
    abilities = port.plan.abilities
    power = reading.power if abilities.readback else port.seen_power
    settle = (
        first
        or port.pending is not None
        or port.off_owed
        or power is not port.verdict.power
        or port.hold_proof is not HoldState.NONE
    )
    if abilities.trip and reading.tripped is not port.flag:
        settle = True
        step.touch(port)
        if reading.tripped is False:
            port.flag_ignore_s = NEVER_S
        port.flag = reading.tripped
    _detect(step, port, reading)
    if abilities.readback and reading.power is not None:
        if reading.power is not port.seen_power:
            settle = True
            step.touch(port)
            _power_changed(step, port, power=reading.power)
            port.seen_power = reading.power
        port.seen_power_s = reading.measured_s
    if not port.unbroken:
        step.touch(port)
        port.unbroken = True
    if reading.power is False:
        switching.seen_off(step, port)
    _measure(step, port, reading)
    if settle:
        step.touch(port)
        step.look_at(port)


def _detect(step: Step, port: PortState, reading: Reading) -> None:
    seen = reading
    if reading.tripped is True and step.now.monotonic_s <= port.flag_ignore_s:
        seen = reading._replace(tripped=None)
    state, changes = detect.observe(
        port.detector, seen, port.facts, port.plan.limits, step.now, unbroken=port.unbroken
    )
    if changes:
        step.touch(port)
    port.detector = state
    for change in changes:
        if change.condition is Condition.FUSE_TRIP:
            _trip_changed(step, port, active=change.active)
        elif change.active:
            conditions.raise_(step, port, change.condition, measured=change.measured, limit=change.limit)
            limit: Limit | None = port.plan.limits.get(change.condition)
            if limit is not None and limit.off and port.verdict.power:
                port.trip_a = change.measured if change.condition is Condition.OVERCURRENT else None
                trip(step, port, change.condition, forbids_closing(step, port))
        elif change.condition not in port.departures.values():
            conditions.return_(step, port, change.condition)
    if changes:
        step.look_at(port, feeds=True)
    if port.flag is True and step.now.monotonic_s > port.flag_ignore_s and not port.reclose.tripped:
        # Dealt with, and still or again up: a reset onto a short opens the fuse before the flag is seen down.
        _trip_changed(step, port, active=True)


def _trip_changed(step: Step, port: PortState, *, active: bool) -> None:
    if active:
        trip(step, port, Condition.FUSE_TRIP, forbids_closing(step, port))
    elif port.reclose.self_resetting:
        came_back(step, port)
    else:
        conditions.return_(step, port, Condition.FUSE_TRIP)


def _power_changed(step: Step, port: PortState, *, power: bool) -> None:
    site = step.site
    site.ports_on += power - (port.seen_power is True)
    step.site_dirty = True
    step.tell(port, "power", power)
    if power:
        port.on_attempts = 0
        if port.flag_ignore_s == FOR_EVER_S:
            port.flag_ignore_s = step.now.monotonic_s + switching.FLAG_FALLS_S
        port.trip_a = None if not port.reclose.tripped else port.trip_a
        if port.reclose.phase is ReclosePhase.OPEN and port.plan.fuse is Fuse.SELF_RESETTING:
            came_back(step, port)
        else:
            switching.seen_closed(step, port)
    else:
        port.reclose = reclose.opened(port.reclose, port.plan.reclosing, step.now)
        power_went_off(step, port)
        learning.power_went_off(step, port)


def _measure(step: Step, port: PortState, reading: Reading) -> None:
    current_a = detect.plausible_current_a(reading.current_a, port.plan.rating_a)
    measure(step, port, reading, current_a)
    if current_a is None:
        return
    if port.seen_power is True and not reading.tripped:
        learning.observe(step, port, reading.measured_s, current_a)
    volts_v = reading.voltage_v if reading.voltage_v is not None else port.facts.nominal_v
    if volts_v is not None:
        load_w = current_a * volts_v
        if load_w != port.load_w:
            step.site.load_w += load_w - port.load_w
            port.load_w = load_w
    tell_measurement(step, port)


def status(step: Step, event: ControllerStatus) -> None:
    """A controller answered or did not; after so many polls without an answer it is lost."""
    controller = step.site.controllers.get(event.controller)
    if controller is None:
        return
    if event.reachable and controller.reachable is True:
        return  # as before; its readings say the rest
    step.touch(controller)
    if event.reachable:
        back = controller.reachable is False
        controller.reachable, controller.failures = True, 0
        _present(step, controller, present=True)
        conditions.return_(step, controller, Condition.NO_DATA)
        conditions.follow_controller(step, controller)
        for port in _ports(step, controller):
            step.touch(port)
            if back:
                switching.controller_back(step, port)
            step.look_at(port)
        return
    if controller.reachable is True:
        on_s = max((switching.last_on_s(port) for port in _ports(step, controller)), default=NEVER_S)
        controller.losses = losses.lost(controller.losses, on_s, step.now.monotonic_s)
    controller.reachable = False
    controller.failures += 1
    for port in _ports(step, controller):
        step.touch(port)
        port.unbroken = False
        if port.job is not None:
            jobs.end(step, port, "its controller does not answer.")
        step.look_at(port)
    if controller.failures >= step.plan.no_data_polls:
        detail = " ".join(filter(None, (event.detail, losses.words(controller.losses))))
        conditions.raise_(step, controller, Condition.NO_DATA, detail=detail)
        conditions.follow_controller(step, controller)
        _present(step, controller, present=False)


def _ports(step: Step, controller: ControllerState) -> list[PortState]:
    ports: list[PortId] = list(controller.plan.ports)
    return [step.site.ports[port] for port in ports if port in step.site.ports]


def _present(step: Step, controller: ControllerState, *, present: bool) -> None:
    if controller.told_present is not present:
        controller.told_present = present
        step.presence(controller.plan.id, present=present)
