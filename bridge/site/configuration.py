"""What a site runs with now: the checked file, and the plan for the rules that was made of it."""

from pathlib import Path

from bridge.config import Settings
from bridge.config import plan as plan_of
from bridge.mqtt.homie import Tree
from rules.plan import SitePlan
from rules.ports import Target, TargetKind


class Configuration:
    """Settings and plan belong together: only `adopt` replaces them, both at once.

    settings: without ports, of which the plan says all: thousands are not kept twice;
    file: the path they came from, read again on a reload; None where there is none.
    """

    def __init__(self, settings: Settings, file: Path | None = None) -> None:
        self.file = file
        self.settings = _without_ports(settings)
        self.plan: SitePlan = plan_of(settings)

    def differs(self, settings: Settings, plan: SitePlan) -> bool:
        """Whether these say anything else than what runs now."""
        return _without_ports(settings) != self.settings or plan != self.plan

    def adopt(self, settings: Settings, plan: SitePlan) -> None:
        """Run with these from now on."""
        self.settings, self.plan = _without_ports(settings), plan

    @property
    def site(self) -> Target:
        """The site itself, as a target."""
        return Target(TargetKind.SITE, self.plan.id)

    def tree(self) -> Tree:
        """The plan as topics."""
        broker = self.settings.broker
        return Tree(self.plan, domain=broker.prefix, measurement_qos=broker.measurements_qos)


def _without_ports(settings: Settings) -> Settings:
    controllers = {
        name: one.model_copy(update={"ports": {}}) if one.ports else one
        for name, one in settings.controllers.items()
    }
    return settings.model_copy(update={"controllers": controllers})
