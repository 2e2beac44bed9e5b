"""`duskward check FILE --live`: every controller is read once, and what looks wrong is said per port.

Nothing is switched. What is judged is whether the mapping reads sense; what shows over time (dark strings,
water) is the running process's to tell.
"""

import asyncio
import json
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from bridge.config import Settings, load, plan
from bridge.controllers import create
from bridge.controllers.base import ControllerError
from bridge.errors import DuskwardError
from rules.plan import PortPlan, SitePlan
from rules.ports import PortId, Reading, number_of

MOST_A = 40.0
"""No port of this trade carries more [A]."""
_RATINGS = 3.0
_NOTHING_A = 0.0005
"""Below this [A] a current is nothing: half a milliampere."""
_TINY_A = 0.02
"""A lit string never draws less [A], so a powered port that does may count amperes as milliamperes."""
_ALIKE = 3
"""So many ports with exactly the same current are suspicious."""


@dataclass(frozen=True, slots=True)
class PortLook:
    """What was read of one port, and what looks wrong with it; one sentence each."""

    port: PortId
    name: str
    reading: Reading | None
    wrong: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ControllerLook:
    """One controller: how long its answer took [s], why there was none, and its ports."""

    id: str
    took_s: float
    trouble: str = ""
    wrong: tuple[str, ...] = ()
    ports: tuple[PortLook, ...] = field(default=())

    @property
    def well(self) -> bool:
        """Whether nothing looks wrong."""
        return not (self.trouble or self.wrong or any(port.wrong for port in self.ports))


def check_live(file: Path, *, as_json: bool) -> bool:
    """Read every controller of `file` once, print what was read, and say whether nothing looks wrong.

    Raises ConfigurationError with every mistake in the file.
    """
    settings = load(file)
    looks = asyncio.run(look(settings))
    if as_json:
        print(json.dumps({"controllers": [_data(one) for one in looks]}, indent=2, ensure_ascii=False))
    else:
        _print(plan(settings), looks)
    return all(one.well for one in looks)


async def look(settings: Settings) -> list[ControllerLook]:
    """Every controller read once, all of them at the same time."""
    site = plan(settings)
    return list(await asyncio.gather(*(_look(settings, site, name) for name in site.controllers)))


async def _look(settings: Settings, site: SitePlan, name: str) -> ControllerLook:
    ports = [site.ports[port] for port in site.controllers[name].ports]
    start_s = time.monotonic()
    readings: dict[PortId, Reading] = {}
    trouble = ""
    try:
        driver = create(
            name, settings.controllers[name].reach, {number_of(port.id): port.abilities for port in ports}
        )
        try:
            start_s = time.monotonic()
            readings = {reading.port: reading for reading in await driver.read()}
        finally:
            took_s = time.monotonic() - start_s
            await driver.close()
    except (*ControllerError, DuskwardError) as error:
        took_s, trouble = time.monotonic() - start_s, str(error)
    if trouble:
        return ControllerLook(name, took_s, trouble)
    looks = tuple(
        PortLook(port.id, port.name, reading := readings.get(port.id), tuple(judge(port, reading)))
        for port in ports
    )
    return ControllerLook(name, took_s, "", tuple(judge_all([p for p in looks if p.reading])), looks)


# ---------------------------------------------------------------- judging; pure


def judge(port: PortPlan, reading: Reading | None) -> list[str]:
    """What looks wrong with one port."""
    if reading is None:
        return ["nothing is said of this port: is its number the controller's?"]
    return [*_missing(port, reading), *_current(port, reading), *_trip(reading)]


def _missing(port: PortPlan, reading: Reading) -> list[str]:
    wanted = (
        ("power", port.abilities.readback, reading.power),
        ("current", port.abilities.current, reading.current_a),
        ("tripped", port.abilities.trip, reading.tripped),
        ("voltage", port.abilities.voltage, reading.voltage_v),
        ("temperature", port.abilities.temperature, reading.temperature_c),
    )
    silent = [name for name, able, value in wanted if able and value is None]
    if not silent:
        return []
    return [f"{' and '.join(silent)} can't be read: is the field right, and are all its spellings listed?"]


def _current(port: PortPlan, reading: Reading) -> list[str]:
    current_a, rating_a = reading.current_a, port.rating_a
    if current_a is None:
        return []
    most_a = min(MOST_A, _RATINGS * rating_a) if rating_a is not None else MOST_A
    if abs(current_a) > most_a:
        milli = (
            f"; as milliamperes it would be {current_a / 1000:.3f} A"
            if abs(current_a) < 1000 * most_a
            else ""
        )
        return [
            f"{current_a:g} A is more than this port can carry: are milliamperes taken for amperes{milli}?"
        ]
    if current_a < -_TINY_A:
        return [
            f"{current_a:g} A is negative: is its offset right, or is it a signed 16-bit number (signed16)?"
        ]
    hangs = port.pixels is None or port.pixels > 0
    if reading.power and hangs and abs(current_a) < _NOTHING_A:
        known = "" if port.pixels is None else f", although {port.pixels} pixels are configured"
        return [
            f"power is on and the current is zero{known}: is the right number mapped, and does a string hang?"
        ]
    if reading.power and hangs and current_a < _TINY_A and (port.pixels or 0) >= _PIXELS_SURE:
        return [
            f"{current_a:g} A is too little for {port.pixels} pixels: are amperes taken for milliamperes?"
        ]
    if reading.power is False and current_a > _TINY_A and not reading.tripped:
        return [f"power is off and {current_a:.3f} A flow: do power and current belong to the same port?"]
    return []


