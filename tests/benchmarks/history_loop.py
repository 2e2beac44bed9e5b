"""How long writing the history holds up the event loop of a site with a thousand ports.

    PYTHONPATH=.:tests/bridge python tests/benchmarks/history_loop.py --ports 1000 --seconds 60

A ticker on the loop is due every 5 ms; how late it comes is the delay, as far as this process (any thread of
it) computed meanwhile: what other processes of a busy machine take is not its own. Readings of all ports
come each second, energy of all ports each 15 s (four times as often as in a site), 20 alarms a second. The
heap holds a whole engine of that many ports, because that is what the garbage collector looks at.
"""

import argparse
import asyncio
import gc
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from season_site import site_file

from bridge.config import parse, plan
from bridge.history.store import Store
from rules.door import Configured, Origin, Record, Restored
from rules.engine import Engine
from rules.ports import Now, PortId, Reading, Target, TargetKind
from rules.safety import SafetyState

EVENING = datetime(2025, 12, 1, 17, 0, tzinfo=UTC)
TICK_S = 0.005


async def ticked(late_s: list[float], until_s: float) -> None:
    """Note how late each tick comes."""
    while time.perf_counter() < until_s:
        due_s, computed_s = time.perf_counter() + TICK_S, time.process_time()
        await asyncio.sleep(TICK_S)
        late_s.append(min(time.perf_counter() - due_s, time.process_time() - computed_s))


async def fed(store: Store, ports: list[PortId], until_s: float) -> None:
    """What a site gives its store, in pieces as small as a controller's answer."""
    second = 0
    while time.perf_counter() < until_s:
        begin_s = time.perf_counter()
        at_utc = EVENING + timedelta(seconds=second)
        for first in range(0, len(ports), 16):
            some = ports[first : first + 16]
            readings = [
                Reading(port, float(second), 1.0 + second % 7 / 10, True, False, 12.0) for port in some
            ]
            store.readings(Now(at_utc, float(second)), readings)
            if second % 15 == 0:
                for port in some:
                    told = {"energy_wh": second * 3.3, "saved_wh": 1.0, "powered_s": second, "show": "Walk"}
                    store.record(Record("energy", at_utc, Target(TargetKind.PORT, port), told))
            await asyncio.sleep(0)
        for port in ports[:20]:
            told = {
                "condition": "leakage",
                "state": "unacknowledged",
                "measured": 0.3,
                "limit": 0.2,
                "count": 1,
            }
            store.record(Record("alarm", at_utc, Target(TargetKind.PORT, port), told))
        second += 1
        await asyncio.sleep(max(0.0, begin_s + 1.0 - time.perf_counter()))


def told(name: str, late_s: list[float]) -> None:
    """One line of figures."""
    late_s.sort()
    share = [late_s[int(len(late_s) * part)] * 1000 for part in (0.5, 0.99, 0.999)]
    over = sum(one > 0.020 for one in late_s)
    print(
        f"{name}: median {share[0]:.2f}, 99 % {share[1]:.2f}, 99.9 % {share[2]:.2f}, "
        f"most {late_s[-1] * 1000:.1f} ms; {over} of {len(late_s)} over 20 ms",
        flush=True,
    )


async def run(ports: list[PortId], seconds: float, folder: Path | None) -> list[float]:
    """Tick, with a store that is fed or without."""
    late_s: list[float] = []
    until_s = time.perf_counter() + seconds
    if folder is None:
        await ticked(late_s, until_s)
        return late_s
    store = Store(folder / "history.db", utc_now=lambda: EVENING)
    await asyncio.to_thread(store.start)
    await asyncio.gather(ticked(late_s, until_s), fed(store, ports, until_s))
    await asyncio.to_thread(store.close)
    return late_s


def main() -> None:
    """Idle, then fed with and without freezing."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--ports", type=int, default=1000)
    ask.add_argument("--seconds", type=float, default=30.0)
    given = ask.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        site = plan(parse(site_file(folder, given.ports, given.ports // 16)))
        ports = list(site.ports)
        engine = Engine()
        engine.step(Now(EVENING, 0.0), [Configured(site), Restored(SafetyState(), Origin.FIRST_START, False)])
        told("idle", asyncio.run(run(ports, given.seconds, None)))
        told("writing", asyncio.run(run(ports, given.seconds, folder)))
        gc.collect()
        gc.freeze()
        (folder / "history.db").unlink()
        told("writing, frozen", asyncio.run(run(ports, given.seconds, folder)))


if __name__ == "__main__":
    main()
