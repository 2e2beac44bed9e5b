"""What the engine remembers between steps.

Members are replaced, never changed in place. So a snapshot of an object is the tuple of its members,
taken the first time a step touches it, and a step that raises is undone by putting them back.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from operator import attrgetter
from types import MappingProxyType
from typing import Any, ClassVar, NamedTuple

from rules.cost.energy import PortMeter
from rules.door import Value
from rules.faults.alarms import Alarm
from rules.faults.baseline import Baseline, Learning
from rules.faults.detect import DetectorState, Facts
from rules.faults.nuisance import Chatter, FloodWatch
from rules.plan import ControllerPlan, PortPlan, SitePlan
from rules.ports import Condition, HoldState, PortId, Reading, Target, TargetKind
from rules.power.demand import Rule, Verdict
from rules.power.losses import NOT_LOST
from rules.power.reclose import FRESH, Reclose
from rules.power.staging import Gate
from rules.safety import HandMode, Hold, SafetyState
from rules.show_data.comparison import Comparison
from rules.show_data.signature import ShowNight
from rules.shows.calendar import IcsCalendar
from rules.shows.schedule import ShowState

UNDECIDED = Verdict(False, Rule.NOTHING, "Off: nothing is known yet.")
NEVER_S = float("-inf")
FOR_EVER_S = float("inf")
NO_ALARMS: Mapping[Condition, Alarm] = MappingProxyType({})
NO_CHATTERS: Mapping[Condition, Chatter] = MappingProxyType({})
NO_SIGNATURES: Mapping[str, ShowNight] = MappingProxyType({})
NO_DEPARTURES: Mapping[str, Condition] = MappingProxyType({})
NOTHING_TOLD: Mapping[str, Value] = MappingProxyType({})


class Pending(NamedTuple):
    """The one command in flight."""

    id: int
    power: bool
    given_s: float


class Job(NamedTuple):
    """The test job that has a port: its name, the power it wants, and the monotonic second it ends at."""

    name: str
    power: bool
    until_s: float


@dataclass(frozen=True, slots=True)
class PreShowState:
    """A pre-show check under way: its end [monotonic s], the ports it took, currents seen [A] and why not.

    `taken` stays as it was when the check began, whatever took a port away from it since.
    """

    until_s: float | None = None
    taken: frozenset[PortId] = frozenset()
    seen_a: Mapping[PortId, tuple[float, ...]] = field(default_factory=lambda: MappingProxyType({}))
    skipped: Mapping[PortId, str] = field(default_factory=lambda: MappingProxyType({}))


class Snapshotted:
    """An object whose members can be taken and put back."""

    __slots__ = ()
    _names: ClassVar[tuple[str, ...]]
    take: ClassVar[Callable[[Any], tuple[Any, ...]]]

    def __init_subclass__(cls) -> None:
        cls._names = tuple(cls.__slots__)
        cls.take = attrgetter(*cls._names)

    def snapshot(self) -> tuple[Any, ...]:
        """The members as they are now."""
        return type(self).take(self)

    def put_back(self, members: tuple[Any, ...]) -> None:
        """Undo every change since `snapshot` returned `members`."""
        for name, value in zip(self._names, members, strict=True):
            setattr(self, name, value)


class PortState(Snapshotted):
    """One port: what it reported, what was decided, what was commanded, what is wrong, what was told."""

    __slots__ = (
        "alarms",
        "baseline",
        "charged",
        "chatters",
        "compared",
        "computed_idle_a",
        "counted",
        "current_told_a",
        "current_told_s",
        "departures",
        "detector",
        "energy_next_s",
        "energy_show",
        "energy_told",
        "expected_a",
        "facts",
        "feeds",
        "flag",
        "flag_ignore_s",
        "flowing_a",
        "hand",
        "hand_until_s",
        "hold_proof",
        "index",
        "job",
        "late_on",
        "learning",
        "leaving",
        "load_w",
        "meter",
        "most_a",
        "off_attempts",
        "off_next_s",
        "off_ok_s",
        "off_owed",
        "on_attempts",
        "on_done_s",
        "on_next_s",
        "on_spent",
        "on_wait_s",
        "pending",
        "plan",
        "prop",
        "published",
        "reading",
        "reading_s",
        "reclose",
        "released_until_s",
        "request_next_s",
        "seen_power",
        "seen_power_s",
        "shows",
        "signatures",
        "target",
        "told_power",
        "trip_a",
        "unbroken",
        "verdict",
        "verdict_s",
        "withheld",
    )  # fmt: skip

    def __init__(self, plan: PortPlan, index: int, feeds: tuple[PortId, ...], prop: str | None) -> None:
        self.plan = plan
        self.index = index
        """Its place in the configuration: the stable order of staging."""
        self.target = Target(TargetKind.PORT, plan.id)
        self.feeds = feeds
        """All feeds of the port's prop, itself included."""
        self.prop = prop
        # what it reported
        self.reading: Reading | None = None
        self.reading_s = NEVER_S
        self.seen_power: bool | None = None
        self.seen_power_s = NEVER_S
        self.unbroken = False
        """Readings came without a break since power was last seen: whatever changed, changed in between."""
        self.flag: bool | None = None
        """The controller's trip flag as last seen."""
        self.flag_ignore_s = NEVER_S
        """Until then [monotonic s] the flag is that of a trip dealt with; it counts again once seen down."""
        self.flowing_a: float | None = None
        """The last current while power was on [A]: what flowed before a trip."""
        self.load_w = 0.0
        # what was decided
        self.verdict = UNDECIDED
        self.verdict_s = NEVER_S
        self.shows: frozenset[str] = frozenset()
        self.hand: HandMode | None = None
        self.hand_until_s: float | None = None
        self.job: Job | None = None
        self.released_until_s = NEVER_S
        self.leaving = False
        self.reclose: Reclose = FRESH
        self.trip_a: float | None = None
        """The last current before the trip [A]."""
        self.expected_a = plan.expected_a
        # what was commanded
        self.pending: Pending | None = None
        self.off_owed = False
        """A safety rule wants an OFF given and accepted, whatever the readings say."""
        self.off_ok_s = NEVER_S
        self.off_attempts = 0
        self.off_next_s = NEVER_S
        self.late_on = False
        """An ON of unknown outcome may still act: the next OFF is given twice."""
        self.on_done_s = NEVER_S
        """When an ON was last answered, or broken off with an outcome nobody knows [monotonic s]."""
        self.on_attempts = 0
        self.on_next_s = NEVER_S
        self.on_spent = False
        """The ON was given; another needs a new reason."""
        self.on_wait_s = NEVER_S
        """Only a reading asked for after this moment shows that the last ON did not act."""
        self.request_next_s = NEVER_S
        self.withheld = ""
        """Why the supply's budget keeps the port off, in one sentence; empty if it does not."""
        # what is wrong
        self.detector = DetectorState()
        self.facts = Facts(rating_a=plan.rating_a, idle_a=plan.idle_a, abilities=plan.abilities)
        self.alarms = NO_ALARMS
        self.chatters = NO_CHATTERS
        self.hold_proof = HoldState.NONE
        # what was told
        self.meter = PortMeter(plan.id, None)
        self.energy_next_s = NEVER_S
        self.energy_told: tuple[float, ...] = ()
        """Energy, saved energy [Wh] and powered time [s] as told last."""
        self.energy_show = ""
        """The show that ran when they were told last: the one that the next step of theirs belongs to."""
        self.charged: tuple[datetime | None, float, float] = (None, 0.0, 0.0)
        """Up to when, and what of energy and saved energy counted by this process [Wh], is in the cost."""
        self.baseline = Baseline()
        self.learning = Learning()
        self.computed_idle_a: float | None = None
        """Idle current computed from the pixels [A]."""
        self.counted: int | None = None
        """Pixels as counted, since the configuration said how many there are."""
        self.compared: Comparison | None = None
        """Its current against what show data should make it draw; None where it has no model."""
        self.signatures: Mapping[str, ShowNight] = NO_SIGNATURES
        """What it draws over each of its shows, by the show's id; see `rules.show_data.nights`."""
        self.departures: Mapping[str, Condition] = NO_DEPARTURES
        """What judges beside the detector assert: by source, see `rules.faults.departures`."""
        self.most_a: float | None = None
        """The highest current seen [A]."""
        self.published = NOTHING_TOLD
        self.told_power: bool | None = None
        self.current_told_a: float | None = None
        self.current_told_s = NEVER_S

    _of_reading: ClassVar[tuple[str, ...]] = (
        "compared", "current_told_a", "current_told_s", "detector", "flowing_a", "learning", "load_w",
        "most_a", "reading", "reading_s", "seen_power_s",
    )  # fmt: skip
    snapshot_of_reading: ClassVar[Callable[[Any], tuple[Any, ...]]] = attrgetter(*_of_reading)
    """The few members that any reading may change; to remember them all would cost more than the reading."""

    def put_back_reading(self, members: tuple[Any, ...]) -> None:
        """Undo what a reading changed since `snapshot_of_reading` returned `members`."""
        for name, value in zip(self._of_reading, members, strict=True):
            setattr(self, name, value)


