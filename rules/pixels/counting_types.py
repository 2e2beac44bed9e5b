"""The vocabulary of a count: what it may do, what it lights, what it answers."""

from collections.abc import Generator
from dataclasses import dataclass
from enum import StrEnum

from rules.errors import RulesError


@dataclass(frozen=True, slots=True)
class CountSettings:
    """What the session may do.

    capacity: pixels (or groups) that can be addressed on the port; limit_a: current it never plans to
    exceed [A]; pixel_max_a: what one lit pixel draws at most [A], until the string itself has told;
    error: bound for each decision of the proof; settle_s: time [s] from a shown pattern to readings that
    mean it, at the least; max_readings: values of the sensor after which it gives up; find_dead: also
    look for pixels inside the string that do not light; zero_a: reading with the port off [A], None
    where it is not known. Raises RulesError where a value cannot be meant.
    """

    capacity: int
    limit_a: float
    pixel_max_a: float = 0.08
    error: float = 1e-4
    settle_s: float = 0.1
    max_readings: int = 1500
    find_dead: bool = True
    zero_a: float | None = None

    def __post_init__(self) -> None:
        if self.capacity < 1:
            raise RulesError("counting needs at least one pixel that can be addressed")
        if not self.limit_a > 0.0:
            raise RulesError("the current limit of a count is above 0 A")
        if not 0.0 < self.error <= 0.01:
            raise RulesError("the error bound of a decision is above 0 and at most 0.01")
        if self.settle_s < 0.0 or self.max_readings < 50:
            raise RulesError("settling is 0 s or more, and a count needs at least 50 readings")


@dataclass(frozen=True, slots=True)
class Probe:
    """Light exactly these pixels (counted from 0), in white, and no other. Ranges do not overlap."""

    lit: tuple[range, ...]
    stage: str

    @property
    def count(self) -> int:
        """How many pixels are lit."""
        return sum(map(len, self.lit))


class Cause(StrEnum):
    """Why a count was refused."""

    NO_RESPONSE = "no-response"
    STEP_TOO_SMALL = "step-too-small"
    LIMIT = "limit"
    UNCLEAR_END = "unclear-end"
    OUT_OF_READINGS = "out-of-readings"


@dataclass(frozen=True, slots=True)
class Count:
    """The answer. `pixels`: position of the last pixel that lights, counted from 1.

    confidence: 1 minus the bounds of all decisions it rests on; pixel_a: current one pixel adds [A];
    dark_a: current with nothing lit [A], the sensor's zero error taken off where it is known;
    dark_per_pixel_a: the same per pixel [A]; dead_pixels: pixels inside that do not light, None where it
    was not looked for; refresh_s: how often the sensor has a new value [s], None where it is not slower
    than it was read; notes: sentences for the person.
    """

    pixels: int
    confidence: float
    pixel_a: float
    dark_a: float
    dark_per_pixel_a: float
    dead_pixels: int | None
    noise_a: float
    sensor_step_a: float
    refresh_s: float | None
    readings: int
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Refusal:
    """No answer. `reason`: one sentence; `readings_needed`: None where more readings would not help."""

    cause: Cause
    reason: str
    readings_needed: int | None
    readings: int


Result = Count | Refusal


@dataclass(frozen=True, slots=True)
class Ask:
    """What the search asks of the session: light `lit`, give back `readings` values.

    raw: also values taken while the sensor still settles, with the time since the pattern was shown.
    """

    lit: tuple[range, ...]
    readings: int
    stage: str
    raw: bool = False


Values = list[tuple[float, float]]
"""(seconds since shown, current [A])."""
Search = Generator[Ask, Values, Result]
