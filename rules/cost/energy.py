"""Energy of each port, integrated from its readings; and what switching off has saved.

How it counts:
- Between two valid readings power runs straight (trapezoid), over uneven intervals.
- Never across a gap: two readings more than `gap_s` apart give no energy, and the gap is reported.
- A switching between two readings is a step at the switch's own time, not a ramp. A change that nobody
  commanded (a trip) is reckoned at the middle of its interval, which is what the trapezoid does.
- Only valid readings count: no value, NaN, negative beyond the cut-off, or more than a port can carry
  is not a reading. A port that its controller reports as off, and that shows no current, takes 0 W.
- A current below the cut-off is a converter's noise, not a load: 0 A.
- A counter never falls: it starts at the highest of what is known of it, and only adds. Where nothing is
  known of a port that has counted before, its value is withheld (not published) until a late source or a
  person gives a base; what is measured meanwhile is kept and added to it.
- Saved energy is what the port's own measured resting current (idle, nothing lit) would have taken while
  it was reported off. Without such a measurement nothing is saved, because nothing is known.

Time is monotonic seconds only, so steps of the wall clock change nothing; a restart begins with a gap.

Accuracy: within 1 % over a season with readings every few seconds (see the season test). Trapezoid:
any numerical analysis text; the tests compare with numpy.trapezoid. 1 Wh = 3600 J (SI Brochure).
"""

import math
from collections.abc import Iterator
from enum import StrEnum
from typing import NamedTuple

from rules.errors import RulesError
from rules.ports import PortId, Reading

GAP_S = 30.0
CUTOFF_A = 0.010
MOST_A = 50.0
"""More than any port carries [A]; a 16-bit counter of milliamperes gone negative reads 65.5 A."""
MOST_V = 60.0
J_PER_WH = 3600.0


class CounterState(StrEnum):
    """Whether a port's energy counter may be shown."""

    KNOWN = "known"
    WITHHELD = "withheld"
    """It has counted before, and nobody knows how far: wait for a source or a person."""


class Gap(NamedTuple):
    """No valid readings of `port` between these monotonic seconds: nothing was integrated."""

    port: PortId
    from_s: float
    until_s: float


def starting_wh(
    *,
    stored_wh: float | None = None,
    floor_wh: float | None = None,
    retained_wh: float | None = None,
    first_start: bool = False,
) -> float | None:
    """Where a counter goes on: the highest of the store, the journal's floor and the retained value [Wh].

    A damaged store leaves the other two. None: nothing is known of a counter that has counted before,
    so it is withheld. Only a first start begins at zero. Values that no counter can have are ignored.
    """
    told = (stored_wh, floor_wh, retained_wh)
    known = [wh for wh in told if wh is not None and math.isfinite(wh) and wh >= 0.0]
    if known:
        return max(known)
    return 0.0 if first_start else None


def counter_increment_wh(last_wh: float | None, now_wh: float, most_wh: float = math.inf) -> float:
    """What a controller's own counter adds [Wh]; after a reset it counts from zero again.

    last_wh None: its first value is a base, not energy. A step above `most_wh` (what the port could have
    taken since) or a value no counter can have adds nothing.
    """
    if last_wh is None or not math.isfinite(now_wh) or now_wh < 0.0:
        return 0.0
    increment_wh = now_wh - last_wh if now_wh >= last_wh else now_wh
    return increment_wh if increment_wh <= most_wh else 0.0


def at_wall_wh(energy_wh: float, efficiency: float) -> float:
    """Energy at the supply's input [Wh]: its output divided by its efficiency (0 < efficiency <= 1)."""
    if not 0.0 < efficiency <= 1.0:
        raise RulesError(f"a supply's efficiency lies above 0 and up to 1 (100 %), not {efficiency}")
    return energy_wh / efficiency


