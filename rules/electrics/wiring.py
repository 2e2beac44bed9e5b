"""Copper between a fuse and the last pixel: resistance, voltage drop, what would be enough.

Lengths are one way in metres; current flows out and back, so a cable counts twice. Areas are in square
millimetres, temperatures those of the conductor in degree Celsius.

Sources: resistivity of annealed copper, 17.241 ohm mm2/km at 20 degree Celsius (IACS 100 %, IEC 60028)
with 0.00393 per kelvin; AWG diameters ASTM B258; metric sizes the maximum resistances of IEC 60228.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from rules.errors import RulesError

COPPER_OHM_MM2_PER_KM = 17.241
COPPER_PER_KELVIN = 0.00393
STRANDED = 1.02
"""Stranded conductors are this much longer than they look (lay of ASTM B8, from memory)."""


class _Iec(NamedTuple):
    solid_ohm_per_km: float
    flexible_ohm_per_km: float


IEC_60228: dict[float, _Iec] = {
    0.5: _Iec(36.0, 39.0),
    0.75: _Iec(24.5, 26.0),
    1.0: _Iec(18.1, 19.5),
    1.5: _Iec(12.1, 13.3),
    2.5: _Iec(7.41, 7.98),
    4.0: _Iec(4.61, 4.95),
    6.0: _Iec(3.08, 3.30),
    10.0: _Iec(1.83, 1.91),
}
"""Maximum resistance at 20 degree Celsius by area [mm2]: classes 1 and 2, classes 5 and 6.

