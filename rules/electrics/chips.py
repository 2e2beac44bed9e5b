"""Pixel driver chips: what one pixel draws, with the place each figure was read.

The table is data and users may pass their own entries beside it. Currents are per pixel on the supply
side; a driver is a constant-current sink, so what it draws does not follow the supply voltage. Only
a chip fed through a dropping resistor does: its idle current is (supply - chip voltage) / resistor.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from rules.errors import RulesError


@dataclass(frozen=True, slots=True)
class Chip:
    """One kind of pixel.

    channel_a: current of each colour channel at full level [A];
    idle_a: current with nothing lit [A], None where nobody publishes it;
    volts_v: nominal supply [V]; least_v, most_v: the range it works in [V];
    feed_ohm, feed_v: dropping resistor [ohm] and chip voltage [V] where the chip is fed through one;
    spread: chip-to-chip tolerance of the channel current, as a fraction; source: where it was read.
    """

    channel_a: tuple[float, ...]
    idle_a: float | None
    volts_v: float
    least_v: float
    most_v: float
    source: str
    feed_ohm: float | None = None
    feed_v: float | None = None
    spread: float = 0.0

    def __post_init__(self) -> None:
        numbers = (*self.channel_a, self.idle_a or 0.0, self.spread)
        if not self.channel_a or not all(math.isfinite(n) and n >= 0 for n in numbers):
            raise RulesError("a chip needs the current of each of its channels, in amperes, none negative")
        if not 0 < self.least_v <= self.volts_v <= self.most_v:
            raise RulesError("a chip's supply range must contain its nominal voltage: least, nominal, most")
        if (self.feed_ohm is None) != (self.feed_v is None) or (self.feed_ohm or 1.0) <= 0:
            raise RulesError("a dropping resistor needs its resistance (above zero) and the chip's voltage")

    def idle_at_a(self, volts_v: float) -> float | None:
        """Current of one dark pixel on a supply of `volts_v` [A]; None where it is not known."""
        if self.feed_ohm is not None and self.feed_v is not None:
            return max(0.0, volts_v - self.feed_v) / self.feed_ohm
        return self.idle_a


_WORLDSEMI = "Worldsemi data sheet, read by way of a chip catalogue; supply range from memory"

CHIPS: Mapping[str, Chip] = MappingProxyType(
    {
        "ws2811-5v": Chip(
            (0.0185,) * 3, 0.0007, 5.0, 4.5, 5.5,
            "Worldsemi WS2811 data sheet: 18.5 mA constant current; idle from a chip catalogue",
        ),
        "ws2811-12v": Chip(
            (0.0185,) * 3, 0.00226, 12.0, 10.5, 13.5,
            "Worldsemi WS2811 data sheet: 18.5 mA constant current, 2.7 kohm feed at 12 V; "
            "chip at 5.9 V matches 225 to 227 mA for 100 dark pixels (common practice); "
            "supply range from memory",
            feed_ohm=2700.0, feed_v=5.9,
        ),
        "ws2812b": Chip((0.0185,) * 3, 0.0007, 5.0, 3.7, 5.3, _WORLDSEMI),
        "ws2813": Chip((0.018,) * 3, 0.0007, 5.0, 3.7, 5.3, _WORLDSEMI),
        "ws2815": Chip(
            (0.010,) * 3, 0.0021, 12.0, 9.0, 13.0,
            "Worldsemi WS2815 data sheet by way of a chip catalogue: 10 mA, 9 to 13 V, 2.1 mA at 12 V",
        ),
        "sk6812": Chip(
            (0.020,) * 3, 0.0010, 5.0, 3.7, 5.5,
            "SK6812 data sheet by way of a chip catalogue; supply range from memory",
        ),
        "sk6812-rgbw": Chip(
            (0.020,) * 4, 0.0010, 5.0, 3.7, 5.5,
            "from memory: four channels of the SK6812's 20 mA",
        ),
        "apa104": Chip(
            (0.019, 0.022, 0.022), 0.0010, 5.0, 4.5, 5.5,
            "APA104 data sheet by way of a chip catalogue: R 19 mA, G and B 22 mA; supply range from memory",
        ),
        "ucs1903": Chip(
            (0.017,) * 3, None, 12.0, 6.0, 24.0,
            "UCS1903 data sheet: 17 mA, 3 % between chips; idle not published, supply range from memory",
            spread=0.03,
        ),
        "apa102": Chip((0.020,) * 3, 0.0010, 5.0, 4.5, 5.5, "from memory: 20 mA a channel, about 1 mA dark"),
    }
)  # fmt: skip
"""The built-in table; a site's own entries go beside it as ``{**CHIPS, "name": Chip(...)}``."""

TYPICAL_SHARE = 1 / 3
"""Share of full white that show content draws: one of three channels at full level (common practice)."""


@dataclass(frozen=True, slots=True)
class Expected:
    """Expected currents of a port [A].

    dark_a: nothing lit, None where the chip's idle current is not published;
    typical_a: one colour at full level; full_a: all white; both at the brightness limit.
    """

    dark_a: float | None
    typical_a: float
    full_a: float


def chip_named(name: str, chips: Mapping[str, Chip] = CHIPS) -> Chip:
    """The chip called `name`; `RulesError` names those there are."""
    chip = chips.get(name)
    if chip is None:
        raise RulesError(f"chip {name!r} is not known; known are {', '.join(sorted(chips))}")
    return chip


def expected_currents(
    pixels: int, chip: str, brightness: float, volts: float, chips: Mapping[str, Chip] = CHIPS
) -> Expected:
    """What `pixels` of `chip` draw with data limited to `brightness` (0..1) on a `volts` supply [V].

    ``pixels x (idle + brightness x sum of channels)``: pulse width modulation of a constant current is
    linear in the value sent, so gamma and limits apply before. `RulesError` for what no string can be.
    """
    if pixels < 0:
        raise RulesError(f"{pixels} pixels: a count is zero or more")
    if not 0.0 <= brightness <= 1.0:
        raise RulesError(f"a brightness limit lies between 0 and 1 (100 %), not {brightness}")
    if not (math.isfinite(volts) and volts > 0):
        raise RulesError(f"a supply has a voltage above zero, not {volts} V")
    kind = chip_named(chip, chips)
    idle_a = kind.idle_at_a(volts)
    base_a = pixels * (idle_a or 0.0)
    white_a = pixels * brightness * sum(kind.channel_a)
    dark_a = None if idle_a is None else base_a
    return Expected(dark_a, base_a + white_a * TYPICAL_SHARE, base_a + white_a)
