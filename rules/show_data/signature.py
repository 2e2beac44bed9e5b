"""What a port draws over the time of a show, learned over nights; and when tonight leaves it.

A show repeats, so its current over the show's own time (`position_s`, seconds since it began) repeats.
Per bin of that time the median over the nights is what is expected, and the median absolute deviation
(MAD) what is usual. Neighbouring bins widen the band, so that a show which starts half a second late is
no news. Tonight leaves the band when a CUSUM of the standardised distance says so: single wild readings
do not, a lasting shift does. While it learns nothing is told. When parts of the show draw more and
others less than they did, or its length is another, the show itself was changed: that is told once and
learned anew, and undone where the next night is the old show again.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from statistics import fmean, median

from rules.errors import RulesError
from rules.pixels.sequential import Cusum

_MAD_TO_SD = 1.4826
"""MAD of a Gaussian times this is its standard deviation."""
_NOT_SEEN = math.nan
_OUT_Z = 3.0
_CHANGED_SHARE = 0.03
"""A show is a changed one when more than this share of it is above, and as much below, what it was."""
_LENGTH_SHARE = 0.01
_BACK_BINS = 5


@dataclass(frozen=True, slots=True)
class SignatureSettings:
    """How it learns and tells.

    nights: learned before anything is told; kept: nights that count, the oldest is dropped; bin_s: length
    of a bin [s], not below the time between readings; floor_a and tolerance: spread [A, share of the
    expected] that is usual on any port; neighbours: bins to either side that widen the band; k, h: CUSUM
    allowance and interval in spreads; clip: a single bin counts no more spreads than this; confirm_bins:
    bins a departure must last before it is told during the show; judge_length: another length means another
    show (not where the calendar decides the length).
    """

    nights: int = 5
    kept: int = 15
    bin_s: float = 1.0
    floor_a: float = 0.015
    tolerance: float = 0.02
    neighbours: int = 1
    k: float = 1.0
    h: float = 8.0
    clip: float = 4.0
    confirm_bins: int = 15
    max_bins: int = 14400
    judge_length: bool = True

    def __post_init__(self) -> None:
        if not 3 <= self.nights <= self.kept:
            raise RulesError("a signature is learned from at least 3 nights, and keeps as many or more")
        if self.bin_s <= 0.0 or self.floor_a <= 0.0 or self.tolerance < 0.0:
            raise RulesError("the bin and the floor are above 0, the tolerance 0 or more")
        if self.h <= self.clip:
            raise RulesError("h is above clip, else a single reading alarms")


@dataclass(frozen=True, slots=True)
class Departure:
    """From `start_s` to `end_s` of the show the port drew `tonight_a` where `expected_a` is usual (means)."""

    start_s: float
    end_s: float
    expected_a: float
    tonight_a: float

    @property
    def share(self) -> float:
        """Tonight's deviation as a share of the expected: -0.1 is a tenth less."""
        return (self.tonight_a - self.expected_a) / self.expected_a if self.expected_a else math.inf

    @property
    def text(self) -> str:
        """One sentence for the person."""
        more = "more" if self.tonight_a > self.expected_a else "less"
        return (
            f"from {_clock(self.start_s)} to {_clock(self.end_s)} of the show it drew "
            f"{self.tonight_a:.2f} A, usual is {self.expected_a:.2f} A ({abs(self.share) * 100:.0f} % {more})"
        )


class Verdict(StrEnum):
    """What a night was."""

    LEARNING = "learning"
    NORMAL = "normal"
    DEPARTED = "departed"
    CHANGED = "changed"
    """The show was changed: told once, learned anew."""
    INCOMPLETE = "incomplete"
    """Too little of the show was seen to judge or learn."""


@dataclass(frozen=True, slots=True)
class Night:
    """The outcome of a night."""

    verdict: Verdict
    departures: tuple[Departure, ...] = ()


@dataclass(frozen=True, slots=True)
class _Band:
    """What is usual: per bin the median, the lowest and highest of all nights around it, the spread [A]."""

    usual: Sequence[float]
    low: Sequence[float]
    high: Sequence[float]
    spread: Sequence[float]

    def z(self, n: int, value: float) -> float:
        """Distance of `value` from the band at bin `n`, in spreads; NaN where nothing is known."""
        if n >= len(self.usual) or math.isnan(value) or math.isnan(self.usual[n]):
            return _NOT_SEEN
        outside = value - self.high[n] if value > self.high[n] else min(0.0, value - self.low[n])
        return outside / self.spread[n]


@dataclass(slots=True)
class _Tonight:
    """The night that runs: finished bins, the bin that fills, and the charts."""

    bins: array[float] = field(default_factory=lambda: array("f"))
    filling: list[float] = field(default_factory=list)
    below: Cusum = field(default_factory=lambda: Cusum(0.0, math.inf))
    above: Cusum = field(default_factory=lambda: Cusum(0.0, math.inf))
    out_below: int = 0
    out_above: int = 0
    told: bool = False