0.75 to 2.5 mm2 read in IEC 60228 tables; 0.5 and 4 mm2 upwards from memory.
"""

AWG_SIZES = (22, 20, 18, 16, 14, 12, 10)
"""Sizes that pixel wiring uses, thin to thick (common practice)."""

_AWG_AMPACITY_A = {22: 3.0, 20: 5.0, 18: 7.0, 16: 10.0, 14: 15.0, 12: 20.0, 10: 30.0}
_IEC_AMPACITY_A = {0.5: 3.0, 0.75: 6.0, 1.0: 10.0, 1.5: 16.0, 2.5: 25.0, 4.0: 32.0, 6.0: 40.0, 10.0: 63.0}
AMPACITY_SOURCE = (
    "from memory: overcurrent protection of small conductors, NEC 725.43 (18 and 16 AWG) and 240.4(D) "
    "(14 to 10 AWG), flexible cords of EN 50565-1 (mm2); 20 and 22 AWG common practice; "
    "local codes decide"
)


def awg_area_mm2(awg: int) -> float:
    """Copper area of an American wire gauge size [mm2] (ASTM B258)."""
    diameter_mm = 0.127 * math.pow(92, (36 - awg) / 39)
    return math.pi / 4 * diameter_mm**2


@dataclass(frozen=True, slots=True)
class Conductor:
    """A copper conductor, given by gauge (`awg`) or by area (`area_mm2`), not both.

    solid: one solid wire (or IEC class 1 and 2); the default is stranded (IEC class 5 and 6).
    """

    awg: int | None = None
    area_mm2: float | None = None
    solid: bool = False

    def __post_init__(self) -> None:
        if (self.awg is None) == (self.area_mm2 is None):
            raise RulesError(
                "a conductor is given by its gauge or by its area, for example 18 AWG or 0.75 mm2"
            )
        if self.awg is not None and not 0 <= self.awg <= 36:
            raise RulesError(f"{self.awg} AWG: gauges lie between 0 and 36")
        if self.area_mm2 is not None and not 0 < self.area_mm2 <= 1000:
            raise RulesError(f"{self.area_mm2} mm2: an area lies above 0 and up to 1000 mm2")

    @property
    def name(self) -> str:
        """As people write it: ``18 AWG``, ``0.75 mm²``."""
        return f"{self.awg} AWG" if self.awg is not None else f"{self.area_mm2:g} mm²"

    def ohm_per_m(self, temperature_c: float = 20.0) -> float:
        """Resistance of one conductor [ohm/m] at `temperature_c`."""
        if self.awg is not None:
            at_20 = COPPER_OHM_MM2_PER_KM / awg_area_mm2(self.awg) * (1.0 if self.solid else STRANDED)
        else:
            area_mm2 = self.area_mm2 or 1.0
            row = IEC_60228.get(area_mm2)
            if row is not None:
                at_20 = row.solid_ohm_per_km if self.solid else row.flexible_ohm_per_km
            else:  # not a size of the standard: as far above pure copper as its 0.75 mm2 row
                margin = (24.5 if self.solid else 26.0) * 0.75 / COPPER_OHM_MM2_PER_KM
                at_20 = COPPER_OHM_MM2_PER_KM / area_mm2 * margin
        return at_20 / 1000.0 * (1.0 + COPPER_PER_KELVIN * (temperature_c - 20.0))

    @property
    def ampacity_a(self) -> float:
        """The largest fuse this conductor may hang on [A] (see `AMPACITY_SOURCE`)."""
        if self.awg is not None:
            fitting = [amps for size, amps in _AWG_AMPACITY_A.items() if size >= self.awg]
        else:
            fitting = [amps for size, amps in _IEC_AMPACITY_A.items() if size <= (self.area_mm2 or 0.0)]
        return max(fitting, default=1.0)

    def thicker(self) -> Iterator["Conductor"]:
        """The standard sizes above this one, in the same system, thin to thick."""
        if self.awg is not None:
            yield from (replace(self, awg=size) for size in AWG_SIZES if size < self.awg)
        else:
            yield from (replace(self, area_mm2=size) for size in IEC_60228 if size > (self.area_mm2 or 0.0))


@dataclass(frozen=True, slots=True)
class Cable:
    """A two-core cable: `length_m` one way, `temperature_c` of the copper."""

    length_m: float
    conductor: Conductor
    temperature_c: float = 20.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.length_m) and self.length_m >= 0):
            raise RulesError(f"a cable is zero or more metres long, not {self.length_m}")
        if not -60.0 <= self.temperature_c <= 120.0:
            raise RulesError(f"a conductor at {self.temperature_c} °C: between -60 and 120 would be right")

    @property
    def loop_ohm(self) -> float:
        """Out and back [ohm]."""
        return 2.0 * self.length_m * self.conductor.ohm_per_m(self.temperature_c)


@dataclass(frozen=True, slots=True)
class Injection:
    """Power enters the string again at `pixel` (1 is the first) through a cable of its own."""

    pixel: int
    cable: Cable


@dataclass(frozen=True, slots=True)
class Wiring:
    """From the port to the string and along it.

    cable: port to the string's start; spacing_m: from pixel to pixel, None where the string's own wire
    is not to be counted; string: the string's own conductor; injections: further feeds of the same port.
    """

    cable: Cable
    spacing_m: float | None = None
    string: Conductor | None = None
    injections: tuple[Injection, ...] = ()

    def __post_init__(self) -> None:
        if self.spacing_m is not None and not 0 < self.spacing_m < 100:
            raise RulesError(f"pixels {self.spacing_m} m apart: a spacing lies above 0 and below 100 m")
        if (self.spacing_m is None) != (self.string is None):
            raise RulesError("the string's own drop needs both the spacing of its pixels and its wire size")

    @property
    def step_ohm(self) -> float:
        """From one pixel to the next, out and back [ohm]; 0 where the string is not counted."""
        if self.spacing_m is None or self.string is None:
            return 0.0
        return 2.0 * self.spacing_m * self.string.ohm_per_m(self.cable.temperature_c)


def drops_v(pixels: int, pixel_a: float, step_ohm: float, feeds: Sequence[tuple[int, float]]) -> list[float]:
    """Voltage lost [V] at the string's start (index 0) and at each pixel 1..`pixels`.

    Each pixel draws the constant current `pixel_a` [A]; `step_ohm` lies between neighbours (and before
    the first); `feeds` are ``(pixel or 0, loop resistance [ohm])``. Kirchhoff's current law at every
    pixel, solved as the tridiagonal system it is.
    """
    for at, _ in feeds:
        if not 0 <= at <= pixels:
            raise RulesError(f"power can't enter at pixel {at} of a string of {pixels}")
    tie_s = [1.0 / max(ohm, 1e-9) for _, ohm in feeds]
    if step_ohm <= 0.0:
        return [pixels * pixel_a / sum(tie_s)] * (pixels + 1)
    link_s = 1.0 / step_ohm
    diagonal = [2.0 * link_s] * (pixels + 1)
    diagonal[0] = diagonal[pixels] = link_s if pixels else 0.0
    for (at, _), siemens in zip(feeds, tie_s, strict=True):
        diagonal[at] += siemens
    right = [0.0] + [pixel_a] * pixels
    for k in range(1, pixels + 1):
        factor = link_s / diagonal[k - 1]
        diagonal[k] -= factor * link_s
        right[k] += factor * right[k - 1]
    drops = [0.0] * (pixels + 1)
    drops[pixels] = right[pixels] / diagonal[pixels]
    for k in range(pixels - 1, -1, -1):
        drops[k] = (right[k] + link_s * drops[k + 1]) / diagonal[k]
    return drops


class Lowest(NamedTuple):
    """The pixel that gets the least: its number and what is lost on the way to it [V]."""

    pixel: int
    drop_v: float


def lowest(wiring: Wiring, pixels: int, pixel_a: float) -> Lowest:
    """The worst-fed pixel of a string of `pixels` that draw `pixel_a` [A] each."""
    feeds = [(0, wiring.cable.loop_ohm)]
    feeds += [(injection.pixel, injection.cable.loop_ohm) for injection in wiring.injections]
    drops = drops_v(pixels, pixel_a, wiring.step_ohm, feeds)
    # Equal drops (no string wire counted) name the last pixel, the one a person would measure at.
    worst_v = max(drops)
    return Lowest(max(k for k, drop in enumerate(drops) if drop >= worst_v * (1 - 1e-12)), worst_v)


def enough(
    wiring: Wiring, pixels: int, idle_a: float, lit_a: float, *, brightness: float, allowed_v: float
) -> list[str]:
    """What would keep the loss at every pixel within `allowed_v` [V]; each entry is enough by itself.

    idle_a, lit_a: current of one pixel dark, and added by full white at full brightness [A].
    Looked for: thicker wire from the standard sizes, more injection, fewer pixels, a lower brightness.
    """
    pixel_a = idle_a + lit_a * brightness

    def fits(candidate: Wiring, count: int = pixels, each_a: float = pixel_a) -> bool:
        return lowest(candidate, count, each_a).drop_v <= allowed_v

    ways: list[str] = []
    for conductor in wiring.cable.conductor.thicker():
        thicker = replace(
            wiring,
            cable=replace(wiring.cable, conductor=conductor),
            injections=tuple(
                replace(i, cable=replace(i.cable, conductor=conductor)) for i in wiring.injections
            ),
        )
        if fits(thicker):
            ways.append(f"{conductor.name} instead of {wiring.cable.conductor.name}")
            break
    spacing_m = wiring.spacing_m
    for count in range(1, 5) if pixels > 1 else ():
        if spacing_m is None:
            break
        points = [max(1, round(pixels * k / count)) for k in range(1, count + 1)]
        more = tuple(
            Injection(at, replace(wiring.cable, length_m=wiring.cable.length_m + at * spacing_m))
            for at in points
        )
        if len(more) > len(wiring.injections) and fits(replace(wiring, injections=more)):
            ways.append(
                "power injected also at pixel "
                + " and ".join(
                    f"{i.pixel} ({i.cable.length_m:.1f} m of {i.cable.conductor.name})" for i in more
                )
            )
            break
    fewest, most = 0, pixels
    while fewest < most:
        middle = (fewest + most + 1) // 2
        cut = replace(wiring, injections=tuple(i for i in wiring.injections if i.pixel <= middle))
        fewest, most = (middle, most) if fits(cut, middle) else (fewest, middle - 1)
    if 0 < fewest < pixels:
        ways.append(f"no more than {fewest} pixels")
    if lit_a > 0 and fits(wiring, each_a=idle_a):
        # The drop is linear in the pixel's current.
        per_amp = lowest(wiring, pixels, 1.0).drop_v
        percent = math.floor((allowed_v / per_amp - idle_a) / lit_a * 100)
        if 0 < percent < brightness * 100:
            ways.append(f"a brightness limit of {percent} %")
    return ways
