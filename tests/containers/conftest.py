"""Containers: an engine, a network with a broker and a simulated site on it, and duskward's own image.

Where no engine answers these tests are skipped, and say so; with ``DUSKWARD_TEST_CONTAINERS=required`` they
fail instead. ``DUSKWARD_IMAGE`` names the image under test; ``.ci/docker`` makes it and starts an engine.
"""

import os
import subprocess
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from container_rig import CONFIG, CONFINED, Running, engine, missing
from support import LOOPBACK, BrokerAddress, free_port, listening, wait_for


@pytest.fixture(scope="session")
def docker_engine() -> None:
    """An engine that answers; skips the test where there is none."""
    if not engine():
        missing("no Docker engine answers: start one, or run the tests with .ci/docker")
    # The reaper is a second image; what is started is ended by the fixtures instead.
    os.environ.setdefault("TESTCONTAINERS_RYUK_DISABLED", "true")


@pytest.fixture(scope="session")
def broker_image(docker_engine: None) -> str:
    """The broker's image; pulled where it is not there and can be had."""
    image = os.environ.get("DUSKWARD_TEST_MOSQUITTO_IMAGE", "eclipse-mosquitto:2")
    for words in (["image", "inspect", image], ["pull", "-q", image]):
        if subprocess.run(["docker", *words], capture_output=True, check=False, timeout=100).returncode == 0:
            return image
    return missing(f"the image {image} can't be had; name another in DUSKWARD_TEST_MOSQUITTO_IMAGE")


@pytest.fixture(scope="session")
def image(docker_engine: None) -> str:
    """The image under test."""
    named = os.environ.get("DUSKWARD_IMAGE", "")
    return named or missing("DUSKWARD_IMAGE names no image: run the tests with .ci/docker, which builds it")


@pytest.fixture
def broker_container(broker_image: str) -> Iterator[tuple[object, BrokerAddress]]:
    """A broker in a container, on a port that stays when it is started again; and its address."""
    with _broker(broker_image) as container:
        yield container, _address(container)


@pytest.fixture(scope="session")
def yard(image: str, broker_image: str) -> Iterator[tuple[object, BrokerAddress]]:
    """A network with a broker (``broker``) and a simulated site (``site``); and the broker's address."""
    from testcontainers.core.container import DockerContainer
    from testcontainers.core.network import Network

    with ExitStack() as stack:
        network = stack.enter_context(Network())
        broker = _broker(broker_image).with_network(network).with_network_aliases("broker")
        stack.enter_context(broker)
        stack.enter_context(
            DockerContainer(image)
            .with_network(network)
            .with_network_aliases("site")
            .with_command("--listen 0.0.0.0 --ports-from 8080")
            .with_kwargs(entrypoint=["python", "-m", "bridge.simulator"], **CONFINED)
        )
        yield network, _address(broker)


def _broker(image: str):
    from testcontainers.core.container import DockerContainer

    container = DockerContainer(image).with_volume_mapping(
        str(CONFIG / "mosquitto.conf"), "/mosquitto/config/mosquitto.conf", "ro"
    )
    # On loopback alone: it lets everybody in. with_bind_ports has no word for the address.
    container.ports["1883"] = (LOOPBACK, free_port())
    return container


def _address(container) -> BrokerAddress:
    host, port = container.get_container_host_ip(), int(container.get_exposed_port(1883))
    wait_for(lambda: listening(host, port), limit_s=30, what="the broker's container")
    return BrokerAddress(host, port, "mosquitto in a container")


@pytest.fixture
def start(
    yard: tuple[object, BrokerAddress], image: str, site_id: str, tmp_path: Path
) -> Iterator[Callable[..., Running]]:
    """Start duskward for a site of the test's own, confined as docker/compose.yaml does it: ``start()``."""
    network, _ = yard
    folder = tmp_path / "config"
    folder.mkdir(mode=0o755)
    text = (CONFIG / "duskward.yaml").read_text("utf-8")
    assert "id: quarry-lane\n" in text
    (folder / "duskward.yaml").write_text(text.replace("id: quarry-lane\n", f"id: {site_id}\n"), "utf-8")
    with ExitStack() as stack:

        def start_one(state: str = "") -> Running:
            running = Running(image, network, folder, state)
            stack.callback(running.remove)
            return running

        yield start_one
