"""Count simulated strings: how often the answer is wrong, how often none is given, how long it takes.

Run:  python tests/benchmarks/counting.py [--counts 10000] [--seed 1]
You see: answers, wrong answers, refusals by cause, readings (median, 95 %, most), readings for 512 pixels.
"""

import argparse
import collections
import math
import random
from dataclasses import dataclass, field

from rules.pixels.counting import Count, CountSession, CountSettings, Refusal


@dataclass
class SimulatedString:
    """A string and its sensor. Currents in ampere, times in seconds.

    pixels answer where `alive`; the sensor has gain and offset errors, Gaussian noise, a step, drift, a
    refresh interval (it holds its value between) and follows a new pattern after `latency_s`.
    """

    pixels: int
    pixel_a: float
    dark_a: float = 0.00226
    noise_a: float = 0.004
    step_a: float = 0.008
    gain: float = 1.0
    offset_a: float = 0.0
    drift_a_per_s: float = 0.0
    scatter: float = 0.0
    refresh_s: float = 0.0
    latency_s: float = 0.0
    dead: frozenset[int] = frozenset()
    share: object = None
    seed: int = 0
    _draws: list = field(init=False)

    def __post_init__(self):
        self.random = random.Random(self.seed)
        self._draws = [
            0.0
            if n in self.dead
            else self.pixel_a * self.random.gauss(1.0, self.scatter) * (self.share(n) if self.share else 1.0)
            for n in range(self.pixels)
        ]
        self._sums = [0.0]
        for value in self._draws:
            self._sums.append(self._sums[-1] + value)
        self._shown = [(-math.inf, 0.0)]
        self._held = (-math.inf, 0.0)

    def show(self, lit, at_s):
        """Light exactly the ranges `lit` from `at_s` on."""
        total = 0.0
        for part in lit:
            inside = range(part.start, min(part.stop, self.pixels), part.step)
            if part.step == 1:
                total += (
                    self._sums[max(inside.stop, inside.start)] - self._sums[inside.start] if inside else 0.0
                )
            else:
                total += sum(self._draws[n] for n in inside)
        self._shown.append((at_s, total))
        while len(self._shown) > 1 and self._shown[1][0] + self.latency_s <= at_s:
            del self._shown[0]

    def true_a(self, at_s):
        """The current that really flows at `at_s`."""
        lit_a = next(value for since, value in reversed(self._shown) if since + self.latency_s <= at_s)
        return self.pixels * self.dark_a + lit_a

    def read_a(self, at_s):
        """What the sensor says at `at_s`."""
        if self.refresh_s:
            tick = math.floor(at_s / self.refresh_s + 1e-9) * self.refresh_s
            if tick == self._held[0]:
                return self._held[1]
        else:
            tick = at_s
        value = self.gain * self.true_a(tick) + self.offset_a + self.drift_a_per_s * tick
        value += self.random.gauss(0.0, self.noise_a) if self.noise_a else 0.0
        if self.step_a:
            value = math.floor(value / self.step_a + 0.5) * self.step_a
        value = max(0.0, value)
        self._held = (tick, value)
        return value


def count(string, *, capacity=1024, limit_a=4.0, every_s=0.1, **settings):
    """Run a whole count of `string` with a reading each `every_s`; (result, seconds, highest current)."""
    session = CountSession(CountSettings(capacity=capacity, limit_a=limit_a, **settings))
    now_s, lit, highest_a = 0.0, None, 0.0
    while session.result is None:
        probe = session.next_probe()
        if probe.lit != lit:
            lit = probe.lit
            string.show(lit, now_s)
            session.shown(now_s)
        now_s += every_s
        highest_a = max(highest_a, string.true_a(now_s))
        session.observe(string.read_a(now_s), now_s)
    return session.result, now_s, highest_a


def draw(source):
    """A string as they hang: 1 to 800 pixels, 2 to 40 mA per channel, three channels lit."""
    pixels = round(math.exp(source.uniform(0.0, math.log(800.49))))
    if source.random() < 0.5:
        pixels = source.randint(1, 800)
    channel_a = math.exp(source.uniform(math.log(0.002), math.log(0.040)))
    return SimulatedString(
        pixels=pixels,
        pixel_a=3.0 * channel_a,
        dark_a=source.uniform(0.0007, 0.0025),
        gain=source.uniform(0.97, 1.03),
        offset_a=source.uniform(0.0, 0.05),
        drift_a_per_s=source.uniform(-2e-4, 2e-4),
        scatter=0.015,
        seed=source.getrandbits(32),
    )


def main():
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--counts", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    source = random.Random(options.seed)
    tally = collections.Counter()
    readings = []
    over = 0
    for _ in range(options.counts):
        string = draw(source)
        result, _, highest_a = count(string)
        over += highest_a > 4.0 * 1.05
        match result:
            case Count():
                right = result.pixels == string.pixels
                tally["right" if right else "WRONG"] += 1
                readings.append(result.readings)
                tally["dead pixels imagined"] += bool(result.dead_pixels)
                tally["inside not looked at"] += result.dead_pixels is None
                if not right:
                    print(
                        "wrong:",
                        string.pixels,
                        "counted",
                        result.pixels,
                        f"{string.pixel_a:.4f} A",
                        string.seed,
                    )
            case Refusal():
                tally[f"refused: {result.cause}"] += 1
    readings.sort()
    for name, number in sorted(tally.items()):
        print(f"{name:28} {number:6}  {100 * number / options.counts:.2f} %")
    print("passed the limit by 5 %:", over)
    if readings:
        print(
            "readings: median", readings[len(readings) // 2], " 95 %", readings[int(len(readings) * 0.95)],
            " most", readings[-1],
        )  # fmt: skip
    taken = []
    for seed in range(100):
        result, seconds, _ = count(SimulatedString(512, 0.012, seed=seed))
        taken.append((seconds, result.pixels if isinstance(result, Count) else result.cause))
    print("512 pixels of 12 mA: seconds at 10 readings a second, worst", max(t for t, _ in taken),
          collections.Counter(answer for _, answer in taken))  # fmt: skip


if __name__ == "__main__":
    main()
