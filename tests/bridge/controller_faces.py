"""Real faces for the contract of controllers: HTTP servers, an MQTT device, a tree of files.

Each gives a driver something real to talk to and a hand to bend it: power a port, set a current, hang, fall
silent, leave ports out, refuse. Ports are numbered from 1.
"""

import asyncio
import errno
import json
import os
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from aiohttp import web
from pydantic import TypeAdapter

from bridge.config.reach import Reach, abilities
from bridge.controllers import create
from bridge.controllers.base import Controller
from bridge.simulator.shapes import SHAPES
from bridge.simulator.site import SimulatedSite
from bridge.simulator.spec import ControllerSpec, PortSpec, SiteSpec, StringSpec
from bridge.simulator.web import accepted, end

LOOPBACK = "127.0.0.1"


def reach_of(mapping: dict[str, Any]) -> Any:
    """The model for `mapping`, as the configuration makes it."""
    return TypeAdapter(Reach).validate_python(mapping)


def controller_of(mapping: dict[str, Any], ports: int, name: str = "gable") -> Controller:
    """A controller with `ports` ports that can do what the mapping can."""
    reach = reach_of(mapping)
    return create(name, reach, {number: abilities(reach, number) for number in range(1, ports + 1)})


PACE = {"every": "60 ms", "slow_every": "60 ms", "timeout": "300 ms"}

SHAPE_MAPPINGS: dict[str, dict[str, Any]] = {
    "rows": {
        "url": "{base}/status", "ports": "outputs[*]", "port": "id", "current": "draw_ma | mA",
        "power": "live", "tripped": "fuse_open", "voltage": "feed_v | V",
        "switch": {"url": "{base}/output/{port}", "json": {"live": "{power}"}},
        "clear": {"url": "{base}/output/{port}", "json": {"mend": True}},
    },
    "keyed": {
        "url": "{base}/v2/loads", "map": "loads", "label": "out-{port}", "current": '"amps-now" | A',
        "power": '"power-up"', "tripped": '"protector-open"', "temperature": '"deg-c" | °C',
        "switch": {"method": "PUT", "url": "{base}/v2/loads/out-{port}/{power}", "on": "up", "off": "down"},
        "clear": {"method": "PUT", "url": "{base}/v2/loads/out-{port}/rearm"},
    },
    "columns": {
        "url": "{base}/telemetry", "arrays": "@", "port": "channel", "power": "closed", "tripped": "blown",
        "current": {"from": "adc", "factor": 0.00814, "offset": -12 * 0.00814, "unit": "A"},
        "switch": {"method": "GET", "url": "{base}/relay?ch={port}&to={power}", "on": 1, "off": 0},
        "clear": {"method": "GET", "url": "{base}/rearm?ch={port}"},
    },
    "banks": {
        "url": "{base}/banks/currents", "ports": "banks[].slots[]", "port": "slot",
        "current": {"from": "raw", "unit": "mA", "signed16": True},
        "also": [{
            "url": "{base}/banks/states", "ports": "banks[].slots[]", "port": "slot",
            "power": {"from": "contact", "yes": ["closed"], "no": ["open"]},
            "tripped": {"from": "guard", "yes": ["open"], "no": ["closed"]},
        }],
        "switch": {"url": "{base}/banks/slot/{port}", "json": {"contact": "{power}"}, "on": "closed",
                   "off": "open"},
        "clear": {"url": "{base}/banks/guard/{port}", "json": {}},
    },
    "worded": {
        "url": "{base}/ask", "method": "POST", "json": {}, "ports": "lines", "port": "line",
        "current": {"from": "load", "unit": "mA", "text": True},
        "voltage": {"from": "feed", "unit": "V", "text": True},
        "temperature": {"from": "warmth", "unit": "C", "text": True},
        "power": {"from": "is", "yes": ["powered"], "no": ["unpowered", "tripped"]},
        "tripped": {"from": "is", "yes": ["tripped"], "no": ["powered", "unpowered"]},
        "switch": {"url": "{base}/tell", "json": {"line": "{port}", "be": "{power}"}, "on": "powered",
                   "off": "unpowered"},
        "clear": {"url": "{base}/tell", "json": {"line": "{port}", "be": "rearmed"}},
    },
}  # fmt: skip
"""A worked mapping for each shape the simulator answers in."""


