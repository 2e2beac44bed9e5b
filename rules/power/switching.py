"""Verdicts become commands: one in flight per port, absolute, done when the controller reports it.

- An OFF overtakes an ON. It is repeated, ever more slowly, until the controller reports off; an OFF owed
  to a safety rule is given even to a controller that does not answer, and even if off is reported already.
- An ON is given only on a fresh reading that shows off, through the supply's gate, after everything that
  must be kept is on disk. It is repeated only if it did not reach the controller, or may not have, and a
  reading asked for afterwards shows that it did not act. An ON that was accepted is never repeated by
  itself: that would be a reclosing shot in disguise.
"""

from rules.door import CommandResult, Outcome, Record, Switch
from rules.faults import conditions
from rules.ports import Condition, controller_of
from rules.power import losses, reclose
from rules.power.demand import SAFETY_RULES
from rules.power.reclose import ReclosePhase
from rules.state import FOR_EVER_S, NEVER_S, Pending, PortState
from rules.step import Step

OFF_AGAIN_S = (1.0, 2.0, 4.0, 8.0, 15.0, 30.0)
"""Pause [s] before an OFF is given again; the last one stays."""
ON_AGAIN_S = (1.0, 3.0, 10.0, 30.0)
"""Pause [s] before an ON that did not act is given again; then it needs a new reason."""
LATE_S = 5.0
"""A command of unknown outcome may still act for this long [s]: an OFF that overtook such an ON is given
again so long after it, and a fall so soon after such an OFF is no trip."""
FLAG_FALLS_S = 3.0
"""After a reset and an accepted ON, a trip flag still up for longer than this [s] is a new trip."""
NO_ANSWER_S = 30.0
"""A command without any result for this long [s] has an unknown outcome."""


def stale_s(step: Step, port: PortState) -> float:
    """How old [s] a reading of `port` may be to count."""
    return step.site.controllers[_controller(port)].plan.stale_s


def _controller(port: PortState) -> str:
    return controller_of(port.plan.id)


def is_fresh(step: Step, port: PortState) -> bool:
    """Whether the port's controller answers and its last reading is recent."""
    reachable = step.site.controllers[_controller(port)].reachable
    return reachable is True and step.now.monotonic_s - port.reading_s <= stale_s(step, port)


def drive(step: Step, port: PortState) -> None:
    """Give the command that `port` needs now, if any, and set the timer for the next look."""
    if not port.plan.abilities.switch or not step.site.restored:
        return
    pending = port.pending
    if pending is not None and step.now.monotonic_s - pending.given_s >= NO_ANSWER_S:
        step.touch(port)
        resolve(step, port, CommandResult(pending.id, port.plan.id, Outcome.UNKNOWN, "no result came"))
        pending = None
    if port.verdict.power:
        _drive_on(step, port, pending)
    else:
        _leave_gate(step, port)
        _drive_off(step, port, pending)


def _drive_off(step: Step, port: PortState, pending: Pending | None) -> None:
    if pending is not None and not pending.power:
        step.timers.at(pending.given_s + NO_ANSWER_S, port.plan.id)
        return
    overtaking = pending is not None and pending.power
    still_on = port.seen_power is True and port.seen_power_s >= port.off_ok_s
    # An ON that no reading has followed may have acted: its controller may have gone silent just then.
    unread_on = port.on_done_s > max(port.reading_s, port.off_ok_s)
    # After a start, and when its controller is back, nothing will ever tell whether such a port is on.
    untold = port.seen_power is None and not port.plan.abilities.readback and is_fresh(step, port)
    if not (port.off_owed or still_on or overtaking or unread_on or untold):
        return
    now_s = step.now.monotonic_s
    if now_s < port.off_next_s and not overtaking:
        step.timers.at(port.off_next_s, port.plan.id)
        return
    step.touch(port)
    if overtaking:
        port.late_on = True
    pause_s = OFF_AGAIN_S[min(port.off_attempts, len(OFF_AGAIN_S) - 1)]
    port.off_attempts += 1
    port.off_next_s = now_s + pause_s
    _give(step, port, power=False)


