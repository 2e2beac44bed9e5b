"""The invented site of the demo, Quarry Lane: three controllers that answer in three ways."""

import json
from collections.abc import Mapping
from dataclasses import replace
from textwrap import indent
from typing import Any

from bridge.simulator.shapes import COLUMNS_FACTOR_A, COLUMNS_OFFSET
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

SENSOR = SensorSpec(gain_error=0.01, noise_a=0.002, step_a=0.008)
ELECTRONIC = FuseSpec(rating_a=4.0)
POLYMER = FuseSpec(kind="polymer", hold_a=3.0, trip_a=5.1, trip_s=1.0)
"""Littelfuse 16R300G: holds 3.0 A, trips at 5.1 A, within 1.0 s at 15 A."""
BRIGHTNESS = 0.3
"""Limit of the show data: 100 pixels at 30 % white draw 1.89 A."""

NAMES: Mapping[str, tuple[str, ...]] = {
    "gable": ("Left arch", "Right arch", "Gable star", "Ridge line"),
    "hedge": (
        "Hedge west end",
        "Hedge west",
        "Hedge middle left",
        "Hedge middle right",
        "Hedge east",
        "Hedge east end",
        "Gate post left",
        "Gate post right",
    ),
    "mast": ("Mast ray north", "Mast ray east", "Mast ray south", "Mast ray west"),
}
"""What hangs on each port, in order."""
BOXES = {"gable": "Gable box", "hedge": "Hedge box", "mast": "Mast box"}
"""What people call the controllers."""
SUPPLIES = {"gable": "house", "hedge": "garden", "mast": "house"}

STORY: tuple[tuple[str, FaultSpec], ...] = (
    ("gable/2", FaultSpec("short", from_s=25.0, until_s=70.0)),
    ("hedge/3", FaultSpec("power-tail", from_s=40.0, at=50)),
    ("hedge/6", FaultSpec("overload", from_s=60.0, until_s=80.0, amps=6.0)),
    ("mast/1", FaultSpec("wet-connector", from_s=30.0, amps=0.6, amps_per_hour=3.0)),
    ("mast/3", FaultSpec("stuck-switch", from_s=90.0, until_s=150.0, state="closed")),
)
"""What goes wrong in the demo, seconds after the start: a short, half a string dark, a polymer fuse at its
limit, water in a connector, contacts that stick."""


def _port(number: int, pixels: int, *, cable_m: float = 3.0, fuse: FuseSpec = ELECTRONIC) -> PortSpec:
    return PortSpec(number, StringSpec(pixels, cable_m=cable_m, brightness=BRIGHTNESS), fuse, SENSOR)


def demo_site(*, story: bool = False) -> SiteSpec:
    """Quarry Lane: arches and a star on the gable, a hedge, a mast. `story`: with the faults of `STORY`."""
    gable = (_port(1, 100), _port(2, 100), _port(3, 50), _port(4, 100, cable_m=8.0))
    hedge = tuple(_port(n, 100, cable_m=2.0 + n, fuse=POLYMER if n == 6 else ELECTRONIC) for n in range(1, 9))
    mast = tuple(_port(n, 150, cable_m=6.0) for n in range(1, 5))
    controllers: tuple[ControllerSpec, ...] = (
        ControllerSpec("gable", gable, "rows"),
        ControllerSpec("hedge", hedge, "keyed"),
        ControllerSpec("mast", mast, "banks", after_restart="last"),
    )
    if story:
        controllers = tuple(
            replace(box, ports=tuple(_with_story(box.id, port) for port in box.ports)) for box in controllers
        )
    show = (
        Segment(20.0, "chase", 0.8),
        Segment(4.0, "dark"),
        Segment(12.0, "breathe", 1.0, period_s=6.0),
        Segment(3.0, "steady", 1.0),
        Segment(6.0, "dark"),
    )
    return SiteSpec("quarry-lane", controllers, show)


def _with_story(box: str, port: PortSpec) -> PortSpec:
    return replace(port, faults=tuple(fault for name, fault in STORY if name == f"{box}/{port.number}"))


