"""Fixtures of the whole suite: a real MQTT broker, names of each test's own, and nothing left behind.

The broker is the first that can be had of: the one `DUSKWARD_TEST_BROKER=host:port` names, a container
(`DUSKWARD_TEST_MOSQUITTO_IMAGE`, default ``eclipse-mosquitto:2``), a mosquitto program, the embedded one.
The end of the test log says which.
"""

import importlib.metadata
import os
import subprocess
import threading
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path

import pytest
from hypothesis import settings
from support import (
    LOOPBACK,
    BrokerAddress,
    Observer,
    PrivateBroker,
    free_port,
    listening,
    mosquitto_program,
    mosquitto_version,
    run_async,
    wait_for,
)

# Speed is measured by the benchmarks as a ratio, never asserted as a time: the machine may be busy.
settings.register_profile("duskward", deadline=None, print_blob=True)
settings.load_profile("duskward")

_ENGINE_LIMIT_S = 5
_PULL_LIMIT_S = 60

_notes = pytest.StashKey[list[str]]()


def pytest_configure(config: pytest.Config) -> None:
    """A place for what the end of the log shall say."""
    config.stash[_notes] = []


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Say which broker the tests talked to, and why not a better one."""
    for note in config.stash[_notes]:
        terminalreporter.write_line(note)


@pytest.fixture(scope="session")
def broker(pytestconfig: pytest.Config, tmp_path_factory: pytest.TempPathFactory) -> Iterator[BrokerAddress]:
    """A real MQTT 3.1.1 broker, shared: use topics of the test's own (`site_id`)."""
    notes = pytestconfig.stash[_notes]
    with ExitStack() as stack:
        address = (
            _broker_from_environment()
            or _broker_in_container(stack, notes, tmp_path_factory.mktemp("container"))
            or _broker_program(stack, tmp_path_factory.mktemp("mosquitto"))
            or _broker_embedded(stack)
        )
        notes.append(f"broker: {address}")
        yield address


def _broker_from_environment() -> BrokerAddress | None:
    named = os.environ.get("DUSKWARD_TEST_BROKER")
    if not named:
        return None
    host, _, port = named.rpartition(":")
    if not host or not port.isdecimal():
        pytest.exit(f"DUSKWARD_TEST_BROKER={named!r}: give host:port, for example 127.0.0.1:1883", 2)
    if not listening(host, int(port)):
        pytest.exit(f"DUSKWARD_TEST_BROKER={named!r}: nothing listens there", 2)
    return BrokerAddress(host, int(port), "the broker named in DUSKWARD_TEST_BROKER")


def container_engine() -> bool:
    """Whether a Docker engine answers within seconds."""
    try:
        asked = subprocess.run(
            ["docker", "version", "--format", "{{.Server.Version}}"],
            capture_output=True, check=False, timeout=_ENGINE_LIMIT_S,
        )  # fmt: skip
    except (OSError, subprocess.TimeoutExpired):
        return False
    return asked.returncode == 0


def _broker_in_container(stack: ExitStack, notes: list[str], folder: Path) -> BrokerAddress | None:
    if not container_engine():
        return None
    image = os.environ.get("DUSKWARD_TEST_MOSQUITTO_IMAGE", "eclipse-mosquitto:2")
    try:
        subprocess.run(["docker", "image", "inspect", image], capture_output=True, check=True, timeout=10)
    except (subprocess.CalledProcessError, subprocess.TimeoutExpired):
        try:
            subprocess.run(
                ["docker", "pull", "-q", image], capture_output=True, check=True, timeout=_PULL_LIMIT_S
            )
        except (subprocess.CalledProcessError, subprocess.TimeoutExpired) as error:
            notes.append(
                f"broker: image {image} could not be pulled ({type(error).__name__}), looking further"
            )
            return None
    # The reaper is a second image; the container is stopped by the exit stack instead.
    os.environ.setdefault("TESTCONTAINERS_RYUK_DISABLED", "true")
    from testcontainers.core.container import DockerContainer

    config = folder / "mosquitto.conf"
    config.write_text("listener 1883\nallow_anonymous true\nmax_queued_messages 0\n")
    folder.chmod(0o755)
    container = (
        DockerContainer(image)
        .with_exposed_ports(1883)
        .with_volume_mapping(str(folder), "/mosquitto/config", "ro")
    )
    stack.enter_context(container)
    host, port = container.get_container_host_ip(), int(container.get_exposed_port(1883))
    wait_for(lambda: listening(host, port), limit_s=30, what=f"the container of {image}")
    return BrokerAddress(host, port, f"{image} in a container")


def _broker_program(stack: ExitStack, folder: Path) -> BrokerAddress | None:
    program = mosquitto_program()
    if program is None:
        return None
    private = PrivateBroker(folder)
    stack.callback(private.stop)
    return BrokerAddress(private.host, private.port, f"mosquitto {mosquitto_version(program)}")


def _broker_embedded(stack: ExitStack) -> BrokerAddress:
    from iotcore import Broker

    port = free_port()
    stack.enter_context(Broker(port=port, listen=LOOPBACK))
    wait_for(lambda: listening(LOOPBACK, port), what="the embedded broker")
    return BrokerAddress(LOOPBACK, port, f"iotcore {importlib.metadata.version('iotcore')} (embedded)")


@pytest.fixture(scope="session")
def embedded_broker() -> Iterator[BrokerAddress]:
    """The broker the demo brings along, whatever else is installed."""
    with ExitStack() as stack:
        yield _broker_embedded(stack)


@pytest.fixture
def start_mosquitto(tmp_path: Path) -> Iterator[Callable[..., PrivateBroker]]:
    """Start a mosquitto the test may kill and restart: ``start_mosquitto("persistence true", …)``."""
    if mosquitto_program() is None:
        pytest.skip("needs a mosquitto program (it is killed and restarted): install mosquitto")
    started: list[PrivateBroker] = []

    def start(*lines: str, anonymous: bool = True) -> PrivateBroker:
        private = PrivateBroker(tmp_path, lines, anonymous=anonymous)
        started.append(private)
        return private

    yield start
    for private in started:
        private.kill()


@pytest.fixture
def observe(broker: BrokerAddress) -> Iterator[Callable[..., Observer]]:
    """Watch the shared broker with an independent client: ``observe("homie/5/#")``."""
    with ExitStack() as stack:

        def start(*filters: str, at: BrokerAddress | PrivateBroker = broker) -> Observer:
            observer = Observer(at.host, at.port, *filters)
            stack.callback(observer.close)
            return observer

        yield start


@pytest.fixture
def site_id(request: pytest.FixtureRequest) -> str:
    """A site id no other test of this or a parallel run uses."""
    return f"t-{zlib.crc32(request.node.nodeid.encode()):08x}-{os.getpid()}"


@pytest.fixture(name="run_async")
def run_async_fixture() -> Callable[..., object]:
    """`support.run_async` for tests that rather take it as a fixture."""
    return run_async


def _threads(known: Sequence[threading.Thread] = ()) -> list[threading.Thread]:
    return [thread for thread in threading.enumerate() if thread not in known and thread.is_alive()]


@pytest.fixture(autouse=True)
def _no_thread_left() -> Iterator[None]:
    """Fail a test that leaves a thread running."""
    before = _threads()
    yield
    wait_for(lambda: not _threads(before), limit_s=5, what=f"the end of threads {_threads(before)}")
