"""Simulated evenings with and without faults: what is detected, how soon, and how often for nothing.

Each evening is a made-up site of eight ports with its own strings, sensors, supplies and show. It learns
for three short ordinary evenings, then plays one that is judged; about half of the ports get one fault at a
random moment. The detector sees readings once a second and nothing else. Thresholds were chosen on seeds 0
to 999; figures are to be given on others:

    python tests/benchmarks/evenings.py --evenings 200 --seed 1000
    python tests/benchmarks/evenings.py --evenings 200 --seed 5000 --healthy

A port-season is 40 evenings of 5 hours (200 h under power).
"""

import argparse
import json
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from math import sqrt
from random import Random
from statistics import median

from bridge.simulator.site import SimulatedSite
from bridge.simulator.spec import (
    ControllerSpec,
    FaultSpec,
    FuseSpec,
    PortSpec,
    Segment,
    SensorSpec,
    SiteSpec,
    StringSpec,
)
from rules.faults import baseline
from rules.faults.baseline import Baseline, Learning
from rules.faults.detect import DetectorState, Facts, observe, plausible_current_a
from rules.plan import DEFAULT_LIMITS
from rules.ports import Condition, Now, PortId

PORTS = 8
LEARN_S = 2400
JUDGED_S = 7200
AFTER_S = 120
"""Readings go on this long after the port was switched off."""
REST_S = 300
SEASON_H = 200.0
QUIET_NEEDED_S = 60
START_UTC = datetime(2026, 12, 1, 16, 0, tzinfo=UTC)

C = Condition
TRIPS = frozenset({C.FUSE_TRIP})
EXPECTED: dict[str, frozenset[Condition]] = {
    "short": TRIPS,
    "intermittent-short": TRIPS,
    "overload": TRIPS | {C.OVERCURRENT},
    "power-tail": frozenset({C.UNDERCURRENT}),
    "wet-connector": frozenset({C.LEAKAGE}),
    "unplugged": frozenset({C.NO_LOAD}),
    "stuck-switch": frozenset({C.STUCK_ON}),
    "sagging-supply": frozenset({C.UNDERVOLTAGE}),
    "data-tail": frozenset(),
    "dead-pixel": frozenset(),
}
"""What must be raised for each fault. Pixels without data draw what they drew, and one dead pixel is far
below what the sensor resolves: nothing can be raised, and nothing may be."""
ALSO_RIGHT: dict[str, frozenset[Condition]] = {
    "overload": frozenset({C.NEAR_RATING, C.LEAKAGE, C.STUCK_OFF, C.OVERTEMPERATURE}),
    "wet-connector": frozenset({C.NEAR_RATING, C.FUSE_TRIP, C.OVERCURRENT}),
    "unplugged": frozenset({C.UNDERCURRENT}),
    "sagging-supply": frozenset({C.UNDERCURRENT}),
    "short": frozenset({C.IMPLAUSIBLE, C.OVERCURRENT, C.STUCK_OFF}),
    "intermittent-short": frozenset({C.IMPLAUSIBLE, C.OVERCURRENT, C.STUCK_OFF}),
}
"""True of the fault as well, so neither asked for nor false."""


@dataclass
class PortRun:
    """One port through its evenings: what is known of it, what is wrong with it, what was raised."""

    id: PortId
    pixels: int
    computed_a: float
    fault: FaultSpec | None
    fault_at_s: float = 0.0
    state: DetectorState = DetectorState()
    known: Baseline = Baseline()
    learning: Learning = Learning()
    raised: list[tuple[float, Condition]] = field(default_factory=list)
    quiet_s: int = 0
    happened_s: float | None = None
    """When the fault first acted on this port, in truth."""

    def facts(self, *, wanted: bool, off_given_s: float, volts_v: float) -> Facts:
        """What the rules would know."""
        idle_a = self.known.idle_a
        return Facts(
            wanted=wanted,
            off_given_s=off_given_s,
            rating_a=4.0,
            idle_a=self.computed_a if idle_a is None else idle_a,
            spread_a=self.known.spread_a,
            learned=idle_a is not None,
            nominal_v=volts_v,
        )


