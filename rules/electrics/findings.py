"""What a check of the plan tells: a finding, with its arithmetic, its rule and where the rule was read."""

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple


class Level(StrEnum):
    """How a finding weighs: a limit is passed, a limit is near, something to know."""

    OVER = "over"
    NEAR = "near"
    NOTE = "note"


class Rule(NamedTuple):
    """A rule as one clause, and where it was read."""

    text: str
    source: str


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing the arithmetic found.

    subject: the port or supply it is about, by id; text: one sentence for a person; arithmetic: the
    numbers as they were combined; rule, source: what was applied and where it was read;
    remedy: what would be enough, empty where there is nothing to do.
    """

    severity: Level
    subject: str
    text: str
    arithmetic: str
    rule: str
    source: str
    remedy: str = ""


def finding(
    severity: Level, subject: str, rule: Rule, *, text: str, arithmetic: str, remedy: str = ""
) -> Finding:
    """A `Finding` under `rule`."""
    return Finding(severity, subject, text, arithmetic, rule.text, rule.source, remedy)


def amps(current_a: float) -> str:
    """A current as people read it: ``3.75 A``, ``226 mA``, ``1240 A``."""
    value, unit = (current_a, "A") if current_a >= 0.9995 else (current_a * 1000, "mA")
    return f"{value:.0f} {unit}" if value >= 99.5 else f"{value:.3g} {unit}"


def above(value: float, limit: float) -> bool:
    """Whether a value passes a limit by more than the rounding of sums: 3 x 1.1 A is not above 3.3 A."""
    return value > limit * (1 + 1e-9)


def duration(seconds: float) -> str:
    """A time as people read it: ``4 h``, ``20 s``, ``100 ms``."""
    steps: tuple[tuple[float, str], ...] = ((3600, "h"), (60, "min"), (1, "s"))
    for size, unit in steps:
        if seconds >= size:
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds * 1000:.3g} ms"
