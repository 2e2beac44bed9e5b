"""A whole site of real processes that tests may hurt: broker, relay, simulated controllers, duskward.

Every promise is judged from what others saw: the simulator's own history of power, and an independent MQTT
client. All processes share the machine's monotonic clock, so their instants can be compared.

Seeds: ``DUSKWARD_FAILURE_SEED=17`` repeats a run; a failure says which seed it had.
"""

import asyncio
import json
import os
import signal
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import Any, Self

import paho.mqtt.client as mqtt
import yaml
from support import LOOPBACK, PrivateBroker, free_port, wait_for

from bridge.clock import SystemClock
from bridge.config import parse, plan
from bridge.simulator.scenarios import reach_of
from rules.power.staging import lead_s

SITE = "slate-yard"
OFF_BOUND_S = 3.0
"""A healthy site is dark this long [s] after a span's end: one poll, one command, and a busy test machine."""
RSS_BOUND_MB = 160
"""What the process may take [MB], whatever happens to it. Seen: 75 to 95 MB."""
BOXES: Mapping[str, str] = {"eave": "rows", "mast": "banks"}
PORTS = ("eave/1", "eave/2", "mast/1", "mast/2")


def seed_of_run() -> int:
    """The seed of a scenario: the one that is asked for, or a fresh one. A failure says it."""
    asked = os.environ.get("DUSKWARD_FAILURE_SEED")
    return int(asked) if asked else int.from_bytes(os.urandom(4), "big")


def device(port: str) -> str:
    """The Homie device of a port."""
    box, _, number = port.partition("/")
    return f"{SITE}-{box}-port-{number}"


def site_spec(*, speed_show_s: float = 2.0) -> dict[str, Any]:
    """The simulated site: two boxes that answer in two ways, two ports each, latching fuses."""
    string = {"pixels": 50, "brightness": 0.5}
    sensor = {"noise_a": 0.002, "step_a": 0.008, "refresh_s": 0.05}
    ports = [{"number": n, "string": string, "sensor": sensor} for n in (1, 2)]
    return {
        "id": SITE,
        "controllers": [
            {"id": "eave", "shape": BOXES["eave"], "ports": ports},
            {"id": "mast", "shape": BOXES["mast"], "ports": ports, "after_restart": "last"},
        ],
        "show": [
            {"length_s": speed_show_s, "look": "steady", "level": 0.6},
            {"length_s": speed_show_s / 2, "look": "dark"},
        ],
    }


class Relay:
    """TCP between duskward and its broker: slow, silent, cutting, or not there at all.

    delay_s: every piece waits this long; silent: connections are taken and nothing passes; cut_on: a
    connection over which these bytes are sent to the broker ends.
    """

    def __init__(self, target: tuple[str, int]) -> None:
        self.port = free_port()
        self.delay_s = 0.0
        self.silent = False
        self.cut_on = b""
        self.cuts = 0
        self._target = target
        self._loop = asyncio.new_event_loop()
        self._writers: set[asyncio.StreamWriter] = set()
        self._server: asyncio.Server | None = None
        self._thread = threading.Thread(target=self._loop.run_forever, name="relay", daemon=True)
        self._thread.start()
        self.listen()

    def listen(self) -> None:
        """Take connections."""
        self._call(self._listen())

    def refuse(self) -> None:
        """Nothing listens any more, and what was open ends."""
        self._call(self._refuse())

    def close(self) -> None:
        """End the thread."""
        self._call(self._refuse())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(5)
        self._loop.close()

    def _call(self, work: Any) -> None:
        asyncio.run_coroutine_threadsafe(work, self._loop).result(10)

    async def _listen(self) -> None:
        self._server = await asyncio.start_server(self._serve, LOOPBACK, self.port)

    async def _refuse(self) -> None:
        if self._server is not None:
            self._server.close()
            self._server = None
        for writer in tuple(self._writers):
            writer.transport.abort()
        for _ in range(100):
            left = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
            if not left:
                return
            for task in left:
                task.cancel()
            await asyncio.sleep(0.01)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.add(writer)
        far: asyncio.StreamWriter | None = None
        try:
            back, far = await asyncio.open_connection(*self._target)
            self._writers.add(far)
            await asyncio.wait(
                {
                    asyncio.ensure_future(self._pump(reader, far, outward=True)),
                    asyncio.ensure_future(self._pump(back, writer, outward=False)),
                },
                return_when=asyncio.FIRST_COMPLETED,
            )
        except (OSError, asyncio.CancelledError):
            return
        finally:
            for one in (writer, far):
                if one is not None:
                    self._writers.discard(one)
                    one.transport.abort()

    async def _pump(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, *, outward: bool
    ) -> None:
        try:
            while piece := await reader.read(65536):
                if outward and self.cut_on and self.cut_on in piece:
                    self.cuts += 1
                    return
                if self.delay_s:
                    await asyncio.sleep(self.delay_s)
                while self.silent:  # noqa: ASYNC110 - set from another thread
                    await asyncio.sleep(0.02)
                writer.write(piece)
                await writer.drain()
        except (OSError, asyncio.CancelledError):
            return