def a_show(rng: Random) -> tuple[Segment, ...]:
    """A show as people make them: moving, breathing, standing, with dark pauses; one in six is never dark."""
    segments = [
        Segment(rng.uniform(8, 60), "chase", rng.uniform(0.3, 1.0), period_s=rng.uniform(2, 8)),
        Segment(rng.uniform(8, 60), "breathe", rng.uniform(0.3, 1.0), period_s=rng.uniform(3, 12)),
        Segment(rng.uniform(5, 90), "steady", rng.uniform(0.1, 0.8)),
        Segment(rng.uniform(5, 60), "chase", rng.uniform(0.2, 0.6), period_s=rng.uniform(1, 4)),
    ]
    if rng.random() > 1 / 6:
        segments += [Segment(rng.uniform(3, 20), "dark") for _ in range(rng.randint(1, 3))]
    rng.shuffle(segments)
    return tuple(segments)


def a_site(rng: Random) -> SiteSpec:
    """A site of one controller with eight different ports."""
    ports = []
    for number in range(1, PORTS + 1):
        sensor = SensorSpec(
            gain_error=rng.gauss(0, 0.015),
            offset_a=rng.gauss(0, 0.003),
            noise_a=rng.uniform(0.001, 0.005),
            step_a=rng.choice((0.001, 0.004, 0.008)),
            tempco_a_per_c=rng.gauss(0, 0.0002),
            dithered=rng.random() < 0.3,
            signed=rng.random() < 0.5,
        )
        string = StringSpec(
            rng.choice((50, 100, 100, 150, 200)),
            cable_m=rng.uniform(1, 10),
            brightness=rng.uniform(0.15, 0.35),
        )
        ports.append(PortSpec(number, string, FuseSpec(rating_a=4.0), sensor))
    return SiteSpec("made-up", (ControllerSpec("box", tuple(ports)),), a_show(rng), rng.uniform(-8, 12))


