"""Fuses as parts: how long they carry what, cold and warm.

Electronic fuses measure and switch; resettable ones (polymer, PTC) follow the ambient temperature;
blade fuses melt. All currents in ampere, times in seconds, temperatures in degree Celsius.
"""

import math
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import NamedTuple

from rules.errors import RulesError


class CurvePoint(NamedTuple):
    """At this percentage of the rating the fuse opens within this time [s]."""

    pct: float
    opens_within_s: float


FAST_CURVE: tuple[CurvePoint, ...] = (
    CurvePoint(110, 14400),
    CurvePoint(120, 14400),
    CurvePoint(150, 1800),
    CurvePoint(210, 20),
    CurvePoint(275, 1),
    CurvePoint(300, 0.1),
)
"""A published "fast" characteristic of an electronic fuse terminal
(infosys.beckhoff.com/content/1033/ep92x4-0023/1295240459.html)."""

PREWARN_PCT = 90.0
"""Prewarning threshold that electronic fuses are delivered with
(infosys.beckhoff.com/content/1033/el922x/5101279499.html)."""


@dataclass(frozen=True, slots=True)
class ElectronicFuse:
    """Opens by measurement. `curve` rises in percent and falls in time; `prewarn_pct` of the rating."""

    curve: tuple[CurvePoint, ...] = FAST_CURVE
    prewarn_pct: float = PREWARN_PCT

    def __post_init__(self) -> None:
        pcts = [point.pct for point in self.curve]
        times = [point.opens_within_s for point in self.curve]
        if not pcts or pcts != sorted(set(pcts)) or times != sorted(times, reverse=True):
            raise RulesError(
                "a fuse curve lists rising percentages with times that never rise, "
                "for example 110 % 4 h, 150 % 30 min, 300 % 100 ms"
            )

    def opens_within_s(self, current_a: float, rating_a: float) -> float:
        """The longest time [s] it carries `current_a`; infinite below the curve's first point."""
        at = bisect_right([point.pct for point in self.curve], current_a / rating_a * 100 + 1e-9)
        return self.curve[at - 1].opens_within_s if at else math.inf


class PtcRow(NamedTuple):
    """A polymer fuse in still air at 23 (20) degree Celsius, and where its row was read."""

    hold_a: float
    trip_a: float
    most_v: float
    source: str


_LITTELFUSE = "Littelfuse 16R data sheet (dtsheet.com/doc/178158)"
_BOURNS_RHS = "Bourns MF-RHS data sheet (novapart.co, MF-RHS450-0)"
_BOURNS_RHT = "Bourns MF-RHT data sheet (pdf.datasheet.live, MF-RHT800-AP)"

PTC: Mapping[str, PtcRow] = MappingProxyType(
    {
        "16R250G": PtcRow(2.5, 4.7, 16, _LITTELFUSE),
        "16R300G": PtcRow(3.0, 5.1, 16, _LITTELFUSE),
        "16R400G": PtcRow(4.0, 6.8, 16, _LITTELFUSE),
        "16R500G": PtcRow(5.0, 8.5, 16, _LITTELFUSE),
        "MF-RHS400": PtcRow(4.0, 8.0, 16, _BOURNS_RHS),
        "MF-RHS450": PtcRow(4.5, 9.0, 16, _BOURNS_RHS),
        "MF-RHS500": PtcRow(5.0, 10.0, 16, _BOURNS_RHS),
        "MF-RHT400": PtcRow(4.0, 7.5, 16, _BOURNS_RHT),
        "MF-RHT450": PtcRow(4.5, 7.8, 16, _BOURNS_RHT),
        "MF-RHT500": PtcRow(5.0, 9.0, 16, _BOURNS_RHT),
        "MF-R250": PtcRow(2.5, 5.0, 30, "Bourns MF-R data sheet (novapart.co, MF-R250-0-10)"),
    }
)

PTC_DERATING: tuple[tuple[float, float], ...] = (
    (-40, 1.5),
    (-20, 1.35),
    (0, 1.17),
    (23, 1.0),
    (40, 0.84),
    (50, 0.76),
    (60, 0.66),
    (70, 0.57),
    (85, 0.42),
)
"""Ambient [degree Celsius], share of the hold current; standard 85 degree types, from memory."""


def _between(table: tuple[tuple[float, float], ...], x: float) -> float:
    at = bisect_right([row[0] for row in table], x)
    if at == 0 or at == len(table):
        return table[min(at, len(table) - 1)][1]
    (x0, y0), (x1, y1) = table[at - 1], table[at]
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)


@dataclass(frozen=True, slots=True)
class ResettableFuse:
    """A polymer fuse: carries `hold_a`, must open at `trip_a`, both at 23 degree Celsius.

    Between the two the outcome is not defined. `trip_a` None: twice the hold current (common practice).
    """

    hold_a: float
    trip_a: float | None = None
    ambient_c: float = 23.0

    def __post_init__(self) -> None:
        if not self.hold_a > 0 or (self.trip_a is not None and self.trip_a <= self.hold_a):
            raise RulesError("a resettable fuse has a hold current above zero and a higher trip current")

    @classmethod
    def part(cls, name: str, ambient_c: float = 23.0) -> "ResettableFuse":
        """The part called `name` of the table; `RulesError` names those there are."""
        row = PTC.get(name)
        if row is None:
            raise RulesError(f"resettable fuse {name!r} is not in the table; known are {', '.join(PTC)}")
        return cls(row.hold_a, row.trip_a, ambient_c)

    @property
    def derating(self) -> float:
        """Share of the 23 degree currents that is left at the ambient temperature."""
        return _between(PTC_DERATING, self.ambient_c)

    @property
    def hold_now_a(self) -> float:
        """What it carries at its ambient temperature [A]."""
        return self.hold_a * self.derating

    @property
    def trip_now_a(self) -> float:
        """What opens it for certain at its ambient temperature [A]."""
        return (self.trip_a if self.trip_a is not None else 2.0 * self.hold_a) * self.derating


class BladeRow(NamedTuple):
    """At this percentage of the rating a blade fuse melts not before and not after [s]."""

    pct: float
    at_least_s: float
    at_most_s: float


BLADE: tuple[BladeRow, ...] = (
    BladeRow(110, 360000, math.inf),
    BladeRow(135, 0.75, 600),
    BladeRow(160, 0.25, 50),
    BladeRow(200, 0.15, 5),
    BladeRow(350, 0.04, 0.5),
    BladeRow(600, 0.02, 0.1),
)
"""ISO 8820-3 / SAE J1284 time-current limits, from memory."""


@dataclass(frozen=True, slots=True)
class BladeFuse:
    """A melting blade fuse of `rating_a`; a person replaces it."""

    rating_a: float

    def __post_init__(self) -> None:
        if not self.rating_a > 0:
            raise RulesError(f"a blade fuse has a rating above zero, not {self.rating_a} A")

    def melts(self, current_a: float) -> BladeRow | None:
        """The row `current_a` reaches; None below 110 %, where it carries the current for ever."""
        pct = current_a / self.rating_a * 100 + 1e-9
        reached = [row for row in BLADE if row.pct <= pct]
        return reached[-1] if reached else None


FusePart = ElectronicFuse | ResettableFuse | BladeFuse