class Recorder:
    """An independent client on the broker itself: all that was said, in order, over broker restarts, too."""

    def __init__(self, port: int, **login: str) -> None:
        self.heard: list[tuple[float, str, bytes, bool]] = []
        """Instant [monotonic s], topic, payload, retained flag."""
        self.latest: dict[str, bytes] = {}
        self.subscribed = False
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        if login:
            self._client.username_pw_set(login["username"], login["password"])
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = lambda client, *_: client.subscribe("#", 1)
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message
        self._client.connect(LOOPBACK, port, keepalive=5)
        self._client.loop_start()
        wait_for(lambda: self.subscribed, what="the recorder's subscription")

    def _on_subscribe(self, *_: object) -> None:
        self.subscribed = True

    def _on_message(self, _client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        self.heard.append((time.monotonic(), message.topic, bytes(message.payload), message.retain))
        self.latest[message.topic] = bytes(message.payload)

    def ask(self, port: str, name: str, payload: str) -> None:
        """Send a command to a port's property."""
        self.publish(f"homie/5/{device(port)}/port/{name}/set", payload)

    def publish(self, topic: str, payload: str, *, retain: bool = False) -> None:
        """Publish and wait until the broker has it."""
        self._client.publish(topic, payload, 1, retain).wait_for_publish(10)

    def value(self, port: str, name: str) -> str:
        """The newest value of a port's property; empty if none."""
        return self.latest.get(f"homie/5/{device(port)}/port/{name}", b"").decode()

    def alert(self, port: str, code: str = "fuse-trip") -> str:
        """The newest alert of that code; empty if none or taken away."""
        return self.latest.get(f"homie/5/{device(port)}/$alert/{code}", b"").decode()

    def alerts(self, port: str, code: str = "fuse-trip") -> list[str]:
        """All that was told of it, in order."""
        topic = f"homie/5/{device(port)}/$alert/{code}"
        return [payload.decode() for _, heard, payload, _ in [*self.heard] if heard == topic]

    def alert_of(self, box: str, code: str) -> str:
        """The newest alert of a controller; empty if none or taken away."""
        return self.latest.get(f"homie/5/{SITE}-{box}/$alert/{code}", b"").decode()

    @property
    def state(self) -> str:
        """The root device's state."""
        return self.latest.get(f"homie/5/{SITE}/$state", b"").decode()

    def close(self) -> None:
        """Leave."""
        self._client.disconnect()
        self._client.loop_stop()


class Yard:
    """The simulated controllers as a process of their own."""

    def __init__(
        self, folder: Path, seed: int, spec: Mapping[str, Any] | None = None, speed: float = 1.0
    ) -> None:
        file = folder / "yard.yaml"
        file.write_text(json.dumps(spec or site_spec()))
        self.log = folder / "yard.log"
        with self.log.open("wb") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "bridge.simulator", str(file), "--seed", str(seed),
                 "--speed", str(speed)],
                stdout=subprocess.PIPE, stderr=log, cwd=folder,
            )  # fmt: skip
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        assert line, self.log.read_text()
        self.addresses = json.loads(line)

    def tell(self, what: str, **asked: object) -> None:
        """POST to the control endpoint."""
        request = urllib.request.Request(
            f"{self.addresses['control']}/{what}",
            json.dumps(asked).encode(),
            {"Content-Type": "application/json"},
        )
        with urllib.request.urlopen(request, timeout=10) as answer:
            answer.read()

    def get(self, what: str) -> Any:
        """GET from the control endpoint."""
        with urllib.request.urlopen(f"{self.addresses['control']}/{what}", timeout=10) as answer:
            return json.load(answer)

    def powered(self) -> set[str]:
        """The ports that really have power now."""
        return {port for port, truth in self.get("truth").items() if truth["power"]}

    def stop(self) -> None:
        """End it."""
        self._process.terminate()
        self._process.wait(10)
        if self._process.stdout is not None:
            self._process.stdout.close()


