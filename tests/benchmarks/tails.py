"""How small a dark tail is told, how soon, and how often falsely: by show data, and by the show's past.

Run:  python tests/benchmarks/tails.py [--sites 40] [--seed 1] [--judge data|signature|both]
You see: by size of the tail (share of the pixels) how many were told at all and within 30 s, for tails
without data (they keep their quiescent current) and without power; false alarms per 100 port-seasons.
"""

import argparse
import math
from collections import Counter, defaultdict
from dataclasses import dataclass, field
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
from rules.electrics.chips import CHIPS
from rules.ports import PortId
from rules.show_data import comparison, nights
from rules.show_data.comparison import Point
from rules.show_data.levels import CurrentModel, PixelMap
from rules.show_data.signature import ShowSignature, Verdict

SIZES = (0.02, 0.03, 0.05, 0.08, 0.12, 0.2, 0.3, 0.5)
KINDS = ("data-tail", "power-tail")
PORTS = 4
LEARN_S, SOUND_S, AFTER_S = 600, 1500, 60
SHOW_S, BREAK_S, NIGHTS = 1200, 700, 10
SEASON_H = 200.0


def a_string(rng: Random) -> tuple[StringSpec, SensorSpec]:
    """A string and a sensor as they come."""
    string = StringSpec(
        rng.choice((50, 100, 100, 150)), cable_m=rng.uniform(1, 10), brightness=rng.uniform(0.2, 0.6)
    )
    sensor = SensorSpec(
        gain_error=rng.gauss(0, 0.015),
        offset_a=rng.gauss(0, 0.003),
        noise_a=rng.uniform(0.001, 0.005),
        step_a=rng.choice((0.001, 0.004, 0.008)),
        tempco_a_per_c=rng.gauss(0, 0.0002),
        dithered=rng.random() < 0.3,
    )
    return string, sensor


def a_site(rng: Random, seed: int, show: tuple[Segment, ...] = ()) -> tuple[SimulatedSite, "Clock"]:
    """A site of a few ports on a clock of its own."""
    ports = []
    for number in range(1, PORTS + 1):
        string, sensor = a_string(rng)
        ports.append(PortSpec(number, string, FuseSpec(rating_a=8.0), sensor))
    clock = Clock()
    spec = SiteSpec("made-up", (ControllerSpec("box", tuple(ports)),), show, rng.uniform(-8, 12))
    return SimulatedSite(spec, seed=seed, clock=lambda: clock.now_s), clock


@dataclass
class Clock:
    """Seconds."""

    now_s: float = 0.0


@dataclass
class Score:
    """What was told, by kind and size of the tail, and what was told of sound ports."""

    due: Counter = field(default_factory=Counter)
    found: Counter = field(default_factory=Counter)
    in_time: Counter = field(default_factory=Counter)
    delays_s: dict = field(default_factory=lambda: defaultdict(list))
    false: int = 0
    sound_h: float = 0.0
    judged_h: float = 0.0

    def trial(self, kind: str, size: float, delay_s: float | None) -> None:
        """A tail of `size`, told after `delay_s` or not at all."""
        self.due[kind, size] += 1
        if delay_s is not None:
            self.found[kind, size] += 1
            self.in_time[kind, size] += delay_s <= 30.0
            self.delays_s[kind, size].append(delay_s)

    def show(self, title: str) -> None:
        """Print it."""
        print(f"{title}: {self.sound_h:.0f} sound port-hours")
        print(f"  {'tail':>12} {'size':>6} {'told':>9} {'in 30 s':>8} {'median s':>9}")
        for kind in KINDS:
            for size in SIZES:
                due = self.due[kind, size]
                if due:
                    delays = self.delays_s[kind, size]
                    middle = f"{median(delays):.0f}" if delays else ""
                    print(
                        f"  {kind:>12} {size:6.0%} {self.found[kind, size]:4}/{due:4} "
                        f"{self.in_time[kind, size] / due:8.0%} {middle:>9}"
                    )
        seasons = self.sound_h / SEASON_H
        upper = 3.0 if not self.false else self.false + 1.645 * math.sqrt(self.false) + 1.85
        print(
            f"  false alarms: {self.false}, {100 * self.false / seasons:.1f} per 100 port-seasons "
            f"(95 % sure of fewer than {100 * upper / seasons:.1f})"
        )


