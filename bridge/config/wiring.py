"""Copper and fuse of a port, for the arithmetic of `duskward check`."""

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from bridge.config.base import Section, Text, refuse
from bridge.config.quantities import FRACTION, Current, Interval, Length, Quantity, Temperature
from rules.electrics.fuses import BladeFuse, CurvePoint, ElectronicFuse, FusePart, ResettableFuse
from rules.electrics.wiring import Cable, Conductor, Injection, Wiring
from rules.errors import RulesError

_AWG = re.compile(r"([0-9]{1,2}) ?AWG")
_AREA = re.compile(r"([0-9]+(?:\.[0-9]+)?) ?mm[2²]")


def _wire(value: object) -> Conductor:
    gauge, area = (
        pattern.fullmatch(value.strip()) if isinstance(value, str) else None for pattern in (_AWG, _AREA)
    )
    if gauge is None and area is None:
        refuse("this is no conductor size; write its gauge or its area, for example 18 AWG or 0.75 mm2")
    try:
        return Conductor(awg=int(gauge[1])) if gauge else Conductor(area_mm2=float(area[1] if area else 0))
    except RulesError as error:
        return refuse(str(error))


Wire = Annotated[
    Conductor,
    BeforeValidator(_wire, json_schema_input_type=Annotated[str, Field(pattern="^[0-9.]+ ?(AWG|mm2|mm²)$")]),
]
"""``18 AWG`` or ``0.75 mm2``."""

OverRating = Annotated[
    float, Quantity("a share", FRACTION.units, ("110 %", "300 %"), "%", zero=False, most=100.0)
]
"""A share of a rating that may be many times the whole."""


class CableSettings(Section):
    """A two-core cable."""

    length_m: Length = Field(description="Its length, one way.", examples=["10 m"])
    wire: Wire = Field(description="Conductor size by gauge or area.", examples=["18 AWG", "0.75 mm2"])
    solid: bool = Field(default=False, description="true: one solid conductor instead of strands.")
    temperature_c: Temperature = Field(default=20.0, description="Temperature of the copper.")

    def cable(self) -> Cable:
        """As the rules see it. Raises RulesError where it can't be."""
        wire = Conductor(awg=self.wire.awg, area_mm2=self.wire.area_mm2, solid=self.solid)
        return Cable(self.length_m, wire, self.temperature_c)


class InjectionSettings(CableSettings):
    """A further feed of the same port, further along the string."""

    pixel: Annotated[int, Field(ge=1, le=100_000)] = Field(
        description="The pixel at which it enters; 1 is the first.", examples=[50]
    )


class StringSettings(Section):
    """The string's own conductors."""

    spacing_m: Length = Field(description="From pixel to pixel.", examples=["10 cm"])
    wire: Wire = Field(description="Conductor size by gauge or area.", examples=["20 AWG"])


class WiringSettings(Section):
    """From the port to the last pixel."""

    cable: CableSettings = Field(
        description="From the port to the first pixel.", examples=["{length: 10 m, wire: 18 AWG}"]
    )
    string: StringSettings | None = Field(default=None, description="Along the string, where it shall count.")
    injections: list[InjectionSettings] = Field(default=[], description="Further feeds of the same port.")

    @model_validator(mode="after")
    def _can_be(self) -> "WiringSettings":
        try:
            self.wiring()
        except RulesError as error:
            refuse(str(error))
        return self

    def wiring(self) -> Wiring:
        """As the rules see it."""
        return Wiring(
            cable=self.cable.cable(),
            spacing_m=self.string.spacing_m if self.string else None,
            string=self.string.wire if self.string else None,
            injections=tuple(Injection(one.pixel, one.cable()) for one in self.injections),
        )


class CurvePointSettings(Section):
    """One point of a fuse's curve."""

    at: OverRating = Field(description="Share of the rating.", examples=["150 %"])
    within_s: Interval = Field(description="It opens within this time.", examples=["30 min"])


class ElectronicFuseSettings(Section):
    """A fuse that measures and switches."""

    kind: Literal["electronic"] = Field(description="Which kind of fuse.")
    curve: Annotated[list[CurvePointSettings], Field(min_length=1)] = Field(
        description="Its time-current curve, rising.", examples=["[{at: 150 %, within: 30 min}]"]
    )

    def part(self) -> FusePart:
        """As the rules see it. Raises RulesError where it can't be."""
        points = (CurvePoint(round(point.at * 100, 6), point.within_s) for point in self.curve)
        return ElectronicFuse(curve=tuple(points))


class PolymerFuseSettings(Section):
    """A resettable polymer fuse (PTC): by its part's name, or by its figures at 23 °C."""

    kind: Literal["polymer"] = Field(description="Which kind of fuse.")
    name: Text | None = Field(default=None, alias="part", description="The part's name, where it is known.")
    hold_a: Current | None = Field(default=None, description="It carries this for ever.")
    trip_a: Current | None = Field(default=None, description="It opens at this in the end.")
    ambient_c: Temperature = Field(default=23.0, description="Temperature around it on a show evening.")

    def part(self) -> FusePart:
        """As the rules see it. Raises RulesError where it can't be."""
        if (self.name is None) == (self.hold_a is None):
            raise RulesError("a polymer fuse is given by its part or by its hold current; write one of them")
        if self.name is not None:
            return ResettableFuse.part(self.name, self.ambient_c)
        return ResettableFuse(self.hold_a or 0.0, self.trip_a, self.ambient_c)


class BladeFuseSettings(Section):
    """A fuse that melts."""

    kind: Literal["blade"] = Field(description="Which kind of fuse.")
    rating_a: Current = Field(description="Its rated current.", examples=["5 A"])

    def part(self) -> FusePart:
        """As the rules see it."""
        return BladeFuse(self.rating_a)


def _buildable(
    value: ElectronicFuseSettings | PolymerFuseSettings | BladeFuseSettings,
) -> ElectronicFuseSettings | PolymerFuseSettings | BladeFuseSettings:
    try:
        value.part()
    except RulesError as error:
        refuse(str(error))
    return value


FusePartSettings = Annotated[
    ElectronicFuseSettings | PolymerFuseSettings | BladeFuseSettings,
    Field(discriminator="kind"),
    AfterValidator(_buildable),
]
"""What a fuse is made of."""
