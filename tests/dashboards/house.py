"""A whole house of real processes: broker, simulated controllers, duskward, and ways to hurt them."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib import request

from support import LOOPBACK, PrivateBroker, wait_for

from bridge.simulator.scenarios import demo_config

SITE = "quarry-lane"


class House:
    """The demo's site on a broker. `truth` is what the simulator knows, whatever anybody says.

    more: lines for the ``broker:`` mapping of duskward's configuration, in flow style.
    """

    def __init__(self, folder: Path, broker: PrivateBroker, more: str = "") -> None:
        self.folder = folder
        self.broker = broker
        self._duskward: subprocess.Popen[bytes] | None = None
        self._log = folder / "duskward.log"
        with (folder / "simulator.log").open("wb") as log:
            self._simulator = subprocess.Popen(
                [sys.executable, "-m", "bridge.simulator", "--seed", "7"], stdout=subprocess.PIPE, stderr=log
            )
        assert self._simulator.stdout is not None
        self.addresses = json.loads(self._simulator.stdout.readline())
        text = demo_config(
            self.addresses["controllers"], broker.port, every="0.25 s", state_dir=str(folder / "state")
        )
        # Tests come in any order: what one held, the next may switch on at once.
        text = text.replace("site:\n", "site:\n  release_delay: 0 s\n", 1)
        self.config = folder / "duskward.yaml"
        plain = f"broker: {{host: {LOOPBACK}, port: {broker.port}}}"
        assert plain in text
        self.config.write_text(text.replace(plain, f"{plain[:-1]}{more}}}"))

    # ------------------------------------------------------------ the simulated controllers

    def tell(self, what: str, **asked: object) -> None:
        """Tell the simulator, for example of a `fault`."""
        body = json.dumps(asked).encode()
        headers = {"Content-Type": "application/json"}
        with request.urlopen(
            request.Request(f"{self.addresses['control']}/{what}", body, headers), timeout=10
        ) as answer:
            answer.read()

    def truth(self, port: str) -> Mapping[str, Any]:
        """What is true of a port."""
        with request.urlopen(f"{self.addresses['control']}/truth", timeout=10) as answer:
            return json.load(answer)[port]

    def wait_power(self, port: str, power: bool, limit_s: float = 15.0) -> None:
        """Wait until a port really has power, or has none."""
        wait_for(lambda: self.truth(port)["power"] is power, limit_s, f"power {power} on {port}")

    # ------------------------------------------------------------ duskward

    def start(self) -> None:
        """Start duskward."""
        with self._log.open("ab") as log:
            self._duskward = subprocess.Popen(
                [sys.executable, "-m", "bridge.cli", "run", str(self.config), "--json-logs"],
                stdout=log,
                stderr=log,
                env={**os.environ, "XDG_STATE_HOME": str(self.folder)},
            )

    def kill(self) -> None:
        """End duskward as kill -9 does: the broker must tell."""
        assert self._duskward is not None
        self._duskward.send_signal(signal.SIGKILL)
        self._duskward.wait(10)
        self._duskward = None

    @property
    def log(self) -> str:
        """What duskward wrote."""
        return self._log.read_text()

    def close(self) -> None:
        """End everything this house started."""
        if self._duskward is not None:
            self._duskward.terminate()
            self._duskward.wait(20)
        self._simulator.terminate()
        self._simulator.wait(10)
        if self._simulator.stdout is not None:
            self._simulator.stdout.close()