# ---------------------------------------------------------------- by show data


def a_look(rng: Random):
    """A show as levels: coloured, moving, breathing, standing, dark and (seldom) flashing pieces, in turn."""
    pieces = []
    for _ in range(8):
        kind = rng.choice(("steady", "breathe", "chase", "chase", "sparkle", "dark", "strobe"))
        colour = tuple(rng.choice((0, 90, 180, 255)) for _ in range(3))
        colour = colour if any(colour) else (255, 160, 60)
        pieces.append((rng.uniform(4, 25), kind, colour, rng.uniform(1.5, 10.0), rng.uniform(0.1, 0.6)))
    whole_s = sum(piece[0] for piece in pieces)

    def levels(at_s: float, pixels: int) -> bytes:
        at_s %= whole_s
        place = 0
        while at_s >= pieces[place][0]:
            at_s -= pieces[place][0]
            place += 1
        _, kind, colour, period_s, share = pieces[place]
        dark = bytes(3)
        if kind == "dark":
            return dark * pixels
        if kind == "strobe":
            return (bytes(colour) if at_s * 8.0 % 1.0 < 0.5 else dark) * pixels
        if kind == "breathe":
            swell = 0.5 - 0.5 * math.cos(math.tau * at_s / period_s)
            return bytes(int(one * swell) for one in colour) * pixels
        if kind == "sparkle":
            step = int(at_s * 4.0)
            return b"".join(
                bytes(colour) if (n * 7919 + step * 104_729) % 100 < 100 * share else dark
                for n in range(pixels)
            )
        if kind == "chase":
            head = int(pixels * (at_s / period_s % 1.0))
            run = max(1, int(pixels * share))
            line = bytes(colour) * run + dark * (pixels - run)
            return line[-3 * head :] + line[: -3 * head] if head else line
        return bytes(colour) * pixels

    return levels


def by_data(rng: Random, seed: int, score: Score) -> None:
    """One site: ports are learned, watched while sound, and then lose their tail."""
    site, clock = a_site(rng, seed)
    look = a_look(rng)
    runs = []
    for port, held in site.ports.items():
        string = held.spec.string
        chip = CHIPS[string.chip]
        pixel_map = PixelMap(PortId(port), 1, string.pixels, brightness=string.brightness, split_pixels=True)
        idle_a = chip.idle_at_a(12.0)
        model = CurrentModel(pixel_map, idle_a, dict(zip("RGB", chip.channel_a, strict=True)))
        runs.append(
            [port, string.pixels, model, comparison.fresh(model.dark_a, model.full_a, None, learned=False)]
        )
        site.order(port, True)
        handle = site.port(port)
        handle.port.begin(FaultSpec("sagging-supply", volts=12.0 * (1 + rng.gauss(0, 0.004))), 0.0)
    tails = {run[0]: (rng.choice(KINDS), rng.choice(SIZES)) for run in runs}
    broke_s = LEARN_S + SOUND_S + rng.uniform(0, 60)
    told = {}
    broken = False
    while clock.now_s < broke_s + AFTER_S:
        if clock.now_s >= broke_s and not broken:
            broken = True
            for port, pixels, _, _ in runs:
                kind, size = tails[port]
                site.port(port).fault(kind, at=pixels - max(1, round(size * pixels)))
        for run in runs:
            port, pixels, model, state = run
            points = []
            for n in range(8):
                at_s = clock.now_s + n / 8
                levels = model.map.spread(look(at_s, pixels))
                points.append(Point(at_s, model.expected_a(levels)))
            if clock.now_s >= 1.0:
                # The site takes levels as the pixels get them: the controller's limit is applied before.
                limited = (int(level * model.map.brightness) for level in look(clock.now_s, pixels))
                site.set_levels(port, bytes(limited))
                reading = site.read(port)
                state = comparison.read(state, clock.now_s, reading.current_a)
            before = state.departed
            state, _ = comparison.heard(state, points, healthy=state.departed is None)
            run[3] = state
            if state.departed is not None and before is None:
                if not broken:
                    score.false += 1
                else:
                    told.setdefault(port, clock.now_s - broke_s)
        clock.now_s += 1.0
    score.sound_h += len(runs) * (broke_s - LEARN_S) / 3600
    for port, (kind, size) in tails.items():
        score.trial(kind, size, told.get(port))


