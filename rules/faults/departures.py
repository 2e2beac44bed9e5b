"""Conditions that another judge than the detector asserts: what show data or a show's own past say.

A condition stands while any of them says so, and returns when none does any more.
"""

from types import MappingProxyType

from rules.faults import conditions
from rules.ports import Condition
from rules.state import PortState
from rules.step import Step


def assert_departure(
    step: Step,
    port: PortState,
    source: str,
    condition: Condition | None,
    *,
    measured: float | None = None,
    limit: float | None = None,
    detail: str = "",
) -> None:
    """`source` says that `condition` is true of `port`, or (None) that nothing is. Switches nothing."""
    before = port.departures.get(source)
    wanted = None if condition is None else port.plan.limits.get(condition)
    if wanted is not None and not wanted.enabled:
        condition = None
    if condition is before:
        return
    step.touch(port)
    rest = {name: other for name, other in port.departures.items() if name != source}
    if condition is not None:
        rest[source] = condition
    port.departures = MappingProxyType(rest)
    if before is not None and before not in rest.values() and before not in port.detector.active:
        conditions.return_(step, port, before)
    if condition is not None:
        conditions.raise_(step, port, condition, measured=measured, limit=limit, detail=detail)