class ShowSignature:
    """The signature of one show on one port. Pure; `nights` carries what is learned over a restart."""

    def __init__(
        self, settings: SignatureSettings | None = None, nights: Iterable[Sequence[float | None]] = ()
    ) -> None:
        self.settings = settings or SignatureSettings()
        self._nights = [
            array("f", (_NOT_SEEN if value is None else value for value in night)) for night in nights
        ][-self.settings.kept :]
        self._former: list[array[float]] = []
        self._departed: array[float] | None = None
        self._usual: _Band | None = None
        self._tonight = self._fresh()

    @property
    def _band(self) -> _Band:
        """What is usual; worked out when it is first asked for."""
        return self._usual or self.prepare()

    def prepare(self) -> _Band:
        """Work out what is usual now (tens of milliseconds for a long show), not at the first reading."""
        if self._usual is None:
            self._usual = self._learn(self._nights)
        return self._usual

    @property
    def learned(self) -> bool:
        """Whether enough nights are known to tell anything."""
        return len(self._nights) >= self.settings.nights

    @property
    def nights(self) -> tuple[tuple[float | None, ...], ...]:
        """What is learned, to be kept by the caller: per night the mean current [A] of each bin, or None."""
        return tuple(
            tuple(None if math.isnan(value) else round(value, 4) for value in night) for night in self._nights
        )

    def observe(self, position_s: float, current_a: float) -> Departure | None:
        """Take a reading at `position_s` of the show; a departure once it is beyond doubt, once a night.

        Readings before the show's beginning, older than the newest, or beyond `max_bins` are left out.
        Raises RulesError where a value is no finite number.
        """
        if not (math.isfinite(position_s) and math.isfinite(current_a)):
            raise RulesError("position and current are finite numbers")
        tonight, n = self._tonight, int(position_s // self.settings.bin_s)
        if not len(tonight.bins) <= n < self.settings.max_bins:
            return None
        found = None
        while len(tonight.bins) < n:
            found = self._finish_bin() or found
        tonight.filling.append(current_a)
        return found

    def end(self, *, complete: bool = True) -> Night:
        """The show ended. complete: it ran from beginning to end with power (else nothing is learned)."""
        if self._tonight.filling:
            self._finish_bin()
        tonight, self._tonight = self._tonight.bins, self._fresh()
        seen = sum(not math.isnan(value) for value in tonight)
        if not complete or seen < max(3, len(tonight) // 2):
            night = Night(Verdict.INCOMPLETE)
        elif not self.learned:
            night = self._learn_more(tonight)
        else:
            night = self._judge(tonight)
        self._tonight = self._fresh()
        return night

    def accept(self) -> None:
        """A person says that the last departure is right as it is: it is learned anew from there."""
        if self._departed is not None:
            self._take_up([self._departed])

    # ------------------------------------------------------------ a night

    def _fresh(self) -> _Tonight:
        settings = self.settings
        return _Tonight(below=Cusum(settings.k, settings.h), above=Cusum(settings.k, settings.h))

    def _finish_bin(self) -> Departure | None:
        tonight, settings = self._tonight, self.settings
        value = fmean(tonight.filling) if tonight.filling else _NOT_SEEN
        n = len(tonight.bins)
        tonight.filling.clear()
        tonight.bins.append(value)
        z = self._band.z(n, value) if self.learned else _NOT_SEEN
        if math.isnan(z):
            return None
        tonight.out_below += z < -_OUT_Z
        tonight.out_above += z > _OUT_Z
        held = max(-settings.clip, min(z, settings.clip))
        low, high = tonight.below.add(-held), tonight.above.add(held)
        chart = tonight.below if low else tonight.above
        other = tonight.out_above if low else tonight.out_below
        # A show that is also out on the other side may be a changed one: the end of the night tells.
        changed = other > max(2.0, 0.02 * (n + 1))
        if tonight.told or not (low or high) or changed or chart.since < settings.confirm_bins:
            return None
        tonight.told = True
        return self._departure(self._band, tonight.bins, n + 1 - chart.since, n + 1)

    def _judge(self, tonight: array[float]) -> Night:
        departures, changed = self._compare(self._band, tonight)
        if changed:
            self._former = self._nights
            self._take_up([tonight])
            return Night(Verdict.CHANGED, departures)
        if not departures:
            self._departed = None
            self._take_up([*self._nights, tonight], keep_former=True)
            return Night(Verdict.NORMAL)
        self._departed = tonight
        return Night(Verdict.DEPARTED, departures)

    def _learn_more(self, tonight: array[float]) -> Night:
        if self._former:
            departures, changed = self._compare(self._learn(self._former), tonight)
            if not departures and not changed:
                # The change lasted one night: another show ran, and what was learned is still right.
                self._take_up([*self._former, tonight])
                return Night(Verdict.NORMAL)
        self._take_up([*self._nights, tonight], keep_former=True)
        return Night(Verdict.LEARNING)

    def _take_up(self, nights: list[array[float]], *, keep_former: bool = False) -> None:
        if not keep_former:
            self._departed = None
            if nights[:-1]:
                self._former = []
        self._nights = nights[-self.settings.kept :]
        if self.learned:
            self._former = []
        self._usual = self._learn(self._nights)

    # ------------------------------------------------------------ arithmetic

    def _learn(self, nights: Sequence[array[float]]) -> _Band:
        settings = self.settings
        # Nights of one show differ by a bin or so; what most of them reach is the show.
        length = int(median(map(len, nights))) if nights else 0
        usual, deviation = array("f"), array("f")
        least, most = array("f"), array("f")
        for n in range(length):
            values = [night[n] for night in nights if n < len(night) and not math.isnan(night[n])]
            middle = median(values) if 2 * len(values) > len(nights) else _NOT_SEEN
            usual.append(middle)
            least.append(min(values, default=_NOT_SEEN))
            most.append(max(values, default=_NOT_SEEN))
            deviation.append(median(abs(value - middle) for value in values) if values else _NOT_SEEN)
        known = [value for value in deviation if not math.isnan(value)]
        common = median(known) if known else 0.0
        # Few nights tell little of a spread: it is taken wider, and never below that of the whole show.
        widen = _MAD_TO_SD * (1.0 + 2.0 / max(len(nights), 1))
        low, high, spread = array("f"), array("f"), array("f")
        for n in range(length):
            around = range(max(0, n - settings.neighbours), min(length, n + settings.neighbours + 1))
            # Readings catch a moving look at another phase each night, and for the whole of it: what any
            # night has drawn there is usual. Where the show stands still this is the noise, and no more.
            near = [m for m in around if not math.isnan(usual[m])]
            low.append(min((least[m] for m in near), default=_NOT_SEEN))
            high.append(max((most[m] for m in near), default=_NOT_SEEN))
            widest = max((deviation[m] for m in around if not math.isnan(deviation[m])), default=0.0)
            expected = abs(usual[n]) if not math.isnan(usual[n]) else 0.0
            spread.append(
                max(settings.floor_a, settings.tolerance * expected, widen * widest, widen * common)
            )
        return _Band(usual, low, high, spread)

    def _compare(self, band: _Band, tonight: array[float]) -> tuple[tuple[Departure, ...], bool]:
        """The departures of a whole night from `band`, and whether it is another show."""
        settings = self.settings
        distances = [band.z(n, value) for n, value in enumerate(tonight)]
        seen = sum(not math.isnan(z) for z in distances)
        below = sum(z < -_OUT_Z for z in distances)
        above = sum(z > _OUT_Z for z in distances)
        length = len(band.usual)
        longer = settings.judge_length and abs(len(tonight) - length) > max(3.0, _LENGTH_SHARE * length)
        least = max(3.0, _CHANGED_SHARE * seen)
        changed = longer or (below > least and above > least)
        found: list[Departure] = []
        for sign in (-1.0, 1.0):
            chart = Cusum(settings.k, settings.h)
            start: int | None = None
            back = 0
            for n, z in enumerate([*distances, *[0.0] * _BACK_BINS]):
                if math.isnan(z):
                    continue
                held = max(-settings.clip, min(sign * z, settings.clip))
                if start is None:
                    if chart.add(held):
                        start, back = n + 1 - chart.since, 0
                    continue
                back = 0 if held > 1.0 else back + 1
                if back >= _BACK_BINS:
                    found.append(self._departure(band, tonight, start, n + 1 - back))
                    start, chart = None, Cusum(settings.k, settings.h)
        return tuple(sorted(found, key=lambda departure: departure.start_s)), changed

    def _departure(self, band: _Band, tonight: array[float], start: int, end: int) -> Departure:
        end = max(end, start + 1)
        both = [
            (band.usual[n], tonight[n])
            for n in range(start, min(end, len(tonight), len(band.usual)))
            if not math.isnan(tonight[n]) and not math.isnan(band.usual[n])
        ]
        return Departure(
            start * self.settings.bin_s,
            end * self.settings.bin_s,
            fmean(usual for usual, _ in both),
            fmean(value for _, value in both),
        )


@dataclass(frozen=True, slots=True)
class ShowNight:
    """A signature at work. `start_utc`: of the night under way; whole: seen with power since it began."""

    signature: ShowSignature
    start_utc: datetime | None = None
    whole: bool = True


def _clock(seconds: float) -> str:
    return f"{int(seconds) // 60}:{int(seconds) % 60:02d}"
