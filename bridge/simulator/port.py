"""One port: switch, fuse, cable, string and sensor put together, moved forward by the time it is given."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from heapq import heappop, heappush
from math import inf

from bridge.simulator.fuses import fuse_of
from bridge.simulator.sensor import Sensor
from bridge.simulator.show import Show
from bridge.simulator.spec import FaultKind, FaultSpec, PortSpec
from bridge.simulator.strings import SOUND, Defects, PixelString, on_curve
from rules.ports import PortId

STEP_S = 0.5
"""Between events the current counts as steady for at most this long [s]."""


@dataclass(frozen=True, slots=True)
class PowerChange:
    """A port's power came or went.

    at_s: on the site's clock; cause: command, trip, fuse-closed, fault or restart.
    """

    at_s: float
    port: PortId
    power: bool
    cause: str


@dataclass(frozen=True, slots=True)
class Truth:
    """What is really the case, for scorers: no sensor, no flag in between.

    power: the string is fed (switch and fuse closed); switch_closed, fuse_open: each alone; current_a
    [A]; power_w: drawn from the supply [W]; lit: mean drive 0..1 of what can be lit; energy_wh: since the
    start [Wh]; leak_a [A]; faults: kinds that act now; commanded: what the controller was last told.
    """

    port: PortId
    at_s: float
    power: bool
    switch_closed: bool
    fuse_open: bool
    commanded: bool
    current_a: float
    power_w: float
    lit: float
    energy_wh: float
    leak_a: float
    temperature_c: float
    faults: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Told:
    """What the controller knows of a port and tells: measured current [A], power, trip flag, volts, degC."""

    number: int
    current_a: float
    power: bool
    tripped: bool
    voltage_v: float
    temperature_c: float
    energy_wh: float


class SimulatedPort:
    """One port. Times `t_s` are seconds after the site's start and never go back."""

    def __init__(
        self,
        port: PortId,
        spec: PortSpec,
        *,
        show: Show,
        place: int,
        noise: Sequence[float],
        seed: str,
        ambient_c: float,
        note: Callable[[float, PortId, bool, str], None],
    ) -> None:
        self.id = port
        self.spec = spec
        self.string = None if spec.string is None else PixelString(spec.string, seed)
        self.fuse = fuse_of(spec.fuse)
        self.sensor = Sensor(spec.sensor, noise, salt=place * 977 + len(seed))
        self.commanded = spec.power_at_start
        self.ambient_c = ambient_c
        self.energy_wh = 0.0
        self.t_s = 0.0
        self.told_energy_from_wh = 0.0
        """The device's own counter starts here: it forgets when the box restarts."""
        self._show = show
        self._place = place
        self._note = note
        self._lit: list[float] | None = None
        self._lit_drive = 0.0
        self._lit_a: float | None = None
        self._demand_s: float | None = None
        self._demand_a = 0.0
        self._stuck: bool | None = None
        self._faults: dict[FaultKind, tuple[FaultSpec, float]] = {}
        self._defects: Defects = SOUND
        self._curve: Sequence[float] | None = None
        self.volts_v = spec.volts_v
        """What the supply gives [V]."""
        self._contact = False
        self._events: list[tuple[float, int, Callable[[float], None]]] = []
        self._order = 0
        self._boot = 0
        self._next_event_s = inf
        self._power = spec.power_at_start
        for fault in spec.faults:
            self._check(fault)
            self._at(fault.from_s, lambda t_s, fault=fault: self._begin(fault, t_s))  # type: ignore[misc]  # mypy can't type a bound default
            if fault.until_s is not None:
                self._at(fault.until_s, lambda t_s, kind=fault.kind: self._end(kind, t_s))  # type: ignore[misc]  # the same
        if self._power:
            note(0.0, port, True, "restart")

    # --- what can be done to it -----------------------------------------------------------------

    def command(self, power: bool, t_s: float, *, after_s: float = 0.0, cause: str = "command") -> None:
        """Tell the switch to close or open, `after_s` seconds from `t_s`."""
        self.advance(t_s)
        if after_s > 0.0:
            boot = self._boot

            def act(at_s: float) -> None:
                if boot == self._boot:
                    self._switch(power, at_s, cause)

            self._at(t_s + after_s, act)
        else:
            self._switch(power, t_s, cause)

    def forget_orders(self) -> None:
        """The box restarts: what it was going to do later is gone."""
        self._boot += 1

    def clear_fuse(self, t_s: float) -> None:
        """Give the fuse its clear command."""
        self.advance(t_s)
        self.fuse.clear()
        self._settle(t_s, "fuse-closed")

    def begin(self, fault: FaultSpec, t_s: float) -> None:
        """Start a fault now; one of the same kind is replaced. Raises ValueError for a pixel not there."""
        self._check(fault)
        self.advance(t_s)
        self._begin(fault, t_s)

    def end(self, kind: FaultKind | None, t_s: float) -> None:
        """End the fault of `kind`, or all with None. A tripped fuse stays tripped."""
        self.advance(t_s)
        for each in tuple(self._faults) if kind is None else (kind,):
            self._end(each, t_s)

    def set_levels(self, levels: bytes | None, t_s: float) -> None:
        """Light the string from show data, one byte per channel; None: back to the built-in show."""
        self.advance(t_s)
        self._demand_s = None
        if levels is None or self.string is None:
            self._lit = None
            return
        self._lit = self.string.lit_from(levels)
        self._lit_drive = sum(self._lit) / (len(self._lit) * self.string.chip.channels)
        self._lit_a = None

    # --- time -----------------------------------------------------------------------------------

    def advance(self, t_s: float) -> None:
        """Live until `t_s`; an earlier `t_s` changes nothing."""
        while self.t_s < t_s:
            stop_s = min(self.t_s + STEP_S, t_s)
            if self._next_event_s < stop_s:
                stop_s = max(self._next_event_s, self.t_s)
            if stop_s > self.t_s:
                self._live(stop_s)
            while self._next_event_s <= self.t_s:
                at_s, _, act = heappop(self._events)
                self._next_event_s = self._events[0][0] if self._events else inf
                act(max(at_s, self.t_s))

    def _live(self, stop_s: float) -> None:
        """Let time pass up to `stop_s`, or to the instant the fuse changes."""
        span_s = stop_s - self.t_s
        demand_a = self._demand(stop_s) if self.switch_closed else 0.0
        volts = self.volts_v
        changed_s = self.fuse.advance(span_s, demand_a, volts, self.ambient_c)
        if changed_s is None:
            self.t_s = stop_s
            if demand_a:
                self.energy_wh += self.fuse.through_a(demand_a, volts) * volts * span_s / 3600.0
            return
        lived_s = min(changed_s, span_s)
        self.t_s += lived_s
        if self.fuse.conducting:
            self._settle(self.t_s, "fuse-closed")
        else:
            self.energy_wh += demand_a * volts * lived_s / 3600.0
            self._settle(self.t_s, "trip")

    def _at(self, t_s: float, act: Callable[[float], None]) -> None:
        self._order += 1
        heappush(self._events, (t_s, self._order, act))
        self._next_event_s = self._events[0][0]

    # --- what is the case -----------------------------------------------------------------------

    @property
    def switch_closed(self) -> bool:
        """The contacts are closed, whatever was commanded."""
        return self.commanded if self._stuck is None else self._stuck

    def leak_a(self, t_s: float) -> float:
        """What a wet connector lets through at `t_s` [A], with power on."""
        wet = self._faults.get("wet-connector")
        if wet is None:
            return 0.0
        fault, since_s = wet
        return min(fault.amps, fault.amps_per_hour * (t_s - since_s) / 3600.0)

    def drive(self, t_s: float) -> float:
        """Mean drive (0..1) that reaches the string."""
        if self.string is None:
            return 0.0
        if self._lit is not None:
            return self._lit_drive
        return self._show.drive(t_s, self._place) * self.string.spec.brightness

    def _demand(self, t_s: float) -> float:
        """What would flow now with the fuse closed [A]."""
        if t_s == self._demand_s:
            return self._demand_a
        self._demand_s = t_s
        self._demand_a = self._solve_demand(t_s)
        return self._demand_a

    def _solve_demand(self, t_s: float) -> float:
        faults = self._faults
        if self.string is None or (faults and "unplugged" in faults):
            return 0.0
        volts = self.volts_v
        if self._lit is None:
            if self._curve is None:
                self._curve = self.string.curve(volts, self._defects)
            drive = self._show.drive(t_s, self._place) * self.string.spec.brightness
            current = on_curve(self._curve, drive)
        else:
            if self._lit_a is None:
                self._lit_a = self.string.solve(self._lit, volts, self._defects).current_a
            current = self._lit_a
        if faults:
            # Milliamperes of leak move the head's voltage by millivolts: added, not solved again.
            current += self.leak_a(t_s)
        return min(current, self.spec.supply_limit_a)

    def current_a(self) -> float:
        """The true current [A] at the present moment."""
        if not self.switch_closed:
            return 0.0
        return self.fuse.through_a(self._demand(self.t_s), self.volts_v)

    def temperature_c(self, current_a: float) -> float:
        """Of the switch [degC]: ambient, 10 K for the box, and its own loss (2 K per square ampere)."""
        return self.ambient_c + 10.0 + 2.0 * current_a * current_a

    def truth(self, at_s: float) -> Truth:
        """The facts now; `at_s` is the site's clock."""
        current = self.current_a()
        return Truth(
            port=self.id,
            at_s=at_s,
            power=self._power,
            switch_closed=self.switch_closed,
            fuse_open=not self.fuse.conducting,
            commanded=self.commanded,
            current_a=current,
            power_w=current * self.volts_v,
            lit=self.drive(self.t_s) if self._power else 0.0,
            energy_wh=self.energy_wh,
            leak_a=self.leak_a(self.t_s) if self._power else 0.0,
            temperature_c=self.temperature_c(current),
            faults=tuple(self._faults),
        )

    def measured_a(self, current_a: float, temperature_c: float) -> float:
        """What the current sense tells [A] for a true current."""
        if self.sensor.spec.fault_level and self.fuse.reports and not self.fuse.conducting:
            return self.sensor.spec.full_scale_a
        drift = self._faults.get("sensor-drift") if self._faults else None
        if drift is not None:
            self.sensor.drift_a = drift[0].amps_per_hour * (self.t_s - drift[1]) / 3600.0
        return self.sensor.read(self.t_s, current_a, temperature_c)

    def told_power(self) -> bool:
        """Power as the controller believes it."""
        if self.spec.readback == "command":
            return self.commanded
        return self.switch_closed and (self.fuse.conducting or not self.fuse.reports)

    def told_trip(self) -> bool:
        """The trip flag, which a lying-flag fault bends."""
        lie = self._faults.get("lying-flag") if self._faults else None
        if lie is not None:
            return lie[0].state == "tripped"
        return self.fuse.reports and not self.fuse.conducting

    def told(self) -> Told:
        """Everything the controller can tell of this port."""
        current = self.current_a()
        temperature = self.temperature_c(current)
        power = self.told_power()
        return Told(
            number=self.spec.number,
            current_a=self.measured_a(current, temperature),
            power=power,
            tripped=self.told_trip(),
            voltage_v=round(self.volts_v - current * 0.02, 2),
            temperature_c=round(temperature, 1),
            energy_wh=self.energy_wh - self.told_energy_from_wh,
        )

    # --- inside ---------------------------------------------------------------------------------

    def _switch(self, power: bool, t_s: float, cause: str) -> None:
        if self.commanded and not power:
            self.fuse.cycled()
        self.commanded = power
        self._settle(t_s, cause)

    def _settle(self, t_s: float, cause: str) -> None:
        power = self.switch_closed and self.fuse.conducting
        if power != self._power:
            self._power = power
            self._note(t_s, self.id, power, cause)

    def _check(self, fault: FaultSpec) -> None:
        """Raise ValueError for a pixel that is not there."""
        pixels = 0 if self.string is None else self.string.spec.pixels
        if fault.at >= max(pixels, 1):
            raise ValueError(f"at is {fault.at}, but {self.id} has {pixels} pixels, counted from 0")

    def _begin(self, fault: FaultSpec, t_s: float) -> None:
        self._faults[fault.kind] = (fault, t_s)
        if fault.kind == "stuck-switch":
            self._stuck = self.switch_closed if fault.state == "as-is" else fault.state == "closed"
        elif fault.kind == "sensor-stuck":
            self.sensor.stuck = True
        elif fault.kind == "intermittent-short":
            self._contact = False
            self._bounce(fault, t_s)
        self._changed(t_s)

    def _end(self, kind: FaultKind, t_s: float) -> None:
        if self._faults.pop(kind, None) is None:
            return
        if kind == "stuck-switch":
            self._stuck = None
        elif kind == "sensor-stuck":
            self.sensor.stuck = False
        elif kind == "sensor-drift":
            self.sensor.drift_a = 0.0
        self._changed(t_s)

    def _bounce(self, fault: FaultSpec, t_s: float) -> None:
        """Close or open an intermittent short, and come back for the next time."""
        held = self._faults.get("intermittent-short")
        if held is None or held[0] is not fault:
            return
        self._contact = not self._contact
        wait_s = fault.closed_s if self._contact else fault.every_s - fault.closed_s
        self._at(t_s + wait_s, lambda at_s: self._bounce(fault, at_s))
        self._changed(t_s)

    def _changed(self, t_s: float) -> None:
        """Work out what the present faults make of the string."""
        powered: int | None = None
        fed: int | None = None
        dead: frozenset[int] = frozenset()
        shunts: list[tuple[int, float]] = []
        for kind, (fault, _) in self._faults.items():
            if kind == "power-tail":
                powered = fault.at
            elif kind == "data-tail":
                fed = fault.at
            elif kind == "dead-pixel":
                dead = frozenset({fault.at})
            elif kind == "short" or (kind == "intermittent-short" and self._contact):
                shunts.append((fault.at, 1.0 / fault.ohms))
            elif kind == "overload":
                shunts.append((-1, fault.amps / self.spec.volts_v))
        self._defects = Defects(powered, fed, dead, tuple(shunts))
        sag = self._faults.get("sagging-supply")
        self.volts_v = self.spec.volts_v if sag is None else sag[0].volts
        self._curve = self._lit_a = self._demand_s = None
        self._settle(t_s, "fault")
