"""What tests share: brokers, an independent observer, waiting without luck, running coroutines."""

import asyncio
import getpass
import os
import random
import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Coroutine, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

import paho.mqtt.client as mqtt

from rules.ports import Now

LOOPBACK = "127.0.0.1"

T = TypeVar("T")


def wait_for(predicate: Callable[[], Any], limit_s: float = 10.0, what: str = "the condition") -> Any:
    """Wait until `predicate()` is true and return what it returned; fail after `limit_s` seconds."""
    end = time.monotonic() + limit_s
    while not (found := predicate()):
        if time.monotonic() > end:
            raise AssertionError(f"{what} did not come true within {limit_s} s")
        time.sleep(0.005)
    return found


async def until(predicate: Callable[[], Any], limit_s: float = 10.0, what: str = "the condition") -> Any:
    """`wait_for` inside a coroutine: the event loop goes on meanwhile."""
    end = time.monotonic() + limit_s
    while not (found := predicate()):
        if time.monotonic() > end:
            raise AssertionError(f"{what} did not come true within {limit_s} s")
        await asyncio.sleep(0.005)
    return found


def run_async(coro: Coroutine[Any, Any, T], limit_s: float = 60.0) -> T:
    """Run `coro` in a fresh event loop; fail if it takes longer, or leaves a task behind."""

    async def guarded() -> T:
        before = asyncio.all_tasks()
        result = await asyncio.wait_for(coro, limit_s)
        for _ in range(3):
            await asyncio.sleep(0)  # transports that were closed tell so in the next turns of the loop
        left = [task for task in asyncio.all_tasks() - before if not task.done()]
        if left:
            raise AssertionError(f"tasks left running: {left}")
        return result

    return asyncio.run(guarded())


def free_port() -> int:
    """A TCP port of the loopback interface that was free a moment ago.

    Below those the kernel gives to outgoing connections: from there, one of a neighbour's, or even one's own
    while it waits for a server, would take it.
    """
    first = int(Path("/proc/sys/net/ipv4/ip_local_port_range").read_text().split()[0])
    while True:
        port = random.SystemRandom().randrange(10_000, first)
        with socket.socket() as sock, suppress(OSError):
            sock.bind((LOOPBACK, port))
            return port


def listening(host: str, port: int) -> bool:
    """Whether something accepts connections there."""
    try:
        with socket.create_connection((host, port), timeout=0.5):
            return True
    except OSError:
        return False


class MovedClock:
    """Both clocks of the machine, from `utc` on, which a test moves on instead of waiting."""

    def __init__(self, utc: datetime) -> None:
        self._utc = utc
        self._start_s = time.monotonic()
        self._moved_s = 0.0

    def monotonic_s(self) -> float:
        """Monotonic seconds."""
        return time.monotonic() + self._moved_s

    def now(self) -> Now:
        """The instant, for whoever takes a `bridge.clock.Clock`."""
        monotonic_s = self.monotonic_s()
        return Now(self._utc + timedelta(seconds=monotonic_s - self._start_s), monotonic_s)

    def move(self, seconds: float) -> None:
        """So much time has passed."""
        self._moved_s += seconds

    def move_to(self, utc: datetime) -> None:
        """It is `utc` now."""
        self.move((utc - self.now().utc).total_seconds())


# ---------------------------------------------------------------- brokers


@dataclass(frozen=True)
class BrokerAddress:
    """Where the tests' broker listens and what it is, in words."""

    host: str
    port: int
    name: str

    def __str__(self) -> str:
        """For the person who reads the test log."""
        return f"{self.name} at {self.host}:{self.port}"


def mosquitto_program() -> str | None:
    """The mosquitto program of this machine, or None; `DUSKWARD_TEST_MOSQUITTO=off` hides it."""
    if os.environ.get("DUSKWARD_TEST_MOSQUITTO") == "off":
        return None
    return shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")


def mosquitto_version(program: str) -> str:
    """Its version as it says itself, for example ``2.0.11``."""
    said = subprocess.run([program, "-h"], capture_output=True, text=True, check=False, timeout=10).stdout
    words = said.split()
    return words[words.index("version") + 1] if "version" in words else "of unknown version"


