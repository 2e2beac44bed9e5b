"""Which E1.31 slots belong to a port, and what current a port draws for given levels.

Arithmetic only: currents of a chip are arguments (`electrics.load` knows the datasheets). A port's pixels
take their slots one after another from the start universe and channel; a pixel is not split over two
universes unless `split_pixels` says so (common practice: 170 pixels of 3 channels in a universe).
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import combinations
from typing import NamedTuple

from rules.errors import RulesError
from rules.ports import PortId
from rules.show_data.e131 import SLOTS_MAX, UNIVERSE_MAX

_COLOURS = {3: "BGR", 4: "BGRW"}


class SlotRange(NamedTuple):
    """Slots `first` to `last` (1 to 512, both inclusive) of `universe`."""

    universe: int
    first: int
    last: int


class Overlap(NamedTuple):
    """Two ports that read the same slots; `ranges` are the shared ones."""

    first: PortId
    second: PortId
    ranges: tuple[SlotRange, ...]


@dataclass(frozen=True, slots=True)
class PixelMap:
    """How a controller turns slots into one port's pixels.

    start_universe, start_channel: where the first lit pixel's first slot is (channel 1 to 512);
    pixels: lit pixels on the port; colour_order: one letter per channel in the order of the slots, for
    example ``GRB`` or ``RGBW``; group: so many neighbouring pixels share one set of slots; null_pixels:
    pixels before the first that pass data on and stay dark (they have no slots and draw the quiescent
    current); brightness: limit 0 to 1; gamma: exponent applied to the level before the limit.
    Raises RulesError where a value cannot be meant or the slots run past universe 63999.
    """

    port: PortId
    start_universe: int
    pixels: int
    start_channel: int = 1
    colour_order: str = "RGB"
    group: int = 1
    null_pixels: int = 0
    brightness: float = 1.0
    gamma: float = 1.0
    split_pixels: bool = False
    _slots: tuple[SlotRange, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        wanted = _COLOURS.get(len(self.colour_order))
        if wanted is None or "".join(sorted(self.colour_order)) != wanted:
            raise RulesError(
                f"colour order is R, G and B (and W) in the order of the slots, not {self.colour_order!r}"
            )
        if not 1 <= self.start_channel <= SLOTS_MAX:
            raise RulesError(f"the start channel is 1 to {SLOTS_MAX}, not {self.start_channel}")
        if self.pixels < 0 or self.null_pixels < 0 or self.group < 1:
            raise RulesError("pixels and null pixels are 0 or more, a group is 1 or more")
        if not 0.0 <= self.brightness <= 1.0:
            raise RulesError(f"the brightness limit is 0 to 1, not {self.brightness}")
        if not 0.1 <= self.gamma <= 10.0:
            raise RulesError(f"gamma is 0.1 to 10, not {self.gamma}")
        object.__setattr__(self, "_slots", self._lay_out())

    @property
    def channels(self) -> int:
        """Channels per pixel: 3 or 4."""
        return len(self.colour_order)

    @property
    def units(self) -> int:
        """Sets of slots: pixels, or groups of them; the last group may be smaller."""
        return -(-self.pixels // self.group)

    @property
    def slots(self) -> tuple[SlotRange, ...]:
        """The slots of the port, universe by universe; empty without pixels."""
        return self._slots

    def _lay_out(self) -> tuple[SlotRange, ...]:
        left = self.units * self.channels
        universe, first = self.start_universe, self.start_channel
        ranges: list[SlotRange] = []
        while left:
            room = SLOTS_MAX - first + 1
            if not self.split_pixels:
                room -= room % self.channels
            used = min(left, room)
            if used:
                ranges.append(SlotRange(universe, first, first + used - 1))
            left -= used
            universe, first = universe + 1, 1
        if self.start_universe < 1 or (ranges and ranges[-1].universe > UNIVERSE_MAX):
            raise RulesError(
                f"port {self.port}: its slots run from universe {self.start_universe} to "
                f"{ranges[-1].universe if ranges else self.start_universe}; universes are 1 to {UNIVERSE_MAX}"
            )
        return tuple(ranges)

    def pick(self, levels: Mapping[int, bytes]) -> bytes | None:
        """The port's own slots out of `levels` (universe: slots), in order; None where a universe is missing.

        A universe sent with fewer slots than the port reads counts as dark there.
        """
        parts = []
        for universe, first, last in self._slots:
            data = levels.get(universe)
            if data is None:
                return None
            parts.append(data[first - 1 : last].ljust(last - first + 1, b"\0"))
        return b"".join(parts)

    def spread(self, data: bytes) -> dict[int, bytes]:
        """The opposite of `pick`: the port's slots as universes; slots of nobody are 0."""
        universes: dict[int, bytes] = {}
        at = 0
        for universe, first, last in self._slots:
            size = last - first + 1
            universes[universe] = bytes(first - 1) + data[at : at + size].ljust(size, b"\0")
            at += size
        return universes