class PortMeter:
    """The counter of one port. Cheap: `add` runs for every reading of every port."""

    __slots__ = (
        "_at_s", "_base_wh", "_counter_wh", "_energy_j", "_off", "_powered_base_s", "_powered_s",
        "_saved_base_wh", "_saved_j", "_steps", "_watts", "cutoff_a", "gap_count", "gap_s", "gap_total_s",
        "idle_w", "most_a", "port", "powered", "volts_v",
    )  # fmt: skip

    def __init__(
        self,
        port: PortId,
        volts_v: float | None,
        *,
        most_a: float = MOST_A,
        gap_s: float = GAP_S,
        cutoff_a: float = CUTOFF_A,
    ) -> None:
        self.port = port
        self.volts_v = volts_v
        """Nominal voltage [V], used where the controller measures none; None: such readings don't count."""
        self.most_a = most_a
        self.gap_s = gap_s
        self.cutoff_a = cutoff_a
        self.idle_w: float | None = None
        """Power with nothing lit, measured on this port [W]; None: nothing is counted as saved."""
        self.gap_count = 0
        self.gap_total_s = 0.0
        self._base_wh: float | None = None
        self._saved_base_wh = 0.0
        self._energy_j = 0.0
        self._saved_j = 0.0
        self._powered_base_s = 0.0
        self._powered_s = 0.0
        self._at_s: float | None = None
        self._watts = 0.0
        self._off = False
        self.powered = False
        """Whether the port had power at its last valid reading."""
        self._steps: list[tuple[float, bool]] = []
        self._counter_wh: float | None = None

    @property
    def state(self) -> CounterState:
        """Whether the counter may be shown."""
        return CounterState.WITHHELD if self._base_wh is None else CounterState.KNOWN

    @property
    def energy_wh(self) -> float | None:
        """The counter [Wh]; None while it is withheld."""
        return None if self._base_wh is None else self._base_wh + self._energy_j / J_PER_WH

    @property
    def saved_wh(self) -> float:
        """What being off has saved against always on [Wh], never falling."""
        return self._saved_base_wh + self._saved_j / J_PER_WH

    @property
    def powered_s(self) -> float:
        """How long the port had power [s], never falling; time without readings does not count."""
        return self._powered_base_s + self._powered_s

    @property
    def counted_wh(self) -> float:
        """What was measured since this process began [Wh], withheld or not."""
        return self._energy_j / J_PER_WH

    @property
    def counted_saved_wh(self) -> float:
        """What being off has saved since this process began [Wh]."""
        return self._saved_j / J_PER_WH

    def start(self, energy_wh: float | None, saved_wh: float = 0.0, powered_s: float = 0.0) -> None:
        """Go on from `energy_wh` (see `starting_wh`), adding what was measured meanwhile.

        None leaves the counter as it is. A counter that is known already is only ever raised.
        """
        if math.isfinite(saved_wh) and saved_wh > self._saved_base_wh:
            self._saved_base_wh = saved_wh
        if math.isfinite(powered_s) and powered_s > self._powered_base_s:
            self._powered_base_s = powered_s
        if energy_wh is None or not math.isfinite(energy_wh) or energy_wh < 0.0:
            return
        if self._base_wh is None:
            self._base_wh = energy_wh
        else:
            # A late source tells of a total, which already holds what was measured since.
            self._base_wh = max(self._base_wh, energy_wh - self._energy_j / J_PER_WH)

    def add(self, reading: Reading) -> Gap | None:
        """Count up to `reading`; the gap, if it ends one. Older and repeated readings change nothing."""
        _, at_s, current_a, power, tripped, voltage_v, _ = reading
        if current_a is None:
            if power is not False:
                return None
            watts = 0.0
        elif current_a < self.cutoff_a:
            if current_a < -self.cutoff_a:
                return None
            watts = 0.0
        elif current_a <= self.most_a:  # False for NaN
            volts_v = voltage_v if voltage_v is not None and 0.0 <= voltage_v <= MOST_V else self.volts_v
            if volts_v is None:
                return None
            watts = current_a * volts_v
        else:
            return None
        last_s = self._at_s
        off = power is False and not tripped and watts == 0.0
        powered = power is True or watts > 0.0
        gap = None
        if last_s is not None:
            elapsed_s = at_s - last_s
            if elapsed_s <= 0.0:
                return None
            if elapsed_s > self.gap_s:
                self.gap_count += 1
                self.gap_total_s += elapsed_s
                gap = Gap(self.port, last_s, at_s)
                self._steps = [step for step in self._steps if step[0] > at_s]
            elif self._steps:
                self._add_steps(at_s, watts, off, powered)
            else:
                if powered or self.powered:
                    # A change nobody commanded is reckoned at the middle of its interval.
                    self._powered_s += elapsed_s if powered and self.powered else 0.5 * elapsed_s
                self._energy_j += 0.5 * (self._watts + watts) * elapsed_s
                if off and self._off and self.idle_w is not None:
                    self._saved_j += self.idle_w * elapsed_s
        self._at_s = at_s
        self._watts = watts
        self._off = off
        self.powered = powered
        return gap

    def switched(self, power: bool, at_s: float) -> None:
        """Power was commanded and accepted at `at_s`: the change happened then, not along a ramp."""
        if self._at_s is not None and at_s >= self._at_s and (not self._steps or at_s >= self._steps[-1][0]):
            self._steps.append((at_s, power))

    def add_counter(self, counter_wh: float, most_wh: float = math.inf) -> None:
        """Count from a controller's own energy counter [Wh] instead of its currents.

        The increase is added; a counter that restarted counts from zero (see `counter_increment_wh`).
        """
        if not math.isfinite(counter_wh) or counter_wh < 0.0:
            return
        self._energy_j += counter_increment_wh(self._counter_wh, counter_wh, most_wh) * J_PER_WH
        self._counter_wh = counter_wh

    def _add_steps(self, at_s: float, watts: float, off: bool, powered: bool) -> None:
        """Count an interval with switchings in it: level before the first, level after the last."""
        due = [step for step in self._steps if step[0] <= at_s]
        if not due:
            # The readings are both older than the command: an ordinary interval.
            assert self._at_s is not None
            self._energy_j += 0.5 * (self._watts + watts) * (at_s - self._at_s)
            self._powered_s += 0.5 * (powered + self.powered) * (at_s - self._at_s)
            return
        self._steps = self._steps[len(due) :]
        edge_s, level_w, level_off = self._at_s or 0.0, self._watts, self._off
        level_powered = self.powered
        for index, (step_s, power) in enumerate(due):
            self._level(step_s - edge_s, level_w, level_off, level_powered)
            edge_s = step_s
            last = index == len(due) - 1
            level_w = watts if last or power else 0.0
            level_off = off if last else not power
            level_powered = powered if last else power
        self._level(at_s - edge_s, level_w, level_off, level_powered)

    def _level(self, elapsed_s: float, watts: float, off: bool, powered: bool) -> None:
        self._energy_j += watts * elapsed_s
        if powered:
            self._powered_s += elapsed_s
        if off and self.idle_w is not None:
            self._saved_j += self.idle_w * elapsed_s