class ControllerState(Snapshotted):
    """One controller: reachable or not, and for how many polls it has not answered."""

    __slots__ = (
        "alarms", "chatters", "failures", "losses", "plan", "published", "reachable", "target", "told_present"
    )  # fmt: skip

    def __init__(self, plan: ControllerPlan) -> None:
        self.plan = plan
        self.target = Target(TargetKind.CONTROLLER, plan.id)
        self.reachable: bool | None = None
        self.failures = 0
        self.losses = NOT_LOST
        self.told_present: bool | None = None
        self.alarms = NO_ALARMS
        self.chatters = NO_CHATTERS
        self.published = NOTHING_TOLD


class SupplyState(Snapshotted):
    """One supply: who waits to come on, who is on or admitted, and what was told of its budget."""

    __slots__ = ("gate", "over_words", "ports")

    def __init__(self) -> None:
        self.ports: tuple[PortId, ...] = ()
        """What it feeds, in plan order."""
        self.gate = Gate()
        self.over_words = ""
        """What was told of its budget; empty where it is not over it."""


class SiteState(Snapshotted):
    """Everything else."""

    __slots__ = (
        "alarms", "calendar_problems", "calendars", "chatters", "clock_trusted", "controllers", "counters",
        "counters_loaded", "counters_whole", "details", "energy_next_s", "fault_until_s", "faults", "flood",
        "floors_next_s", "floors_wh", "gone_wh", "heard", "holds", "kept_ports", "load_told_s", "load_w",
        "next_id", "orphans", "plan", "ports", "ports_on", "pre_show", "props_published", "published",
        "restored", "show_changes_utc", "show_check_utc", "shows", "stopping", "successor",
        "successor_until_s", "supplies", "target", "unkept_id", "utc_offset_s", "weather_hold",
    )  # fmt: skip

    def __init__(self) -> None:
        self.plan: SitePlan | None = None
        self.successor: SitePlan | None = None
        """A plan that waits until the ports it drops are dark."""
        self.successor_until_s = NEVER_S
        self.target = Target(TargetKind.SITE, "site")
        self.ports: Mapping[PortId, PortState] = MappingProxyType({})
        self.controllers: Mapping[str, ControllerState] = MappingProxyType({})
        self.supplies: Mapping[str, SupplyState] = MappingProxyType({})
        self.shows: Mapping[str, ShowState] = MappingProxyType({})
        self.show_changes_utc: Mapping[str, datetime] = MappingProxyType({})
        """When each show's phase changes next."""
        self.show_check_utc = datetime.min.replace(tzinfo=UTC)
        """When shows must be looked at again."""
        self.calendars: Mapping[str, IcsCalendar] = MappingProxyType({})
        self.calendar_problems: Mapping[str, str] = MappingProxyType({})
        """What is wrong with each calendar file, by its name."""
        self.holds: tuple[Hold, ...] = ()
        self.weather_hold = False
        self.restored = False
        self.stopping: bool | None = None
        self.clock_trusted: bool | None = None
        self.utc_offset_s: float | None = None
        self.fault_until_s = NEVER_S
        """After an unexpected error no ON is given until then [monotonic s]."""
        self.energy_next_s = NEVER_S
        self.counters: Mapping[str, float] = MappingProxyType({})
        """Counters of the site by name; see `rules.cost.metering`."""
        self.counters_loaded: frozenset[str] = frozenset()
        """Counters whose past is known."""
        self.counters_whole = False
        """What is not loaded began with this process."""
        self.load_told_s = NEVER_S
        self.pre_show = PreShowState()
        self.next_id = 1
        self.unkept_id: int | None = None
        """The newest `Persist` that is not on disk yet: an ON waits for it."""
        self.kept_ports: frozenset[PortId] = frozenset()
        """Ports that the safety state may have something of."""
        self.floors_wh: Mapping[PortId, float] = MappingProxyType({})
        self.floors_next_s = NEVER_S
        self.gone_wh: Mapping[PortId, tuple[float, float, float]] = MappingProxyType({})
        """Energy and saved energy [Wh] and powered time [s] of ports the plan does not name (any more)."""
        self.orphans = SafetyState()
        """Kept state of ports that the plan does not name: not forgotten, should they come back."""
        self.ports_on = 0
        self.faults = 0
        self.load_w = 0.0
        self.alarms = NO_ALARMS
        self.chatters = NO_CHATTERS
        self.flood = FloodWatch()
        self.heard: frozenset[int] = frozenset()
        """Universes on which show data arrives now."""
        self.details: Mapping[tuple[Target, Condition], str] = MappingProxyType({})
        """What the one who raised a condition said of it, for its message."""
        self.published = NOTHING_TOLD
        self.props_published: Mapping[str, Mapping[str, Value]] = MappingProxyType({})
