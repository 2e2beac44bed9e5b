"""The string: a ladder of pixels and wire, solved for what the port has to deliver.

The feed runs over the cable to the head, then from pixel to pixel; each length of wire counts twice
(there and back). Every pixel draws what its chip draws at the voltage that arrives there. Because no
pixel draws less when the voltage rises, one unknown is enough: assume the voltage at the last pixel,
walk to the feed adding currents (Kirchhoff), and find the assumption that ends at the feed's voltage.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from random import Random

from bridge.simulator.chips import CHIPS, Chip
from bridge.simulator.spec import StringSpec

CURVE_STEPS = 16
"""A string lit evenly is solved at this many drives plus dark; between them current is interpolated."""


@dataclass(frozen=True, slots=True)
class Defects:
    """What is wrong with a string. Pixels are counted from 0 at the head.

    powered: pixels that still get power (the rest draw nothing), None for all; fed_data: pixels that
    still get data (the rest stay dark but draw their quiescent current), None for all; dead: pixels that
    draw nothing themselves; shunts: (pixel, siemens) pairs across the feed there; -1 is the head.
    """

    powered: int | None = None
    fed_data: int | None = None
    dead: frozenset[int] = frozenset()
    shunts: tuple[tuple[int, float], ...] = ()


SOUND = Defects()


@dataclass(frozen=True, slots=True)
class Solution:
    """One solved string: feed current [A], head and end voltage [V], and where the power goes [W]."""

    current_a: float
    head_v: float
    end_v: float
    pixel_w: float
    wire_w: float
    shunt_w: float


def on_curve(curve: Sequence[float], drive: float) -> float:
    """Current [A] at `drive` (0..1), straight between the curve's points."""
    if drive >= 1.0:
        return curve[-1]
    place = drive * CURVE_STEPS
    index = int(place)
    low = curve[index]
    return low + (curve[index + 1] - low) * (place - index)


