"""10,000 ports for an accelerated hour: nothing may grow.

    python tests/benchmarks/growth.py --ports 10000 --minutes 60

The engine with outlet, link and a real broker in one process; the clock is injected, so an hour takes as long
as its work. All ports are read every ten seconds and half of them move; each minute a few trip and a few
controllers go away and come back. Memory, objects and retained topics are printed every ten minutes of the
injected hour: the last two rows should be alike.
"""

import argparse
import asyncio
import gc
import os
import tempfile
import time
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random

from path_rig import LOOPBACK, PrivateBroker, configuration, load, rss_mb

from bridge.config import parse, plan
from bridge.mqtt.homie import Tree
from bridge.mqtt.link import Link, LinkSettings
from bridge.mqtt.outlet import Outlet
from rules.door import (
    Alert,
    CommandResult,
    Configured,
    ControllerStatus,
    EffectDone,
    EnergyLoaded,
    Event,
    Origin,
    Outcome,
    Persist,
    Presence,
    Publish,
    Restored,
    Switch,
)
from rules.engine import Engine
from rules.ports import Now, Reading
from rules.safety import SafetyState

PORTS = 16
EVERY_S = 10.0
SEED = 1
BEGIN = datetime(2026, 12, 1, 12, 0, tzinfo=UTC)


class Site:
    """The engine and what it says, on a clock of our own."""

    def __init__(self, controllers: int, folder: Path, broker: PrivateBroker) -> None:
        self.plan = plan(parse(configuration(controllers, PORTS, 1, broker.port, folder)))
        tree = Tree(self.plan)
        self.link = Link(
            LinkSettings(host=LOOPBACK, port=broker.port, client_id="growth", state_topic=tree.state_topic)
        )
        self.outlet = Outlet(tree, self.link, lambda: 1)
        self.engine = Engine()
        self.seconds = 1000.0
        self.published = 0
        self.rng = Random(SEED)
        self.tripped: set[str] = set()

    def step(self, events: Sequence[Event]) -> None:
        """One step; commands are accepted at once, and what is to be kept is kept."""
        while events:
            now = Now(BEGIN + timedelta(seconds=self.seconds), self.seconds)
            answers: list[Event] = []
            for effect in self.engine.step(now, events):
                if isinstance(effect, Publish | Alert | Presence):
                    self.published += 1
                    self.outlet.say(effect)
                elif isinstance(effect, Persist):
                    answers.append(EffectDone(effect.id, True))
                elif isinstance(effect, Switch):
                    answers.append(CommandResult(effect.id, effect.port, Outcome.ACCEPTED))
            events = answers

    def sweep(self) -> None:
        """All controllers once; each in a step of its own."""
        names = list(self.plan.controllers)
        away = set(self.rng.sample(names, max(1, len(names) // 100)))
        if self.seconds % 60.0 == 0.0:
            self.tripped = set(self.rng.sample(list(self.plan.ports), 3))
        for name, box in self.plan.controllers.items():
            if name in away:
                self.step([ControllerStatus(name, False, "gone")])
                continue
            readings: list[Event] = [ControllerStatus(name, True)]
            for place, port in enumerate(box.ports):
                on = port not in self.tripped
                current_a = 0.9 + 0.025 * place + (0.4 * self.rng.random() if place % 2 else 0.0)
                readings.append(Reading(port, self.seconds, current_a if on else 0.0, on, not on))
            self.step(readings)


async def run(controllers: int, minutes: int, folder: Path, broker: PrivateBroker) -> None:
    """An injected hour, with a row every ten minutes of it."""
    site = Site(controllers, folder, broker)
    running = asyncio.create_task(site.link.run())
    await site.link.wait_connected(10)
    site.step([Configured(site.plan), Restored(SafetyState(), Origin.FIRST_START)])
    site.step([EnergyLoaded(port, 0.0) for port in site.plan.ports])
    site.outlet.open({})
    print("minute       RSS    objects   retained   published   waiting   CPU")
    for minute in range(minutes + 1):
        if minute % 10 == 0 or minute == minutes:
            gc.collect()
            print(
                f"{minute:6d} {rss_mb(os.getpid()):7.0f}MB {len(gc.get_objects()):10d} "
                f"{len(site.link.retained):10d} "
                f"{site.published:11d} {site.link.unacknowledged:9d} {time.process_time():4.0f}s",
                flush=True,
            )
        for _ in range(int(60.0 / EVERY_S)):
            site.seconds += EVERY_S
            site.sweep()
            while site.link.unacknowledged:  # noqa: ASYNC110 - the link counts, it sets no event
                await asyncio.sleep(0.002)
    await site.link.stop()
    running.cancel()


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--ports", type=int, default=10_000)
    parser.add_argument("--minutes", type=int, default=60)
    arguments = parser.parse_args()
    print(load())
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        broker = PrivateBroker(Path(folder), ["log_type none"])
        try:
            asyncio.run(run(arguments.ports // PORTS, arguments.minutes, Path(folder), broker))
        finally:
            broker.kill()
    print(load())


if __name__ == "__main__":
    main()