# ---------------------------------------------------------------- by the show's past


def a_show(rng: Random) -> tuple[Segment, ...]:
    """Segments that fill the show's length."""
    segments, left_s = [], float(SHOW_S)
    while left_s > 0.0:
        length_s = min(left_s, rng.uniform(5, 60))
        look = rng.choice(("chase", "breathe", "steady", "dark"))
        segments.append(Segment(length_s, look, rng.uniform(0.2, 1.0), period_s=rng.uniform(2, 10)))
        left_s -= length_s
    return tuple(segments)


def by_signature(rng: Random, seed: int, score: Score) -> None:
    """One site: nights are learned, one sound night is judged, and on the last the tails go dark."""
    site, clock = a_site(rng, seed, a_show(rng))
    settings = nights.settings_for(SHOW_S, 1.0, PORTS)
    ports = list(site.ports)
    signatures = {port: ShowSignature(settings) for port in ports}
    tails = {port: (rng.choice(KINDS), rng.choice(SIZES)) for port in ports}
    for night in range(NIGHTS + 2):
        last = night == NIGHTS + 1
        start_s = SHOW_S * (night + 1) * 2.0 + rng.uniform(0, 0.5)
        clock.now_s = start_s - 5.0
        for port in ports:
            handle = site.port(port)
            handle.clear_fault()
            handle.port.begin(
                FaultSpec("sagging-supply", volts=12.0 * (1 + rng.gauss(0, 0.004))), clock.now_s
            )
            handle.port.ambient_c = rng.uniform(-8, 12)
            site.order(port, True)
        told: dict[str, float] = {}
        falsely: set[str] = set()
        broken = False
        clock.now_s = start_s
        while clock.now_s < start_s + SHOW_S:
            at_s = clock.now_s - start_s
            if last and at_s >= BREAK_S and not broken:
                broken = True
                for port in ports:
                    kind, size = tails[port]
                    pixels = site.ports[port].spec.string.pixels
                    site.port(port).fault(kind, at=pixels - max(1, round(size * pixels)))
            for port in ports:
                departure = signatures[port].observe(at_s, site.read(port).current_a)
                if departure is not None:
                    if broken:
                        told.setdefault(port, at_s - BREAK_S)
                    else:
                        falsely.add(port)
            clock.now_s += 1.0
        for port in ports:
            outcome = signatures[port].end()
            if not last and outcome.verdict in (Verdict.DEPARTED, Verdict.CHANGED):
                falsely.add(port)
            if last and outcome.verdict is Verdict.DEPARTED:
                told.setdefault(port, SHOW_S - BREAK_S)
            site.order(port, False)
        score.false += len(falsely)
        if night >= settings.nights and not last:
            score.sound_h += PORTS * SHOW_S / 3600
        if last:
            for port, (kind, size) in tails.items():
                score.trial(kind, size, told.get(port))


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--sites", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--judge", choices=("data", "signature", "both"), default="both")
    options = parser.parse_args()
    for name, judge in (("data", by_data), ("signature", by_signature)):
        if options.judge not in (name, "both"):
            continue
        score = Score()
        for seed in range(options.seed, options.seed + options.sites):
            judge(Random(seed), seed, score)
        score.show(f"by {'show data' if name == 'data' else 'the past of the show'}")


if __name__ == "__main__":
    main()