class PixelString:
    """One string of pixels on its cable; knows nothing of time."""

    def __init__(self, spec: StringSpec, seed: str) -> None:
        self.spec = spec
        self.chip: Chip = CHIPS[spec.chip]
        self.segment_ohm = 2.0 * spec.spacing_m * spec.ohm_per_km / 1000.0
        self.feed_ohm = 2.0 * spec.cable_m * spec.cable_ohm_per_km / 1000.0 + spec.source_ohm
        rng = Random(seed)  # noqa: S311 - a repeatable spread of part values, not a secret
        spread = spec.variation
        self.weights = [
            1.0 + max(-3.0 * spread, min(3.0 * spread, rng.gauss(0.0, spread))) for _ in range(spec.pixels)
        ]
        self._curves: dict[tuple[Defects, float], list[float]] = {}

    def curve(self, volts_v: float, defects: Defects = SOUND) -> list[float]:
        """Feed current [A] at each of `CURVE_STEPS` + 1 even drives; solved once and kept."""
        key = (defects, volts_v)
        curve = self._curves.get(key)
        if curve is None:
            if len(self._curves) >= 16:
                self._curves.clear()
            channels = float(self.chip.channels)
            curve = [
                self._feed([channels * step / CURVE_STEPS] * self.spec.pixels, volts_v, defects)
                for step in range(CURVE_STEPS + 1)
            ]
            self._curves[key] = curve
        return curve

    def current_a(self, drive: float, volts_v: float, defects: Defects = SOUND) -> float:
        """Feed current [A] with every channel of every pixel at `drive` (0..1), from the curve."""
        return on_curve(self.curve(volts_v, defects), drive)

    def lit_from(self, levels: bytes) -> list[float]:
        """Channels lit per pixel (0..channels) from show data, one byte per channel; missing bytes are 0."""
        channels = self.chip.channels
        return [sum(levels[at * channels : (at + 1) * channels]) / 255.0 for at in range(self.spec.pixels)]

    def solve(self, lit: Sequence[float], volts_v: float, defects: Defects = SOUND) -> Solution:
        """Solve the string with `lit[k]` channels' worth lit at pixel k (0..channels), fed `volts_v`."""
        nodes = self._nodes(lit, defects)
        end_v, _ = self._search(nodes, volts_v)
        volts = end_v
        current = pixel_w = wire_w = shunt_w = 0.0
        for quiescent, channel, siemens in reversed(nodes[1:]):
            pixel = quiescent * self._quiescent(volts) + channel * self._channel(volts)
            current += pixel + siemens * volts
            pixel_w += pixel * volts
            shunt_w += siemens * volts * volts
            wire_w += current * current * self.segment_ohm
            volts += current * self.segment_ohm
        siemens = nodes[0][2]
        current += siemens * volts
        shunt_w += siemens * volts * volts
        wire_w += current * current * self.feed_ohm
        return Solution(current, volts, end_v, pixel_w, wire_w, shunt_w)

    def _feed(self, lit: Sequence[float], volts_v: float, defects: Defects) -> float:
        return self._search(self._nodes(lit, defects), volts_v)[1]

    def _nodes(self, lit: Sequence[float], defects: Defects) -> list[tuple[float, float, float]]:
        """Head first: (quiescent share, channels lit, siemens) for the head and each powered pixel."""
        count = self.spec.pixels
        powered = count if defects.powered is None else min(count, defects.powered)
        fed = count if defects.fed_data is None else defects.fed_data
        shunts = dict.fromkeys(range(-1, count), 0.0)
        for at, siemens in defects.shunts:
            shunts[max(-1, min(powered - 1, at))] += siemens
        nodes = [(0.0, 0.0, shunts[-1])]
        for at in range(powered):
            weight = 0.0 if at in defects.dead else self.weights[at]
            nodes.append((weight, weight * lit[at] if at < fed else 0.0, shunts[at]))
        return nodes

    def _quiescent(self, volts_v: float) -> float:
        return self.chip.quiescent_at(volts_v)

    def _channel(self, volts_v: float) -> float:
        return self.chip.channel_at(volts_v)

    def _walk(self, nodes: list[tuple[float, float, float]], end_v: float) -> tuple[float, float]:
        """Feed voltage [V] and current [A] that go with `end_v` at the last pixel.

        The chip's two ramps stand here once more, opened out: this loop is where the time goes.
        """
        chip = self.chip
        quiescent_off, channel_off = chip.quiescent_off_v, chip.channel_off_v
        quiescent_slope = chip.quiescent_a / (chip.quiescent_full_v - quiescent_off)
        channel_slope = chip.channel_a / (chip.channel_full_v - channel_off)
        quiescent_cap = chip.quiescent_a if chip.quiescent_regulated else float("inf")
        channel_cap = chip.channel_a if chip.constant_current else float("inf")
        segment_ohm = self.segment_ohm
        volts, current = end_v, 0.0
        for at in range(len(nodes) - 1, 0, -1):
            quiescent, channel, siemens = nodes[at]
            if volts > quiescent_off:
                each = (volts - quiescent_off) * quiescent_slope
                current += quiescent * (each if each < quiescent_cap else quiescent_cap)  # noqa: FURB136 - min() costs more than the line
                if channel and volts > channel_off:
                    each = (volts - channel_off) * channel_slope
                    current += channel * (each if each < channel_cap else channel_cap)  # noqa: FURB136 - as above
            if siemens:
                current += siemens * volts
            volts += current * segment_ohm
        current += nodes[0][2] * volts
        return volts + current * self.feed_ohm, current

    def _search(self, nodes: list[tuple[float, float, float]], volts_v: float) -> tuple[float, float]:
        """End voltage [V] whose walk arrives at `volts_v`, and feed current [A] (regula falsi, Illinois)."""
        low, high = 0.0, volts_v
        feed, current = self._walk(nodes, high)
        over = feed - volts_v
        if over < 1e-9:  # nothing drops: no load, or no resistance
            return high, current
        under = -volts_v
        side = 0
        end_v = high
        for _ in range(200):
            end_v = (low * over - high * under) / (over - under)
            feed, current = self._walk(nodes, end_v)
            miss = feed - volts_v
            if abs(miss) < 1e-9 or high - low < 1e-15:
                break
            if miss > 0.0:
                high, over = end_v, miss
                if side == 1:
                    under /= 2.0
                side = 1
            else:
                low, under = end_v, miss
                if side == -1:
                    over /= 2.0
                side = -1
        return end_v, current