@dataclass
class Night:
    """Spans in which power is wanted [monotonic s], and stretches in which nobody could keep the promise."""

    spans: list[tuple[float, float]]
    lead_s: float = 0.0
    run_on_s: float = 0.0
    blind: list[tuple[float, float]] = field(default_factory=list)


class Rig:
    """Everything together. Use as a context manager; `judge` at the end."""

    def __init__(
        self,
        folder: Path,
        *,
        seed: int,
        broker_lines: Sequence[str] = (),
        anonymous: bool = True,
        relay: bool = False,
    ) -> None:
        self.folder = folder
        self.seed = seed
        self.rng = Random(seed)
        self.state_dir = folder / "state"
        self.config = folder / "yard-config.yaml"
        self.log = folder / "duskward.log"
        self.night = Night([])
        self.rss_mb = 0.0
        self.process: subprocess.Popen[bytes] | None = None
        self.broker = PrivateBroker(folder, broker_lines, anonymous=anonymous)
        self.relay = Relay((LOOPBACK, self.broker.port)) if relay else None
        self.recorder = Recorder(self.broker.port) if anonymous else None
        self._offsets: tuple[tuple[float, float], ...] = ()
        self.yard = Yard(folder, seed)

    # ------------------------------------------------------------ the night

    def plan_night(
        self, *spans: tuple[float, float], broker: Mapping[str, Any] | None = None, **site: object
    ) -> None:
        """Write the configuration: shows at these seconds after the first start, in whole seconds."""
        self._offsets = spans
        document = {
            "site": {
                "id": SITE, "name": "Slate Yard", "timezone": "Etc/UTC", "latitude": 52.0, "longitude": -8.0,
                "require_synchronised_clock": False, "state_dir": str(self.state_dir),
                "command_gap": "1 s", **site,
            },
            "broker": {"host": LOOPBACK, "port": self.relay.port if self.relay else self.broker.port,
                       **(broker or {})},
            "measurements": {"interval": "0.2 s", "heartbeat": "2 s"},
            "controllers": {
                box: {
                    "reach": reach_of(shape, self.yard.addresses["controllers"][box])
                    | {"every": "0.2 s", "slow_every": "0.4 s", "timeout": "1 s"},
                    "every_port": {"chip": "ws2811-12v", "brightness": "50 %"},
                    "ports": {n: {"name": f"{box} {n}", "rating": "4 A", "pixels": 50} for n in (1, 2)},
                }
                for box, shape in BOXES.items()
            },
            "shows": [],
        }  # fmt: skip
        self.config.write_text(yaml.safe_dump(document, sort_keys=False))

    def _begin_night(self) -> None:
        """Now that the process runs, however long that took: the shows, by a reload."""
        document = yaml.safe_load(self.config.read_text())
        now = SystemClock().now()
        base = int(now.utc.timestamp()) + 1
        offset_s = now.utc.timestamp() - now.monotonic_s
        windows = [{"from": _clock(base + a), "to": _clock(base + b)} for a, b in self._offsets]
        document["shows"] = [{"name": "Yard lights", "when": windows, "needs": ["eave/*", "mast/*"]}]
        text = yaml.safe_dump(document, sort_keys=False)
        self.config.write_text(text)
        site_plan = plan(parse(text, folder=self.folder))
        self.night.lead_s = lead_s(site_plan, site_plan.shows[0])
        self.night.spans += [(base + a - offset_s, base + b - offset_s) for a, b in self._offsets]
        self._offsets = ()
        assert self.process is not None
        self.process.send_signal(signal.SIGHUP)
        wait_for(lambda: self.events("configuration.adopted") or self._ended(), 10, what="the night's plan")

    def at(self, which: int, *, end: bool = False, plus_s: float = 0.0) -> None:
        """Sleep until a span begins or ends."""
        time.sleep(max(0.0, self.night.spans[which][1 if end else 0] + plus_s - time.monotonic()))

    @staticmethod
    def now_s() -> float:
        """The machine's monotonic second, shared by all processes."""
        return time.monotonic()

    # ------------------------------------------------------------ duskward

    def start(
        self, *, limited: Sequence[str] = (), program: Sequence[str] = (), wait: bool = True, **environ: str
    ) -> None:
        """Start `duskward run`; wait until it answers for its status.

        limited: a command to run it by, such as ``prlimit --nofile=40``; program: what to run instead.
        """
        run = program or [sys.executable, "-m", "bridge.cli", "run", str(self.config), "--json-logs"]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [*limited, *run], stdout=log, stderr=log, stdin=subprocess.DEVNULL, cwd=self.folder,
                env={**os.environ, **environ},
            )  # fmt: skip
        if wait:
            wait_for(
                lambda: self.status() or self._ended(), 30, what=f"a status; log: {self.log_text()[-2000:]}"
            )
        if self._offsets:
            self._begin_night()

    def _ended(self) -> bool:
        assert self.process is not None
        if self.process.poll() is not None:
            raise AssertionError(f"duskward ended with {self.process.returncode}: {self.log_text()[-3000:]}")
        return False

    def kill(self) -> float:
        """End it as a power cut does; when."""
        assert self.process is not None
        self.note_rss()
        self.process.kill()
        self.process.wait(10)
        return time.monotonic()

    def terminate(self, limit_s: float = 10.0) -> tuple[int, float]:
        """Ask it to end: exit code, and how long it took [s]."""
        assert self.process is not None
        self.note_rss()
        started_s = time.monotonic()
        self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(limit_s)
        return code, time.monotonic() - started_s

    def crash(self, *, down_s: float = 0.0) -> None:
        """Die by kill -9, be away, start again; nobody could keep promises meanwhile."""
        died_s = self.kill()
        time.sleep(down_s)
        self.start()
        self.night.blind.append((died_s, time.monotonic()))

    def status(self) -> dict[str, Any] | None:
        """What the running process says of itself through its own socket; None if it doesn't."""
        from bridge import control
        from bridge.errors import DuskwardError

        try:
            answer = asyncio.run(control.ask(self.state_dir, {"verb": "status"}))
        except (DuskwardError, OSError, ValueError):
            return None
        status = answer.get("status")
        return status if isinstance(status, dict) and status.get("ports") else None

    def ask(self, verb: str, target: str, argument: str = "") -> dict[str, Any]:
        """Ask the running process through its socket."""
        from bridge import control

        return asyncio.run(
            control.ask(self.state_dir, {"verb": verb, "target": target, "argument": argument})
        )

    def note_rss(self) -> None:
        """Remember the most memory the process ever took."""
        assert self.process is not None
        try:
            text = Path(f"/proc/{self.process.pid}/status").read_text()
        except OSError:
            return
        for line in text.splitlines():
            if line.startswith("VmHWM:"):
                self.rss_mb = max(self.rss_mb, int(line.split()[1]) / 1024)

    def rss_now_mb(self) -> float:
        """Memory of the process now [MB]."""
        assert self.process is not None
        pages = int(Path(f"/proc/{self.process.pid}/statm").read_text().split()[1])
        return round(pages * os.sysconf("SC_PAGE_SIZE") / 2**20, 1)

    def open_files(self) -> int:
        """How many descriptors the process holds."""
        assert self.process is not None
        return sum(1 for _ in Path(f"/proc/{self.process.pid}/fd").iterdir())

    def log_text(self) -> str:
        """All it wrote."""
        return self.log.read_text() if self.log.exists() else ""

    def events(self, name: str) -> list[dict[str, Any]]:
        """Its log events of one name."""
        found = [json.loads(line) for line in self.log_text().splitlines() if f'"{name}"' in line]
        return [event for event in found if event.get("event") == name]

    # ------------------------------------------------------------ waiting and judging

    def wait_lit(self, ports: Sequence[str] = PORTS, limit_s: float = 10.0) -> float:
        """Wait until these ports, and only these, really have power; when."""
        wait_for(lambda: self.yard.powered() == set(ports), limit_s,
                 what=f"power on {ports}; log: {self.log_text()[-3000:]}")  # fmt: skip
        return time.monotonic()

    def wait_dark(self, limit_s: float = 10.0) -> float:
        """Wait until nothing has power; when."""
        return self.wait_lit((), limit_s)

    def end_show(self) -> None:
        """Somebody ends the show; everything goes dark."""
        assert self.ask("start-show", "", "end")["accepted"]
        self.wait_dark()

    def power_intervals(self) -> Iterator[tuple[str, float, float]]:
        """Port, from, to [monotonic s] of every stretch of real power."""
        history = self.yard.get("history")
        since: dict[str, float] = {}
        for change in history["power"]:
            port = change["port"]
            if change["power"]:
                since.setdefault(port, change["at_s"])
            elif port in since:
                yield port, since.pop(port), change["at_s"]
        for port, from_s in since.items():
            yield port, from_s, history["now_s"]

    def judge(self, *, bound_s: float = OFF_BOUND_S, one_counter: bool = True) -> None:
        """Every promise, from what others saw. `bound_s`: how late an OFF may be, also after blindness.

        one_counter: energy was told by one process (two that share topics tell two counters).
        """
        self.note_rss()
        outside = self.powered_outside(bound_s)
        assert not outside, f"power outside: {outside}; {self.night}; {self.log_text()[-3000:]}"
        early = self.ordered_outside()
        assert not early, f"switched on outside its spans: {early}; spans {self.night}"
        assert self.rss_mb < RSS_BOUND_MB
        if self.recorder is not None:
            assert not (one_counter and self.falls()), f"energy fell: {self.falls()}"
            for port in {c["port"] for c in self.yard.get("history")["power"] if c["cause"] == "trip"}:
                assert any(
                    topic == f"homie/5/{device(port)}/$alert/fuse-trip" and payload
                    for _, topic, payload, _ in self.recorder.heard
                ), f"nobody was told of the trip of {port}"

    def allowed(self, bound_s: float) -> list[tuple[float, float]]:
        """When power may be on [monotonic s]."""
        night = self.night
        return [(a - night.lead_s - 1.0, b + night.run_on_s + bound_s) for a, b in night.spans] + [
            (a, b + bound_s) for a, b in night.blind
        ]

    def powered_outside(self, bound_s: float) -> list[tuple[str, float, float]]:
        """Stretches of power outside spans and excuses: port, from, to."""
        found = []
        for port, from_s, to_s in self.power_intervals():
            at_s = from_s
            for begin_s, end_s in sorted(self.allowed(bound_s)):
                if begin_s <= at_s < end_s:
                    at_s = end_s
            if at_s < to_s:
                found.append((port, round(from_s, 2), round(to_s, 2)))
        return found

    def ordered_outside(self) -> list[tuple[str, float]]:
        """ONs given outside every span; blindness is no excuse for an ON."""
        night = self.night
        return [
            (order["port"], round(order["at_s"], 2))
            for order in self.yard.get("history")["orders"]
            if order["power"]
            and not any(
                a - night.lead_s - 1.0 <= order["at_s"] <= b + night.run_on_s + 0.5 for a, b in night.spans
            )
        ]

    def falls(self) -> list[tuple[str, float, float]]:
        """Every place where an energy counter fell: topic, before, after."""
        assert self.recorder is not None
        found, before = [], dict[str, float]()
        for _, topic, payload, _ in self.recorder.heard:
            if topic.endswith("/energy") and payload:
                value = float(payload)
                if value < before.get(topic, 0.0):
                    found.append((topic, before[topic], value))
                before[topic] = value
        return found

    def stale(self) -> list[tuple[str, object, object]]:
        """Values the broker holds that are not what the process last said: port/name, broker's, process's."""
        assert self.recorder is not None
        status = self.status()
        assert status is not None
        found: list[tuple[str, object, object]] = []
        for port, told in status["ports"].items():
            for name in ("power", "mode", "hold-state", "fault", "alarm", "reason"):
                held = self.recorder.value(port, name)
                said = told.get(name)
                text = str(said).lower() if isinstance(said, bool) else str(said)
                if name in told and held != text:
                    found.append((f"{port}/{name}", held, text))
        return found

    def wait_agreed(self, limit_s: float = 10.0) -> None:
        """Wait until the broker holds what the process last said, and it is the truth about power."""

        def agreed() -> bool:
            powered = self.yard.powered()
            assert self.recorder is not None
            truth = all((self.recorder.value(port, "power") == "true") is (port in powered) for port in PORTS)
            return truth and not self.stale() and self.recorder.state == "ready"

        try:
            wait_for(agreed, limit_s)
        except AssertionError:
            raise AssertionError(
                f"not agreed: {self.stale()}, truth {self.yard.powered()}, "
                f"{self.recorder and self.recorder.state}; {self.log_text()[-3000:]}"
            ) from None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait(10)
        if self.recorder is not None:
            self.recorder.close()
        self.yard.stop()
        if self.relay is not None:
            self.relay.close()
        self.broker.kill()


def _clock(epoch_s: float) -> str:
    return datetime.fromtimestamp(epoch_s, UTC).strftime("%H:%M:%S")


@contextmanager
def site(folder: Path, **how: Any) -> Iterator[Rig]:
    """A rig with a seed of its own; a failure says it."""
    with Rig(folder, seed=seed_of_run(), **how) as rig:
        try:
            yield rig
        except BaseException as error:
            error.add_note(f"again with: DUSKWARD_FAILURE_SEED={rig.seed}")
            raise