def _drive_on(step: Step, port: PortState, pending: Pending | None) -> None:
    if pending is not None:
        step.timers.at(pending.given_s + NO_ANSWER_S, port.plan.id)
        return
    if port.seen_power is True or port.on_spent:
        _leave_gate(step, port)
        if port.withheld:  # it came on all the same, by a hand at its box
            step.touch(port)
            port.withheld = ""
        return
    now_s = step.now.monotonic_s
    if not may_turn_on(step, port):
        _leave_gate(step, port)
        return
    if now_s < port.on_next_s:
        step.timers.at(port.on_next_s, port.plan.id)
        return
    supply = None if port.plan.supply is None else step.site.supplies[port.plan.supply]
    if supply is None:
        give_on(step, port)
        return
    gate = supply.gate.join(port.plan.id, lambda other: step.site.ports[other].index)
    if gate is not supply.gate:
        step.touch(supply)
        supply.gate = gate
    step.gates[port.plan.supply or ""] = None


def may_turn_on(step: Step, port: PortState) -> bool:
    """Whether an ON may be given by what is known now: fresh, off, not tripped, no unexpected error about.

    Nor anything that could not be written to disk.
    """
    if step.now.monotonic_s < step.site.fault_until_s or not is_fresh(step, port):
        return False
    if waits_for_journal(step):
        return False
    if port.reading_s < port.on_wait_s:
        return False
    if port.reclose.tripped and port.reclose.phase is not ReclosePhase.CLOSING:
        return False
    if port.plan.abilities.readback and port.seen_power is not False:
        return False
    return not (port.flag is True and step.now.monotonic_s > port.flag_ignore_s)


def waits(step: Step, port: PortState) -> bool:
    """Whether the port waits at its supply's gate."""
    return port.plan.supply is not None and port.plan.id in step.site.supplies[port.plan.supply].gate.waiting


def wants_on(step: Step, port: PortState) -> bool:
    """Whether an ON is wanted, not given yet, and may be given: asked as the gate lets the port pass."""
    given = port.pending is not None or port.on_spent or port.seen_power is True
    return port.verdict.power and not given and may_turn_on(step, port)


def give_on(step: Step, port: PortState) -> None:
    """Give the ON: once for this reason."""
    step.touch(port)
    port.on_spent = True
    _give(step, port, power=True)


def _give(step: Step, port: PortState, *, power: bool) -> None:
    command = Switch(
        step.new_id(),
        port.plan.id,
        power,
        clear=power and port.plan.abilities.clear and port.flag is True,
        after=step.site.unkept_id if power else None,
    )
    port.pending = Pending(command.id, power, step.now.monotonic_s)
    # A controller may take its time: whatever falls until it answers may be this OFF's doing.
    port.facts = port.facts._replace(on_given=True) if power else port.facts._replace(off_given_s=FOR_EVER_S)
    step.effects.append(command)
    step.effects.append(
        Record("switch", step.now.utc, port.target, {"power": power, "reason": port.verdict.reason})
    )
    step.timers.at(step.now.monotonic_s + NO_ANSWER_S, port.plan.id)


def resolve(step: Step, port: PortState, result: CommandResult) -> None:
    """Take in what became of the command in flight; a result of an overtaken one changes nothing."""
    pending = port.pending
    if pending is None or pending.id != result.id:
        return
    step.touch(port)
    port.pending = None
    now_s = step.now.monotonic_s
    if result.outcome is Outcome.ACCEPTED:
        port.meter.switched(pending.power, now_s)
    step.look_at(port)
    if not pending.power:
        late_s = LATE_S if result.outcome is Outcome.UNKNOWN else 0.0
        port.facts = port.facts._replace(off_given_s=now_s + late_s)
        if result.outcome is Outcome.ACCEPTED:
            port.off_ok_s = now_s
            # the next reading has time to prove it
            port.off_next_s = max(
                port.off_next_s, now_s + step.site.controllers[_controller(port)].plan.every_s + 1.0
            )
            if not port.plan.abilities.readback:
                port.seen_power, port.seen_power_s = False, now_s
                port.reclose = reclose.opened(port.reclose, port.plan.reclosing, step.now)
                off_done(step, port)
        return
    if result.outcome in (Outcome.ACCEPTED, Outcome.UNKNOWN):
        port.on_done_s = now_s
    if result.outcome is Outcome.ACCEPTED:
        if port.flag_ignore_s > now_s:
            port.flag_ignore_s = now_s + FLAG_FALLS_S
        if not port.plan.abilities.readback:
            port.seen_power, port.seen_power_s = True, now_s
            seen_closed(step, port)
        return
    if result.outcome is Outcome.UNKNOWN:
        port.late_on = True
    if result.outcome is not Outcome.REFUSED and port.on_attempts < len(ON_AGAIN_S):
        port.on_next_s = now_s + ON_AGAIN_S[port.on_attempts]
        port.on_wait_s = now_s
        port.on_attempts += 1
        port.on_spent = False