def a_fault(rng: Random, pixels: int) -> FaultSpec:
    """One fault, each kind about as likely as the others."""
    kind = rng.choice(tuple(EXPECTED))
    return {
        "short": lambda: FaultSpec(kind, ohms=rng.uniform(0.02, 0.4), at=rng.choice((-1, 0, pixels // 4))),
        "intermittent-short": lambda: FaultSpec(
            kind, ohms=0.05, closed_s=rng.uniform(0.2, 0.6), every_s=rng.uniform(5, 60)
        ),
        "overload": lambda: FaultSpec(kind, amps=rng.uniform(4.3, 7.0)),
        "power-tail": lambda: FaultSpec(kind, at=int(pixels * rng.uniform(0.2, 0.9))),
        "wet-connector": lambda: FaultSpec(
            kind, amps=rng.uniform(0.2, 0.6), amps_per_hour=rng.uniform(0.3, 2)
        ),
        "unplugged": lambda: FaultSpec(kind),
        "stuck-switch": lambda: FaultSpec(kind, state="closed"),
        "sagging-supply": lambda: FaultSpec(kind, volts=rng.uniform(8.5, 10.3)),
        "data-tail": lambda: FaultSpec(kind, at=int(pixels * rng.uniform(0.2, 0.9))),
        "dead-pixel": lambda: FaultSpec(kind, at=rng.randrange(pixels)),
    }[kind]()


class EveningSite:
    """A simulated site and its ports, moved second by second."""

    def __init__(self, seed: int, *, healthy: bool) -> None:
        self.rng = Random(seed)
        self.now_s = 0.0
        self.site = SimulatedSite(a_site(self.rng), seed=seed, clock=lambda: self.now_s)
        self.runs = []
        for port in self.site.ports.values():
            pixels = port.spec.string.pixels
            fault = None if healthy or self.rng.random() < 0.5 else a_fault(self.rng, pixels)
            self.runs.append(PortRun(port.id, pixels, pixels * 0.0007, fault))

    def play(self, length_s: int, *, judged: bool) -> None:
        """One evening: on, the show, off, and a little longer."""
        for run in self.runs:
            # a supply's voltage differs a little from evening to evening: ordinary, not a fault
            drift = FaultSpec("sagging-supply", volts=12.0 * (1 + self.rng.gauss(0, 0.004)))
            handle = self.site.port(run.id)
            handle.clear_fault()
            handle.port.begin(drift, self.now_s)
            run.fault_at_s = self.now_s + self.rng.uniform(60, length_s * 0.5)
            self.site.order(run.id, True)
        off_s = self.now_s + length_s
        pending = [run for run in self.runs if judged and run.fault is not None]
        facts = [run.facts(wanted=True, off_given_s=float("-inf"), volts_v=12.0) for run in self.runs]
        while self.now_s < off_s:
            self.now_s += 1.0
            for run in [run for run in pending if self.now_s >= run.fault_at_s]:
                pending.remove(run)
                self._begin(run)
            for run, known in zip(self.runs, facts, strict=True):
                self._see(run, known, judged=judged, powered=True)
        for run in self.runs:
            self.site.order(run.id, False)
            if (
                judged
                and run.happened_s is not None
                and run.fault is not None
                and run.fault.kind == "stuck-switch"
            ):
                run.happened_s = self.now_s  # closed contacts show only now
        facts = [run.facts(wanted=False, off_given_s=self.now_s, volts_v=12.0) for run in self.runs]
        for _ in range(AFTER_S):
            self.now_s += 1.0
            for run, known in zip(self.runs, facts, strict=True):
                self._see(run, known, judged=judged, powered=False)
        for run in self.runs:
            run.known, run.learning, _, _ = baseline.evening_ended(run.known, run.learning, run.computed_a)
        self.now_s += REST_S

    def _begin(self, run: PortRun) -> None:
        assert run.fault is not None
        handle = self.site.port(run.id)
        if run.fault.kind == "sagging-supply":
            handle.clear_fault("sagging-supply")
        handle.port.begin(run.fault, self.now_s)
        run.happened_s = self.now_s

    def _see(self, run: PortRun, known: Facts, *, judged: bool, powered: bool) -> None:
        reading = self.site.read(run.id)
        now = Now(START_UTC + timedelta(seconds=self.now_s), self.now_s)
        run.state, changes = observe(run.state, reading, known, DEFAULT_LIMITS, now)
        current_a = plausible_current_a(reading.current_a, known.rating_a)
        if powered and reading.power and current_a is not None:
            healthy = not run.state.active
            run.learning = baseline.watch(run.learning, self.now_s, current_a, healthy=healthy)
        for change in changes:
            if change.active:
                run.raised.append((self.now_s, change.condition))
        tail_broke = judged and run.happened_s is not None and run.fault is not None
        if tail_broke and powered and self.site.ports[run.id].drive(self.now_s) == 0.0:
            run.quiet_s += 1


@dataclass
class Score:
    """Sums over many evenings."""

    evenings: int = 0
    powered_h: float = 0.0
    due: Counter[str] = field(default_factory=Counter)
    found: Counter[str] = field(default_factory=Counter)
    delays_s: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    false: Counter[str] = field(default_factory=Counter)
    missed: list[str] = field(default_factory=list)

    def add(self, seed: int, site: EveningSite) -> None:
        """Score one site's evenings."""
        self.evenings += 1
        self.powered_h += len(site.runs) * (3 * LEARN_S + JUDGED_S) / 3600
        for run in site.runs:
            self._add(seed, run, any(each.look == "dark" for each in site.site.spec.show))

    def _add(self, seed: int, run: PortRun, dark_show: bool) -> None:
        kind = run.fault.kind if run.fault is not None else None
        expected = EXPECTED.get(kind or "", frozenset())
        right = expected | ALSO_RIGHT.get(kind or "", frozenset())
        begun_s = run.happened_s
        for at_s, condition in run.raised:
            if begun_s is None or at_s < begun_s or condition not in right:
                self.false[f"{condition.value} on {kind or 'a sound port'}"] += 1
        if kind is None or begun_s is None or not expected:
            return
        if kind == "power-tail" and run.quiet_s < QUIET_NEEDED_S:
            kind = "power-tail, less than 60 s quiet"
        if kind == "wet-connector" and not dark_show:
            kind = "wet-connector, show never dark"
        self.due[kind] += 1
        first_s = min((at for at, code in run.raised if code in expected and at >= begun_s), default=None)
        if first_s is None:
            self.missed.append(f"seed {seed} {run.id}: {kind}, {run.fault}, {run.pixels} pixels, {run.known}")
        else:
            self.found[kind] += 1
            self.delays_s[kind].append(first_s - begun_s)

    def lines(self) -> Iterator[str]:
        """The figures, for people."""
        seasons = self.powered_h / SEASON_H
        yield f"{self.evenings} sites, {self.powered_h:.0f} port-hours, {seasons:.1f} port-seasons"
        yield f"{'fault':34} {'found':>9}   at least   {'median s':>8} {'slowest s':>9}"
        for kind in sorted(self.due):
            due, found, delays = self.due[kind], self.found[kind], self.delays_s[kind]
            times = f"{median(delays):8.0f} {max(delays):9.0f}" if delays else ""
            yield f"{kind:34} {found:4}/{due:4}   {100 * at_least(found, due):6.1f} %   {times}"
        count = sum(self.false.values())
        yield (
            f"false alarms: {count}, that is {100 * count / seasons:.1f} per 100 port-seasons "
            f"(95 % sure of fewer than {100 * at_most(count) / seasons:.1f})"
        )
        yield from (f"  {count:4} {what}" for what, count in self.false.most_common())

    def as_json(self) -> str:
        """The figures, for programs."""
        return json.dumps(
            {
                "sites": self.evenings,
                "port_hours": self.powered_h,
                "due": self.due,
                "found": self.found,
                "median_s": {kind: median(delays) for kind, delays in self.delays_s.items() if delays},
                "slowest_s": {kind: max(delays) for kind, delays in self.delays_s.items() if delays},
                "false_alarms": self.false,
            },
            indent=2,
        )


def at_least(found: int, due: int, z: float = 1.645) -> float:
    """Lower 95 % bound of a rate (Wilson 1927)."""
    rate = found / due
    middle = rate + z * z / (2 * due)
    half = z * sqrt(rate * (1 - rate) / due + z * z / (4 * due * due))
    return max(0.0, (middle - half) / (1 + z * z / due))


def at_most(count: int) -> float:
    """Upper 95 % bound of a Poisson mean: 3.0 for none (the rule of three), near enough above."""
    return 3.0 if count == 0 else count + 1.645 * sqrt(count) + 1.85


def main() -> int:
    """Run the evenings and write the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--evenings", type=int, default=200, help="how many sites (default 200)")
    parser.add_argument("--seed", type=int, default=1000, help="the first seed (default 1000)")
    parser.add_argument("--healthy", action="store_true", help="no faults: false alarms only")
    parser.add_argument("--json", action="store_true", help="figures as JSON")
    parser.add_argument("--missed", action="store_true", help="name every missed fault")
    asked = parser.parse_args()
    score = Score()
    for seed in range(asked.seed, asked.seed + asked.evenings):
        site = EveningSite(seed, healthy=asked.healthy)
        for _ in range(baseline.LEAST_EVENINGS):
            site.play(LEARN_S, judged=False)
        site.play(JUDGED_S, judged=True)
        score.add(seed, site)
        if sys.stderr.isatty():
            sys.stderr.write(f"\r{score.evenings} of {asked.evenings}")
    lines = [score.as_json()] if asked.json else list(score.lines())
    if asked.missed:
        lines += score.missed
    sys.stdout.write("\n".join(lines) + "\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
