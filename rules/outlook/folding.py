"""Ports that share their fate are worked once.

On a site where nothing fails and nobody interferes, what becomes of a port follows from the shows that need
it, its resting power, what it can do, and its place in its supply's staging. So:

- ports without a supply that agree in all this are one port;
- supplies with the same settings and the same sequence of ports are one supply;
- within a supply, runs of like ports stand for one port per `g`, where `g` divides both `at_once` and every
  run: they come on together, for whoever is let through is let through in multiples of `g`;
- coarse: a run of like ports is one port. It comes on when its first one does, the others within the time
  that the staging of the run takes; those behind it wait for all of it.

A supply that withholds power decides port by port, and its ports stay apart. Props tie ports together only by
holds, trips and hands; on such a site there are none, and props are left out.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from math import gcd
from types import MappingProxyType
from typing import NamedTuple

from rules.electrics.load import port_loads
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


def fold(plan: SitePlan, *, coarse: bool = False) -> Folded:
    """`plan` with each kind of fate once; exact unless `coarse`."""
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
    known: dict[tuple[SupplyPlan, tuple[_Kind, ...]], tuple[str, list[PortId]]] = {}
    for supply_id, ports in fed.items():
        if supply_id is None:
            alone: dict[_Kind, PortId] = {}
            for port_id in ports:
                stands_for.setdefault(alone.setdefault(kinds[port_id], port_id), []).append(port_id)
            continue
        supply = plan.supplies[supply_id]
        sequence = tuple(kinds[port] for port in ports)
        first_id, heads = known.setdefault(
            (replace(supply, id=""), sequence), (supply_id, _heads(supply, ports, sequence, coarse=coarse))
        )
        same.setdefault(first_id, []).append(supply_id)
        supplies.setdefault(first_id, supply)
        for head, port_id in zip(heads, ports, strict=True):
            stands_for.setdefault(head, []).append(port_id)
    for supply_id, supply in plan.supplies.items():
        if supply_id not in fed:
            supplies[supply_id] = supply
            same[supply_id] = [supply_id]
    folded = {}
    for port_id, port in plan.ports.items():
        if port_id in stands_for:
            alike = 1 if port.supply is None else len(same[port.supply])
            folded[port_id] = _stand_in(port, kinds[port_id], len(stands_for[port_id]) // alike)
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


def _heads(
    supply: SupplyPlan, ports: Sequence[PortId], kinds: Sequence[_Kind], *, coarse: bool
) -> list[PortId]:
    """The port that stands for each of `ports`."""
    runs = [len(list(run)) for _, run in groupby(kinds)]
    share = 1 if supply.withhold else gcd(max(1, supply.at_once), *runs)
    heads: list[PortId] = []
    for length in runs:
        size = length if coarse and not supply.withhold else share
        first = len(heads)
        heads += [ports[first + place // size * size] for place in range(length)]
    return heads


def _stand_in(port: PortPlan, kind: _Kind, count: int) -> PortPlan:
    """`port` for `count` ports of its supply, with the load of all."""
    expected_a = None if kind.full_a is None else kind.full_a * count
    return replace(port, stands_for=count, expected_a=expected_a, pixels=None, chip=None, wiring=None)
