"""How simulated controllers answer: shapes made up here, so different that a mapping has to be a mapping.

A shape is the read requests it answers, the documents it gives, and the requests that switch. All pure:
the HTTP face is `web.py`. Every measured current goes through `Voice.current`, so that a misbehaviour can
put something else in its place wherever the shape keeps it.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol
from urllib.parse import parse_qsl

from bridge.simulator.port import Told

Json = Any
"""A JSON document as Python's json module has it."""


@dataclass(frozen=True, slots=True)
class Voice:
    """What the shape tells: the box, its uptime [s], its ports; `current` bends each measured value."""

    box: str
    uptime_s: float
    ports: Sequence[Told]
    current: Callable[[Json], Json] = lambda value: value


@dataclass(frozen=True, slots=True)
class Order:
    """What a request asks for: `number` of the port, power on or off, or (None) the fuse's clear command."""

    number: int
    power: bool | None


class BadOrder(ValueError):  # noqa: N818 - named for what the box says
    """The request can't be meant; the text says what would be right."""


class Shape(Protocol):
    """One way to answer. `reads`: (method, path) pairs; `unit`: of the told current."""

    name: str
    reads: Sequence[tuple[str, str]]

    def document(self, path: str, voice: Voice) -> Json:
        """The answer to a read request."""

    def order(self, method: str, path: str, query: str, body: bytes) -> Order | None:
        """What a request other than a read asks for; None: no such place. Raises BadOrder."""


def _fields(body: bytes) -> Mapping[str, Json]:
    try:
        found = json.loads(body)
    except ValueError as error:
        raise BadOrder("send a JSON object") from error
    if not isinstance(found, dict):
        raise BadOrder("send a JSON object")
    return found


def _number(text: str) -> int:
    try:
        return int(text)
    except ValueError as error:
        raise BadOrder(f"{text!r} is no port number") from error


class Rows:
    """An array of objects, milliamperes, true and false; off and on is the clear."""

    name: str = "rows"
    reads: Sequence[tuple[str, str]] = (("GET", "/status"),)

    def document(self, path: str, voice: Voice) -> Json:  # noqa: ARG002 - one document only
        """``{"outputs": [{"id": 1, "draw_ma": 226.4, "live": true, "fuse_open": false, ...}]}``."""
        return {
            "box": voice.box,
            "uptime_s": round(voice.uptime_s, 1),
            "outputs": [
                {
                    "id": port.number,
                    "draw_ma": voice.current(round(port.current_a * 1000.0, 1)),
                    "live": port.power,
                    "fuse_open": port.tripped,
                    "feed_v": port.voltage_v,
                    "used_wh": round(port.energy_wh, 3),
                }
                for port in voice.ports
            ],
        }

    def order(self, method: str, path: str, query: str, body: bytes) -> Order | None:  # noqa: ARG002 - no query
        """``POST /output/1`` with ``{"live": true}``, or ``{"mend": true}`` to clear the fuse."""
        if method != "POST" or not path.startswith("/output/"):
            return None
        fields = _fields(body)
        number = _number(path.removeprefix("/output/"))
        if fields.get("mend") is True:
            return Order(number, None)
        if not isinstance(fields.get("live"), bool):
            raise BadOrder('say {"live": true} or {"live": false}')
        return Order(number, fields["live"])


class Keyed:
    """A map by port name with hyphenated keys, amperes; path says what to do."""

    name: str = "keyed"
    reads: Sequence[tuple[str, str]] = (("GET", "/v2/loads"),)

    def document(self, path: str, voice: Voice) -> Json:  # noqa: ARG002 - one document only
        """``{"loads": {"out-1": {"amps-now": 0.226, "power-up": true, "protector-open": false}}}``."""
        return {
            "about": {"name": voice.box, "since-start": round(voice.uptime_s)},
            "loads": {
                f"out-{port.number}": {
                    "amps-now": voice.current(round(port.current_a, 4)),
                    "power-up": port.power,
                    "protector-open": port.tripped,
                    "deg-c": port.temperature_c,
                }
                for port in voice.ports
            },
        }

    def order(self, method: str, path: str, query: str, body: bytes) -> Order | None:  # noqa: ARG002 - the path says all
        """``PUT /v2/loads/out-1/up``, ``/down`` or ``/rearm``."""
        if method != "PUT" or not path.startswith("/v2/loads/out-"):
            return None
        name, _, verb = path.removeprefix("/v2/loads/out-").partition("/")
        powers: dict[str, bool | None] = {"up": True, "down": False, "rearm": None}
        if verb not in powers:
            raise BadOrder("end the path in up, down or rearm")
        return Order(_number(name), powers[verb])


COLUMNS_FACTOR_A = 0.00814
"""Amperes per count: 4.883 mV steps of a 10-bit, 5 V sense output with ratio 2000 and 1200 ohm."""
COLUMNS_OFFSET = -12
"""Counts that stand for no current, negative: amperes = (count + offset) x factor."""