def seen_closed(step: Step, port: PortState) -> None:
    """Power is on: a shot has closed, and its reclaim time begins."""
    before = port.reclose
    port.reclose = reclose.closed(before, step.now)
    if reclose.kept(port.reclose) != reclose.kept(before):
        step.must_keep()
    at_s = reclose.survives_at(port.reclose, port.plan.reclosing)
    if at_s is not None:
        step.timers.at(at_s, port.plan.id)


def seen_off(step: Step, port: PortState) -> None:
    """The controller reports off by a reading asked for after the last accepted OFF: the OFF is done."""
    if port.off_owed and port.off_ok_s > NEVER_S and port.reading_s >= port.off_ok_s:
        off_done(step, port)


def off_done(step: Step, port: PortState) -> None:
    """The OFF is proven; if an ON may still act late, it is given once more."""
    step.touch(port)
    port.off_attempts = 0
    if port.late_on:
        port.late_on = False
        port.off_owed = True
        port.off_next_s = step.now.monotonic_s + LATE_S
        step.timers.at(port.off_next_s, port.plan.id)
    else:
        port.off_owed = False


def rearm(port: PortState) -> None:
    """Allow a new ON: there is a new reason, or a person asked."""
    port.on_spent = False
    port.on_attempts = 0
    port.on_next_s = NEVER_S


def last_on_s(port: PortState) -> float:
    """When an ON was last given to `port`, or done [monotonic s]."""
    pending = port.pending
    return max(port.on_done_s, pending.given_s if pending is not None and pending.power else NEVER_S)


def waits_for_journal(step: Step) -> bool:
    """Whether something could not be written to disk, for which power must wait."""
    site = step.site
    return site.unkept_id is not None and conditions.is_active(site, Condition.JOURNAL_FAULT)


def waits_after_losses(step: Step, port: PortState) -> bool:
    """Whether the port would be switched on, but for its controller that died of it again and again."""
    waits = port.verdict.power and port.seen_power is not True and step.now.monotonic_s < port.on_next_s
    return waits and losses.wait_s(step.site.controllers[_controller(port)].losses) > 0.0


def controller_back(step: Step, port: PortState) -> None:
    """The controller answers again: what waited to be given once more need wait no longer.

    Unless it was lost because of what its ports were given: then they wait.
    """
    rearm(port)
    wait_s = losses.wait_s(step.site.controllers[_controller(port)].losses)
    if wait_s > 0.0:
        port.on_next_s = step.now.monotonic_s + wait_s
        port.facts = port.facts._replace(on_given=False)  # that it is off is no riddle
    port.off_attempts = 0
    port.off_next_s = NEVER_S
    if not port.plan.abilities.readback:
        port.seen_power = None  # it may have restarted, and will not say


def owe_off(port: PortState) -> None:
    """A safety rule took over: an OFF must be given now and proven."""
    port.off_owed = True
    port.off_ok_s = NEVER_S
    port.off_attempts = 0
    port.off_next_s = NEVER_S


def _leave_gate(step: Step, port: PortState) -> None:
    if port.plan.supply is None:
        return
    supply = step.site.supplies[port.plan.supply]
    gate = supply.gate.leave(port.plan.id)
    if gate is not supply.gate:
        step.touch(supply)
        supply.gate = gate


def is_safety_off(port: PortState) -> bool:
    """Whether a safety rule keeps the port off."""
    return not port.verdict.power and port.verdict.rule in SAFETY_RULES
