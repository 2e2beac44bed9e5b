"""Ratings: the 125 % rule, Class 2, and how many pixels fit. Local codes and licensed practice decide."""

import math
from collections.abc import Mapping
from datetime import timedelta
from typing import NamedTuple

from rules.electrics.chips import CHIPS, Chip, expected_currents
from rules.electrics.findings import Rule
from rules.errors import RulesError

CONTINUOUS = timedelta(hours=3)
"""From this long on a load is continuous (NEC article 100)."""
CONTINUOUS_FACTOR = 1.25
CONTINUOUS_RULE = Rule(
    "continuous load no more than 80 % of the rating (the 125 % rule)",
    "NEC 210.20(A), feeders 215.3: overcurrent device at least the noncontinuous load plus 125 % of the "
    "continuous load; continuous is 3 h or more, article 100",
)
CLASS_TWO_RULE = Rule(
    "Class 2 direct current: up to 20 V 5.0 A and 5 VA per volt, up to 30 V 100 VA",
    "NEC chapter 9 table 11(B), sources that are not inherently limited (from memory), and its notes on "
    "wet places",
)
CLASS_TWO_MOST_V = 30.0


class ClassTwo(NamedTuple):
    """Limits of a Class 2 direct-current source: current [A] and nameplate [VA]."""

    most_a: float
    most_va: float


def class_two(volts: float) -> ClassTwo | None:
    """What a Class 2 source of `volts` [V, direct current] may give; None above 30 V.

    Up to 20 V: 5.0 A and 5 VA per volt. Above, up to 30 V: 100 VA, so 100 / volts amperes.
    """
    if not 0 < volts <= CLASS_TWO_MOST_V:
        return None
    if volts <= 20:
        return ClassTwo(5.0, 5.0 * volts)
    return ClassTwo(100.0 / volts, 100.0)


def continuous_limit_a(rating_a: float) -> float:
    """What a fuse of `rating_a` may carry for three hours or more [A]: 80 %, the 125 % rule turned round."""
    return rating_a / CONTINUOUS_FACTOR


def most_pixels(
    limit_a: float, chip: str, brightness: float, volts: float, chips: Mapping[str, Chip] = CHIPS
) -> int:
    """The largest count of pixels whose full white stays within `limit_a` [A]."""
    each_a = expected_currents(1, chip, brightness, volts, chips).full_a
    if each_a <= 0:
        raise RulesError(f"{chip} at a brightness of {brightness} draws nothing that is known")
    return math.floor(limit_a / each_a + 1e-9)


def most_percent(limit_a: float, pixels: int, chip: Chip, volts: float) -> int:
    """The highest whole brightness limit [%] that keeps full white within `limit_a` [A]; may be negative."""
    white_a = sum(chip.channel_a)
    if pixels < 1 or white_a <= 0:
        return 100
    return math.floor((limit_a / pixels - (chip.idle_at_a(volts) or 0.0)) / white_a * 100 + 1e-9)
