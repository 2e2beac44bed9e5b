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
        """Whether these say anything else than what runs now, and could run without a restart."""
        return self._pinned(settings) != self.settings or plan != self.plan

    def adopt(self, settings: Settings, plan: SitePlan) -> None:
        """Run with these from now on, but for what changes with a restart only."""
        self.settings, self.plan = self._pinned(settings), plan

    def with_restart_only(self, settings: Settings) -> str:
        """What of these changes with a restart only, in words; empty where nothing does."""
        runs = self.settings
        late = {
            "broker": settings.broker != runs.broker,
            "standby": settings.standby != runs.standby,
            "site.state_dir": settings.site.state_dir != runs.site.state_dir,
        }
        return " and ".join(name for name, other in late.items() if other)

    def _pinned(self, settings: Settings) -> Settings:
        # A new broker's prefix would move all topics away from what the connection listens to.
        runs = self.settings
        pinned = {
            "broker": runs.broker,
            "standby": runs.standby,
            "site": settings.site.model_copy(update={"state_dir": runs.site.state_dir}),
        }
        return _without_ports(settings).model_copy(update=pinned)

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
