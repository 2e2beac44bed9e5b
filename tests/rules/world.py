"""A world for the engine: controllers that obey, a clock that is driven, a record of what happened."""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, timedelta
from enum import StrEnum
from types import MappingProxyType

from rules.door import (
    Alert,
    Answer,
    Asked,
    CommandResult,
    Configured,
    ControllerStatus,
    Effect,
    EffectDone,
    Event,
    Origin,
    Outcome,
    Persist,
    Publish,
    Restored,
    Switch,
    Verb,
    WakeAt,
)
from rules.engine import Engine
from rules.plan import ControllerPlan, PortPlan, PropPlan, ShowPlan, SitePlan, SupplyPlan
from rules.ports import Condition, Now, PortId, Reading, Target, TargetKind, controller_of
from rules.safety import SafetyState
from rules.shows.calendar import Anchor, Moment, Place, Window

PLACE = Place("Europe/Dublin", 53.35, -6.26)
NOON = datetime(2025, 12, 1, 12, 0, tzinfo=UTC)


def clock_window(start: str, end: str) -> Window:
    """An evening from one clock time to another."""
    return Window(
        Moment(Anchor.CLOCK, time.fromisoformat(start)), Moment(Anchor.CLOCK, time.fromisoformat(end))
    )


def site_plan(ports: int = 4, controllers: int = 1, **more: object) -> SitePlan:
    """A plan: controllers c1…, ports 1…n on each, one show 18:00 to 22:00 that needs them all."""
    port_plans, controller_plans = {}, {}
    for c in range(1, controllers + 1):
        ids = []
        for n in range(1, ports + 1):
            port = PortId(f"c{c}/{n}")
            ids.append(port)
            port_plans[port] = PortPlan(
                port, f"Port {c}.{n}", supply="shed", rating_a=4.0, pixels=100, idle_a=0.226, expected_a=2.0
            )
        controller_plans[f"c{c}"] = ControllerPlan(f"c{c}", f"Box {c}", tuple(ids))
    show = ShowPlan(
        "evening",
        "Evening",
        (clock_window("18:00", "22:00"),),
        tuple(port_plans),
        warm_up_s=30.0,
        run_on_s=10.0,
    )
    values: dict[str, object] = {
        "id": "lane",
        "name": "Lane",
        "place": PLACE,
        "controllers": MappingProxyType(controller_plans),
        "ports": MappingProxyType(port_plans),
        "supplies": MappingProxyType({"shed": SupplyPlan("shed", 12.0, 200.0)}),
        "shows": (show,),
    }
    return SitePlan(**{**values, **more})  # type: ignore[arg-type]


def evening(hour: int, minute: int = 0, second: int = 0) -> datetime:
    """An instant of 1 December 2025, where Dublin keeps UTC."""
    return datetime(2025, 12, 1, hour, minute, second, tzinfo=UTC)


def all_ports(plan: SitePlan, **changes: object) -> SitePlan:
    """The plan with every port changed."""
    ports = {port: replace(spec, **changes) for port, spec in plan.ports.items()}  # type: ignore[arg-type]
    return replace(plan, ports=MappingProxyType(ports))


def with_prop(plan: SitePlan, *feeds: str) -> SitePlan:
    """The plan with one prop fed by the named ports."""
    prop = PropPlan("arch", "Arch", tuple(PortId(feed) for feed in feeds))
    return replace(plan, props=MappingProxyType({"arch": prop}))


@dataclass
class FakePort:
    """A port that obeys: on or off, tripped or not, with a current."""

    power: bool = False
    tripped: bool = False
    current_a: float = 0.226
    stuck: bool | None = None


class Mishap(StrEnum):
    """What may become of one command on its way to a controller and back."""

    LOST = "lost"
    """It never arrived, and nobody can say so: the outcome is unknown."""
    UNHEARD = "unheard"
    """It acted, but the answer was lost: the outcome is unknown."""
    LATE = "late"
    """The outcome is unknown, and it acts two seconds later."""
    SILENT = "silent"
    """It never arrived, and no result ever comes."""
    REFUSED = "refused"
    """The controller says no."""


