"""What the container tests share: is there an engine, and duskward's container in a test's hand."""

import os
import subprocess
from pathlib import Path
from typing import Any, NoReturn

import pytest
from support import wait_for

CONFIG = Path(__file__).parents[2] / "docker"
"""What the trial in docker/compose.yaml mounts."""
CONFINED = {"read_only": True, "cap_drop": ["ALL"], "security_opt": ["no-new-privileges:true"]}
"""How docker/compose.yaml confines its services."""
SECOND_NS = 1_000_000_000


def engine() -> bool:
    """Whether a Docker engine answers within seconds."""
    try:
        words = ["docker", "version", "--format", "{{.Server.Version}}"]
        return subprocess.run(words, capture_output=True, check=False, timeout=10).returncode == 0
    except (OSError, subprocess.TimeoutExpired):
        return False


def missing(what: str) -> NoReturn:
    """Skip, or fail where container tests are required."""
    if os.environ.get("DUSKWARD_TEST_CONTAINERS") == "required":
        pytest.fail(f"container tests are required, but {what}")
    pytest.skip(what)


class Running:
    """duskward in a container of its own. `state`: name of its volume; "": one without a name."""

    def __init__(self, image: str, network: Any, config: Path, state: str = "") -> None:
        from testcontainers.core.container import DockerContainer

        # Asked every second, so that a test sees the health change; the image asks every 30 s.
        often = {"interval": SECOND_NS, "timeout": 3 * SECOND_NS, "retries": 2, "start_period": SECOND_NS}
        self._container = (
            DockerContainer(image)
            .with_network(network)
            .with_volume_mapping(str(config), "/etc/duskward", "ro")
            .with_kwargs(healthcheck=often, **CONFINED)
        )
        if state:
            self._container.with_volume_mapping(state, "/var/lib/duskward", "rw")
        self._removed = False
        self._container.start()
        self.docker = self._container.get_wrapped_container()

    def inspect(self) -> dict[str, Any]:
        """What the engine says about it now."""
        self.docker.reload()
        return self.docker.attrs

    def run(self, *words: str) -> tuple[int, str]:
        """Run a command inside: exit code and what it printed."""
        code, printed = self.docker.exec_run(list(words))
        return code, printed.decode()

    @property
    def log(self) -> str:
        """What it wrote so far."""
        return self.docker.logs().decode()

    def wait_health(self, wanted: str) -> None:
        """Wait until the engine calls it `wanted`."""
        wait_for(lambda: self.inspect()["State"]["Health"]["Status"] == wanted, 60, f"health {wanted!r}")

    def stop(self) -> None:
        """Stop it as ``docker stop`` does, with its usual grace before the kill."""
        self.docker.stop(timeout=10)

    def remove(self) -> None:
        """Remove it with its unnamed volumes, running or not; once removed it stays so."""
        if not self._removed:
            self._removed = True
            self._container.stop()
