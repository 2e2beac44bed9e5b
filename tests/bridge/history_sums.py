"""Energy of the history summed another way than the report does: part by part, in floating point."""

from collections.abc import Callable, Iterable, Iterator
from datetime import datetime
from typing import NamedTuple, TypeVar

from bridge.history.store_pack import QUARTER_MS, QUARTERS, STEPS_PER_S, STEPS_PER_WH
from bridge.history.store_read import StoreReader, to_utc

K = TypeVar("K")


class EnergyPart(NamedTuple):
    """What one port took, saved [Wh] and had power [s] in one quarter hour and show ('' for none)."""

    start_utc: datetime
    port: str
    show: str
    energy_wh: float
    saved_wh: float
    powered_s: float


class Sums(NamedTuple):
    """Energy taken and saved [Wh], time with power [s]."""

    energy_wh: float
    saved_wh: float
    powered_s: float


def energy_parts(reader: StoreReader, since_utc: datetime, until_utc: datetime) -> Iterator[EnergyPart]:
    """Every quarter hour in which anything was counted, in order of time within each day, port and show."""
    for row in sorted(reader.energy_days(since_utc, until_utc)):
        for quarter, (energy, saved, powered) in enumerate(zip(*row.columns, strict=True)):
            if energy or saved or powered:
                start_utc = to_utc((row.day * QUARTERS + quarter) * QUARTER_MS)
                counted = (energy / STEPS_PER_WH, saved / STEPS_PER_WH, powered / STEPS_PER_S)
                yield EnergyPart(start_utc, row.port, row.show, *counted)


def summed(parts: Iterable[EnergyPart], key: Callable[[EnergyPart], K]) -> dict[K, Sums]:
    """The sums of `parts` by what `key` says of each, in the order of keys."""
    found: dict[K, Sums] = {}
    for part in parts:
        before = found.get(key(part), Sums(0.0, 0.0, 0.0))
        found[key(part)] = Sums(*(a + b for a, b in zip(before, part[3:], strict=True)))
    return dict(sorted(found.items()))  # type: ignore[type-var]  # keys here can be put in order