class Columns:
    """Parallel arrays of raw counts with factor and offset; GET with a query switches."""

    name: str = "columns"
    reads: Sequence[tuple[str, str]] = (("GET", "/telemetry"),)

    def document(self, path: str, voice: Voice) -> Json:  # noqa: ARG002 - one document only
        """``{"adc": [39, 12], "factor": 0.00814, "offset": -12, "closed": [1, 0], "blown": [0, 0]}``."""
        return {
            "tick": int(voice.uptime_s * 1000.0),
            "channel": [port.number for port in voice.ports],
            "factor": COLUMNS_FACTOR_A,
            "offset": COLUMNS_OFFSET,
            "adc": [
                voice.current(round(port.current_a / COLUMNS_FACTOR_A) - COLUMNS_OFFSET)
                for port in voice.ports
            ],
            "closed": [int(port.power) for port in voice.ports],
            "blown": [int(port.tripped) for port in voice.ports],
        }

    def order(self, method: str, path: str, query: str, body: bytes) -> Order | None:  # noqa: ARG002 - the query says all
        """``GET /relay?ch=1&to=1``; ``GET /rearm?ch=1``."""
        if method != "GET" or path not in ("/relay", "/rearm"):
            return None
        asked = dict(parse_qsl(query))
        number = _number(asked.get("ch", ""))
        if path == "/rearm":
            return Order(number, None)
        if asked.get("to") not in ("0", "1"):
            raise BadOrder("say to=0 or to=1")
        return Order(number, asked["to"] == "1")


BANK_SIZE = 4


class Banks:
    """Nested banks of four, signed 16-bit milliamperes; states at a place of their own, in words."""

    name: str = "banks"
    reads: Sequence[tuple[str, str]] = (("GET", "/banks/currents"), ("GET", "/banks/states"))

    def document(self, path: str, voice: Voice) -> Json:
        """Currents: ``{"banks": [{"bank": 0, "slots": [{"slot": 1, "raw": 65535}]}]}`` (65535 is -1 mA)."""
        banks: dict[int, list[Json]] = {}
        for port in voice.ports:
            slot: dict[str, Json] = {"slot": port.number}
            if path == "/banks/currents":
                slot["raw"] = voice.current(round(port.current_a * 1000.0) & 0xFFFF)
            else:
                slot |= {
                    "contact": "closed" if port.power else "open",
                    "guard": "open" if port.tripped else "closed",
                }
            banks.setdefault((port.number - 1) // BANK_SIZE, []).append(slot)
        return {"banks": [{"bank": bank, "slots": slots} for bank, slots in banks.items()]}

    def order(self, method: str, path: str, query: str, body: bytes) -> Order | None:  # noqa: ARG002 - no query
        """``POST /banks/slot/1`` with ``{"contact": "closed"}``; ``POST /banks/guard/1`` clears the fuse."""
        if method != "POST":
            return None
        if path.startswith("/banks/guard/"):
            return Order(_number(path.removeprefix("/banks/guard/")), None)
        if not path.startswith("/banks/slot/"):
            return None
        contact = _fields(body).get("contact")
        if contact not in ("closed", "open"):
            raise BadOrder('say {"contact": "closed"} or {"contact": "open"}')
        return Order(_number(path.removeprefix("/banks/slot/")), contact == "closed")


class Worded:
    """Asked by POST, numbers are text with units, one word for the state."""

    name: str = "worded"
    reads: Sequence[tuple[str, str]] = (("POST", "/ask"),)

    def document(self, path: str, voice: Voice) -> Json:  # noqa: ARG002 - one document only
        """``{"lines": [{"line": "1", "load": "226 mA", "feed": "12.0 V", "is": "powered"}]}``."""
        return {
            "lines": [
                {
                    "line": str(port.number),
                    "load": voice.current(f"{port.current_a * 1000.0:.0f} mA"),
                    "feed": f"{port.voltage_v:.1f} V",
                    "warmth": f"{port.temperature_c:.0f} C",
                    "is": "tripped" if port.tripped else "powered" if port.power else "unpowered",
                }
                for port in voice.ports
            ],
        }

    def order(self, method: str, path: str, query: str, body: bytes) -> Order | None:  # noqa: ARG002 - no query
        """``POST /tell`` with ``{"line": "1", "be": "powered"}``, or unpowered, or rearmed."""
        if method != "POST" or path != "/tell":
            return None
        fields = _fields(body)
        powers: dict[Json, bool | None] = {"powered": True, "unpowered": False, "rearmed": None}
        if fields.get("be") not in powers:
            raise BadOrder("say be: powered, unpowered or rearmed")
        return Order(_number(str(fields.get("line", ""))), powers[fields["be"]])


_ALL: tuple[Shape, ...] = (Rows(), Keyed(), Columns(), Banks(), Worded())
SHAPES: Mapping[str, Shape] = {shape.name: shape for shape in _ALL}
"""Every shape by name."""