def with_base(node: Any, base: str) -> Any:
    """`node` with ``{base}`` replaced everywhere."""
    if isinstance(node, str):
        return node.replace("{base}", base)
    if isinstance(node, dict):
        return {key: with_base(part, base) for key, part in node.items()}
    return [with_base(part, base) for part in node] if isinstance(node, list) else node


def shape_mapping(shape: str, base: str, **more: Any) -> dict[str, Any]:
    """The mapping of one of the simulator's shapes at `base`."""
    return {"kind": "http", **PACE, **with_base(SHAPE_MAPPINGS[shape], base), **more}


@dataclass
class Face:
    """One real face in the hand of a test."""

    controller: Controller
    ports: int
    powered: Callable[[int], bool]
    """Whether the port really has power."""
    set_ports: Callable[[int], None]
    """Tell of so many ports only."""
    hang: Callable[[bool], None]
    """Take requests and never answer (or never speak), or come to life again."""
    down: Callable[[], Any]
    """Vanish: connections refused, files gone."""
    up: Callable[[], Any]
    orders: list[tuple[int, bool]] = field(default_factory=list)
    currents: dict[int, float] = field(default_factory=dict)
    """The current each port tells [A], where the face lets it be known beforehand."""
    box: Any = None
    """The simulated controller behind the face, where there is one."""


# ---------------------------------------------------------------- the simulated site


@asynccontextmanager
async def simulated(shape: str, ports: int = 6, *, path: str = "", stream: str = "") -> AsyncIterator[Face]:
    """A simulated controller of `shape` behind its real HTTP face."""
    spec = SiteSpec("yard", (ControllerSpec(
        "gable", tuple(PortSpec(n, StringSpec(pixels=50)) for n in range(1, ports + 1)), shape=shape
    ),))  # fmt: skip
    site = SimulatedSite(spec, seed=7)
    async with site.serve() as addresses:
        base = addresses.controllers["gable"]
        more = {"url": base + path, "stream": stream} if stream else {}
        controller = controller_of(shape_mapping(shape, base, **more), ports)
        box = site.controller("gable")

        def set_ports(count: int) -> None:
            box.behave("fewer-ports")
            if count < ports:
                box.misbehave("fewer-ports", ports=ports - count)

        face = Face(
            controller,
            ports,
            powered=lambda number: site.truth(f"gable/{number}").power,
            set_ports=set_ports,
            hang=lambda on: box.misbehave("hang") if on else box.behave("hang"),
            down=lambda: box.restart(down_s=3600.0),
            up=lambda: setattr(box, "down_until_s", site.now()),
            box=box,
        )
        try:
            yield face
        finally:
            await controller.close()


# ---------------------------------------------------------------- an MQTT device


class MqttDevice:
    """A controller that publishes by itself, made with an independent client in a thread of its own."""

    def __init__(self, host: str, port: int, prefix: str, ports: int, *, on_change: bool) -> None:
        self.prefix, self.on_change = prefix, on_change
        self.host, self.port = host, port
        self.count = ports
        self.power = dict.fromkeys(range(1, ports + 1), False)
        self.orders: list[tuple[int, bool]] = []
        self.hanging = False
        self._stop = threading.Event()
        self._lock = threading.Lock()
        self.client: mqtt.Client | None = None
        self.start()

    def start(self) -> None:
        """Connect, say that it is there, and publish."""
        if self.client is not None:
            return
        client = self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        client.will_set(f"{self.prefix}/here", "offline", 1, retain=True)
        client.on_message = self._order
        client.on_connect = lambda *_: client.subscribe(f"{self.prefix}/+/set", 1)
        ready = threading.Event()
        client.on_subscribe = lambda *_: (self._greet(), ready.set())
        client.connect(self.host, self.port)
        client.loop_start()
        self._stop.clear()
        self._thread = threading.Thread(target=self._publish_on, daemon=True)
        self._thread.start()
        assert ready.wait(10), "the device got no subscription"

    def _greet(self) -> None:
        assert self.client is not None
        self.client.publish(f"{self.prefix}/here", "online", 1, retain=True)
        for number in self.power:
            self._say(number)

    def _say(self, number: int) -> None:
        client = self.client
        if client is None or self.hanging or number > self.count:
            return
        keep = self.on_change
        client.publish(f"{self.prefix}/{number}/amps", f"{number / 10:g}", 1, retain=keep)
        state = json.dumps({"on": self.power[number], "open": False})
        client.publish(f"{self.prefix}/{number}/state", state, 1, retain=keep)

    def _publish_on(self) -> None:
        while not self._stop.wait(0.05):
            if not self.on_change:
                for number in self.power:
                    self._say(number)

    def _order(self, _client: Any, _data: Any, message: mqtt.MQTTMessage) -> None:
        number, power = int(message.topic.split("/")[-2]), message.payload == b"ON"
        self.orders.append((number, power))
        self.power[number] = power
        self._say(number)

    def stop(self) -> None:
        """Say goodbye as the will would."""
        client, self.client = self.client, None
        if client is None:
            return
        self._stop.set()
        self._thread.join(5)
        client.publish(f"{self.prefix}/here", "offline", 1, retain=True).wait_for_publish(5)
        client.disconnect()
        client.loop_stop()


