"""CPU time per value and memory of the whole path: controllers polled by HTTP → rules → retained topics.

    python tests/benchmarks/bridge_path.py                    # 50, 200 and 800 controllers of 16 ports
    python tests/benchmarks/bridge_path.py --controllers 200 --seconds 20

Real processes: canned controllers, mosquitto, and beside the product the floor program (aiohttp and paho-mqtt
alone). `moving`: each value changes with each poll and is published; `still`: values stay within the band,
and the cost is that of reading and judging them. Figures are CPU time, ratios come from one run.
"""

import argparse
import json
import sys
import time
from dataclasses import asdict, dataclass

from path_rig import Counter, configuration, cpu_s, load, rss_mb, threads_cpu_s, wait_for, yard

PORTS = 16
SETTLE_S = 4.0


@dataclass(frozen=True)
class Measured:
    """One program at one size. `value_us`: CPU time per value read (`still`) or published (`moving`) [µs]."""

    program: str
    answers: str
    controllers: int
    values_per_s: float
    value_us: float
    cpu_share: float
    rss_mb: float


def measure(program: str, answers: str, controllers: int, seconds: float) -> Measured:
    """Run one program for `seconds` after it has settled."""
    with yard(PORTS, answers) as here:
        counter = Counter(here.broker.port)
        config = configuration(controllers, PORTS, here.http, here.broker.port, here.folder)
        runs = here.floor(controllers) if program == "floor" else here.product(config)
        with runs as started:
            counter.pid = started.pid
            # Every controller is asked, everything structural is said, then some seconds of ordinary work.
            wait_for(lambda: int(here.get("polls")) >= 3 * controllers, 180, what=f"{program} to poll")
            time.sleep(SETTLE_S)
            threads = threads_cpu_s(started.pid)
            if answers == "moving":
                first = counter.newest()
                time.sleep(seconds)
                last = counter.newest()
            else:
                first = (time.monotonic(), PORTS * int(here.get("polls")), cpu_s(started.pid))
                time.sleep(seconds)
                last = (time.monotonic(), PORTS * int(here.get("polls")), cpu_s(started.pid))
            took_s, values, spent_s = (after - before for after, before in zip(last, first, strict=True))
            if program == "product":
                busy = {
                    name: ran_s - threads.get(name, 0.0) for name, ran_s in threads_cpu_s(started.pid).items()
                }
                detail = ", ".join(f"{s / spent_s:.0%}" for s in sorted(busy.values(), reverse=True)[:3])
                print(f"  {controllers} controllers, {answers}: threads' shares {detail}", file=sys.stderr)
            memory = rss_mb(started.pid)
        counter.close()
        return Measured(
            program, answers, controllers, values / took_s, 1e6 * spent_s / values, spent_s / took_s, memory
        )


def main() -> None:
    """Measure and print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--controllers", type=int, nargs="+", default=[50, 200, 800])
    parser.add_argument("--seconds", type=float, default=15.0)
    parser.add_argument("--only", choices=["moving", "still"])
    parser.add_argument("--json", action="store_true")
    arguments = parser.parse_args()
    rows = []
    print(f"{load()}; {PORTS} ports each, polled every second")
    print("controllers  answers  program  values/s  µs/value   CPU     RSS  against the floor")
    for controllers in arguments.controllers:
        floor = measure("floor", "moving", controllers, arguments.seconds)
        wanted = [answers for answers in ("moving", "still") if arguments.only in (None, answers)]
        runs = [floor]
        runs += [measure("product", answers, controllers, arguments.seconds) for answers in wanted]
        for one in runs:
            rows.append(one)
            ratio = one.value_us / floor.value_us
            about = f"{one.controllers:11d} {one.answers:>8} {one.program:>8} {one.values_per_s:9.0f}"
            print(
                f"{about} {one.value_us:9.1f} {one.cpu_share:5.0%} {one.rss_mb:5.0f}MB  {ratio:.2f}",
                flush=True,
            )
    print(load())
    if arguments.json:
        print(json.dumps([asdict(one) for one in rows]))


if __name__ == "__main__":
    main()
