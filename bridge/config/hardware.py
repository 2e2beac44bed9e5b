"""What hangs outside: supplies, controllers, their ports, props; limits and reclosing."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from bridge.config.base import Identifier, Section, Text, refuse
from bridge.config.quantities import (
    Current,
    Duration,
    Fraction,
    Interval,
    Quantity,
    Temperature,
    Voltage,
)
from bridge.config.reach import Reach
from bridge.config.reach_hwmon import HwmonReach
from bridge.config.show_data import ShowDataDefaults, ShowDataSettings
from bridge.config.wiring import FusePartSettings, WiringSettings
from rules.power.reclose import MAX_SHOTS

Share = Annotated[float, Quantity("a share", {"%": "0.01"}, ("80 %", "110 %"), "%", zero=False, most=5.0)]
"""A share of a nominal value; may exceed the whole."""


class LimitSettings(Section):
    """When a condition is told. What is not written is inherited: port, controller, site, default."""

    on_delay_s: Duration | None = Field(default=None, description="It must last this long to be told.")
    off_delay_s: Duration | None = Field(default=None, description="It must be over this long to be over.")
    deadband: Fraction | None = Field(
        default=None, description="Share of the limit by which a value must come back before it is over."
    )
    action: Literal["tell", "off"] | None = Field(
        default=None, description="Tell only, or also switch the port off as a trip."
    )


class OptionalLimitSettings(LimitSettings):
    """A condition that may be switched off where it makes no sense."""

    enabled: bool | None = Field(default=None, description="false: this condition is not looked for.")


class CurrentLimitSettings(OptionalLimitSettings):
    """A limit in amperes."""

    level: Current | None = Field(default=None, description="The limit, a current.")


class StuckOnLimitSettings(LimitSettings):
    """A limit in amperes of a condition that is always looked for."""

    level: Current | None = Field(default=None, description="A port that is off passes less than this.")


class ShareLimitSettings(OptionalLimitSettings):
    """A limit as a share of the rating, the idle current, or the nominal voltage."""

    level: Share | None = Field(default=None, description="The limit, a share of the nominal value.")


class TemperatureLimitSettings(OptionalLimitSettings):
    """A limit in degrees Celsius."""

    level: Temperature | None = Field(default=None, description="The limit, a temperature.")


def _condition_key(attribute: str) -> str:
    return attribute.replace("_", "-")


class LimitsSettings(Section, alias_generator=_condition_key):
    """Limits by condition."""

    fuse_trip: LimitSettings | None = Field(default=None, description="The electronic fuse opened.")
    overcurrent: CurrentLimitSettings | None = Field(default=None, description="Current above the rating.")
    near_rating: ShareLimitSettings | None = Field(
        default=None, description="Continuous current close to the rating (80 % by default)."
    )
    undercurrent: ShareLimitSettings | None = Field(
        default=None, description="Part of the string is dark: current below the idle floor."
    )
    no_load: CurrentLimitSettings | None = Field(default=None, description="Powered, and nothing draws.")
    leakage: ShareLimitSettings | None = Field(
        default=None, description="Idle current rose against its own baseline: water in a connector."
    )
    stuck_on: StuckOnLimitSettings | None = Field(
        default=None, description="Switched off, and current still flows."
    )
    stuck_off: OptionalLimitSettings | None = Field(default=None, description="Switched on, and no power.")
    overtemperature: TemperatureLimitSettings | None = Field(default=None, description="Too hot.")
    undervoltage: ShareLimitSettings | None = Field(default=None, description="Too little voltage.")
    implausible: OptionalLimitSettings | None = Field(
        default=None, description="A reading no port can have (milliamperes taken for amperes)."
    )


class ReclosingSettings(Section):
    """Automatic reclosing (IEEE C37.104).

    Power on a short heats what is shorted: local codes and a licensed electrician decide whether it may be
    used at all.
    """

    dead_times_s: Annotated[list[Interval], Field(max_length=MAX_SHOTS)] | None = Field(
        default=None,
        alias="dead_times",
        description="One dead time per shot; at most 3 shots, none by default.",
    )
    reclaim_s: Interval | None = Field(
        default=None, description="A port that holds this long after closing gets its shots back."
    )
    short_return_s: Duration | None = Field(
        default=None, description="A trip this soon after a closing is a lockout."
    )
    self_resets: Annotated[int, Field(ge=1, le=100)] | None = Field(
        default=None, description="So many returns of a self-resetting fuse make a lockout …"
    )
    self_reset_window_s: Interval | None = Field(
        default=None, description="… when they come within this time."
    )
    reset_gap_s: Duration | None = Field(
        default=None, description="Least time between two resets by a person."
    )
    reset_trip_s: Duration | None = Field(
        default=None, description="A trip this soon after a person's reset is a lockout."
    )


class AbilitiesSettings(Section):
    """What a port can do, where the controller can do less (or more) than its mapping tells."""

    switch: bool | None = Field(default=None, description="Its power can be switched.")
    readback: bool | None = Field(default=None, description="The controller reports whether it has power.")
    trip: bool | None = Field(default=None, description="The controller reports an open fuse.")
    current: bool | None = Field(default=None, description="The controller measures its current.")
    clear: bool | None = Field(default=None, description="Its fuse has a clear command of its own.")
    voltage: bool | None = Field(default=None, description="The controller reports its voltage.")
    temperature: bool | None = Field(default=None, description="The controller reports its temperature.")


class PortDefaults(Section):
    """What may be said of a port. Under every_port it holds for all ports of the controller."""

    supply: Identifier | None = Field(default=None, description="The supply that feeds it.")
    rating_a: Current | None = Field(default=None, description="Rated current of port and fuse.")
    fuse: Literal["latching", "self-resetting"] | None = Field(
        default=None, description="Stays open until it is cleared (default), or closes again by itself."
    )
    pixels: Annotated[int, Field(ge=0, le=100_000)] | None = Field(
        default=None, description="How many pixels hang on it; 0 for a port with nothing on it."
    )
    chip: Text | None = Field(default=None, description="Driver chip of its pixels.", examples=["ws2811-12v"])
    brightness: Fraction | None = Field(
        default=None, description="Brightness limit of the show data; 100 % where nothing is written."
    )
    resting: Literal["on", "off"] | None = Field(
        default=None, description="Power while nothing asks for it: on for network gear, else off."
    )
    abilities: AbilitiesSettings | None = Field(default=None, description="What it can do.")
    limits: LimitsSettings | None = Field(default=None, description="Limits of conditions.")
    reclosing: ReclosingSettings | None = Field(default=None, description="Automatic reclosing.")
    expected_a: Current | None = Field(
        default=None, description="Current with everything lit, where it is known better than by arithmetic."
    )
    idle_a: Current | None = Field(
        default=None, description="Current with nothing lit, where it was measured."
    )
    wiring: WiringSettings | None = Field(default=None, description="Copper from the port to the last pixel.")
    fuse_part: FusePartSettings | None = Field(
        default=None, description="What its fuse is made of, for the arithmetic of its curve."
    )
    show_data: ShowDataDefaults | None = Field(
        default=None, description="How its pixels take their slots of E1.31 show data."
    )


class PortSettings(PortDefaults):
    """One port. What is not written here is taken from every_port."""

    name: Text | None = Field(
        default=None, description="Its name; controller and number where none is written."
    )
    show_data: ShowDataSettings | None = Field(
        default=None, description="Which slots of E1.31 show data light it."
    )


PortNumber = Annotated[int, Field(ge=1, le=9999)]
"""A port's number on its controller; the first is 1."""


