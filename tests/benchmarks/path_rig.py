"""What the benchmarks of the whole path share: real processes, their CPU time and memory, the broker's count.

CPU time (user and system, all threads, from the kernel's own account) instead of wall time: the machine may
be busy with other work.
"""

import json
import os
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as mqtt

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from support import LOOPBACK, PrivateBroker, free_port, listening, wait_for  # noqa: E402 - a script's path

SITE = "bench"
_TICKS_HZ = os.sysconf("SC_CLK_TCK")
_RECEIVED = "$SYS/broker/messages/received"
"""All packets: the broker's count of PUBLISH packets leaves out retained ones (mosquitto 2.0, seen)."""


def load() -> str:
    """How busy the machine is, for the person who reads the figures."""
    one, five, _ = os.getloadavg()
    return f"load {one:.1f} (5 min {five:.1f}) on {os.cpu_count()} cores"


def cpu_s(pid: int) -> float:
    """User and system time of all threads of a process [s]."""
    values = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(values[11]) + int(values[12])) / _TICKS_HZ


def threads_cpu_s(pid: int) -> dict[str, float]:
    """CPU time by thread name [s]."""
    spent: dict[str, float] = {}
    for task in Path(f"/proc/{pid}/task").iterdir():
        name = (task / "comm").read_text().strip()
        ran_ns = int((task / "schedstat").read_text().split()[0])
        spent[f"{name} {task.name}"] = ran_ns / 1e9
    return spent


def rss_mb(pid: int) -> float:
    """Resident memory of a process [MB]."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    raise LookupError("no VmRSS")


def configuration(
    controllers: int,
    ports: int,
    http: int,
    mqtt_port: int,
    state_dir: Path,
    *,
    path: str = "c",
) -> str:
    """A site of `controllers` boxes with `ports` outputs each, which rest with power on."""
    numbers = ", ".join(f"{n}: {{}}" for n in range(1, ports + 1))
    reach = {
        "kind": "http", "every": "1 s", "ports": "outputs[*]", "port": "id", "current": "ma | mA",
        "power": "live", "tripped": "fuse_open",
    }  # fmt: skip
    if path == "s":
        reach["stream"] = "lines"
    boxes = []
    for n in range(controllers):
        url = f"http://{LOOPBACK}:{http}"
        switch = {"method": "POST", "url": f"{url}/output/{n}/{{port}}", "json": {"live": "{power}"}}
        text = json.dumps({**reach, "url": f"{url}/{path}/{n}", "switch": switch})
        boxes += [
            f"  c{n}:",
            f"    reach: {text}",
            "    every_port: {resting: on}",
            f"    ports: {{{numbers}}}",
        ]
    return "\n".join([
        "site:", f"  id: {SITE}", "  name: Bench", "  timezone: Etc/UTC", "  latitude: 0", "  longitude: 0",
        "  require_synchronised_clock: false", f"  state_dir: {json.dumps(str(state_dir))}",
        f"broker: {{host: {LOOPBACK}, port: {mqtt_port}}}",
        "measurements: {interval: 0.5 s}", "controllers:", *boxes, "",
    ])  # fmt: skip


@dataclass
class Counter:
    """The broker's own count of packets (nearly all PUBLISH), with a process's CPU time at that moment."""

    port: int
    pid: int | None = None
    seen: list[tuple[float, int, float]] = field(default_factory=list)
    """Monotonic second, packets received since the broker's start, CPU time [s]."""

    def __post_init__(self) -> None:
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        self._client.on_connect = lambda client, *_: client.subscribe(_RECEIVED)
        self._client.on_message = self._on_message
        self._client.connect(LOOPBACK, self.port)
        self._client.loop_start()

    def _on_message(self, _client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        spent_s = cpu_s(self.pid) if self.pid is not None else 0.0
        self.seen.append((time.monotonic(), int(message.payload), spent_s))

    def newest(self) -> tuple[float, int, float]:
        """The next count that is told: the broker tells it each second while packets come."""
        known = len(self.seen)
        wait_for(lambda: len(self.seen) > known, what="the broker's count")
        return self.seen[known]

    def close(self) -> None:
        """Leave the broker."""
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def process(arguments: Sequence[str], log: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A real process until the end of the block."""
    with log.open("ab") as out:
        started = subprocess.Popen(
            [sys.executable, *arguments],
            stdout=out,
            stderr=out,
            stdin=subprocess.DEVNULL,
            cwd=HERE.parent.parent,
        )
    try:
        yield started
    finally:
        if started.poll() is None:
            started.terminate()
            try:
                started.wait(10)
            except subprocess.TimeoutExpired:
                started.kill()
                started.wait(10)


@dataclass
class Yard:
    """Broker and canned controllers, each a process of its own; `folder` is thrown away at the end."""

    folder: Path
    broker: PrivateBroker
    http: int

    def get(self, path: str, *, post: bool = False) -> bytes:
        """Ask the canned controllers."""
        url = f"http://{LOOPBACK}:{self.http}/{path}"
        with urllib.request.urlopen(url, data=b"" if post else None, timeout=10) as response:
            return bytes(response.read())

    @contextmanager
    def product(
        self, config: str, *wrapper: str, log_level: str = "warning"
    ) -> Iterator[subprocess.Popen[bytes]]:
        """Duskward with this configuration; its log is `duskward.log` in the folder."""
        file = self.folder / "duskward.yaml"
        file.write_text(config)
        how = wrapper or ("-m", "bridge.cli")
        arguments = [*how, "run", str(file), "--json-logs", "--log-level", log_level]
        with process(arguments, self.folder / "duskward.log") as started:
            yield started

    @contextmanager
    def floor(self, controllers: int) -> Iterator[subprocess.Popen[bytes]]:
        """The floor program."""
        places = ["--http", str(self.http), "--mqtt", str(self.broker.port)]
        arguments = [str(HERE / "floor_program.py"), *places, "--controllers", str(controllers)]
        with process(arguments, self.folder / "floor.log") as started:
            yield started


@contextmanager
def yard(ports: int, answers: str) -> Iterator[Yard]:
    """A broker and canned controllers."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="bench-")))
        lines = ["sys_interval 1", "max_inflight_messages 0", "log_type none"]
        broker = PrivateBroker(folder, lines)
        stack.callback(broker.kill)
        http = free_port()
        server = [
            str(HERE / "canned_server.py"),
            "--port",
            str(http),
            "--ports",
            str(ports),
            "--answers",
            answers,
        ]
        stack.enter_context(process(server, folder / "server.log"))
        wait_for(lambda: listening(LOOPBACK, http), what="the canned controllers")
        yield Yard(folder, broker, http)
