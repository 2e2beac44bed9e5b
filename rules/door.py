"""What goes through the door `Engine.step(now, events) -> effects`: events in, effects out.

Events say what happened outside; effects say what shall happen there. Both are immutable and carry
everything they mean, so a list of them is a recording: played again it gives the same decisions.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any, Literal

from rules.plan import SitePlan
from rules.ports import Condition, PortId, Reading, Target
from rules.safety import SafetyState

# ---------------------------------------------------------------- events


class Origin(StrEnum):
    """Where the restored safety state comes from."""

    FIRST_START = "first-start"
    """No journal, no store, no retained state of this site: nothing can be lost."""
    JOURNAL = "journal"
    """Read and checked."""
    LOST = "lost"
    """There was one, and it can't be read."""


@dataclass(frozen=True, slots=True)
class Restored:
    """State from disk. Until it arrives nothing is powered."""

    safety: SafetyState
    origin: Origin
    rebooted: bool = False
    """The machine restarted since: monotonic seconds began anew."""


@dataclass(frozen=True, slots=True)
class Configured:
    """A (new) plan of the site. What did not change is not disturbed."""

    plan: SitePlan


@dataclass(frozen=True, slots=True)
class CalendarLoaded:
    """The bytes of a calendar file a show names, or None with the reason they could not be read."""

    name: str
    content: bytes | None
    problem: str | None = None


@dataclass(frozen=True, slots=True)
class BaselineLoaded:
    """A port's learned idle current [A] and its spread [A], from the store; 0 A: it was forgotten."""

    port: PortId
    idle_a: float
    spread_a: float


@dataclass(frozen=True, slots=True)
class EnergyLoaded:
    """A port's energy counter [Wh] from the store, or from the last retained value."""

    port: PortId
    energy_wh: float
    saved_wh: float = 0.0
    powered_s: float = 0.0


@dataclass(frozen=True, slots=True)
class CountersLoaded:
    """Counters of the site by name, from the store or from the last retained values.

    whole: the source knows all there is, so that a counter it does not name begins at zero.
    """

    values: Mapping[str, float]
    whole: bool = False


@dataclass(frozen=True, slots=True)
class ClockStatus:
    """Whether the machine's clock is synchronised."""

    synchronised: bool


@dataclass(frozen=True, slots=True)
class ControllerStatus:
    """A controller answered (reachable) or did not; `detail` is one plain sentence."""

    controller: str
    reachable: bool
    detail: str = ""


class Outcome(StrEnum):
    """What is known about a command after it was given."""

    ACCEPTED = "accepted"
    """The controller said yes; its own report is still to come."""
    NOT_SENT = "not-sent"
    """It never reached the controller."""
    UNKNOWN = "unknown"
    """It may have acted or not: a reading must tell before it is repeated."""
    REFUSED = "refused"
    """The controller said no."""


@dataclass(frozen=True, slots=True)
class CommandResult:
    """What became of a `Switch`: its id and port again, and what is known."""

    id: int
    port: PortId
    outcome: Outcome
    detail: str = ""


class Verb(StrEnum):
    """What a person or a routine can ask for."""

    MODE = "mode"
    HOLD = "hold"
    RELEASE = "release"
    WEATHER_HOLD = "weather-hold"
    RESET = "reset"
    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    START_SHOW = "start-show"
    CONFIRM = "confirm"
    """A person confirms that a site without its safety journal may run."""
    COUNT = "count"
    RELEARN = "relearn"


@dataclass(frozen=True, slots=True)
class Asked:
    """A request. `request` names it for the answer; `argument` is the verb's own text."""

    request: int
    verb: Verb
    target: Target
    argument: str = ""


@dataclass(frozen=True, slots=True)
class EffectDone:
    """A `Persist` reached the disk, or did not."""

    id: int
    ok: bool
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Trouble:
    """The bridge tells a condition of its own (store, duplicate site, unexpected error) or its end."""

    condition: Condition
    active: bool
    target: Target
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Stopping:
    """The process is about to end. `power_off`: every port goes dark first."""

    power_off: bool


@dataclass(frozen=True, slots=True)
class JobChanged:
    """A test job (counting, pre-show check) takes ports, sets their power, or (power None) gives them back.

    `until_s`: monotonic second at which the job ends by itself, whatever happens to whoever started it.
    `begin`: take free ports; else only ports that the job still has are changed.
    """

    name: str
    ports: tuple[PortId, ...]
    power: bool | None
    until_s: float = 0.0
    begin: bool = False


