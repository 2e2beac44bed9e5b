"""The vocabulary: what a port is, what it reports, what can be wrong with it.

Every name here is used unchanged in topics, configuration, logs and documentation.
Units stand in the names: ``_a`` ampere, ``_v`` volt, ``_w`` watt, ``_wh`` watt-hour, ``_s`` second,
``_c`` degree Celsius, ``_pct`` percent. Instants in UTC are aware ``datetime`` objects ending in
``_utc``; ``monotonic_s`` counts seconds that never step but do not outlive a reboot.
"""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import NamedTuple, NewType

PortId = NewType("PortId", str)
"""A port: ``controller/number``, for example ``gable/1``."""


def port_id(controller: str, number: int) -> PortId:
    """The id of port `number` on `controller`."""
    return PortId(f"{controller}/{number}")


def controller_of(port: PortId) -> str:
    """The controller that `port` belongs to."""
    return port.rpartition("/")[0]


def number_of(port: PortId) -> int:
    """The number of `port` on its controller."""
    return int(port.rpartition("/")[2])


class Now(NamedTuple):
    """The instant of a step: wall clock for calendars, monotonic seconds for delays."""

    utc: datetime
    monotonic_s: float


class TargetKind(StrEnum):
    """What a request, a published value or an alert is about."""

    SITE = "site"
    CONTROLLER = "controller"
    PORT = "port"
    PROP = "prop"


class Target(NamedTuple):
    """The site (id is the site's), a controller, a port (``controller/number``) or a prop."""

    kind: TargetKind
    id: str


class Fuse(StrEnum):
    """What a port's fuse does after it opened."""

    LATCHING = "latching"
    """Stays open until it is cleared."""
    SELF_RESETTING = "self-resetting"
    """Closes again by itself (a polymer fuse that cooled, a retrying electronic fuse)."""


class Mode(StrEnum):
    """Who decides about a port: the rules, or a person by hand."""

    AUTO = "auto"
    ON = "on"
    OFF = "off"


class HoldState(StrEnum):
    """Whether a held port is proven dead."""

    NONE = "none"
    PENDING = "pending"
    CONFIRMED_OFF = "confirmed-off"
    BREACHED = "breached"
    UNKNOWN = "unknown"


class Severity(StrEnum):
    """How grave a condition is; the words of ANSI/ISA-18.2 priorities."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


class Condition(StrEnum):
    """What can be wrong, by the trade's names. Order: gravest first (decides the port's `fault`)."""

    LOCKOUT = "lockout"
    FUSE_TRIP = "fuse-trip"
    STUCK_ON = "stuck-on"
    OVERCURRENT = "overcurrent"
    STUCK_OFF = "stuck-off"
    OVERTEMPERATURE = "overtemperature"
    UNDERVOLTAGE = "undervoltage"
    LEAKAGE = "leakage"
    UNDERCURRENT = "undercurrent"
    NO_LOAD = "no-load"
    IMPLAUSIBLE = "implausible"
    NO_DATA = "no-data"
    NEAR_RATING = "near-rating"
    OVER_BUDGET = "over-budget"
    ALARM_FLOOD = "alarm-flood"
    JOURNAL_FAULT = "journal-fault"
    STORE_FAULT = "store-fault"
    STANDBY_FAULT = "standby-fault"
    CLOCK_UNTRUSTED = "clock-untrusted"
    CALENDAR_FAULT = "calendar-fault"
    DUPLICATE_SITE = "duplicate-site"
    INTERNAL_FAULT = "internal-fault"


SEVERITY: dict[Condition, Severity] = {
    Condition.LOCKOUT: Severity.HIGH,
    Condition.FUSE_TRIP: Severity.HIGH,
    Condition.STUCK_ON: Severity.HIGH,
    Condition.OVERCURRENT: Severity.HIGH,
    Condition.STUCK_OFF: Severity.HIGH,
    Condition.OVERTEMPERATURE: Severity.MEDIUM,
    Condition.UNDERVOLTAGE: Severity.MEDIUM,
    Condition.LEAKAGE: Severity.MEDIUM,
    Condition.UNDERCURRENT: Severity.MEDIUM,
    Condition.NO_LOAD: Severity.MEDIUM,
    Condition.IMPLAUSIBLE: Severity.MEDIUM,
    Condition.NO_DATA: Severity.MEDIUM,
    Condition.NEAR_RATING: Severity.LOW,
    Condition.OVER_BUDGET: Severity.MEDIUM,
    Condition.ALARM_FLOOD: Severity.MEDIUM,
    Condition.JOURNAL_FAULT: Severity.HIGH,
    Condition.STORE_FAULT: Severity.MEDIUM,
    Condition.STANDBY_FAULT: Severity.MEDIUM,
    Condition.CLOCK_UNTRUSTED: Severity.MEDIUM,
    Condition.CALENDAR_FAULT: Severity.MEDIUM,
    Condition.DUPLICATE_SITE: Severity.HIGH,
    Condition.INTERNAL_FAULT: Severity.HIGH,
}

UNSHELVABLE = frozenset({Condition.FUSE_TRIP, Condition.LOCKOUT, Condition.STUCK_ON})
"""Conditions that nobody may put out of sight: power is, or may come back, where it must not."""


class AlarmState(StrEnum):
    """States of one alarm (ANSI/ISA-18.2-2016, IEC 62682), in the words the topics use."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"
    LATCHED_UNACKNOWLEDGED = "latched-unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched-acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed"
    OUT_OF_SERVICE = "out-of-service"


@dataclass(frozen=True, slots=True)
class Abilities:
    """What a port can do. No verdict rests on what it can't report."""

    switch: bool = True
    """Power can be commanded."""
    readback: bool = True
    """The controller reports whether power is on."""
    trip: bool = True
    """The controller reports an open fuse."""
    current: bool = True
    """The controller measures current."""
    clear: bool = False
    """The fuse has a clear command of its own, sent before power returns."""
    voltage: bool = False
    """The controller reports the port's voltage."""
    temperature: bool = False
    """The controller reports the port's temperature."""


class Reading(NamedTuple):
    """What a controller said of one port at one moment. ``None`` is "not said": never off, never 0 A.

    A named tuple, not a dataclass: thousands are made each second and they must be cheap.
    """

    port: PortId
    measured_s: float
    """When the controller was asked, monotonic seconds: a reading answers only commands given before it."""
    current_a: float | None = None
    power: bool | None = None
    tripped: bool | None = None
    voltage_v: float | None = None
    temperature_c: float | None = None
