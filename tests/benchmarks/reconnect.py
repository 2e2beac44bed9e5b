"""A broker that comes back empty, at 200 controllers of 16 ports: how soon everything is told again.

    python tests/benchmarks/reconnect.py --alerts 20

Some fuses are opened, then mosquitto is killed and started again with nothing in it. A subscriber to alerts
and states, which is there first, tells when the alerts were back and when the last device had said its last
word about its state; the process's log tells when the broker had acknowledged all of it. Then everything
retained is compared with what it was before. Aims: alerts and states within a second, everything within ten,
and nothing left unacknowledged (all of it is QoS 1), which the process is asked for itself.
"""

import argparse
import asyncio
import json
import subprocess
import time
from pathlib import Path
from random import Random

from path_rig import LOOPBACK, SITE, configuration, load, wait_for, yard

from bridge import control

CONTROLLERS, PORTS = 200, 16
EVERYTHING = ("homie/#", "homeassistant/#")
NEWS = ("homie/5/+/$state", "homie/5/+/$alert/+")


class Subscriber:
    """What comes under some filters, with the instants of each topic's first and newest message.

    A program of the broker's own makers listens: one in Python would take as much of the processor as what
    is measured here.
    """

    def __init__(self, port: int, file: Path, *filters: str) -> None:
        self.latest: dict[str, str] = {}
        self.first_s: dict[str, float] = {}
        self.latest_s: dict[str, float] = {}
        self.count = 0
        words = ["mosquitto_sub", "-h", LOOPBACK, "-p", str(port), "-F", "%U %t %p"]
        for one in filters:
            words += ["-t", one]
        with file.open("wb") as out:
            self._program = subprocess.Popen(words, stdout=out)
        self._lines = file.open()
        self._rest = ""

    def read(self) -> None:
        """Take in what came since the last time."""
        *lines, self._rest = (self._rest + self._lines.read()).split("\n")
        for line in lines:
            at_s, topic, *payload = line.split(" ", 2)
            if "/$log/" in topic or topic.endswith("/set"):
                continue
            self.count += 1
            self.first_s.setdefault(topic, float(at_s))
            self.latest_s[topic] = float(at_s)
            self.latest[topic] = payload[0] if payload else ""

    def has(self, topics: set[str]) -> bool:
        """Whether all of these came."""
        self.read()
        return topics <= self.latest.keys()

    def calm(self) -> bool:
        """Whether only now and then something comes: counters, one port after another."""
        self.read()
        count = self.count
        time.sleep(3.0)
        self.read()
        return count > 0 and self.count - count < 600

    def close(self) -> None:
        """Leave the broker."""
        self._program.terminate()
        self._program.wait(10)
        self._lines.close()


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--alerts", type=int, default=20)
    parser.add_argument("--controllers", type=int, default=CONTROLLERS)
    arguments = parser.parse_args()
    controllers, rng = arguments.controllers, Random(1)
    print(f"{load()}; {controllers} controllers of {PORTS} ports, {arguments.alerts} alerts")
    with yard(PORTS, "still") as here:
        before = Subscriber(here.broker.port, here.folder / "before", *EVERYTHING)
        config = configuration(controllers, PORTS, here.http, here.broker.port, here.folder)
        with here.product(config, log_level="info"):
            wait_for(lambda: int(here.get("polls")) >= 3 * controllers, 180, what="polls")
            opened = rng.sample(range(controllers), arguments.alerts)
            for controller in opened:
                here.get(f"trip/{controller}/1", post=True)
            alerts = {f"homie/5/{SITE}-c{controller}-port-1/$alert/fuse-trip" for controller in opened}
            wait_for(lambda: before.has(alerts), 30, what="the alerts")
            wait_for(before.calm, 90, what="calm")
            before.close()
            kept = {topic: payload for topic, payload in before.latest.items() if payload}
            here.broker.restart()
            # A listener to all of it would take as much of the processor as what is measured.
            news = Subscriber(here.broker.port, here.folder / "news", *NEWS)
            wait_for(news.calm, 60, what="calm")
            status = asyncio.run(control.ask(here.folder, {"verb": "status"}))["status"]
            news.close()
            after = Subscriber(here.broker.port, here.folder / "after", *EVERYTHING)
            wait_for(lambda: after.has(set(kept)), 60, what="all topics")
            after.close()
            states = {topic for topic in kept if topic.endswith("/$state")}
            begin_s = min(news.first_s.values())
            for what, topics, seen_s in (
                ("alerts", alerts, news.first_s),
                ("states", states, news.latest_s),
            ):
                took_s = max(seen_s[topic] for topic in topics) - begin_s
                print(f"{what}: {len(topics)} topics, the last word after {took_s:.2f} s")
            lines = map(json.loads, (here.folder / "duskward.log").read_text().splitlines())
            caught_up = [line for line in lines if line["event"] == "link.caught_up"][-1]
            print(f"everything: {len(kept)} topics, acknowledged after {caught_up['took_s']:.2f} s")
            other = [topic for topic, payload in kept.items() if after.latest[topic] != payload]
            print(f"{status['unacknowledged']} messages unacknowledged, as the process says itself")
            print(f"{len(other)} topics have another value than before: {other[:3]}")
    print(load())


if __name__ == "__main__":
    main()
