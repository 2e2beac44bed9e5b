"""A season lived by the real rules and the real store in simulated time, whose true energy is known.

Currents are formulas, so energy is their integral and no measurement; the site restarts, loses controllers,
trips and is reset like a real one.
"""

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from random import Random

from bridge.config import Settings, parse
from bridge.config import plan as plan_of
from bridge.history.store import Store
from bridge.history.store_condense import condense
from bridge.history.store_schema import connect
from bridge.history.store_write import to_ms
from rules.door import (
    Asked,
    BaselineLoaded,
    ClockStatus,
    CommandResult,
    Configured,
    ControllerStatus,
    CountersLoaded,
    EffectDone,
    EnergyLoaded,
    Event,
    Origin,
    Outcome,
    Persist,
    Publish,
    Record,
    Restored,
    Stopping,
    Switch,
    Verb,
    WakeAt,
)
from rules.engine import Engine
from rules.ports import Now, PortId, Reading, Target, TargetKind, controller_of
from rules.safety import SafetyState

FIRST = datetime(2025, 12, 1, 12, 0, tzinfo=UTC)
"""Noon of the first day; the invented lane keeps UTC in winter."""
VOLTS = 12.0
IDLE_A = 0.2
DARK_S, LIT_S = 33.0, 91.0
"""A show is dark this long, then lit."""
LATENCY_S = 0.05

SITE = """\
site: {{id: quarry-lane, name: Quarry Lane, timezone: Europe/Dublin, latitude: 53.35, longitude: -6.26,
        state_dir: {folder}}}
broker: {{host: 127.0.0.1}}
tariff:
  price: 0.34 EUR/kWh
  bands:
    - {{from: "23:00", to: "08:00", price: 0.17 EUR/kWh}}
    - {{from: "17:00", to: "19:00", weekdays: [mon, tue, wed, thu, fri], price: 0.42 EUR/kWh}}
supplies:
  shed: {{volts: 12 V, rating: {rating} A, efficiency: 88 %, at_once: 50}}
  hut: {{volts: 12 V, rating: {rating} A, efficiency: 80 %, at_once: 50}}
controllers:
{controllers}
shows:
  - {{name: Lantern walk, when: {{from: "17:00", to: "22:00"}}, needs: [{walk}], warm_up: 30 s, run_on: 10 s}}
  - {{name: Late glow, needs: [{late}], warm_up: 30 s, run_on: 10 s,
     when: {{from: "22:00", to: "23:30", weekdays: [fri, sat, sun]}}}}
"""
CONTROLLER = """\
  {name}:
    name: {title}
    reach: {{kind: http, url: "http://127.0.0.1:1/{name}", every: {every} s, ports: outputs, port: id,
             current: ma | mA, power: live, tripped: open,
             switch: {{method: POST, url: "http://127.0.0.1:1/{{port}}", json: {{live: "{{power}}"}}}}}}
    every_port: {{rating: 4 A, pixels: 100, chip: ws2811-12v, supply: {supply}, idle: 0.2 A}}
    ports: {{{ports}}}
"""
NAMES = ("gable", "hedge", "mast", "porch", "barn", "orchard", "gate", "pond", "wall", "arbour")
THINGS = ("arch", "star", "fence", "icicles", "tree", "ribbon", "snowflake", "lantern")


