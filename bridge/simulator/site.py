"""A simulated site: controllers and ports on one clock, in process or behind a real HTTP face."""

import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, fields
from random import Random
from typing import Any

from bridge.errors import PermanentError
from bridge.simulator.misbehave import Misbehaviour, MisbehaviourKind
from bridge.simulator.port import PowerChange, SimulatedPort, Told, Truth
from bridge.simulator.shapes import SHAPES, Shape
from bridge.simulator.show import Show
from bridge.simulator.spec import ControllerSpec, FaultKind, FaultSpec, SiteSpec
from rules.ports import PortId, Reading, port_id

NOISE_SAMPLES = 4096
"""Length of the noise table every sensor of a site reads from, each at its own place."""


@dataclass(frozen=True, slots=True)
class Ordered:
    """A controller was told to switch (or, power None, to clear a fuse). `at_s`: on the site's clock."""

    at_s: float
    port: PortId
    power: bool | None


@dataclass(frozen=True, slots=True)
class Addresses:
    """Where a served site answers. `controllers`: id -> base URL, without a slash at the end."""

    controllers: dict[str, str]
    control: str
    e131: tuple[str, int] | None = None


class PortHandle:
    """One port in the hand of a test or scorer; everything happens at the clock's present moment."""

    def __init__(self, site: "SimulatedSite", port: SimulatedPort) -> None:
        self._site = site
        self.port = port

    def fault(self, kind: FaultKind, **numbers: Any) -> None:  # noqa: ANN401 - FaultSpec checks them
        """Start a fault; `numbers` are `FaultSpec`'s. Raises ValueError when they can't be meant."""
        self.begin(FaultSpec(kind, **numbers))

    def begin(self, fault: FaultSpec) -> None:
        """Start a fault; one of the same kind is replaced. Raises ValueError for a pixel not there."""
        self.port.begin(fault, self._site.now())

    def short(self, *, ohms: float = 0.05, at: int = -1) -> None:
        """A hard short at pixel `at` (-1: the head)."""
        self.fault("short", ohms=ohms, at=at)

    def clear_fault(self, kind: FaultKind | None = None) -> None:
        """Mend what is wrong (all of it with None); a tripped fuse stays tripped."""
        self.port.end(kind, self._site.now())

    def command(self, power: bool) -> None:
        """Switch as the controller would."""
        self._site.order(self.port.id, power)

    def clear_fuse(self) -> None:
        """Give the fuse its clear command as the controller would."""
        self._site.order(self.port.id, None)

    def set_levels(self, levels: bytes | None) -> None:
        """Light the string from show data, one byte per channel; None: the built-in show."""
        self.port.set_levels(levels, self._site.now())

    def truth(self) -> Truth:
        """What is really the case now."""
        return self._site.truth(self.port.id)

    def told(self) -> Told:
        """What the controller tells now."""
        self.port.advance(self._site.now())
        return self.port.told()


class SimulatedController:
    """One box: its ports, how it answers, what it does wrong, and since when it runs."""

    def __init__(self, site: "SimulatedSite", spec: ControllerSpec, ports: list[SimulatedPort]) -> None:
        self._site = site
        self.spec = spec
        self.shape: Shape = SHAPES[spec.shape]
        self.ports = {port.spec.number: port for port in ports}
        self.faults: list[Misbehaviour] = []
        self.started_s = site.now()
        self.down_until_s: float | None = None
        self.requests = 0
        """How many requests it has heard, of any kind."""

    def misbehave(self, kind: MisbehaviourKind, **numbers: Any) -> None:  # noqa: ANN401 - Misbehaviour checks them
        """Start to misbehave; the same kind is replaced."""
        self.begin(Misbehaviour(kind, **numbers))

    def begin(self, fault: Misbehaviour) -> None:
        """Start to misbehave; the same kind is replaced."""
        self.behave(fault.kind)
        self.faults.append(fault)

    def behave(self, kind: MisbehaviourKind | None = None) -> None:
        """Stop one misbehaviour, or all."""
        self.faults = [fault for fault in self.faults if kind is not None and fault.kind != kind]

    def forget_counters(self) -> None:
        """The box's own energy counters start again at nothing."""
        now_s = self._site.now()
        for port in self.ports.values():
            port.advance(now_s)
            port.told_energy_from_wh = port.energy_wh

    def restart(self, down_s: float = 2.0) -> None:
        """Lose power: refuse connections for `down_s`, then come up with the ports' restart state.

        The box's own counters start at nothing and its fuses are closed.
        """
        now_s = self._site.now()
        after = self.spec.after_restart
        for port in self.ports.values():
            was = port.commanded
            port.forget_orders()
            port.command(False, now_s, cause="restart")
            port.clear_fuse(now_s)
            if after == "on" or (after == "last" and was):
                port.command(True, now_s, after_s=max(down_s, 1e-6), cause="restart")
        self.forget_counters()
        self.started_s = now_s + down_s
        self.down_until_s = now_s + down_s

    def told(self, now_s: float) -> list[Told]:
        """What it tells of its ports now, bent by what it does wrong (but not counting a request)."""
        found = []
        for port in self.ports.values():
            port.advance(now_s)
            found.append(port.told())
        return found


