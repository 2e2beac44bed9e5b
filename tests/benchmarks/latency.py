"""From a fuse that opens to the retained alert at a subscriber: how long, at 200 controllers of 16 ports.

    python tests/benchmarks/latency.py --trips 200

Real processes. `polled`: controllers are asked once a second, so on average half a second passes before they
can tell; `pushed`: controllers tell at once on a stream. `own` counts from the answer that told it, which is
what the bridge is to blame for. The aim: at the 99th percentile a poll interval and 50 ms, and 20 ms for
pushed ones, on a machine that is not otherwise busy.
"""

import argparse
import statistics
import threading
import time
from random import Random

from path_rig import LOOPBACK, SITE, configuration, load, mqtt, wait_for, yard

CONTROLLERS, PORTS = 200, 16
APART_S = 0.15


def percentile(values: list[float], share: float) -> float:
    """The value below which `share` of them lie."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def measure(path: str, trips: int, controllers: int, seed: int) -> tuple[list[float], list[float]]:
    """Open `trips` fuses one after another; latencies from the opening and from the answer that told [s]."""
    heard: dict[str, float] = {}
    whole, own = [], []
    rng = Random(seed)
    with yard(PORTS, "still") as here:
        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        subscribed = threading.Event()
        client.on_subscribe = lambda *_: subscribed.set()
        client.on_connect = lambda c, *_: c.subscribe("homie/5/+/$alert/fuse-trip", 1)
        client.on_message = lambda _c, _d, message: heard.setdefault(
            message.topic.split("/")[2], time.monotonic()
        )
        client.connect(LOOPBACK, here.broker.port)
        client.loop_start()
        subscribed.wait(10)
        config = configuration(controllers, PORTS, here.http, here.broker.port, here.folder, path=path)
        with here.product(config) as started:
            if path == "c":
                wait_for(lambda: int(here.get("polls")) >= 3 * controllers, 180, what="polls")
            time.sleep(8)
            for controller in rng.sample(range(controllers), min(trips, controllers)):
                time.sleep(APART_S * rng.uniform(0.5, 1.5))
                port = rng.randint(1, PORTS)
                opened_s = float(here.get(f"trip/{controller}/{port}", post=True))
                device = f"{SITE}-c{controller}-port-{port}"
                wait_for(lambda name=device: name in heard, 10, what=f"the alert of {device}")
                whole.append(heard[device] - opened_s)
                own.append(heard[device] - float(here.get(f"told/{controller}")))
            assert started.poll() is None
        client.disconnect()
        client.loop_stop()
    return whole, own


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--trips", type=int, default=200)
    parser.add_argument("--controllers", type=int, default=CONTROLLERS)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    print(f"{load()}; {arguments.controllers} controllers of {PORTS} ports, {arguments.trips} trips")
    for name, path in (("polled", "c"), ("pushed", "s")):
        whole, own = measure(path, arguments.trips, arguments.controllers, arguments.seed)
        for what, values in (("from the opening", whole), ("own", own)):
            print(
                f"{name} {what:>17}: median {1e3 * statistics.median(values):7.1f} ms, "
                f"p99 {1e3 * percentile(values, 0.99):7.1f} ms, most {1e3 * max(values):7.1f} ms",
                flush=True,
            )
    print(load())


if __name__ == "__main__":
    main()
