"""Load arithmetic: what the plan asks of fuses, supplies and copper, before anything is switched on.

Every `Finding` shows its arithmetic, the rule and where the rule was read, so that a person (or the
electrician they ask) can follow it. Nothing here replaces local codes or licensed practice.
"""

from collections.abc import Mapping

from rules.electrics.chips import CHIPS, Chip, Expected, expected_currents
from rules.electrics.findings import Finding, Level
from rules.electrics.load_ports import PortLoad, check_port, port_load
from rules.electrics.load_supplies import Overlap, Spans, check_supply, continuous_ports, overlap
from rules.plan import SitePlan
from rules.ports import PortId

__all__ = [
    "CHIPS",
    "Chip",
    "Expected",
    "Finding",
    "Level",
    "Overlap",
    "PortLoad",
    "Spans",
    "check_plan",
    "expected_currents",
    "overlap",
    "port_loads",
]


def port_loads(plan: SitePlan, chips: Mapping[str, Chip] = CHIPS) -> dict[PortId, PortLoad]:
    """The expected load of every port of `plan`."""
    return {
        port.id: port_load(port, plan.supplies.get(port.supply) if port.supply else None, chips)
        for port in plan.ports.values()
    }


def check_plan(
    plan: SitePlan, spans: Spans | None = None, chips: Mapping[str, Chip] = CHIPS
) -> list[Finding]:
    """Everything the load arithmetic finds in `plan`: ports first, then supplies, in plan order.

    spans: when each show runs, by show id (a season of the calendar); None: the calendar is not known,
    so every load counts as continuous and all ports as powered together.
    """
    loads = port_loads(plan, chips)
    continuous = continuous_ports(plan, spans)
    found: list[Finding] = []
    for port_id, load in loads.items():
        supply = plan.supplies.get(load.port.supply) if load.port.supply else None
        found += check_port(load, supply, continuous=port_id in continuous, chips=chips)
    full_a = {port_id: load.full_a for port_id, load in loads.items() if load.full_a is not None}
    for supply in plan.supplies.values():
        found += check_supply(plan, supply, full_a, spans, continuous)
    return found