_PIXELS_SURE = 50
"""So many pixels draw more than `_TINY_A` even when dark."""


def _trip(reading: Reading) -> list[str]:
    if not reading.tripped:
        return []
    if reading.power and (reading.current_a or 0.0) > _TINY_A:
        return [
            "the fuse is told open while power is on and current flows: are yes and no of tripped swapped?"
        ]
    return ["its fuse is open: find the cause, then reset it"]


def judge_all(looks: Sequence[PortLook]) -> list[str]:
    """What looks wrong with a controller's ports together."""
    readings = [one.reading for one in looks if one.reading is not None]
    found = []
    currents = [one.current_a for one in readings if one.current_a is not None]
    if len(currents) >= _ALIKE and len(set(currents)) == 1 and currents[0] > _NOTHING_A:
        found.append(
            f"all {len(currents)} ports tell exactly {currents[0]:g} A: is one number read for all of them?"
        )
    if len(readings) >= _ALIKE and all(one.tripped for one in readings):
        found.append("every port is told tripped: are yes and no of tripped swapped?")
    return found


# ---------------------------------------------------------------- telling


def _data(one: ControllerLook) -> dict[str, Any]:
    return {
        "id": one.id,
        "well": one.well,
        "took_s": round(one.took_s, 4),
        "trouble": one.trouble,
        "wrong": list(one.wrong),
        "ports": [
            {
                "port": port.port,
                "name": port.name,
                "read": _reading(port.reading),
                "wrong": list(port.wrong),
            }
            for port in one.ports
        ],
    }


def _reading(reading: Reading | None) -> Mapping[str, Any] | None:
    if reading is None:
        return None
    return {
        "power": reading.power,
        "current_a": reading.current_a,
        "tripped": reading.tripped,
        "voltage_v": reading.voltage_v,
        "temperature_c": reading.temperature_c,
    }


def _print(site: SitePlan, looks: Sequence[ControllerLook]) -> None:
    from rich.console import Console  # noqa: PLC0415 - JSON needs none
    from rich.text import Text  # noqa: PLC0415

    from bridge.commands.terminal import FAULT, POWERED, QUIET  # noqa: PLC0415

    console = Console(highlight=False, markup=False)
    if not console.is_terminal:
        console = Console(highlight=False, markup=False, width=160)
    for one in looks:
        head = Text(f"{site.controllers[one.id].name}", style="bold")
        console.print(
            head + Text(f"  answered in {one.took_s * 1000:.0f} ms" if not one.trouble else "", style=QUIET)
        )
        if one.trouble:
            console.print(Text(f"  no reading: {one.trouble}", style=FAULT))
        for text in one.wrong:
            console.print(Text(f"  {text}", style=FAULT))
        if one.ports:
            console.print(_table(one.ports))
        console.print()
    wrong = sum(not one.well for one in looks)
    if wrong:
        console.print(
            Text(f"Something looks wrong at {wrong} of {len(looks)} controllers.", style=f"bold {FAULT}")
        )
    else:
        count = sum(len(one.ports) for one in looks)
        console.print(Text(f"All {count} ports are read, and nothing looks wrong.", style=f"bold {POWERED}"))


def _table(ports: Sequence[PortLook]) -> Any:  # noqa: ANN401 - a table of rich, loaded where it is used
    from rich.table import Table  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

    from bridge.commands.terminal import FAULT  # noqa: PLC0415

    told = [one.reading for one in ports if one.reading is not None]
    more = [
        (title, attribute, text)
        for title, attribute, text in (
            ("voltage", "voltage_v", "{:.2f} V"),
            ("temp.", "temperature_c", "{:.1f} °C"),
        )
        if any(getattr(one, attribute) is not None for one in told)
    ]
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for title in ("  port", "name", "power", "fuse"):
        table.add_column(title)
    for title in ("current", *(title for title, _, _ in more)):
        table.add_column(title, justify="right", no_wrap=True)
    table.add_column("what looks wrong", ratio=1)
    for one in ports:
        cells = [_cell(one.reading, attribute, text) for _, attribute, text in more]
        current = _cell(one.reading, "current_a", "{:.3f} A")
        wrong = Text("; ".join(one.wrong), style=FAULT)
        table.add_row(f"  {number_of(one.port)}", one.name, *_words(one.reading), current, *cells, wrong)
    return table


def _words(reading: Reading | None) -> tuple[str, str]:
    words = {
        "power": {True: "on", False: "off", None: ""},
        "tripped": {True: "open", False: "whole", None: ""},
    }
    if reading is None:
        return "", ""
    return words["power"][reading.power], words["tripped"][reading.tripped]


def _cell(reading: Reading | None, attribute: str, text: str) -> str:
    value = None if reading is None else getattr(reading, attribute)
    if value is None:
        return ""
    told = text.format(value)
    return told.removeprefix("-") if float(told.split()[0]) == 0 else told  # no minus before a zero