LATE_S = 2.0


@dataclass
class World:
    """Engine, clock and controllers. `run` drives time from wake to wake and poll to poll."""

    plan: SitePlan
    utc: datetime = NOON
    monotonic_s: float = 1000.0
    engine: Engine = field(default_factory=Engine)
    poll_s: float = 1.0
    latency_s: float = 0.05
    obey: bool = True
    persist_ok: bool = True
    may_fault: bool = False
    """Whether the engine may meet something unexpected; otherwise that fails the test at once."""

    def __post_init__(self) -> None:
        self.ports = {port: FakePort() for port in self.plan.ports}
        self.unreachable: set[str] = set()
        self.effects: list[tuple[datetime, Effect]] = []
        self.topics: dict[tuple[str, str], object] = {}
        self.alerts: dict[tuple[str, str], str] = {}
        self.answers: dict[int, Answer] = {}
        self.switches: list[tuple[datetime, PortId, bool]] = []
        self.kept = SafetyState()
        self.kept_ids: set[int] = set()
        self.waiting: list[tuple[float, Event]] = []
        self.held_back: list[Switch | Answer] = []
        self.wake_s: float | None = None
        self.mishaps: list[Mishap] = []
        """What happens to the next commands, in their order."""
        self.late: list[tuple[float, Switch]] = []
        self._next_poll_s = self.monotonic_s
        self._request = 0

    def start(
        self, origin: Origin = Origin.FIRST_START, safety: SafetyState | None = None, **more: bool
    ) -> None:
        """Configure and restore."""
        self.step([Configured(self.plan), Restored(safety or SafetyState(), origin, **more)])

    def step(self, events: Iterable[Event] = ()) -> list[Effect]:
        """One step of the engine; its effects are carried out."""
        effects = self.engine.step(Now(self.utc, self.monotonic_s), list(events))
        for effect in effects:
            self._carry_out(effect)
        return effects

    def _carry_out(self, effect: Effect) -> None:
        self.effects.append((self.utc, effect))
        if isinstance(effect, Persist):
            if self.persist_ok:
                self.kept = effect.safety
                self.kept_ids.add(effect.id)
            self.waiting.append((self.monotonic_s, EffectDone(effect.id, self.persist_ok, "disk full")))
        elif isinstance(effect, Switch):
            if effect.after is not None and effect.after not in self.kept_ids:
                self.waiting.append(
                    (self.monotonic_s, CommandResult(effect.id, effect.port, Outcome.NOT_SENT, "not kept"))
                )
            else:
                self._switch(effect)
        elif isinstance(effect, Publish) and not effect.as_target:
            self.topics[effect.target.id, effect.property] = effect.value
        elif isinstance(effect, Publish):
            self.topics[effect.target.id, effect.property + "/$target"] = effect.value
        elif isinstance(effect, Alert):
            unexpected = effect.condition is Condition.INTERNAL_FAULT and effect.text is not None
            assert self.may_fault or not unexpected, effect.text
            if effect.text is None:
                self.alerts.pop((effect.target.id, effect.condition.value), None)
            else:
                self.alerts[effect.target.id, effect.condition.value] = effect.text
        elif isinstance(effect, Answer):
            self.answers[effect.request] = effect
        elif isinstance(effect, WakeAt):
            self.wake_s = effect.monotonic_s

    def _switch(self, effect: Switch) -> None:
        self.switches.append((self.utc, effect.port, effect.power))
        outcome, acts = Outcome.ACCEPTED, self.obey
        if controller_of(effect.port) in self.unreachable:
            outcome, acts = Outcome.NOT_SENT, False
        elif self.mishaps:
            mishap = self.mishaps.pop(0)
            acts = mishap is Mishap.UNHEARD
            outcome = Outcome.REFUSED if mishap is Mishap.REFUSED else Outcome.UNKNOWN
            if mishap is Mishap.LATE:
                self.late.append((self.monotonic_s + LATE_S, effect))
            if mishap is Mishap.SILENT:
                return
        if acts:
            self._act(effect)
        result = CommandResult(effect.id, effect.port, outcome, outcome.value)
        self.waiting.append((self.monotonic_s + self.latency_s, result))

    def _act(self, effect: Switch) -> None:
        """The controller does what it was told."""
        port = self.ports[effect.port]
        port.power = effect.power and not (port.tripped and not effect.clear)
        if port.stuck is not None:
            port.power = port.stuck
        if not effect.power or effect.clear:
            port.tripped = False

    def readings(self) -> list[Event]:
        """One poll of every controller."""
        events: list[Event] = []
        for controller, plan in self.plan.controllers.items():
            if controller in self.unreachable:
                events.append(ControllerStatus(controller, reachable=False, detail="It does not answer."))
                continue
            events.append(ControllerStatus(controller, reachable=True))
            for port in plan.ports:
                fake = self.ports[port]
                current_a = fake.current_a if fake.power else 0.0
                events.append(Reading(port, self.monotonic_s, current_a, fake.power, fake.tripped))
        return events

    def run(self, seconds: float) -> None:
        """Let time pass."""
        end_s = self.monotonic_s + seconds
        while True:
            times = [self._next_poll_s, *(due_s for due_s, _ in self.waiting)]
            if self.wake_s is not None:
                times.append(self.wake_s)
            next_s = max(min(times), self.monotonic_s)
            if next_s > end_s:
                break
            self.pass_to(next_s)
            events = [event for due_s, event in self.waiting if due_s <= next_s]
            self.waiting = [(due_s, event) for due_s, event in self.waiting if due_s > next_s]
            if next_s >= self._next_poll_s:
                self._next_poll_s = next_s + self.poll_s
                events += self.readings()
            if self.wake_s is not None and self.wake_s <= next_s:
                self.wake_s = None
            self.step(events)
        self.pass_to(end_s)

    def pass_to(self, monotonic_s: float) -> None:
        """Move both clocks; commands that were late act on the way."""
        for due_s, effect in self.late:
            if due_s <= monotonic_s:
                self._act(effect)
        self.late = [(due_s, effect) for due_s, effect in self.late if due_s > monotonic_s]
        self.utc += timedelta(seconds=monotonic_s - self.monotonic_s)
        self.monotonic_s = monotonic_s

    def run_until(self, utc: datetime) -> None:
        """Let time pass until the wall clock says so."""
        self.run((utc - self.utc).total_seconds())

    def ask(self, verb: Verb, target: str = "", argument: str = "") -> Answer:
        """Ask; the answer, which waits for what must be kept."""
        self._request += 1
        if not target:
            about = Target(TargetKind.SITE, self.plan.id)
        elif "/" in target:
            about = Target(TargetKind.PORT, target)
        elif target in self.plan.controllers:
            about = Target(TargetKind.CONTROLLER, target)
        else:
            about = Target(TargetKind.PROP, target)
        self.step([Asked(self._request, verb, about, argument)])
        return self.answers[self._request]

    def trip(self, port: str) -> None:
        """The port's fuse opens."""
        fake = self.ports[PortId(port)]
        fake.power, fake.tripped = False, True

    def told(self, target: str, name: str) -> object:
        """The last published value."""
        return self.topics.get((target, name))

    def on(self) -> set[str]:
        """The ports that have power."""
        return {port for port, fake in self.ports.items() if fake.power}


def running(plan: SitePlan, at: datetime | None = None, **more: object) -> World:
    """A world in the middle of its show."""
    world = World(plan, utc=evening(17, 58), **more)  # type: ignore[arg-type]
    world.start()
    world.run_until(at or evening(18, 5))
    return world


def reload(world: World, plan: SitePlan) -> None:
    """The world's plan becomes another one while it runs; new ports are off."""
    world.plan = plan
    for port in plan.ports:
        world.ports.setdefault(port, FakePort())
    world.step([Configured(plan)])
