"""A season of bad nights, faster than life: ``python tests/failures/season.py --nights 70 --seed 1``.

Every night has a show and, by the seed, faults of the broker, the controllers, the strings, the process, its
disk and its clock. Each noon somebody comes: mends strings, acknowledges, resets. At the end every promise is
judged from the simulator's history and an independent MQTT client, and the figures are printed.
"""

import argparse
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))  # as pytest does for tests/

from failure_rig import OFF_BOUND_S, PORTS, Rig
from support import wait_for

START_UTC = datetime(2025, 11, 14, 12, 0, tzinfo=UTC)
"""Noon; ten weeks from here end in the second half of January, and Etc/UTC has no changes of the clock."""
SHOW_H = (17, 22)
DEAF_BOUND_S = 9.0
"""An OFF to a box that says yes and does nothing is repeated ever more slowly: soon 8 s apart."""


class Season:
    """`nights` nights of `day_s` real seconds each."""

    def __init__(self, rig: Rig, *, nights: int, day_s: float) -> None:
        self.rig, self.nights, self.day_s = rig, nights, day_s
        self.pace = 86400.0 / day_s
        self.base_s = 0.0
        self.step_file = rig.folder / "clock-step"
        self.steps: list[tuple[float, float]] = []
        """From this monotonic second on the clock is ahead by so many seconds."""
        self.faults: Counter[str] = Counter()
        self.deaf: list[tuple[float, float]] = []
        self.rss: list[float] = []
        self.files: list[int] = []
        self.trips_seen = self.trips_checked = 0
        self.quiet: list[int] = []
        """Nights without a fault: every port must have had its show."""
        self.starts = 0

    # ------------------------------------------------------------ time

    def utc(self, at_s: float) -> datetime:
        """What duskward's clock says at a monotonic second."""
        step_s = next((ahead for from_s, ahead in reversed(self.steps) if from_s <= at_s), 0.0)
        return START_UTC + timedelta(seconds=(at_s - self.base_s) * self.pace + step_s)

    def noon(self, night: int) -> float:
        """The monotonic second of the noon after `night` nights."""
        return self.base_s + night * self.day_s

    def spans(self) -> list[tuple[float, float]]:
        """When shows ran, by the clock as it was [monotonic s]."""
        found: list[tuple[float, float]] = []
        at_s, end_s, since_s = self.base_s, time.monotonic() + 1.0, None
        while at_s < end_s:
            on = SHOW_H[0] <= self.utc(at_s).hour < SHOW_H[1]
            if on and since_s is None:
                since_s = at_s
            elif not on and since_s is not None:
                found.append((since_s, at_s))
                since_s = None
            at_s += 0.01
        return [*found, (since_s, end_s)] if since_s is not None else found

    # ------------------------------------------------------------ the run

    def start(self) -> None:
        """Start the process on the season's clock."""
        self.starts += 1
        program = Path(__file__).with_name("paced_site.py")
        time_of_season = (START_UTC.isoformat(), repr(self.base_s), repr(self.pace), str(self.step_file))
        self.rig.start(program=[sys.executable, str(program), str(self.rig.config), *time_of_season])

    def run(self, say: Callable[[str], None]) -> None:
        """All nights."""
        rig = self.rig
        rig.plan_night()
        show = f'{{from: "{SHOW_H[0]}:00", to: "{SHOW_H[1]}:00"}}'
        head, _, _ = rig.config.read_text().partition("shows:")
        rig.config.write_text(
            f"{head}shows:\n- {{name: Yard lights, when: {show}, needs: [eave/*, mast/*]}}\n"
        )
        self.step_file.write_text("0")
        self.base_s = time.monotonic()
        self.start()
        for night in range(1, self.nights + 1):
            self._night(night)
            self._noon(night)
            if night % 10 == 0:
                say(f"night {night}: {dict(self.faults)}, RSS {self.rss[-1]:.0f} MB")

    def _night(self, night: int) -> None:
        """Some faults, each at its moment between this noon and the next, and mended before that."""
        rng, begin_s = self.rig.rng, self.noon(night - 1)
        plan: list[tuple[float, Callable[[], None]]] = []
        kinds = rng.sample(sorted(_KINDS), rng.choice((0, 0, 1, 1, 2, 2, 3)))
        if not kinds:
            self.quiet.append(night)
        for kind in kinds:
            self.faults[kind] += 1
            from_s = begin_s + self.day_s * rng.uniform(0.12, 0.75)
            plan += _KINDS[kind](self, from_s, from_s + self.day_s * rng.uniform(0.05, 0.2))
        for at_s, act in sorted(plan, key=lambda one: one[0]):
            time.sleep(max(0.0, at_s - time.monotonic()))
            act()
        time.sleep(max(0.0, self.noon(night) - time.monotonic()))

    def _noon(self, night: int) -> None:
        """What a person does: looks, mends, acknowledges, resets. Everything must be told by then."""
        rig = self.rig
        rig.yard.tell("behave", controller="eave")
        rig.yard.tell("behave", controller="mast")
        rig.wait_agreed(40)
        truths = rig.yard.get("truth")
        trips = [change["port"] for change in rig.yard.get("history")["power"] if change["cause"] == "trip"]
        tonight, self.trips_seen = set(trips[self.trips_seen :]), len(trips)
        for port in PORTS:
            # (One that was reset yesterday stands open until it is switched on again.)
            if truths[port]["fuse_open"] and port in tonight:
                wait_for(lambda port=port: rig.recorder.alert(port), 10, what=f"the alert of {port}")
                self.trips_checked += 1
            rig.yard.tell("mend", port=port)
        status = rig.status() or {"ports": {}}
        for port, told in status["ports"].items():
            codes = [name.removeprefix("alert ") for name in told if name.startswith("alert ")]
            for code in codes:
                rig.ask("acknowledge", port, code)
            if set(codes) & {"fuse-trip", "lockout"}:
                rig.ask("reset", port)
        rig.note_rss()
        self.rss.append(rig.rss_now_mb())
        self.files.append(rig.open_files())

    # ------------------------------------------------------------ the verdict

    def verdict(self) -> dict[str, Any]:
        """Every figure; asserts every promise."""
        rig = self.rig
        rig.night.spans = self.spans()
        rig.night.blind += [(a, b + DEAF_BOUND_S - OFF_BOUND_S) for a, b in self.deaf]
        rig.judge()
        dark = self.dark_shows()
        assert not dark, f"nights without a fault on which ports stayed dark: {dark}"
        late_s = self._lateness()
        history = rig.yard.get("history")
        trips = [change for change in history["power"] if change["cause"] == "trip"]
        return {
            "seed": rig.seed,
            "nights": self.nights,
            "real seconds a day": self.day_s,
            "faults": dict(sorted(self.faults.items())),
            "process starts": self.starts,
            "power changes of ports": len(history["power"]),
            "orders given": len(history["orders"]),
            "messages heard": len(rig.recorder.heard),
            "trips": len(trips),
            "open fuses found told at noon": self.trips_checked,
            "OFF after a span's end, real s": late_s,
            "RSS MB, first and last noon, most ever": [self.rss[0], self.rss[-1], round(rig.rss_mb, 1)],
            "open files, first and last noon": [self.files[0], self.files[-1]],
            "state folder kB": sum(f.stat().st_size for f in rig.state_dir.iterdir() if f.is_file()) // 1024,
            "log kB": rig.log.stat().st_size // 1024,
            "unexpected errors logged": rig.log_text().count("unexpected"),
        }

    def dark_shows(self) -> list[tuple[int, str]]:
        """Quiet nights on which a port had no power: night, port."""
        lit = list(self.rig.power_intervals())
        found = []
        for night in self.quiet:
            begin_s = self.noon(night - 1) + (SHOW_H[0] - 12) / 24 * self.day_s
            middle_s = begin_s + (SHOW_H[1] - SHOW_H[0]) / 48 * self.day_s
            found += [
                (night, port) for port in PORTS
                if not any(one == port and a <= middle_s < b for one, a, b in lit)
            ]  # fmt: skip
        return found

    def _lateness(self) -> dict[str, float]:
        """How long after a span's end ports lost power, without blind stretches: median and most [s]."""
        found = []
        for _, _, off_s in self.rig.power_intervals():
            for begin_s, end_s in self.rig.night.spans:
                blind = any(a <= end_s <= b + DEAF_BOUND_S for a, b in self.rig.night.blind)
                if begin_s < off_s and 0.0 <= off_s - end_s < OFF_BOUND_S and not blind:
                    found.append(off_s - end_s)
        found.sort()
        return {"median": round(found[len(found) // 2], 2), "most": round(found[-1], 2)} if found else {}


# ---------------------------------------------------------------- what goes wrong

Plan = list[tuple[float, Callable[[], None]]]


def _broker_dies(season: Season, a: float, b: float) -> Plan:
    return [(a, season.rig.broker.kill), (b, season.rig.broker.start)]


def _broker_slow(season: Season, a: float, b: float) -> Plan:
    relay = season.rig.relay
    return [(a, lambda: setattr(relay, "delay_s", 0.3)), (b, lambda: setattr(relay, "delay_s", 0.0))]


def _broker_silent(season: Season, a: float, b: float) -> Plan:
    relay = season.rig.relay
    return [(a, lambda: setattr(relay, "silent", True)), (b, lambda: setattr(relay, "silent", False))]


def _box(kind: str) -> Callable[[Season, float, float], Plan]:
    def plan(season: Season, a: float, b: float) -> Plan:
        box = season.rig.rng.choice(("eave", "mast"))

        def begin() -> None:
            season.rig.yard.tell("misbehave", controller=box, kind=kind)

        def end() -> None:
            season.rig.yard.tell("behave", controller=box, kind=kind)
            if kind == "deaf":
                season.deaf.append((a, time.monotonic()))
            elif kind == "hang":
                season.rig.night.blind.append((a, time.monotonic() + 1.0))

        return [(a, begin), (b, end)]

    return plan


def _box_restarts(season: Season, a: float, b: float) -> Plan:
    box, down_s = season.rig.rng.choice(("eave", "mast")), 1.0

    def act() -> None:
        season.rig.yard.tell("restart", controller=box, down_s=down_s)
        season.rig.night.blind.append((time.monotonic(), time.monotonic() + down_s + 1.0))

    return [(a, act)]


def _short(season: Season, a: float, b: float) -> Plan:
    port = season.rig.rng.choice(PORTS)
    in_show_s = a - a_of_day(season, a) + season.day_s * season.rig.rng.uniform(0.23, 0.38)
    return [(in_show_s, lambda: season.rig.yard.tell("fault", port=port, kind="short", ohms=0.05))]


def a_of_day(season: Season, at_s: float) -> float:
    """How far [s] a moment is from its noon."""
    return (at_s - season.base_s) % season.day_s


def _killed(season: Season, a: float, b: float) -> Plan:
    def act() -> None:
        died_s = season.rig.kill()
        season.start()
        season.rig.night.blind.append((died_s, time.monotonic()))

    return [(a, act)]


def _stopped(season: Season, a: float, b: float) -> Plan:
    def act() -> None:
        from_s = time.monotonic()
        code, took_s = season.rig.terminate()
        assert code == 0
        assert took_s < 2.5
        season.start()
        season.rig.night.blind.append((from_s, time.monotonic()))

    return [(a, act)]


def _torn(season: Season, a: float, b: float) -> Plan:
    def act() -> None:
        rig = season.rig
        died_s = rig.kill()
        copy = rig.state_dir / rig.rng.choice(("journal.a", "journal.b"))
        whole = copy.read_bytes()
        copy.write_bytes(whole[: rig.rng.randrange(len(whole))])
        season.start()
        rig.night.blind.append((died_s, time.monotonic()))

    return [(a, act)]


def _noise_in_history(season: Season, a: float, b: float) -> Plan:
    def act() -> None:
        rig = season.rig
        died_s = rig.kill()
        history = rig.state_dir / "history.db"
        content = bytearray(history.read_bytes())
        at = rig.rng.randrange(max(1, len(content) - 4096))
        content[at : at + 4096] = rig.rng.randbytes(4096)
        history.write_bytes(content)
        season.start()
        rig.night.blind.append((died_s, time.monotonic()))

    return [(a, act)]


def _clock_step(season: Season, a: float, b: float) -> Plan:
    by_s = season.rig.rng.choice((-7200.0, -1800.0, 1800.0, 7200.0))

    def step(to_s: float) -> Callable[[], None]:
        def act() -> None:
            season.step_file.write_text(repr(to_s))
            now_s = time.monotonic()
            season.steps.append((now_s, to_s))
            # The step is seen within a second: until then the old clock decides.
            season.rig.night.blind.append((now_s - 0.5, now_s + 1.5))

        return act

    return [(a, step(by_s)), (b, step(0.0))]


_KINDS: dict[str, Callable[[Season, float, float], Plan]] = {
    "broker dies": _broker_dies,
    "broker slow": _broker_slow,
    "broker silent": _broker_silent,
    "box hangs": _box("hang"),
    "box slow": _box("slow"),
    "box deaf": _box("deaf"),
    "box claims power": _box("claims-on"),
    "box loses replies": _box("loses-reply"),
    "box restarts": _box_restarts,
    "short": _short,
    "process killed": _killed,
    "process stopped": _stopped,
    "journal torn": _torn,
    "history damaged": _noise_in_history,
    "clock stepped": _clock_step,
}


def play(folder: Path, *, seed: int, nights: int, day_s: float, say: Callable[[str], None]) -> dict[str, Any]:
    """Play a season in `folder`, which is made if need be, and judge it; its figures."""
    folder.mkdir(parents=True, exist_ok=True)
    with Rig(folder, seed=seed, relay=True) as rig:
        season = Season(rig, nights=nights, day_s=day_s)
        try:
            season.run(say)
            return season.verdict()
        except BaseException as error:
            error.add_note(f"again with: DUSKWARD_FAILURE_SEED={seed}")
            raise


def main() -> int:
    """Play a season from the command line; its figures on standard output."""
    reader = argparse.ArgumentParser(description=__doc__)
    reader.add_argument("--nights", type=int, default=70)
    reader.add_argument("--seed", type=int, default=1)
    reader.add_argument("--day", type=float, default=14.0, help="real seconds a day takes")
    reader.add_argument("--folder", type=Path, help="keep state and logs there")
    arguments = reader.parse_args()
    with tempfile.TemporaryDirectory(prefix="duskward-season-") as folder:
        figures = play(
            arguments.folder or Path(folder), seed=arguments.seed,
            nights=arguments.nights, day_s=arguments.day,
            say=lambda line: sys.stderr.write(f"{line}\n"),
        )  # fmt: skip
    for name, value in figures.items():
        sys.stdout.write(f"{name}: {value}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