def site_file(folder: Path, ports: int, controllers: int, *, every_s: int = 60) -> str:
    """The configuration of such a site, as YAML."""
    each = ports // controllers
    texts, names = [], []
    for at in range(controllers):
        name = NAMES[at] if at < len(NAMES) else f"box{at}"
        names.append(name)
        things = [THINGS[(n + at) % len(THINGS)] + (f" {n}" if each > 8 else "") for n in range(1, each + 1)]
        inside = ", ".join(
            f"{n}: {{name: {name.capitalize()} {thing}}}" for n, thing in enumerate(things, start=1)
        )
        supply = "shed" if at % 2 == 0 else "hut"
        texts.append(
            CONTROLLER.format(
                name=name, title=f"{name.capitalize()} box", every=every_s, supply=supply, ports=inside
            )
        )
    late = ", ".join(f"{name}/*" for name in names[: max(1, controllers // 3)])
    walk = ", ".join(f"{name}/*" for name in names)
    return SITE.format(folder=folder, rating=12 * ports, controllers="".join(texts), walk=walk, late=late)


@dataclass
class TruePort:
    """What really flows while there is power: idle, and in turns a dark stretch and waves of light."""

    number: int
    power: bool = False
    tripped: bool = False
    dark: float = 0.0
    """Share of the string that is dark."""
    since_s: float = 0.0
    energy_j: float = 0.0
    saved_j: float = 0.0
    powered_s: float = 0.0
    lit: list[tuple[float, float]] = field(default_factory=list)

    @property
    def _light(self) -> tuple[float, float, float]:
        """Mean of the waves [A], their length [s], how long a turn of dark and light lasts [s]."""
        return 0.5 + 0.06 * (self.number % 9), LIT_S / (3 + self.number % 4), DARK_S + LIT_S

    def _charge_as(self, at_s: float) -> float:
        """What has flowed since second 0, had there always been power [As]."""
        light_a, wave_s, turn_s = self._light
        turns, passed_s = divmod(at_s, turn_s)
        lit_s = max(0.0, passed_s - DARK_S)
        swing_as = wave_s / (2 * math.pi) * math.sin(2 * math.pi * lit_s / wave_s)
        return IDLE_A * at_s + light_a * (turns * LIT_S + lit_s - swing_as)

    def current_a(self, at_s: float) -> float:
        """Now."""
        if not self.power:
            return 0.0
        light_a, wave_s, turn_s = self._light
        lit_s = max(0.0, at_s % turn_s - DARK_S)
        return (IDLE_A + light_a * (1.0 - math.cos(2 * math.pi * lit_s / wave_s))) * (1.0 - self.dark)

    def change(self, at_s: float, *, power: bool | None = None, dark: float | None = None) -> None:
        """From now on power, or darkness, is another; what flowed until now is added up by its integral."""
        passed_s = at_s - self.since_s
        if self.power:
            charge_as = self._charge_as(at_s) - self._charge_as(self.since_s)
            self.energy_j += charge_as * VOLTS * (1.0 - self.dark)
            self.powered_s += passed_s
        elif not self.tripped:
            self.saved_j += IDLE_A * VOLTS * passed_s
        self.since_s = at_s
        self.power = self.power if power is None else power
        self.dark = self.dark if dark is None else dark


class SeasonSite:
    """Lives evenings. `text`: the configuration; the store writes `<folder>/history.db`."""

    def __init__(
        self, folder: Path, text: str, *, on_poll_s: float = 10.0, off_poll_s: float = 120.0
    ) -> None:
        self.folder = folder
        self.settings: Settings = parse(text)
        self.plan = plan_of(self.settings)
        self.path = folder / "history.db"
        self.on_poll_s, self.off_poll_s = on_poll_s, off_poll_s
        self.utc = FIRST
        self.monotonic_s = 1000.0
        self.ports = {port: TruePort(at, since_s=self.monotonic_s) for at, port in enumerate(self.plan.ports)}
        self.away: set[str] = set()
        self.told: dict[tuple[str, str], object] = {}
        self.kept = SafetyState()
        self._request = 0
        self.chance = Random(45)
        self.begin(first=True)

    # ------------------------------------------------------------ life

    def begin(self, *, first: bool = False) -> None:
        """Start the process: a new engine and a new store on the same file."""
        self.engine = Engine()
        self.waiting: list[tuple[float, Event]] = []
        self.wake_s = math.inf
        self.next_poll_s = self.write_s = self.monotonic_s
        self.store = Store(self.path, utc_now=lambda: self.utc, commit_s=3600.0)
        loaded = self.store.start()
        events: list[Event] = [
            Configured(self.plan),
            ClockStatus(True),
            Restored(self.kept, Origin.FIRST_START if first else Origin.JOURNAL, False),
            *(BaselineLoaded(port, IDLE_A, 0.002) for port in self.plan.ports),
            *(EnergyLoaded(port, *loaded.energy.get(port, (0.0, 0.0, 0.0))) for port in self.plan.ports),
            CountersLoaded({name: value for (_, name), value in loaded.counters.items()}, whole=True),
        ]
        last = {"last": loaded.last_utc.isoformat()} if loaded.last_utc else {}
        self.store.record(Record("started", self.utc, Target(TargetKind.SITE, self.plan.id), last))
        self.step(events)

    def end(self, *, clean: bool = True) -> None:
        """Stop the process, cleanly or as by a power cut."""
        if clean:
            self.step([Stopping(power_off=False)])
            self.store.record(Record("stopped", self.utc, Target(TargetKind.SITE, self.plan.id)))
        self.store.close()

    def pass_to(self, monotonic_s: float) -> None:
        """Move both clocks."""
        self.utc += timedelta(seconds=monotonic_s - self.monotonic_s)
        self.monotonic_s = monotonic_s

    def step(self, events: list[Event]) -> None:
        """One step of the rules; its effects are carried out."""
        now = Now(self.utc, self.monotonic_s)
        for effect in self.engine.step(now, events):
            if isinstance(effect, Switch):
                due_s = self.monotonic_s + LATENCY_S
                if controller_of(effect.port) in self.away:
                    self.waiting.append(
                        (due_s, CommandResult(effect.id, effect.port, Outcome.NOT_SENT, "away"))
                    )
                    continue
                true = self.ports[effect.port]
                true.change(self.monotonic_s, power=effect.power and not true.tripped)
                if not effect.power and true.tripped:
                    true.tripped = False
                self.waiting.append((due_s, CommandResult(effect.id, effect.port, Outcome.ACCEPTED)))
            elif isinstance(effect, Record):
                self.store.record(effect)
            elif isinstance(effect, Persist):
                self.kept = effect.safety
                self.waiting.append((self.monotonic_s, EffectDone(effect.id, True)))
            elif isinstance(effect, Publish):
                self.told[effect.target.id, effect.property] = effect.value
            elif isinstance(effect, WakeAt):
                self.wake_s = effect.monotonic_s
        readings = [event for event in events if isinstance(event, Reading)]
        if readings:
            self.store.readings(now, readings)

    def poll(self) -> list[Event]:
        """What the controllers answer."""
        events: list[Event] = []
        for name, controller in self.plan.controllers.items():
            if name in self.away:
                events.append(ControllerStatus(name, reachable=False, detail="It does not answer."))
                continue
            events.append(ControllerStatus(name, reachable=True))
            for port in controller.ports:
                true = self.ports[port]
                current_a = round(true.current_a(self.monotonic_s), 3)
                events.append(Reading(port, self.monotonic_s, current_a, true.power, true.tripped))
        return events

    def live(self, seconds: float) -> None:
        """Let time pass."""
        end_s = self.monotonic_s + seconds
        while True:
            next_s = max(
                self.monotonic_s,
                min(self.next_poll_s, self.wake_s, *(due_s for due_s, _ in self.waiting), end_s),
            )
            self.pass_to(next_s)
            if next_s >= end_s:
                return
            events = [event for due_s, event in self.waiting if due_s <= next_s]
            self.waiting = [(due_s, event) for due_s, event in self.waiting if due_s > next_s]
            if next_s >= self.next_poll_s:
                events += self.poll()
                lit = any(true.power for true in self.ports.values()) or self._about_to_start()
                self.next_poll_s = next_s + (self.on_poll_s if lit else self.off_poll_s)
            if self.wake_s <= next_s:
                self.wake_s = math.inf
            self.step(events)
            if self.monotonic_s >= self.write_s:
                # The store holds so many minutes of readings in memory; here minutes pass in no time.
                self.write_s = self.monotonic_s + 600_000.0 / len(self.ports)
                assert self.store.flush(60.0)

    def _about_to_start(self) -> bool:
        return time(16, 50) <= self.utc.time() <= time(23, 40)

    def live_to(self, at_utc: datetime) -> None:
        """Let time pass until an instant."""
        self.live((at_utc - self.utc).total_seconds())

    # ------------------------------------------------------------ what happens

    def down(self, seconds: float, *, clean: bool = True) -> None:
        """The process is away for a while; ports stay as they are."""
        self.end(clean=clean)
        self.pass_to(self.monotonic_s + seconds)
        self.begin()

    def lose(self, controller: str, seconds: float) -> None:
        """A controller does not answer for a while."""
        self.away.add(controller)
        self.live(seconds)
        self.away.discard(controller)

    def trip(self, port: PortId) -> None:
        """The fuse opens."""
        self.ports[port].change(self.monotonic_s, power=False)
        self.ports[port].tripped = True

    def reset(self, port: PortId) -> None:
        """A person found the cause and resets the port."""
        true = self.ports[port]
        true.change(self.monotonic_s)
        true.tripped = False
        self._request += 1
        self.step([Asked(self._request, Verb.RESET, Target(TargetKind.PORT, port), "reset")])

    def darken(self, port: PortId, share: float) -> None:
        """Part of a string is dark from now on."""
        self.ports[port].change(self.monotonic_s, dark=share)

    def tidy(self) -> None:
        """What the store does over the hours: write, and make old readings coarser."""
        assert self.store.flush(60.0)
        connection = connect(self.path)
        while condense(connection, to_ms(self.utc)):
            pass
        connection.close()

    def season(self, days: int) -> None:
        """Days of it, with faults, lost controllers, restarts, a wet night; ends stopped at noon."""
        ports, names = list(self.plan.ports), list(self.plan.controllers)
        for day in range(days):
            evening = (FIRST + timedelta(days=day)).replace(hour=18)
            self.live_to(evening)
            if day % 9 == 3:
                self.lose(self.chance.choice(names), 240.0)
            if day % 13 == 5:
                self.down(90.0, clean=day % 2 == 0)
            hit = [self.chance.choice(ports)] if day % 7 == 2 else []
            if day == days // 2:  # the wet night
                hit = self.chance.sample(ports, min(4, len(ports)))
            for port in hit:
                self.live(self.chance.uniform(200.0, 2400.0))
                self.trip(port)
            if hit:
                self.live(900.0)
                for port in hit:
                    self.reset(port)
            if day % 11 == 4:
                port = self.chance.choice(ports)
                self.darken(port, 0.6)
                self.live(1800.0)
                self.darken(port, 0.0)
            self.live_to(FIRST + timedelta(days=day + 1))
            self.tidy()
        for true in self.ports.values():
            true.change(self.monotonic_s)
        self.end()

    def truth_wh(self) -> tuple[float, float]:
        """Energy taken, and saved against always on, by all ports [Wh]."""
        return tuple(  # type: ignore[return-value]  # two of them
            sum(getattr(true, name) for true in self.ports.values()) / 3600.0
            for name in ("energy_j", "saved_j")
        )