def reach_of(shape: str, url: str) -> dict[str, Any]:
    """The ``reach:`` part of the configuration for a controller of `shape` that answers at `url`.

    Raises KeyError for a shape nobody knows.
    """
    reaches: dict[str, dict[str, Any]] = {
        "rows": {
            "url": f"{url}/status",
            "ports": "outputs[*]",
            "port": "id",
            "current": "draw_ma | mA",
            "power": "live",
            "tripped": "fuse_open",
            "voltage": "feed_v | V",
            "switch": {"method": "POST", "url": f"{url}/output/{{port}}", "json": {"live": "{power}"}},
        },
        "keyed": {
            "url": f"{url}/v2/loads",
            "map": "loads",
            "label": "out-{port}",
            "current": '"amps-now" | A',
            "power": '"power-up"',
            "tripped": '"protector-open"',
            "temperature": '"deg-c" | °C',
            "switch": {
                "method": "PUT",
                "url": f"{url}/v2/loads/out-{{port}}/{{power}}",
                "on": "up",
                "off": "down",
            },
            "clear": {"method": "PUT", "url": f"{url}/v2/loads/out-{{port}}/rearm"},
        },
        "columns": {
            "url": f"{url}/telemetry",
            "arrays": "@",
            "port": "channel",
            "current": {
                "from": "adc",
                "unit": "A",
                "factor": COLUMNS_FACTOR_A,
                "offset": round(COLUMNS_OFFSET * COLUMNS_FACTOR_A, 6),
            },
            "power": "closed",
            "tripped": "blown",
            "switch": {"method": "GET", "url": f"{url}/relay?ch={{port}}&to={{power}}", "on": 1, "off": 0},
            "clear": {"method": "GET", "url": f"{url}/rearm?ch={{port}}"},
        },
        "banks": {
            "url": f"{url}/banks/currents",
            "ports": "banks[].slots[]",
            "port": "slot",
            "current": {"from": "raw", "unit": "mA", "signed16": True},
            "also": [
                {
                    "url": f"{url}/banks/states",
                    "ports": "banks[].slots[]",
                    "port": "slot",
                    "power": {"from": "contact", "yes": ["closed"], "no": ["open"]},
                    "tripped": {"from": "guard", "yes": ["open"], "no": ["closed"]},
                }
            ],
            "switch": {
                "method": "POST",
                "url": f"{url}/banks/slot/{{port}}",
                "json": {"contact": "{power}"},
                "on": "closed",
                "off": "open",
            },
            "clear": {"method": "POST", "url": f"{url}/banks/guard/{{port}}"},
        },
        "worded": {
            "url": f"{url}/ask",
            "method": "POST",
            "json": {"want": "everything"},
            "ports": "lines[*]",
            "port": "line",
            "current": {"from": "load", "unit": "mA", "text": True},
            "power": {"from": "is", "yes": ["powered"], "no": ["unpowered", "tripped"]},
            "tripped": {"from": "is", "yes": ["tripped"], "no": ["powered", "unpowered"]},
            "voltage": {"from": "feed", "unit": "V", "text": True},
            "switch": {
                "method": "POST",
                "url": f"{url}/tell",
                "json": {"line": "{port}", "be": "{power}"},
                "on": "powered",
                "off": "unpowered",
            },
            "clear": {"method": "POST", "url": f"{url}/tell", "json": {"line": "{port}", "be": "rearmed"}},
        },
    }
    return {"kind": "http", "every": "1 s"} | reaches[shape]


def demo_config(urls: Mapping[str, str], broker_port: int, *, every: str = "1 s", state_dir: str = "") -> str:
    """The configuration of duskward for `demo_site`, as the YAML a person would write.

    urls: controller -> base URL, as `SimulatedSite.serve` gives them; broker_port: MQTT on this machine;
    every: how often controllers are read; state_dir: folder of the journal, left out where empty.
    """
    import yaml  # noqa: PLC0415 - the site alone needs none

    site = demo_site()
    lines = [
        "site:",
        "  id: quarry-lane",
        "  name: Quarry Lane",
        "  timezone: Europe/Dublin",
        "  latitude: 53.35",
        "  longitude: -6.26",
        "  require_synchronised_clock: false  # for a demo on any machine",
        *([f"  state_dir: {json.dumps(state_dir)}"] if state_dir else []),
        f"broker: {{host: 127.0.0.1, port: {broker_port}}}",
        "supplies:",
        "  house: {volts: 12 V, rating: 29 A}",
        "  garden: {volts: 12 V, rating: 29 A}",
        "controllers:",
    ]
    for box in site.controllers:
        reach = reach_of(box.shape, urls[box.id]) | {"every": every}
        # Inner mappings on one line, as a person would write them.
        text = yaml.safe_dump(reach, default_flow_style=None, sort_keys=False, allow_unicode=True, width=96)
        lines += [f"  {box.id}:", f"    name: {BOXES[box.id]}", "    reach:", indent(text, " " * 6).rstrip()]
        lines += [
            f"    every_port: {{supply: {SUPPLIES[box.id]}, chip: ws2811-12v, brightness: 30 %}}",
            "    ports:",
        ]
        lines += [_port_line(port, name) for port, name in zip(box.ports, NAMES[box.id], strict=True)]
    return "\n".join([*lines, _PROPS_AND_SHOWS])


def _port_line(port: PortSpec, name: str) -> str:
    polymer = port.fuse.kind == "polymer"
    rating_a = port.fuse.hold_a if polymer else port.fuse.rating_a
    fuse = ", fuse: self-resetting" if polymer else ""
    pixels = port.string.pixels if port.string else 0
    return f"      {port.number}: {{name: {name}, rating: {rating_a:g} A, pixels: {pixels}{fuse}}}"


_PROPS_AND_SHOWS = """\
props:
  arches: {name: Arches, fed_by: [gable/1, gable/2]}
  star: {name: Gable star, fed_by: [gable/3]}
  ridge: {name: Ridge line, fed_by: [gable/4]}
  hedge: {name: Hedge, fed_by: [hedge/1, hedge/2, hedge/3, hedge/4, hedge/5, hedge/6]}
  gate: {name: Gate posts, fed_by: [hedge/7, hedge/8]}
  mast: {name: Mast, fed_by: [mast/1, mast/2, mast/3, mast/4]}
shows:
  - name: Lantern walk
    when: {from: sunset - 15 min, to: "22:30", season: {from: 11-28, to: 01-06}, except: ["12-24"]}
    needs: [arches, star, gate]
    warm_up: 30 s
    run_on: 10 s
  - name: Quarry lights
    when: {from: "17:30", to: "21:00", weekdays: [fri, sat, sun]}
    needs: [gable/*, hedge/*, mast/*]
    warm_up: 20 s
    run_on: 10 s
"""
