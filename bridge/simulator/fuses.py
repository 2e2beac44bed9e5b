"""Two kinds of fuse as state machines: time and current come in, opening and closing come out.

The electronic fuse follows a published switch-off table [1] (the row a maker gives per characteristic),
read as the time a steady current takes to open it; wear adds up as dt / time, and fades again below the
rating. The polymer fuse is one heated body: it opens when hot, and while open stays hot only as long as
the circuit behind it can still heat it.

[1] https://infosys.beckhoff.com/content/1033/ep92x4-0023/1295240459.html; its "slow" 275 % cell (20 s) is
slower than the next slower characteristic and is left out as a misprint.
[2] hold and trip currents and times at 5 x hold: Littelfuse 16R series; derating over temperature and the
power that keeps a tripped part hot: from memory of such data sheets, approximate.
"""

from bisect import bisect_right
from itertools import pairwise
from math import exp, expm1, inf, log, sqrt
from typing import Protocol

from bridge.simulator.spec import FuseSpec

_HOUR_S = 3600.0
CURVES: dict[str, tuple[tuple[float, float], ...]] = {
    "very-fast": (
        (1.0, 3600.0),
        (1.1, 3600.0),
        (1.2, 420.0),
        (1.5, 30.0),
        (2.1, 0.5),
        (2.75, 0.5),
        (3.0, 0.02),
    ),
    "fast": ((1.1, 4 * _HOUR_S), (1.2, 4 * _HOUR_S), (1.5, 1800.0), (2.1, 20.0), (2.75, 1.0), (3.0, 0.1)),
    "slow": ((1.5, _HOUR_S), (2.1, 20.0), (3.0, 1.0)),
    "time-delay": ((1.5, 4 * _HOUR_S), (2.1, 100.0), (2.75, 10.0), (3.0, 3.0)),
}
"""Characteristic -> (current / rating, seconds until it opens), from [1]."""

SHORT_RATIO = 6.0
"""From this many times the rating the fuse opens at once: a maker's rule of thumb for a short-circuit."""
SHORT_OPEN_S = 0.001
COOL_S = 30.0
"""Time constant with which wear fades below the rating: common practice, no source."""

DERATING = (
    (-40.0, 1.5), (-20.0, 1.35), (0.0, 1.17), (23.0, 1.0), (40.0, 0.84),
    (50.0, 0.76), (60.0, 0.66), (70.0, 0.57), (85.0, 0.42),
)  # fmt: skip
"""Ambient [degC] -> factor on a polymer fuse's hold current [2], from memory."""


def opening_s(curve: str, ratio: float) -> float:
    """Seconds a steady current of `ratio` times the rating takes to open the fuse; inf: never.

    Between the table's points the logarithm of time is straight over the logarithm of current.
    """
    points = CURVES[curve]
    if ratio < points[0][0]:
        return inf
    if ratio >= SHORT_RATIO:
        return SHORT_OPEN_S
    if ratio >= points[-1][0]:
        return points[-1][1]
    at = bisect_right(points, (ratio, inf))
    (ratio_low, time_low), (ratio_high, time_high) = points[at - 1], points[at]
    share = log(ratio / ratio_low) / log(ratio_high / ratio_low)
    return exp(log(time_low) + share * log(time_high / time_low))


def derating(ambient_c: float) -> float:
    """Factor on a polymer fuse's hold current at `ambient_c` [degC]; 1 at 23 degC."""
    if ambient_c <= DERATING[0][0]:
        return DERATING[0][1]
    for (low_c, low), (high_c, high) in pairwise(DERATING):
        if ambient_c <= high_c:
            return low + (high - low) * (ambient_c - low_c) / (high_c - low_c)
    return DERATING[-1][1]


class PortFuse(Protocol):
    """What a port asks of its fuse."""

    conducting: bool
    """Current can flow."""
    reports: bool
    """The controller can see that it opened."""

    def advance(self, dt_s: float, demand_a: float, volts_v: float, ambient_c: float) -> float | None:
        """Live through `dt_s` seconds.

        demand_a: what would flow if the fuse were closed. Returns the seconds into `dt_s` at which it opened
        or closed (the rest is not lived yet), or None.
        """

    def through_a(self, demand_a: float, volts_v: float) -> float:
        """Current [A] that really flows."""

    def clear(self) -> None:
        """Close it, if it is of the kind that can be told to."""

    def cycled(self) -> None:
        """The switch before it was opened."""


