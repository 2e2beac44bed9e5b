"""The configured site as the rules see it: resolved, in base units, immutable.

`bridge.config` reads the person's file and builds these; tests and the preview build them by hand.
Nothing here knows how a controller is reached or where the broker is.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from rules.cost.tariff import Tariff
from rules.electrics.fuses import FusePart
from rules.electrics.wiring import Wiring
from rules.ports import Abilities, Condition, Fuse, PortId
from rules.show_data.levels import PixelMap
from rules.shows.calendar_types import Moment, Place, When
from rules.wording import WORDING, Wording

TYPICAL_EFFICIENCY = 0.85
"""Output energy / energy at the wall, where a supply states none."""


@dataclass(frozen=True, slots=True)
class SupplyPlan:
    """A power supply that feeds ports.

    volts_v: nominal output [V]; rating_a: rated output current [A] or None where unknown;
    at_once, gap_s: how many ports may come on together and the pause [s] before the next ones;
    withhold: keep ports off that would exceed the budget, instead of only telling;
    efficiency: output energy / energy at the wall, 0..1;
    class2: its output is marked as a Class 2 circuit (NEC chapter 9, table 11).
    """

    id: str
    volts_v: float
    rating_a: float | None = None
    at_once: int = 4
    gap_s: float = 0.5
    withhold: bool = False
    efficiency: float = TYPICAL_EFFICIENCY
    class2: bool = False


@dataclass(frozen=True, slots=True)
class Limit:
    """When one condition is told: delays [s], deadband (fraction of the limit), what is done.

    `level` is the condition's own limit in its own unit (A, V, degree Celsius, or a fraction), None for
    the rule's default. `off` asks for power off through the trip path when the condition is raised.
    """

    on_delay_s: float
    off_delay_s: float
    deadband: float = 0.05
    level: float | None = None
    off: bool = False
    enabled: bool = True


DEFAULT_LIMITS: Mapping[Condition, Limit] = MappingProxyType(
    {
        Condition.FUSE_TRIP: Limit(0.0, 0.0),
        Condition.OVERCURRENT: Limit(2.0, 5.0, off=True),
        Condition.NEAR_RATING: Limit(600.0, 60.0),
        Condition.UNDERCURRENT: Limit(30.0, 10.0),
        Condition.NO_LOAD: Limit(10.0, 5.0),
        Condition.LEAKAGE: Limit(600.0, 600.0),
        Condition.STUCK_ON: Limit(5.0, 2.0),
        Condition.STUCK_OFF: Limit(5.0, 2.0),
        Condition.OVERTEMPERATURE: Limit(10.0, 30.0, level=70.0, off=True),
        Condition.UNDERVOLTAGE: Limit(10.0, 30.0, level=0.9),
        Condition.IMPLAUSIBLE: Limit(0.0, 10.0),
    }
)
"""Starting values; each is configurable per site, controller and port."""


@dataclass(frozen=True, slots=True)
class Reclosing:
    """Automatic reclosing in the words of IEEE C37.104. Default: none.

    dead_times_s: one dead time [s] per shot, so its length is the number of shots (0 to 3);
    reclaim_s: survive this long [s] after a closing and the shots are given back;
    short_return_s: a trip this soon [s] after a closing is a short that is still there: lockout;
    self_resets: returns of a self-resetting fuse within `self_reset_window_s` that make a lockout;
    reset_gap_s: the least time [s] between two resets by a person;
    reset_trip_s: a trip this soon [s] after a person's reset is a lockout.
    """

    dead_times_s: tuple[float, ...] = ()
    reclaim_s: float = 60.0
    short_return_s: float = 1.0
    self_resets: int = 3
    self_reset_window_s: float = 600.0
    reset_gap_s: float = 10.0
    reset_trip_s: float = 5.0


@dataclass(frozen=True, slots=True)
class PortPlan:
    """One port: name, supply, rating [A], fuse, what hangs on it, what it can do."""

    id: PortId
    name: str
    supply: str | None = None
    rating_a: float | None = None
    fuse: Fuse = Fuse.LATCHING
    pixels: int | None = None
    chip: str | None = None
    brightness: float = 1.0
    """Brightness limit of the show data, 0..1."""
    resting: bool = False
    """Power while nothing asks for it (network gear)."""
    abilities: Abilities = Abilities()
    limits: Mapping[Condition, Limit] = field(default_factory=lambda: DEFAULT_LIMITS)
    reclosing: Reclosing = Reclosing()
    expected_a: float | None = None
    """Expected current with everything a show may light [A]; None is a stated unknown."""
    idle_a: float | None = None
    """Expected current with nothing lit [A]; None until measured or computed."""
    wiring: Wiring | None = None
    """Copper from the port to the last pixel, for the voltage there; None is a stated unknown."""
    fuse_part: FusePart | None = None
    """What the fuse is made of, for its time-current arithmetic; None: an electronic one, curve unknown."""
    show_data: PixelMap | None = None
    """Which slots of show data light its pixels; None where that is not configured."""
    capacity: int | None = None
    """How many pixels its controller is set up to drive; None where that is not known."""
    stands_for: int = 1
    """How many ports alike it stands for, itself included; more than one only in a preview."""


@dataclass(frozen=True, slots=True)
class ControllerPlan:
    """A controller and its ports, in order of their numbers.

    every_s: seconds between readings while shows run; stale_s: a reading older than this [s] is none.
    """

    id: str
    name: str
    ports: tuple[PortId, ...]
    every_s: float = 1.0
    stale_s: float = 15.0


@dataclass(frozen=True, slots=True)
class PropPlan:
    """What people hang: `fed_by` names all ports that feed it (power injection makes it several)."""

    id: str
    name: str
    fed_by: tuple[PortId, ...]


SILENCE_RUN_ON_S = 60.0
"""Run-on [s] of a show that follows its data, where none is configured: a pause is not the end."""


@dataclass(frozen=True, slots=True)
class ShowPlan:
    """A show: when it runs, which ports it needs, lead and run-on [s]."""

    id: str
    name: str
    when: When
    needs: tuple[PortId, ...]
    warm_up_s: float = 0.0
    run_on_s: float = 0.0
    data: tuple[int, ...] = ()
    """Universes: within `when` it runs while any of them is heard. Empty: it runs by the calendar alone."""


@dataclass(frozen=True, slots=True)
class Telemetry:
    """Report by exception: publish a measurement that moved by a band, seldom otherwise.

    band_a: change [A] (and band_fraction of the last value, the larger counts); interval_s: at most once
    per this time [s]; heartbeat_s: at least once per this time [s] while readings arrive.
    """

    band_a: float = 0.02
    band_fraction: float = 0.02
    interval_s: float = 1.0
    heartbeat_s: float = 300.0


@dataclass(frozen=True, slots=True)
class PreShow:
    """The pre-show check: at which time of day, and how long each port has power [s]."""

    at: Moment
    for_s: float = 60.0


@dataclass(frozen=True, slots=True)
class SitePlan:
    """The whole site. Mappings are by id; times in seconds."""

    id: str
    name: str
    place: Place
    controllers: Mapping[str, ControllerPlan]
    ports: Mapping[PortId, PortPlan]
    supplies: Mapping[str, SupplyPlan] = field(default_factory=lambda: MappingProxyType({}))
    props: Mapping[str, PropPlan] = field(default_factory=lambda: MappingProxyType({}))
    shows: tuple[ShowPlan, ...] = ()
    release_delay_s: float = 30.0
    """A port stays off this long after its last hold was released."""
    manual_on_s: float = 7200.0
    """ON by hand ends by itself after this long."""
    started_show_s: float = 14400.0
    """A show started by hand ends by itself after this long."""
    trust_clock: bool = True
    """False: nothing is powered by schedule until the clock is reported synchronised."""
    hold_when_journal_lost: bool = True
    """True: a lost safety journal starts the site held until a person confirms."""
    no_data_polls: int = 3
    """This many polls without a valid reading make `no-data`."""
    wording: Wording = WORDING
    """What people are told, by condition; a translation may replace some."""
    pre_show: PreShow | None = None
    """The check by daylight; None: none is made."""
    command_gap_s: float = 1.0
    """Least time between two requests to power one port (relay and fuse wear); off and hold are exempt."""
    telemetry: Telemetry = Telemetry()
    tariff: Tariff | None = None
    """What energy costs; None: no cost is told."""
    lightable: frozenset[str] = frozenset()
    """Controllers that test patterns can be sent to."""

    def efficiency_of(self, port: PortPlan) -> float:
        """Output energy per energy at the wall of the supply that feeds `port`; usual where none is named."""
        supply = self.supplies.get(port.supply or "")
        return TYPICAL_EFFICIENCY if supply is None else supply.efficiency
