"""What must outlive a crash: holds, modes and ends by hand, trips, lockouts, shots used, shelving.

The engine changes it, the journal (`bridge.journal`) keeps it, and nothing is acted on before it is
kept. Only what differs from the default is in it, so it stays small on any site.
Instants are UTC: monotonic seconds do not outlive a reboot.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from types import MappingProxyType

from rules.ports import Condition, Mode, PortId, Target

JOURNAL_HOLDER = "lost-journal"
"""Who holds a site whose safety journal was lost, until a person confirms."""


@dataclass(frozen=True, slots=True)
class Hold:
    """Somebody keeps a target dead. `holder` names who; only naming the same holder lifts it."""

    target: Target
    holder: str
    since_utc: datetime


@dataclass(frozen=True, slots=True)
class HandMode:
    """A port's mode by hand; `until_utc` is when an ON by hand ends, None for OFF."""

    mode: Mode
    since_utc: datetime
    until_utc: datetime | None = None


@dataclass(frozen=True, slots=True)
class Tripped:
    """A latched trip: since when, why, how many reclosing shots are used, whether locked out.

    `cause` is the condition that opened the fuse (or asked for it); `measured_a` the last current seen
    before [A]; `self_resets_utc` the returns of a self-resetting fuse that still count; `reclosing`: an
    automatic closing was still to come (dead time). False keeps the port open until a person resets it.
    """

    since_utc: datetime
    cause: Condition
    shots: int = 0
    lockout: bool = False
    measured_a: float | None = None
    acknowledged: bool = False
    self_resets_utc: tuple[datetime, ...] = ()
    reclosing: bool = False


@dataclass(frozen=True, slots=True)
class Shelved:
    """A condition put out of sight until an instant."""

    target: Target
    condition: Condition
    until_utc: datetime


@dataclass(frozen=True, slots=True)
class SafetyState:
    """The whole of it. `energy_floor_wh` are counters below which energy never falls again."""

    holds: tuple[Hold, ...] = ()
    weather_hold: bool = False
    modes: Mapping[PortId, HandMode] = field(default_factory=lambda: MappingProxyType({}))
    trips: Mapping[PortId, Tripped] = field(default_factory=lambda: MappingProxyType({}))
    shots: Mapping[PortId, int] = field(default_factory=lambda: MappingProxyType({}))
    """Shots used by ports that are closed again but inside their reclaim time."""
    shelved: tuple[Shelved, ...] = ()
    ended_utc: Mapping[str, datetime] = field(default_factory=lambda: MappingProxyType({}))
    """By show: the start of the run that a person ended; it does not come back."""
    energy_floor_wh: Mapping[PortId, float] = field(default_factory=lambda: MappingProxyType({}))