class Meter:
    """The counters of a site, one `PortMeter` per port. Readings of unknown ports are ignored."""

    def __init__(self, gap_s: float = GAP_S, cutoff_a: float = CUTOFF_A) -> None:
        if not gap_s > 0.0:
            raise RulesError(f"the longest interval to integrate over lies above 0 s, not {gap_s}")
        if not cutoff_a >= 0.0:
            raise RulesError(f"the current taken as zero is 0 A or more, not {cutoff_a}")
        self.gap_s = gap_s
        self.cutoff_a = cutoff_a
        self._ports: dict[PortId, PortMeter] = {}

    def __getitem__(self, port: PortId) -> PortMeter:
        return self._ports[port]

    def __contains__(self, port: object) -> bool:
        return port in self._ports

    def __iter__(self) -> Iterator[PortMeter]:
        return iter(self._ports.values())

    def configure(self, port: PortId, volts_v: float | None, most_a: float = MOST_A) -> PortMeter:
        """The meter of `port`, made where there is none; a counter that runs is kept."""
        meter = self._ports.get(port)
        if meter is None:
            meter = PortMeter(port, volts_v, most_a=most_a, gap_s=self.gap_s, cutoff_a=self.cutoff_a)
            self._ports[port] = meter
        meter.volts_v = volts_v
        meter.most_a = most_a
        return meter

    def forget(self, port: PortId) -> None:
        """The port is no longer configured; its total stays where it was stored."""
        self._ports.pop(port, None)

    def add(self, reading: Reading) -> Gap | None:
        """Count one reading; the gap, if it ends one."""
        meter = self._ports.get(reading.port)
        return None if meter is None else meter.add(reading)

    def switched(self, port: PortId, power: bool, at_s: float) -> None:
        """A command to `port` was accepted at `at_s` [monotonic s]."""
        meter = self._ports.get(port)
        if meter is not None:
            meter.switched(power, at_s)

    def set_idle(self, port: PortId, idle_a: float | None) -> None:
        """The port's own measured current with nothing lit [A]; None takes it back."""
        meter = self._ports[port]
        known = idle_a is not None and math.isfinite(idle_a) and idle_a >= 0.0 and meter.volts_v is not None
        meter.idle_w = (idle_a or 0.0) * (meter.volts_v or 0.0) if known else None

    def confirm(self) -> None:
        """A person confirms that withheld counters may begin anew, from what was measured since."""
        for meter in self:
            if meter.state is CounterState.WITHHELD:
                meter.start(0.0)

    @property
    def energy_wh(self) -> float | None:
        """The whole site [Wh]; None while any counter is withheld: a sum without it would fall short."""
        parts = [meter.energy_wh for meter in self]
        known = [part for part in parts if part is not None]
        return math.fsum(known) if len(known) == len(parts) else None

    @property
    def saved_wh(self) -> float:
        """What being off has saved on the whole site [Wh]."""
        return math.fsum(meter.saved_wh for meter in self)