class PrivateBroker:
    """A mosquitto of the test's own: it may be killed, stopped and started again on the same port.

    `lines` are added to its configuration; `anonymous` lets clients in without a name; `queue` is how many
    messages may wait for a client before it lets go the others, 0 for any number.
    Nothing is kept over a restart unless `lines` say so.
    """

    def __init__(
        self, folder: Path, lines: Sequence[str] = (), *, anonymous: bool = True, queue: int = 0
    ) -> None:
        program = mosquitto_program()
        if program is None:
            raise FileNotFoundError("no mosquitto program on this machine")
        self.host, self.port = LOOPBACK, free_port()
        self._program = program
        self._log = folder / f"mosquitto-{self.port}.log"
        self._config = folder / f"mosquitto-{self.port}.conf"
        self._lines = [
            f"listener {self.port} {self.host}",
            f"allow_anonymous {'true' if anonymous else 'false'}",
            # By default 1000, which loses some of many retained topics.
            f"max_queued_messages {queue}",
            # Started by root it would change to a user that cannot read the test's files.
            f"user {getpass.getuser()}",
            "log_type all",
            *lines,
        ]
        self._process: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        """Start it and wait until it listens."""
        self._config.write_text("\n".join(self._lines) + "\n")
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [self._program, "-c", str(self._config)], stdout=log, stderr=log, stdin=subprocess.DEVNULL
            )
        wait_for(
            lambda: listening(self.host, self.port) or self._process.poll() is not None,
            what=f"mosquitto on port {self.port}",
        )
        if self._process.poll() is not None:
            raise AssertionError(f"mosquitto ended at once: {self._log.read_text()}")

    def kill(self) -> None:
        """End it at once, as a power cut does."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(10)
            self._process = None

    def stop(self) -> None:
        """Ask it to end, and wait."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(10)
            self._process = None

    def restart(self, *, kill: bool = True) -> None:
        """End it (killed by default) and start it again on the same port."""
        if kill:
            self.kill()
        else:
            self.stop()
        self.start()

    @property
    def log(self) -> str:
        """What it wrote so far."""
        return self._log.read_text()


# ---------------------------------------------------------------- the independent observer


class Seen(NamedTuple):
    """One message as the observer got it; `retained` is the broker's flag "this is a stored one"."""

    topic: str
    payload: bytes
    retained: bool
    qos: int


class Observer:
    """A second client that shares no code with the product's connection: plain paho, its own thread.

    `messages` is everything in order of arrival, `latest` the newest payload per topic.
    """

    def __init__(self, host: str, port: int, *filters: str, username: str = "", password: str = "") -> None:
        self.messages: list[Seen] = []
        self.latest: dict[str, bytes] = {}
        self._subscribed = 0
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        if username:
            self._client.username_pw_set(username, password)
        self._client.on_message = self._message
        self._client.on_subscribe = self._subscribe_done
        self._client.connect(host, port)
        self._client.loop_start()
        wait_for(self._client.is_connected, what="the observer's connection")
        for one in filters:
            self.subscribe(one)

    def _message(self, _client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage) -> None:
        seen = Seen(message.topic, bytes(message.payload), message.retain, message.qos)
        self.messages.append(seen)
        self.latest[seen.topic] = seen.payload

    def _subscribe_done(self, *_args: object) -> None:
        self._subscribed += 1

    def subscribe(self, topic_filter: str, qos: int = 1) -> None:
        """Subscribe and wait for the broker's answer."""
        before = self._subscribed
        self._client.subscribe(topic_filter, qos)
        wait_for(lambda: self._subscribed > before, what=f"the subscription to {topic_filter}")

    def publish(self, topic: str, payload: bytes | str, *, retain: bool = False, qos: int = 1) -> None:
        """Publish and wait until the broker has it."""
        self._client.publish(topic, payload, qos, retain).wait_for_publish(10)

    def of(self, topic: str) -> list[bytes]:
        """All payloads seen on one topic, in order."""
        return [seen.payload for seen in self.messages if seen.topic == topic]

    def close(self) -> None:
        """Leave the broker and end the thread."""
        self._client.disconnect()
        self._client.loop_stop()


def retained_now(host: str, port: int, topic_filter: str, quiet_s: float = 0.2) -> dict[str, bytes]:
    """What a newcomer finds retained: a fresh client's messages until `quiet_s` passed without one more."""
    observer = Observer(host, port, topic_filter)
    try:
        count, since = -1, time.monotonic()
        while time.monotonic() - since < quiet_s:
            if len(observer.messages) != count:
                count, since = len(observer.messages), time.monotonic()
            time.sleep(0.01)
        return {seen.topic: seen.payload for seen in observer.messages if seen.retained}
    finally:
        observer.close()
