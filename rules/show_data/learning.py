"""What is learned of a port beside its idle current: its line against show data, its shows' signatures."""

from rules.door import LearnedLoaded, Remark
from rules.errors import RulesError
from rules.faults.departures import assert_departure
from rules.show_data import hearing, nights
from rules.state import PortState
from rules.step import Step


def load(step: Step, event: LearnedLoaded) -> None:
    """Take in what the store kept; what can't be read is told and learned anew."""
    port = step.site.ports.get(event.port)
    if port is None:
        return
    try:
        if event.name == hearing.DATA:
            hearing.restore(step, port, event)
        elif event.name.startswith(nights.SHOW):
            nights.restore(step, port, event)
    except RulesError as error:
        step.effects.append(Remark("warn", port.target, f"{event.name} is learned anew: {error}"))


def observe(step: Step, port: PortState, measured_s: float, current_a: float) -> None:
    """A plausible current of a powered port. The port is touched already."""
    hearing.observe(port, measured_s, current_a)
    nights.observe(step, port, measured_s, current_a)


def power_went_off(step: Step, port: PortState) -> None:
    """The port was switched off. It is touched already."""
    hearing.power_went_off(step, port)
    nights.power_went_off(step, port)


def follow_plan(step: Step, port: PortState) -> None:
    """After a reload: what nobody can judge any more, or not by what was said then, stands no longer."""
    for source, condition in tuple(port.departures.items()):
        if source == hearing.DATA:
            judged = port.compared is not None and port.compared.departed is not None
        else:
            judged = source.removeprefix(nights.SHOW) in port.shows
        limit = port.plan.limits.get(condition)
        if not judged or (limit is not None and not limit.enabled):
            assert_departure(step, port, source, None)


def forget(step: Step, port: PortState) -> None:
    """Learn anew, because a person asked. The port is touched already."""
    hearing.forget(step, port)
    nights.forget(step, port)
