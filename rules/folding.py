"""Ports that share their fate are worked once.

On a site where nothing fails and nobody interferes, what becomes of a port follows from the shows that need
it, its resting power, what it can do, and its place in its supply's staging. So:

- ports without a supply that agree in all this are one port;
- supplies with the same settings and the same sequence of ports are one supply;
- within a supply, runs of like ports stand for one port per `g`, where `g` divides both `at_once` and every
  run: whoever is let through is let through in multiples of `g`. Not where the supply withholds power, for
  that is decided port by port.

Props tie ports together only by holds, trips and hands; on such a site there are none, and they are left out.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import groupby
from math import gcd
from types import MappingProxyType
from typing import NamedTuple

from rules.load import port_loads
from rules.plan import PortPlan, SitePlan, SupplyPlan
from rules.ports import Abilities, PortId


class _Kind(NamedTuple):
    """All that decides about a port beside its place in the staging."""

    shows: frozenset[str]
    resting: bool
    abilities: Abilities
    full_a: float | None


@dataclass(frozen=True, slots=True)
class Folded:
    """The smaller plan, and what its ports and supplies stand for."""

    plan: SitePlan
    stands_for: Mapping[PortId, tuple[PortId, ...]]
    supplies: Mapping[str, tuple[str, ...]]


def fold(plan: SitePlan) -> Folded:
    """`plan` with each kind of fate once; see the head of this module for when that is exact."""
    shows: dict[PortId, set[str]] = {}
    for show in plan.shows:
        for port_id in show.needs:
            shows.setdefault(port_id, set()).add(show.id)
    loads = port_loads(plan)
    kinds = {
        port.id: _Kind(frozenset(shows.get(port.id, ())), port.resting, port.abilities, loads[port.id].full_a)
        for port in plan.ports.values()
    }
    fed: dict[str | None, list[PortId]] = {}
    for port in plan.ports.values():
        fed.setdefault(port.supply, []).append(port.id)
    stands_for: dict[PortId, list[PortId]] = {}
    supplies: dict[str, SupplyPlan] = {}
    same: dict[str, list[str]] = {}
    known: dict[tuple[object, ...], tuple[str, list[PortId]]] = {}
    for supply_id, ports in fed.items():
        if supply_id is None:
            alone: dict[_Kind, PortId] = {}
            for port_id in ports:
                stands_for.setdefault(alone.setdefault(kinds[port_id], port_id), []).append(port_id)
            continue
        supply = plan.supplies[supply_id]
        share = _share(supply, [kinds[port] for port in ports])
        key = (replace(supply, id=""), tuple(kinds[port] for port in ports))
        first_id, heads = known.setdefault(key, (supply_id, ports[::share]))
        same.setdefault(first_id, []).append(supply_id)
        supplies.setdefault(first_id, replace(supply, at_once=max(1, supply.at_once) // share))
        for place, port_id in enumerate(ports):
            stands_for.setdefault(heads[place // share], []).append(port_id)
    for supply_id, supply in plan.supplies.items():
        if supply_id not in fed:
            supplies[supply_id] = supply
            same[supply_id] = [supply_id]
    folded = {
        port_id: _stand_in(port, kinds[port_id], plan, supplies)
        for port_id, port in plan.ports.items()
        if port_id in stands_for
    }
    return Folded(
        replace(
            plan,
            ports=MappingProxyType(folded),
            controllers=MappingProxyType(
                {
                    name: replace(
                        controller, ports=tuple(port for port in controller.ports if port in folded)
                    )
                    for name, controller in plan.controllers.items()
                    if any(port in folded for port in controller.ports)
                }
            ),
            supplies=MappingProxyType(supplies),
            props=MappingProxyType({}),
            shows=tuple(
                replace(show, needs=tuple(port for port in show.needs if port in folded))
                for show in plan.shows
            ),
        ),
        MappingProxyType({port: tuple(ports) for port, ports in stands_for.items()}),
        MappingProxyType({supply: tuple(names) for supply, names in same.items()}),
    )


def _share(supply: SupplyPlan, kinds: list[_Kind]) -> int:
    """How many ports of a supply one stands for."""
    if supply.withhold:
        return 1
    return gcd(max(1, supply.at_once), *(sum(1 for _ in run) for _, run in groupby(kinds)))


def _stand_in(port: PortPlan, kind: _Kind, plan: SitePlan, supplies: Mapping[str, SupplyPlan]) -> PortPlan:
    share = 1
    if port.supply is not None:
        share = max(1, plan.supplies[port.supply].at_once) // supplies[port.supply].at_once
    expected_a = None if kind.full_a is None else kind.full_a * share
    return replace(port, expected_a=expected_a, pixels=None, chip=None, wiring=None)
