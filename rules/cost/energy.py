"""Energy of each port, integrated from its readings; and what switching off has saved.

How it counts:
- Between two valid readings power runs straight (trapezoid), over uneven intervals.
- Never across a gap: two readings more than `gap_s` apart give no energy.
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

from rules.errors import RulesError
from rules.ports import PortId, Reading

GAP_S = 30.0
CUTOFF_A = 0.010
MOST_A = 50.0
"""More than any port carries [A]; a 16-bit counter of milliamperes gone negative reads 65.5 A."""
MOST_V = 60.0
J_PER_WH = 3600.0


def at_wall_wh(energy_wh: float, efficiency: float) -> float:
    """Energy at the supply's input [Wh]: its output divided by its efficiency (0 < efficiency <= 1)."""
    if not 0.0 < efficiency <= 1.0:
        raise RulesError(f"a supply's efficiency lies above 0 and up to 1 (100 %), not {efficiency}")
    return energy_wh / efficiency


class PortMeter:
    """The counter of one port. Cheap: `add` runs for every reading of every port."""

    __slots__ = (
        "_at_s", "_base_wh", "_energy_j", "_off", "_powered_base_s", "_powered_s", "_saved_base_wh",
        "_saved_j", "_steps", "_watts", "gap_s", "idle_w", "port", "powered", "volts_v",
    )  # fmt: skip

    def __init__(self, port: PortId, volts_v: float | None, *, gap_s: float = GAP_S) -> None:
        self.port = port
        self.volts_v = volts_v
        """Nominal voltage [V], used where the controller measures none; None: such readings don't count."""
        self.gap_s = gap_s
        self.idle_w: float | None = None
        """Power with nothing lit, measured on this port [W]; None: nothing is counted as saved."""
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
        """Go on from `energy_wh`, adding what was measured meanwhile.

        Journal, store and broker each tell what they know, in any order: the highest holds. None, and what
        no counter can be, leave the counter as it is.
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

    def add(self, reading: Reading) -> None:
        """Count up to `reading`. Older and repeated readings change nothing."""
        _, at_s, current_a, power, tripped, voltage_v, _ = reading
        if current_a is None:
            if power is not False:
                return
            watts = 0.0
        elif current_a < CUTOFF_A:
            if current_a < -CUTOFF_A:
                return
            watts = 0.0
        elif current_a <= MOST_A:  # False for NaN
            volts_v = voltage_v if voltage_v is not None and 0.0 <= voltage_v <= MOST_V else self.volts_v
            if volts_v is None:
                return
            watts = current_a * volts_v
        else:
            return
        last_s = self._at_s
        off = power is False and not tripped and watts == 0.0
        powered = power is True or watts > 0.0
        if last_s is not None:
            elapsed_s = at_s - last_s
            if elapsed_s <= 0.0:
                return
            if elapsed_s > self.gap_s:
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

    def switched(self, power: bool, at_s: float) -> None:
        """Power was commanded and accepted at `at_s`: the change happened then, not along a ramp."""
        if self._at_s is not None and at_s >= self._at_s and (not self._steps or at_s >= self._steps[-1][0]):
            self._steps.append((at_s, power))

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