def lit(pixel_map: PixelMap, units: Iterable[int], levels: bytes) -> dict[int, bytes]:
    """Universes that light `units` (pixels or groups, from 0) with `levels` per channel, others dark."""
    if len(levels) != pixel_map.channels:
        raise RulesError(f"{pixel_map.channels} levels are needed, one per channel, not {len(levels)}")
    data = bytearray(pixel_map.units * pixel_map.channels)
    for unit in units:
        if 0 <= unit < pixel_map.units:
            data[unit * pixel_map.channels : (unit + 1) * pixel_map.channels] = levels
    return pixel_map.spread(bytes(data))


def overlaps(maps: Iterable[PixelMap]) -> tuple[Overlap, ...]:
    """Pairs of ports that read the same slots. Meant (mirrored props) or not, a person should know."""
    by_universe: dict[int, list[tuple[int, PixelMap, SlotRange]]] = {}
    for order, pixel_map in enumerate(maps):
        for slots in pixel_map.slots:
            by_universe.setdefault(slots.universe, []).append((order, pixel_map, slots))
    found: dict[tuple[int, int], tuple[PortId, PortId, list[SlotRange]]] = {}
    for universe in sorted(by_universe):
        for (a, one, left), (b, two, right) in combinations(by_universe[universe], 2):
            first, last = max(left.first, right.first), min(left.last, right.last)
            if first <= last:
                shared = found.setdefault((a, b), (one.port, two.port, []))[2]
                shared.append(SlotRange(universe, first, last))
    return tuple(Overlap(one, two, tuple(ranges)) for one, two, ranges in found.values())


class CurrentModel:
    """Expected current of one port: ``I = N q + Σ c (level/255)^gamma b``.

    quiescent_a: current of one dark pixel [A]; channel_a: current of one channel at full level [A], by
    colour letter, for example ``{"R": 0.0185, "G": 0.0185, "B": 0.0185}``. Constant-current pixels dimmed
    by pulse width are linear in the level that reaches them (UCS1903 and WS2811 datasheets).
    Raises RulesError where a colour of the map has no current or a current is negative.
    """

    def __init__(self, pixel_map: PixelMap, quiescent_a: float, channel_a: Mapping[str, float]) -> None:
        missing = [colour for colour in pixel_map.colour_order if colour not in channel_a]
        if missing:
            raise RulesError(f"no current is given for colour {', '.join(missing)}")
        if quiescent_a < 0 or any(value < 0 for value in channel_a.values()):
            raise RulesError("currents are 0 A or more")
        self.map = pixel_map
        self._made_of = (pixel_map, quiescent_a, tuple(sorted(channel_a.items())))
        self.dark_a = (pixel_map.pixels + pixel_map.null_pixels) * quiescent_a
        """Current with nothing lit [A]."""
        self._weights = [
            channel_a[colour] * pixel_map.brightness * pixel_map.group / 255.0
            for colour in pixel_map.colour_order
        ]
        # (level/255)^gamma, scaled to 255 so that gamma 1 leaves the level as it is.
        self._curve = (
            None
            if pixel_map.gamma == 1.0
            else tuple(255.0 * (level / 255.0) ** pixel_map.gamma for level in range(256))
        )
        self._missing_in_last = pixel_map.units * pixel_map.group - pixel_map.pixels

    def __eq__(self, other: object) -> bool:
        return isinstance(other, CurrentModel) and self._made_of == other._made_of

    def __hash__(self) -> int:
        return hash(self._made_of)

    @property
    def full_a(self) -> float:
        """Current with every channel at full level [A]."""
        return self._of(b"\xff" * (self.map.units * self.map.channels))

    def expected_a(self, levels: Mapping[int, bytes]) -> float | None:
        """Expected current [A] for `levels` (universe: slots); None where a universe is not known."""
        data = self.map.pick(levels)
        return None if data is None else self._of(data)

    def _of(self, data: bytes) -> float:
        channels, curve = self.map.channels, self._curve
        total = self.dark_a
        for n, weight in enumerate(self._weights):
            own = data[n::channels]
            # sum over a slice runs in C: 10 000 pixels take well under a millisecond per channel.
            total += weight * (sum(own) if curve is None else sum(map(curve.__getitem__, own)))
            if self._missing_in_last:
                last = own[-1] if curve is None else curve[own[-1]]
                total -= weight / self.map.group * self._missing_in_last * last
        return total
