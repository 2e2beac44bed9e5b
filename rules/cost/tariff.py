"""What energy costs: a price by time of day, in the site's own local time.

Local time is reckoned from UTC instants, so the night the clocks change costs exactly what ran in it:
an hour that happens twice counts twice, one that is skipped does not count.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta
from functools import cached_property
from math import gcd
from typing import NamedTuple
from zoneinfo import ZoneInfo

from rules.errors import RulesError

WEEKDAYS = frozenset(range(5))
WEEKEND = frozenset((5, 6))
EVERY_DAY = WEEKDAYS | WEEKEND


@dataclass(frozen=True, slots=True)
class Band:
    """`price` per kWh from `start` to `end` (not included) on these weekdays (0 Monday … 6 Sunday).

    end at or before start runs over midnight and belongs to the day it starts on; equal: all day.
    """

    start: time
    end: time
    price: float
    days: frozenset[int] = EVERY_DAY

    def holds(self, local: datetime) -> bool:
        """Whether this local wall-clock time lies in the band."""
        clock, day = local.time(), local.weekday()
        if self.start < self.end:
            return day in self.days and self.start <= clock < self.end
        if clock >= self.start:
            return day in self.days
        return clock < self.end and (day - 1) % 7 in self.days


class Used(NamedTuple):
    """Energy [Wh] taken evenly from `start_utc` to `end_utc`."""

    start_utc: datetime
    end_utc: datetime
    energy_wh: float


class Priced(NamedTuple):
    """Energy [Wh] that ran at one price, and its cost. `band`: None is the price outside all bands."""

    band: Band | None
    energy_wh: float
    cost: float


@dataclass(frozen=True)
class Tariff:
    """Prices per kWh: the first band that holds, else `price`. `zone`: IANA name of the local time."""

    zone: str
    price: float
    bands: tuple[Band, ...] = ()
    currency: str = ""
    _zone: ZoneInfo = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        try:
            object.__setattr__(self, "_zone", ZoneInfo(self.zone))
        except (KeyError, ValueError) as error:
            raise RulesError(f"time zone {self.zone!r} is not known; an example is Europe/Dublin") from error
        if any(not days <= EVERY_DAY for days in (band.days for band in self.bands)):
            raise RulesError("weekdays are numbers from 0 (Monday) to 6 (Sunday)")
        if any(clock.second or clock.microsecond for band in self.bands for clock in (band.start, band.end)):
            raise RulesError("price bands begin and end on whole minutes")

    @cached_property
    def _grain_s(self) -> int:
        # Bands change on whole minutes and zones shift by whole quarter hours: within one such grain
        # of UTC the price is constant.
        minutes = 15
        for band in self.bands:
            minutes = gcd(minutes, band.start.minute, band.end.minute)
        return minutes * 60

    def band_at(self, at_utc: datetime) -> Band | None:
        """The band that holds at an instant; None outside all."""
        local = at_utc.astimezone(self._zone)
        return next((band for band in self.bands if band.holds(local)), None)

    def price_at(self, at_utc: datetime) -> float:
        """Price per kWh at an instant."""
        band = self.band_at(at_utc)
        return self.price if band is None else band.price

    def cost(self, used: Iterable[Used]) -> float:
        """What the energy cost, each part at the price of its own time."""
        return sum((part.cost for part in self.priced(used)), 0.0)

    def priced(self, used: Iterable[Used]) -> Iterator[Priced]:
        """The energy in parts that each lie in one band, in the order of `used`."""
        for start_utc, end_utc, energy_wh in used:
            if energy_wh == 0.0:
                continue
            whole_s = (end_utc - start_utc).total_seconds()
            if whole_s <= 0.0:
                yield self._priced(start_utc, energy_wh)
                continue
            at_utc = start_utc
            while at_utc < end_utc:
                to_edge_s = self._grain_s - at_utc.timestamp() % self._grain_s
                until_utc = min(end_utc, at_utc + timedelta(seconds=to_edge_s))
                share = (until_utc - at_utc).total_seconds() / whole_s
                yield self._priced(at_utc, energy_wh * share)
                at_utc = until_utc

    def _priced(self, at_utc: datetime, energy_wh: float) -> Priced:
        band = self.band_at(at_utc)
        return Priced(band, energy_wh, energy_wh / 1000.0 * (self.price if band is None else band.price))
