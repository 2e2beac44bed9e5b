"""A broker that comes back empty, at 200 controllers of 16 ports: how soon everything is told again.

    python tests/benchmarks/reconnect.py --alerts 20

Some fuses are opened, then mosquitto is killed and started again with nothing in it. A subscriber that is
there first tells when the alerts were back, when the last port had its state, and when the last retained
topic came. Aims: alerts and states within a second of the connection, everything within ten, every topic as
it was before, and nothing left unacknowledged (all of it is QoS 1), which the process is asked for itself.
"""

import argparse
import asyncio
import threading
import time
from dataclasses import dataclass, field
from random import Random

from path_rig import LOOPBACK, SITE, configuration, load, mqtt, wait_for, yard

from bridge import control

CONTROLLERS, PORTS = 200, 16


@dataclass
class Subscriber:
    """Everything retained, with the instant of each topic's first message since it was cleared."""

    port: int
    latest: dict[str, bytes] = field(default_factory=dict)
    first_s: dict[str, float] = field(default_factory=dict)
    count: int = 0

    def __post_init__(self) -> None:
        self.up = threading.Event()
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        self._client.on_connect = lambda client, *_: client.subscribe(
            [("homie/#", 0), ("homeassistant/#", 0)]
        )
        self._client.on_subscribe = lambda *_: self.up.set()
        self._client.on_message = self._on_message
        self._client.connect(LOOPBACK, self.port)
        self._client.loop_start()
        self.up.wait(10)

    def _on_message(self, _client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        if "/$log/" in message.topic or message.topic.endswith("/set"):
            return
        self.count += 1
        self.first_s.setdefault(message.topic, time.monotonic())
        self.latest[message.topic] = message.payload

    def calm(self) -> bool:
        """Whether only now and then something comes: counters, one port after another."""
        count = self.count
        time.sleep(1.0)
        return self.count - count < 200

    def close(self) -> None:
        """Leave the broker."""
        self._client.disconnect()
        self._client.loop_stop()


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--alerts", type=int, default=20)
    parser.add_argument("--controllers", type=int, default=CONTROLLERS)
    arguments = parser.parse_args()
    controllers, rng = arguments.controllers, Random(1)
    print(f"{load()}; {controllers} controllers of {PORTS} ports, {arguments.alerts} alerts")
    with yard(PORTS, "still") as here:
        before = Subscriber(here.broker.port)
        config = configuration(controllers, PORTS, here.http, here.broker.port, here.folder)
        with here.product(config):
            wait_for(lambda: int(here.get("polls")) >= 3 * controllers, 180, what="polls")
            opened = rng.sample(range(controllers), arguments.alerts)
            for controller in opened:
                here.get(f"trip/{controller}/1", post=True)
            alerts = {f"homie/5/{SITE}-c{controller}-port-1/$alert/fuse-trip" for controller in opened}
            wait_for(lambda: alerts <= before.latest.keys(), 30, what="the alerts")
            wait_for(before.calm, 90, what="calm")
            before.close()
            kept = {topic: payload for topic, payload in before.latest.items() if payload}
            here.broker.restart()
            after = Subscriber(here.broker.port)
            wait_for(lambda: kept.keys() <= after.latest.keys(), 60, what="all topics")
            begin_s = min(after.first_s.values())
            wait_for(after.calm, 30, what="calm")
            status = asyncio.run(control.ask(here.folder, {"verb": "status"}))["status"]
            after.close()
            states = {topic for topic in kept if topic.endswith("/$state")}
            # The last word of a device's state, not only its `init`, belongs to everything.
            other = [topic for topic, payload in kept.items() if after.latest[topic] != payload]
            for what, topics in (("alerts", alerts), ("states", states), ("everything", set(kept))):
                took_s = max(after.first_s[topic] for topic in topics) - begin_s
                print(f"{what:>11}: {len(topics):6d} topics, the last {took_s:.2f} s after the first")
            print(f"{status['unacknowledged']} messages unacknowledged, as the process says itself")
            print(f"{len(other)} topics have another value than before: {other[:3]}")
    print(load())


if __name__ == "__main__":
    main()
