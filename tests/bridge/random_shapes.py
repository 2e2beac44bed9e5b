"""Controllers made up at random: the same ports told in one of thousands of ways.

Layout, spelling of keys, units, words for on, off and tripped, and what stands beside the ports are drawn
independently, so that a guess about one of them helps with no other. The words are those of the trade; they
were written down before the guessing was tried on them.
"""

import random
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from bridge.controllers.table import Row

CURRENT = ["current", "amps", "load", "draw", "measured current", "output current", "i", "iout"]
POWER = ["power", "on", "enabled", "live", "powered", "output", "switch", "relay", "active", "is on", "state"]
TRIPPED = ["tripped", "fuse", "fault", "breaker", "overload", "fuse blown", "trip", "protection", "fuse open"]
NUMBER = ["id", "port", "channel", "index", "no", "output", "nr"]
PLACES = ["ports", "outputs", "channels", "data", "loads", "feeds", "list"]
STATES = [("on", "off"), ("ON", "OFF"), ("closed", "open"), ("enabled", "disabled"), ("powered", "unpowered")]
BESIDE: list[tuple[str, Callable[[random.Random, int], Any]]] = [
    ("name", lambda rng, n: f"Port {n}"),
    ("rating a", lambda rng, n: 4.0),
    ("max current", lambda rng, n: 5000),
    ("energy wh", lambda rng, n: round(rng.uniform(0, 900), 2)),
    ("voltage", lambda rng, n: round(rng.uniform(11.6, 12.4), 2)),
    ("temperature", lambda rng, n: round(rng.uniform(-5, 45), 1)),
    ("peak current", lambda rng, n: rng.randint(500, 4000)),
    ("pixels", lambda rng, n: 100),
    ("trip count", lambda rng, n: rng.randint(0, 3)),
    ("uptime", lambda rng, n: rng.randint(10, 100_000)),
    ("label", lambda rng, n: f"string {n}"),
]
HEAD: list[tuple[str, Any]] = [
    ("uptime", 4711), ("version", "2.1"), ("host", "box"), ("rssi", -61), ("total current", 7.5),
    ("temperature", 31.5), ("ok", True), ("count", 8),
]  # fmt: skip


@dataclass(frozen=True)
class Truth:
    """What a port really does: A, on, open."""

    current_a: float
    power: bool
    tripped: bool


def moment(rng: random.Random, ports: int, *, lit: bool = True) -> dict[int, Truth]:
    """A site at one moment; at least one port on, unless `lit` is false; rarely one tripped."""
    found = {}
    for number in range(1, ports + 1):
        tripped = rng.random() < 0.12
        power = lit and not tripped and (number == 1 or rng.random() < 0.6)
        found[number] = Truth(round(rng.uniform(0.15, 3.8), 3) if power else 0.0, power, tripped)
    return found