class ElectronicFuse:
    """Latching, or retrying after a while; reports when it is open."""

    reports = True

    def __init__(self, spec: FuseSpec) -> None:
        self.spec = spec
        self.conducting = True
        self.wear = 0.0
        self.retries = 0
        self._open_for_s = 0.0

    def advance(self, dt_s: float, demand_a: float, volts_v: float, ambient_c: float) -> float | None:  # noqa: ARG002 - one shape for every fuse
        """Live through `dt_s` seconds; see `PortFuse`."""
        spec = self.spec
        if not self.conducting:
            if spec.retry_s is None or (spec.retries is not None and self.retries >= spec.retries):
                return None
            wait_s = spec.retry_s - self._open_for_s
            if wait_s > dt_s:
                self._open_for_s += dt_s
                return None
            self.retries += 1
            self._close()
            return max(0.0, wait_s)
        if demand_a < spec.rating_a:
            if self.wear:
                self.wear *= exp(-dt_s / COOL_S)
                if self.wear < 1e-6:
                    self.wear = 0.0
                    self.retries = 0
            return None
        until_s = opening_s(spec.curve, demand_a / spec.rating_a)
        if self.wear + dt_s / until_s < 1.0:
            self.wear += dt_s / until_s
            return None
        after_s = max(0.0, (1.0 - self.wear) * until_s)
        self.conducting = False
        self._open_for_s = 0.0
        return min(after_s, dt_s)

    def through_a(self, demand_a: float, volts_v: float) -> float:  # noqa: ARG002 - one shape for every fuse
        """All or nothing."""
        return demand_a if self.conducting else 0.0

    def clear(self) -> None:
        """Close after a trip."""
        if not self.conducting:
            self.retries = 0
            self._close()

    def cycled(self) -> None:
        """Off and on is a clear, where the controller is built so."""
        if self.spec.cleared_by_cycle:
            self.clear()

    def _close(self) -> None:
        self.conducting = True
        self.wear = 0.0


class PolymerFuse:
    """Heats with the square of the current; opens hot, closes cool; nobody is told.

    At rest in between `hold_a` and `trip_a` the outcome of a real part is undefined; here the border is
    their geometric mean. The heating time constant follows from `trip_s`, the time at 5 x hold.
    """

    reports = False

    def __init__(self, spec: FuseSpec) -> None:
        self.spec = spec
        self.conducting = True
        self.heat = 0.0
        """0: at ambient, 1: at the temperature where it opens."""
        self.border_a = sqrt(spec.hold_a * spec.trip_a)
        at_test = (5.0 * spec.hold_a / self.border_a) ** 2
        self.heating_s = spec.trip_s / -log(1.0 - 1.0 / at_test)

    def advance(self, dt_s: float, demand_a: float, volts_v: float, ambient_c: float) -> float | None:
        """Live through `dt_s` seconds; see `PortFuse`."""
        if self.conducting:
            goal = (demand_a / (self.border_a * derating(ambient_c))) ** 2
            if goal > 1.0:
                until_s = 0.0 if self.heat >= 1.0 else self.heating_s * log((goal - self.heat) / (goal - 1.0))
                if until_s <= dt_s:
                    self.conducting = False
                    self.heat = 1.0
                    return until_s
            self.heat -= (self.heat - goal) * -expm1(-dt_s / self.heating_s)
            return None
        # In series with a load R = V / I the most it can take is V^2 / 4R = V x I / 4. Enough: stays hot.
        if volts_v * demand_a / 4.0 >= self.spec.sustain_w:
            return None
        until_s = self.spec.cool_s * log(self.heat / 0.5) if self.heat > 0.5 else 0.0
        if until_s <= dt_s:
            self.conducting = True
            self.heat = 0.5
            return until_s
        self.heat *= exp(-dt_s / self.spec.cool_s)
        return None

    def through_a(self, demand_a: float, volts_v: float) -> float:
        """Open it still lets the trickle through that keeps it hot."""
        if self.conducting or volts_v <= 0.0:
            return demand_a
        return min(demand_a, self.spec.sustain_w / volts_v)

    def clear(self) -> None:
        """Nothing to tell: it closes when it has cooled."""

    def cycled(self) -> None:
        """Nothing happens at once; without power it cools."""


def fuse_of(spec: FuseSpec) -> PortFuse:
    """The fuse that `spec` describes."""
    return PolymerFuse(spec) if spec.kind == "polymer" else ElectronicFuse(spec)