@dataclass(frozen=True, slots=True)
class Heard:
    """The universes on which show data arrives now, all of them. Comes when they change."""

    universes: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Expected:
    """What the levels that are heard make the model of a port draw: (monotonic s, A), over about a second.

    At most once a second per port; without points the levels are not known any more.
    """

    port: PortId
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class LearnedLoaded:
    """What the store kept of something learned of a port: its name and packed form, as in ``Record``."""

    port: PortId
    name: str
    packed: bytes


@dataclass(frozen=True, slots=True)
class Counted:
    """What became of a count: one sentence or more in `text`, the pixels if there was an answer.

    `data`: the figures, for the history.
    """

    port: PortId
    accepted: bool
    text: str
    pixels: int | None = None
    data: dict[str, Any] = field(default_factory=dict)


Event = (
    Restored
    | Configured
    | CalendarLoaded
    | BaselineLoaded
    | EnergyLoaded
    | CountersLoaded
    | ClockStatus
    | ControllerStatus
    | Reading
    | CommandResult
    | Asked
    | EffectDone
    | Trouble
    | Stopping
    | JobChanged
    | Counted
    | Heard
    | Expected
    | LearnedLoaded
)

# ---------------------------------------------------------------- effects


@dataclass(frozen=True, slots=True)
class Persist:
    """Write the safety state to disk, then send `EffectDone(id)`."""

    id: int
    safety: SafetyState


@dataclass(frozen=True, slots=True)
class Switch:
    """Command a port's power, absolute and safe to give twice; answer with `CommandResult(id)`.

    `after`: wait until that `Persist` is done; if it failed, do not send and answer NOT_SENT.
    `clear`: clear the fuse first, where the controller has a way to.
    """

    id: int
    port: PortId
    power: bool
    clear: bool = False
    after: int | None = None


Value = bool | int | float | str | datetime | list[Any] | dict[str, Any] | None
"""A property's value; None takes the retained value away (not known)."""


@dataclass(frozen=True, slots=True)
class Publish:
    """A property's new value; `as_target` publishes the property's `$target` instead."""

    target: Target
    property: str
    value: Value
    as_target: bool = False


@dataclass(frozen=True, slots=True)
class Alert:
    """A retained message for people; text None takes it away."""

    target: Target
    condition: Condition
    text: str | None


@dataclass(frozen=True, slots=True)
class Presence:
    """A controller (and its ports) is there, or lost."""

    controller: str
    present: bool


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of a request; `after` as in `Switch`."""

    request: int
    target: Target
    accepted: bool
    text: str
    after: int | None = None


@dataclass(frozen=True, slots=True)
class Record:
    """Something for the history: kind (``alarm``, ``switch``, ``reading`` …), and its data."""

    kind: str
    at_utc: datetime
    target: Target
    data: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Remark:
    """A line for the operator, rare: published on the device's log and written to ours."""

    level: Literal["info", "warn", "error"]
    target: Target
    text: str


@dataclass(frozen=True, slots=True)
class WakeAt:
    """Call `step` again at this monotonic second at the latest; the newest one replaces earlier ones."""

    monotonic_s: float


@dataclass(frozen=True, slots=True)
class Adopted:
    """A `Configured` plan is in force, or was refused for the reason given and the old one stays."""

    plan: SitePlan
    accepted: bool
    text: str = ""


@dataclass(frozen=True, slots=True)
class CountPixels:
    """Begin to count the pixels of `port`: the job `name` has all `feeds` of its prop, dark, until `until_s`.

    `limit_a`: the current the count never plans to exceed [A]. `JobChanged` gives the port power, `Counted`
    says what became of it.
    """

    name: str
    port: PortId
    feeds: tuple[PortId, ...]
    until_s: float
    limit_a: float


@dataclass(frozen=True, slots=True)
class JobEnded:
    """The rules took all its ports away from the job `name`; `reason` is one sentence."""

    name: str
    reason: str


Effect = (
    CountPixels
    | JobEnded
    | Persist
    | Switch
    | Publish
    | Alert
    | Presence
    | Answer
    | Record
    | Remark
    | Adopted
    | WakeAt
)
