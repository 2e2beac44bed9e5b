"""From the start of the process to the first retained state of a port, with the demo's site.

    python tests/benchmarks/first_state.py --runs 7

Simulated controllers on loopback, mosquitto, each start with an empty state folder. CPU time is the
process's own up to that moment; the least of several runs says what the program needs, the median what a
busy machine makes of it. `python -c pass` is the yardstick.
"""

import argparse
import asyncio
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from path_rig import LOOPBACK, PrivateBroker, cpu_s, load, mqtt, process, wait_for

from bridge.simulator.scenarios import demo_config, demo_site
from bridge.simulator.site import SimulatedSite


class Yard:
    """The demo's simulated controllers in a thread of their own, and a broker."""

    def __init__(self, folder: Path) -> None:
        self.broker = PrivateBroker(folder, ["log_type none"])
        self._ready = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(
            target=self._loop.run_until_complete, args=(self._serve(),), daemon=True
        )
        self._thread.start()
        self._ready.wait(10)

    async def _serve(self) -> None:
        self._done = asyncio.Event()
        async with SimulatedSite(demo_site(), seed=1).serve() as addresses:
            self.urls = addresses.controllers
            self._ready.set()
            await self._done.wait()

    def close(self) -> None:
        """End both."""
        self._loop.call_soon_threadsafe(self._done.set)
        self._thread.join(10)
        self.broker.kill()


def first_state(folder: Path) -> tuple[float, float]:
    """Wall and CPU time [s] until somebody else has the first retained power of a port."""
    yard = Yard(folder)
    heard: list[tuple[float, str]] = []
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    subscribed = threading.Event()
    client.on_subscribe = lambda *_: subscribed.set()
    client.on_connect = lambda c, *_: c.subscribe("homie/5/+/port/power", 1)
    client.on_message = lambda _c, _d, message: heard.append((time.monotonic(), message.topic))
    client.connect(LOOPBACK, yard.broker.port)
    client.loop_start()
    subscribed.wait(10)
    file = folder / "duskward.yaml"
    file.write_text(demo_config(yard.urls, yard.broker.port, state_dir=str(folder / "state")))
    arguments = ["-m", "bridge.cli", "run", str(file), "--json-logs", "--log-level", "warning"]
    try:
        started_s = time.monotonic()
        with process(arguments, folder / "duskward.log") as started:
            wait_for(lambda: heard, 30, what="a port's state")
            spent_s = cpu_s(started.pid)
        return heard[0][0] - started_s, spent_s
    finally:
        client.disconnect()
        client.loop_stop()
        yard.close()


def empty_python_s() -> float:
    """CPU time of a Python that does nothing, the least of five [s]."""
    took = []
    for _ in range(5):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, "-c", "pass"], check=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        took.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return min(took)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--runs", type=int, default=7)
    arguments = parser.parse_args()
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # an installed program has its compiled files beside it
    took = []
    for _ in range(arguments.runs + 1):
        with tempfile.TemporaryDirectory(prefix="bench-") as folder:
            took.append(first_state(Path(folder)))
    walls, cpus = zip(*took[1:], strict=True)  # the first one compiles
    ratio = min(cpus) / empty_python_s()
    print(
        f"first port state: wall {min(walls):.2f} / {statistics.median(walls):.2f} s, "
        f"CPU {min(cpus):.2f} / {statistics.median(cpus):.2f} s (least / median of {arguments.runs}), "
        f"{ratio:.0f} times the CPU of python -c pass; {load()}"
    )


if __name__ == "__main__":
    main()
