"""What a site runs with now: the checked file, and the plan for the rules that was made of it."""

from pathlib import Path

from bridge.config import Settings
from bridge.config import plan as plan_of
from bridge.mqtt.homie import Tree
from rules.plan import SitePlan
from rules.ports import Target, TargetKind


class Configuration:
    """Settings and plan belong together: only `adopt` replaces them, both at once.

    file: the path they came from, read again on a reload; None where there is none.
    """

    def __init__(self, settings: Settings, file: Path | None = None) -> None:
        self.file = file
        self.settings = settings
        self.plan: SitePlan = plan_of(settings)

    def adopt(self, settings: Settings, plan: SitePlan) -> None:
        """Run with these from now on."""
        self.settings, self.plan = settings, plan

    @property
    def site(self) -> Target:
        """The site itself, as a target."""
        return Target(TargetKind.SITE, self.plan.id)

    def tree(self) -> Tree:
        """The plan as topics."""
        broker = self.settings.broker
        return Tree(self.plan, domain=broker.prefix, measurement_qos=broker.measurements_qos)