@asynccontextmanager
async def mqtt_device(broker: Any, prefix: str, ports: int = 6, *, on_change: bool) -> AsyncIterator[Face]:
    """A device on a real broker."""
    device = MqttDevice(broker.host, broker.port, prefix, ports, on_change=on_change)
    mapping = {
        "kind": "mqtt", "broker": {"host": broker.host, "port": broker.port}, "every": "150 ms",
        "timeout": "500 ms", "lag": "20 ms", "on_change": on_change,
        "topics": [
            {"topic": f"{prefix}/{{port}}/amps", "current": "@ | A"},
            {"topic": f"{prefix}/{{port}}/state", "power": "on", "tripped": "open"},
        ],
        "available": {"topic": f"{prefix}/here"},
        "switch": {"topic": f"{prefix}/{{port}}/set", "on": "ON", "off": "OFF"},
    }  # fmt: skip
    controller = controller_of(mapping, ports)

    def hang(on: bool) -> None:
        device.hanging = on

    face = Face(
        controller,
        ports,
        powered=lambda number: device.power[number],
        set_ports=lambda count: setattr(device, "count", count),
        hang=hang,
        down=device.stop,
        up=device.start,
        orders=device.orders,
        currents={number: number / 10 for number in range(1, ports + 1)},
    )
    try:
        yield face
    finally:
        await controller.close()
        device.stop()
        if on_change:
            _wipe(broker, prefix, ports)


def _wipe(broker: Any, prefix: str, ports: int) -> None:
    """Take the retained messages of a test away."""
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    client.connect(broker.host, broker.port)
    client.loop_start()
    for topic in ("here", *(f"{n}/{what}" for n in range(1, ports + 1) for what in ("amps", "state"))):
        client.publish(f"{prefix}/{topic}", b"", 1, retain=True).wait_for_publish(5)
    client.disconnect()
    client.loop_stop()


# ---------------------------------------------------------------- kernel files


class Tree:
    """A tree of files laid out as the kernel's documentation says."""

    def __init__(self, root: Path) -> None:
        self.root = root
        (root / "class/hwmon").mkdir(parents=True)

    def chip(self, index: int, device: str, files: dict[str, str], name: str = "ina226") -> Path:
        """Chip ``hwmon{index}`` of `device`."""
        folder = self.root / "devices" / device / "hwmon" / f"hwmon{index}"
        folder.mkdir(parents=True)
        (folder / "name").write_text(f"{name}\n")
        for file, content in files.items():
            (folder / file).write_text(f"{content}\n")
        link = self.root / "class/hwmon" / f"hwmon{index}"
        link.symlink_to(os.path.relpath(folder, link.parent))
        return folder

    def switch(self, name: str, content: str = "0") -> Path:
        """A switch file below ``devices/platform``."""
        folder = self.root / "devices/platform" / name
        folder.mkdir(parents=True)
        (folder / "state").write_text(content)
        (folder / "measured").symlink_to("state")  # what is read back, by a name of its own
        return folder / "state"