class Shape:
    """One controller's way to answer."""

    def __init__(self, seed: int) -> None:
        rng = random.Random(seed)
        self.rng = rng
        self.ports = rng.choice([2, 4, 6, 8, 16])
        self.layout = rng.choice(
            ["list", "list", "map", "map", "columns", "banks", "bank-lists", "bank-map", "bank-objects",
             "flat", "keys-among-others"]
        )  # fmt: skip
        self.case = rng.choice(["snake", "camel", "kebab", "joined"])
        self.first = rng.choice([0, 1, 1, 1])
        self.place = rng.choice(PLACES)
        self.label = rng.choice(["{}", "out{}", "port-{}", "ch_{}", "P{}"])
        self.number = rng.choice(NUMBER)
        self.number_as_text = rng.random() < 0.2
        self.current = rng.choice(CURRENT)
        self.unit = rng.choice(["A", "mA", "mA", "text", "text A"])
        self.unit_in_name = self.unit in ("A", "mA") and rng.random() < 0.6
        self.fraction = rng.random() < 0.4
        self.power = rng.choice([word for word in POWER if word != self.number])
        self.power_kind = rng.choice(["bool", "bool", "01", "word"])
        self.words = rng.choice(STATES)
        self.tripped = rng.choice(TRIPPED)
        self.trip_kind = rng.choice(["bool", "bool", "01", "word", "shared"])
        if self.trip_kind == "shared":
            self.power_kind = "word"
        self.beside = rng.sample(BESIDE, rng.randint(0, 5))
        self.head = rng.sample(HEAD, rng.randint(0, 4))
        self.nested = rng.random() < 0.2
        self.depth = rng.choice([0, 0, 1, 2])
        self.order = rng.random()

    def spelled(self, words: str) -> str:
        """A key in this controller's case."""
        parts = words.split()
        if self.case == "camel":
            return parts[0] + "".join(part.capitalize() for part in parts[1:])
        return {"snake": "_", "kebab": "-", "joined": ""}[self.case].join(parts)

    def _fields(self, number: int, truth: Truth) -> dict[str, Any]:
        name = f"{self.current} {self.unit.lower() if self.case != 'camel' else self.unit}"
        key = self.spelled(name if self.unit_in_name else self.current)
        if self.unit == "text":
            current: Any = f"{truth.current_a * 1000:.0f} mA"
        elif self.unit == "text A":
            current = f"{truth.current_a:.3f} A"
        elif self.unit == "mA":
            current = round(truth.current_a * 1000, 1) if self.fraction else round(truth.current_a * 1000)
        else:
            current = truth.current_a
        on, off = self.words
        power: Any = truth.power
        if self.power_kind == "01":
            power = int(truth.power)
        elif self.power_kind == "word":
            power = on if truth.power else off
        rows = {key: current, self.spelled(self.power): power}
        if self.trip_kind == "shared":
            if truth.tripped:
                rows[self.spelled(self.power)] = "tripped"
        else:
            word = {True: "tripped", False: "ok"}[truth.tripped]
            rows[self.spelled(self.tripped)] = {
                "bool": truth.tripped, "01": int(truth.tripped), "word": word,
            }[self.trip_kind]  # fmt: skip
        rng = random.Random(number)
        for title, value in self.beside:
            rows.setdefault(self.spelled(title), value(rng, number))
        items = list(rows.items())
        random.Random(self.order).shuffle(items)
        rows = dict(items)
        if self.nested:
            rows = {"info": {"rev": 2}, "now": rows}
        return rows

    def document(self, site: dict[int, Truth]) -> Any:
        """The answer at a moment."""
        rows = {n - 1 + self.first: self._fields(n, truth) for n, truth in site.items()}
        id_key = self.spelled(self.number)
        numbered = [{id_key: str(n) if self.number_as_text else n} | row for n, row in rows.items()]
        labelled = {self.label.format(n): row for n, row in rows.items()}
        half = (len(numbered) + 1) // 2
        keys = list(labelled)
        found: Any
        if self.layout == "list":
            found = {self.place: numbered}
        elif self.layout == "map":
            found = {self.place: labelled}
        elif self.layout == "keys-among-others":
            found = labelled
        elif self.layout == "banks":
            found = {
                "banks": [
                    {"bank": n, self.place: part} for n, part in enumerate((numbered[:half], numbered[half:]))
                ]
            }
        elif self.layout == "bank-lists":
            found = {"banks": {"left": numbered[:half], "right": numbered[half:]}}
        elif self.layout == "bank-map":
            found = {
                "banks": {
                    "a": {self.place: numbered[:half], "volts": 12.1},
                    "b": {self.place: numbered[half:], "volts": 12.0},
                }
            }
        elif self.layout == "bank-objects":
            found = {
                "banks": {
                    "a": {key: labelled[key] for key in keys[:half]},
                    "b": {key: labelled[key] for key in keys[half:]},
                }
            }
        elif self.layout == "flat":
            found = {
                f"{label}_{key}": value
                for label, row in labelled.items()
                for key, value in (row["now"] if self.nested else row).items()
            }
        else:
            plain = [row["now"] if self.nested else row for row in rows.values()]
            found = {id_key: list(rows)} | {key: [row[key] for row in plain] for key in plain[0]}
        for title, value in self.head:
            if self.spelled(title) not in found:
                found[self.spelled(title)] = value
        for level in range(self.depth):
            found = {["status", "result"][level]: found}
        return found


def judged(row: Row, truth: Truth) -> set[str]:
    """What of current, power and trip is ``missing`` or ``wrong``; empty when all of it is right."""
    pairs = {
        "current": (row.current_a, truth.current_a),
        "power": (row.power, truth.power),
        "tripped": (row.tripped, truth.tripped),
    }
    return {
        f"{name} {'missing' if said is None else 'wrong'}"
        for name, (said, is_so) in pairs.items()
        if said is None or abs(said - is_so) > 0.002
    }
