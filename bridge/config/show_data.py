"""Show data (ANSI E1.31): which slots light which port, where test patterns go, what is listened to."""

from ipaddress import AddressValueError, IPv4Address
from typing import Annotated

from pydantic import AfterValidator, Field, model_validator

from bridge.config.base import Identifier, Section, Text, refuse
from rules.errors import RulesError
from rules.ports import PortId
from rules.show_data.e131 import PORT, PRIORITY_MAX, SLOTS_MAX, UNIVERSE_MAX
from rules.show_data.levels import PixelMap

MULTICAST = "multicast"
"""As a target: each universe to its own group of the standard."""
PRIORITY_OF_TESTS = 150
"""Above the 100 a running show normally has, so that a test pattern is what lights."""


def _colours(value: str) -> str:
    try:
        PixelMap(PortId(""), 1, 0, colour_order=value)
    except RulesError:
        refuse("the colours are R, G and B (and W), each once, in the order of the slots; for example GRB")
    return value


def _address(value: str) -> str:
    try:
        IPv4Address(value)
    except AddressValueError:
        refuse("an IPv4 address of this machine is needed; for example 10.0.5.2")
    return value


Universe = Annotated[int, Field(ge=1, le=UNIVERSE_MAX)]
"""An E1.31 universe."""
Address = Annotated[str, AfterValidator(_address)]
"""An IPv4 address of this machine."""
UdpPort = Annotated[int, Field(ge=1, le=65535)]


class ShowDataDefaults(Section):
    """How a controller turns slots into pixels, as far as its ports share it."""

    colours: Annotated[str, AfterValidator(_colours)] | None = Field(
        default=None,
        description="The colours in the order of the slots: three or four channels per pixel; RGB where "
        "nothing is written.",
        examples=["GRB", "RGBW"],
    )
    group: Annotated[int, Field(ge=1, le=1000)] | None = Field(
        default=None, description="So many neighbouring pixels share one set of slots; 1 where not written."
    )
    null_pixels: Annotated[int, Field(ge=0, le=1000)] | None = Field(
        default=None,
        description="Pixels before the first that pass data on and stay dark: no slots, not among pixels.",
    )
    gamma: Annotated[float, Field(ge=0.1, le=10.0)] | None = Field(
        default=None, description="Exponent the controller applies to levels; 1 where not written."
    )
    split_pixels: bool | None = Field(
        default=None,
        description="true: a pixel's slots may continue in the next universe; else 170 pixels of 3 colours "
        "fill one.",
    )
    capacity: Annotated[int, Field(ge=1, le=100_000)] | None = Field(
        default=None,
        description="How many pixels the controller is set up to drive on the port: as far as a count can "
        "look. The port's pixels where nothing is written.",
    )
    shared: bool | None = Field(
        default=None, description="true: the same slots light another port as well, on purpose."
    )


class ShowDataSettings(ShowDataDefaults):
    """Where a port's slots begin, and how its pixels take them."""

    universe: Universe = Field(description="The universe of its first pixel.", examples=[1])
    channel: Annotated[int, Field(ge=1, le=SLOTS_MAX)] = Field(
        default=1, description="The slot of its first pixel in that universe, 1 to 512."
    )


class SendSettings(Section):
    """Where the test patterns of `duskward count` go."""

    to: dict[Identifier, Text] = Field(
        description="Host or address of each controller that takes E1.31, or multicast.",
        examples=["{gable: 10.0.5.20, mast: multicast}"],
    )
    priority: Annotated[int, Field(ge=0, le=PRIORITY_MAX)] = Field(
        default=PRIORITY_OF_TESTS,
        description="Priority of test patterns; 100 is what a running show normally has.",
    )
    source: Text = Field(default="duskward", description="Name of this source, as receivers show it.")
    interface: Address | None = Field(
        default=None,
        description="This machine's address to send from; the system's choice where not written.",
    )
    port: UdpPort = Field(default=PORT, description="UDP port of the receivers.")

    @model_validator(mode="after")
    def _name_fits(self) -> "SendSettings":
        # ANSI E1.31 6.2.2: 64 octets with the closing NUL.
        if len(self.source.encode()) > 63:
            refuse("a source name has at most 63 octets; write a shorter one")
        return self


class ListenSettings(Section):
    """Hearing what is shown. Off unless enabled: nothing is joined and no socket is opened."""

    enabled: bool = Field(default=False, description="true: hear the universes of the ports.")
    multicast: bool = Field(
        default=True, description="Join the multicast groups of the universes; unicast is heard in any case."
    )
    interface: Address | None = Field(
        default=None,
        description="This machine's address in the show network; the system's choice where not written.",
    )
    bind: Address | None = Field(
        default=None, description="Hear only what is sent to this address (multicast is not heard then)."
    )
    port: UdpPort = Field(default=PORT, description="UDP port to listen on.")

    @model_validator(mode="after")
    def _one_way(self) -> "ListenSettings":
        if self.bind is not None and self.multicast:
            refuse("a bound address hears no multicast; add multicast: false, or leave bind out")
        return self


class E131Settings(Section):
    """Streaming ACN (ANSI E1.31) in both directions; each is off until it is written."""

    send: SendSettings | None = Field(default=None, description="Where test patterns go.")
    listen: ListenSettings = Field(
        default_factory=ListenSettings, description="Whether and how show data is heard."
    )