class ControllerSettings(Section):
    """A controller: how it is reached and which of its ports are ours. Other ports are never switched."""

    name: Text | None = Field(default=None, description="Its name; the id where none is written.")
    reach: Reach = Field(description="How it is reached and what its answers mean.")
    every_port: PortDefaults = Field(default_factory=PortDefaults, description="What all its ports share.")
    ports: Annotated[dict[PortNumber, PortSettings], Field(min_length=1)] = Field(
        description="Its ports by number."
    )
    limits: LimitsSettings | None = Field(default=None, description="Limits, for all its ports.")
    reclosing: ReclosingSettings | None = Field(default=None, description="Reclosing, for all its ports.")

    @model_validator(mode="after")
    def _ports_told_apart(self) -> Self:
        switch = None if isinstance(self.reach, HwmonReach) else self.reach.switch
        if switch is not None and len(self.ports) > 1 and "{port}" not in switch.text:
            refuse("nothing in switch depends on {port}; write {port} where the port's number stands")
        return self


class SupplySettings(Section):
    """A power supply, or one independently fused bank of it."""

    volts_v: Voltage = Field(description="Nominal output voltage.", examples=["12 V"])
    rating_a: Current | None = Field(default=None, description="Rated output current.", examples=["29 A"])
    at_once: Annotated[int, Field(ge=1, le=1000)] = Field(
        default=4, description="So many ports come on together …"
    )
    gap_s: Duration = Field(default=0.5, description="… with this pause before the next ones.")
    class2: bool = Field(
        default=False, description="Its output is marked as a Class 2 circuit (NEC chapter 9, table 11)."
    )
    withhold: bool = Field(
        default=False, description="Keep ports off that would exceed the rating, instead of only telling."
    )
    efficiency: Annotated[
        float, Quantity("a share", {"%": "0.01"}, ("85 %", "92 %"), "%", zero=False, most=1.0)
    ] = Field(default=0.85, description="Output energy per energy at the wall.")


class PropSettings(Section):
    """What people hang. Power injection makes its feeds several; a hold acts on all of them."""

    name: Text | None = Field(default=None, description="Its name; the id where none is written.")
    fed_by: Annotated[list[Text], Field(min_length=1)] = Field(
        description="All ports that feed it.", examples=[["gable/1", "gable/2"]]
    )