class SimulatedSite:
    """A site of simulated controllers.

    spec: what it consists of; seed: the same seed gives the same site, noise and all; clock: any callable
    that returns seconds. The site starts at the clock's reading when it is made; spec times count from there.
    """

    def __init__(self, spec: SiteSpec, *, seed: int = 0, clock: Callable[[], float] = time.monotonic) -> None:
        self.spec = spec
        self.clock = clock
        self.origin_s = clock()
        self.history: list[PowerChange] = []
        """Every change of any port's power, oldest first."""
        self.orders: list[Ordered] = []
        """Every order a controller carried out (or will, where it acts late), oldest first."""
        self.ports: dict[PortId, SimulatedPort] = {}
        self.controllers: dict[str, SimulatedController] = {}
        rng = Random(seed)  # noqa: S311 - repeatable noise, not a secret
        noise = tuple(rng.gauss(0.0, 1.0) for _ in range(NOISE_SAMPLES))
        show = Show(spec.show)
        for controller in spec.controllers:
            made: list[SimulatedPort] = []
            for port in controller.ports:
                name = port_id(controller.id, port.number)
                made.append(
                    SimulatedPort(
                        name,
                        port,
                        show=show,
                        place=len(self.ports) + len(made),
                        noise=noise,
                        seed=f"{seed}/{name}",
                        ambient_c=spec.ambient_c,
                        note=self._note,
                    )
                )
            self.ports.update((port.id, port) for port in made)
            self.controllers[controller.id] = SimulatedController(self, controller, made)

    def now(self) -> float:
        """Seconds since the site's start, by its clock."""
        return self.clock() - self.origin_s

    def step(self, now_s: float | None = None) -> None:
        """Bring every port to `now_s` (on the clock's scale; None: the clock's present moment)."""
        t_s = (self.clock() if now_s is None else now_s) - self.origin_s
        for port in self.ports.values():
            port.advance(t_s)

    def read(self, port: PortId | str, now_s: float | None = None) -> Reading:
        """A reading as a well-behaved controller's, without HTTP; `now_s` on the clock's scale."""
        at_s = self.clock() if now_s is None else now_s
        held = self._held(port)
        held.advance(at_s - self.origin_s)
        current = held.current_a()
        temperature = held.temperature_c(current)
        return Reading(
            held.id,
            at_s,
            held.measured_a(current, temperature),
            held.told_power(),
            held.told_trip(),
            held.volts_v,
            temperature,
        )

    def order(
        self, port: PortId | str, power: bool | None, now_s: float | None = None, *, after_s: float = 0.0
    ) -> None:
        """Switch a port, or clear its fuse with None, without HTTP."""
        at_s = self.clock() if now_s is None else now_s
        held = self._held(port)
        self.orders.append(Ordered(at_s, held.id, power))
        t_s = at_s - self.origin_s
        if power is None:
            held.clear_fuse(t_s)
        else:
            held.command(power, t_s, after_s=after_s)

    def port(self, port: PortId | str) -> PortHandle:
        """A handle on one port. Raises PermanentError when there is none of that name."""
        return PortHandle(self, self._held(port))

    def controller(self, name: str) -> SimulatedController:
        """One controller. Raises PermanentError when there is none of that name."""
        try:
            return self.controllers[name]
        except KeyError:
            raise PermanentError(
                f"no controller {name!r}; there are: {', '.join(self.controllers)}", subject=name
            ) from None

    def truth(self, port: PortId | str) -> Truth:
        """What is really the case on a port now."""
        held = self._held(port)
        at_s = self.clock()
        held.advance(at_s - self.origin_s)
        return held.truth(at_s)

    def set_levels(self, port: PortId | str, levels: bytes | None) -> None:
        """Light a port's string from show data, one byte per channel; None: the built-in show."""
        self._held(port).set_levels(levels, self.now())

    @asynccontextmanager
    async def serve(
        self, *, ports_from: int = 0, e131: bool = False, listen: str = "127.0.0.1"
    ) -> AsyncIterator[Addresses]:
        """Serve every controller and the control endpoint.

        ports_from: first TCP port, the others follow; 0: any free ones. e131: listen for E1.31 packets, too.
        listen: the address to listen on; the control endpoint lets anybody who reaches it start faults.
        """
        from bridge.simulator.web import serve  # noqa: PLC0415 - aiohttp only where HTTP is wanted

        async with serve(self, ports_from=ports_from, e131=e131, listen=listen) as addresses:
            yield addresses

    def _held(self, port: PortId | str) -> SimulatedPort:
        try:
            return self.ports[PortId(port)]
        except KeyError:
            raise PermanentError(
                f"no port {port!r}; there are: {', '.join(self.ports)}", subject=str(port)
            ) from None

    def _note(self, t_s: float, port: PortId, power: bool, cause: str) -> None:
        self.history.append(PowerChange(self.origin_s + t_s, port, power, cause))


def as_json(record: Any) -> dict[str, Any]:  # noqa: ANN401 - any of the slotted records here
    """A record as a JSON object."""
    return {field.name: getattr(record, field.name) for field in fields(record)}
