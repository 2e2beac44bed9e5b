"""Who keeps a port dead: its own holds and those of everything it hangs on."""

from collections.abc import Iterable

from rules.ports import PortId, Target, TargetKind, controller_of
from rules.safety import Hold
from rules.state import PortState
from rules.step import Step


def holds_on(step: Step, port: PortState) -> tuple[Hold, ...]:
    """Every hold that keeps `port` dead: of any feed of its prop, the prop, their controllers, the site."""
    if not step.site.holds:
        return ()
    targets = hangs_on(step.site.target, port.prop, port.feeds)
    return tuple(hold for hold in step.site.holds if hold.target in targets)


def hangs_on(site: Target, prop: str | None, feeds: Iterable[PortId]) -> set[Target]:
    """Everything whose hold keeps a port dead, by its prop (None: it has none) and all feeds of that."""
    targets = {site}
    if prop is not None:
        targets.add(Target(TargetKind.PROP, prop))
    for feed in feeds:
        targets.add(Target(TargetKind.PORT, feed))
        targets.add(Target(TargetKind.CONTROLLER, controller_of(feed)))
    return targets


def holder_words(step: Step, port: PortState, hold: Hold) -> str:
    """The holder, and where the hold is if not on the port itself."""
    kind, name = hold.target
    if kind is TargetKind.PORT:
        other = step.site.ports.get(PortId(name))
        return (
            hold.holder if name == port.plan.id or other is None else f"{hold.holder} (at {other.plan.name})"
        )
    if kind is TargetKind.CONTROLLER:
        return f"{hold.holder} (controller {step.plan.controllers[name].name})"
    if kind is TargetKind.PROP:
        return f"{hold.holder} (prop {step.plan.props[name].name})"
    return f"{hold.holder} (whole site)"