@asynccontextmanager
async def kernel_files(root: Path, ports: int = 6) -> AsyncIterator[Face]:
    """Chips and switches as files."""
    tree = Tree(root)
    states, chips = {}, {}
    mapping: dict[str, Any] = {"kind": "hwmon", "root": str(root), **PACE, "ports": {}}
    for n in range(1, ports + 1):
        chips[n] = tree.chip(n, f"i2c-1/1-004{n}", {"curr1_input": str(n * 100), "curr1_crit_alarm": "0"})
        states[n] = tree.switch(f"feed-{n}")
        switch = f"devices/platform/feed-{n}/state"
        mapping["ports"][n] = {
            "chip": {"device": f"devices/i2c-1/1-004{n}"}, "current": "curr1", "tripped": "curr1_crit_alarm",
            "power": f"devices/platform/feed-{n}/measured", "switch": {"file": switch},
        }  # fmt: skip
    controller = controller_of(mapping, ports)
    aside = root.parent / "aside"
    fifos: list[Path] = []

    def set_ports(count: int) -> None:
        aside.mkdir(exist_ok=True)
        for n in range(1, ports + 1):
            for path, kept in ((chips[n], aside / f"chip{n}"), (states[n], aside / f"state{n}")):
                if n > count and path.exists():
                    path.rename(kept)
                elif n <= count and kept.exists():
                    kept.rename(path)

    def hang(on: bool) -> None:
        aside.mkdir(exist_ok=True)
        for n in range(1, ports + 1):
            sensors = (chips[n] / "curr1_input", chips[n] / "curr1_crit_alarm")
            for path in (*sensors, states[n].with_name("measured"), states[n]):
                kept = aside / f"hang-{n}-{path.name}"
                if on:
                    path.rename(kept)
                    os.mkfifo(path)  # opening a pipe nobody writes to blocks
                    fifos.append(path)
                else:
                    # What waits gets its end; what comes later finds the file again.
                    pipe = path.with_suffix(".pipe")
                    path.rename(pipe)
                    kept.rename(path)
                    release(pipe)

    face = Face(
        controller,
        ports,
        powered=lambda number: states[number].read_text().strip() == "1",
        set_ports=set_ports,
        hang=hang,
        down=lambda: set_ports(0),
        up=lambda: set_ports(ports),
        currents={number: number / 10 for number in range(1, ports + 1)},
    )
    try:
        yield face
    finally:
        for path in fifos:
            release(path)
        await controller.close()


def release(pipe: Path) -> None:
    """Let everybody go who waits to open `pipe`."""
    try:
        end = os.open(pipe, os.O_RDWR | os.O_NONBLOCK)
    except OSError as error:
        if error.errno not in (errno.ENOENT, errno.ENXIO):
            raise
        return
    os.close(end)


# ---------------------------------------------------------------- small servers


@asynccontextmanager
async def serve(handler: Callable[[web.Request], Any]) -> AsyncIterator[str]:
    """A real HTTP server that answers everything with `handler`; gives its base address."""
    app = web.Application(client_max_size=1 << 22)
    app.router.add_route("*", "/{path:.*}", handler)
    runner = web.AppRunner(app, access_log=None, shutdown_timeout=0.01, handler_cancellation=True)
    await runner.setup()
    try:
        site = web.TCPSite(runner, LOOPBACK, 0)
        await site.start()
        yield f"http://{LOOPBACK}:{runner.addresses[0][1]}"
    finally:
        await end(runner)


@asynccontextmanager
async def serve_raw(
    talk: Callable[[asyncio.StreamReader, asyncio.StreamWriter], Any],
) -> AsyncIterator[str]:
    """A bare TCP server: `talk` says what goes over the wire."""
    talks: set[asyncio.Task[Any]] = set()

    async def one(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        talks.add(task)
        try:
            await talk(reader, writer)
        except (OSError, asyncio.IncompleteReadError, asyncio.CancelledError):
            pass  # the other side has gone, or the test is over
        finally:
            writer.close()
            with suppress(OSError, asyncio.CancelledError):
                await writer.wait_closed()
            talks.discard(task)

    server = await asyncio.start_server(one, LOOPBACK, 0)
    async with server:
        yield f"http://{LOOPBACK}:{server.sockets[0].getsockname()[1]}"
        await accepted()
    for task in [*talks]:
        task.cancel()
    await asyncio.gather(*talks)


SHAPE_NAMES = tuple(SHAPES)
