"""Invented sites as Homie trees, for the tests of what is published."""

from types import MappingProxyType

from bridge.mqtt.homie import Tree
from rules.plan import ControllerPlan, PortPlan, PropPlan, SitePlan
from rules.ports import Abilities, Target, TargetKind, port_id
from rules.shows.calendar import Place

ALL = Abilities(voltage=True, temperature=True)


def plan(site="lane", *, ports=2, controllers=("gable",), props=True, abilities=ALL):
    """A plan with so many ports on each controller, and one prop fed by the first two ports."""
    ids = [port_id(controller, number) for controller in controllers for number in range(1, ports + 1)]
    return SitePlan(
        id=site,
        name="Quarry Lane",
        place=Place("Europe/Dublin", 53.35, -6.26),
        controllers=MappingProxyType(
            {
                one: ControllerPlan(one, one.title(), tuple(p for p in ids if p.startswith(f"{one}/")))
                for one in controllers
            }
        ),
        ports=MappingProxyType(
            {port: PortPlan(port, f"Arch {port}", rating_a=4.0, abilities=abilities) for port in ids}
        ),
        props=MappingProxyType({"arches": PropPlan("arches", "Arches", tuple(ids[:2]))} if props else {}),
    )


def tree(site="lane", **more):
    """The tree of such a plan."""
    return Tree(plan(site, **more))


def port(number=1, controller="gable"):
    """A port as a target."""
    return Target(TargetKind.PORT, port_id(controller, number))


def site(name="lane"):
    """The site as a target."""
    return Target(TargetKind.SITE, name)
