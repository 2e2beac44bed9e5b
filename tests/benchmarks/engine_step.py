"""What one step of the engine costs, and what that cost grows with.

    python tests/benchmarks/engine_step.py

Prints the time of a step by what it brings (nothing; readings of ten ports; readings of all ports; a hold on
one port) at 1,000 and 10,000 ports, and the ratio of the two. What changed is the same in the first, second
and last line, so their ratios should be near 1; all readings should cost ten times as much. Then the time of
a preview of 60 days for 1,000 ports in 60 props.
"""

import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median
from types import MappingProxyType

sys.path.insert(0, str(Path(__file__).parents[1] / "rules"))

from world import World, clock_window, site_plan

from rules.door import Asked, Event, Verb
from rules.outlook.preview import preview
from rules.plan import PropPlan, ShowPlan, SitePlan, SupplyPlan
from rules.ports import Now, Target, TargetKind

PER_CONTROLLER = 16
EVENING = datetime(2025, 12, 1, 19, 0, tzinfo=UTC)


def site(ports: int) -> SitePlan:
    """Boxes of 16 ports, a supply each, one show that needs them all."""
    made = site_plan(ports=PER_CONTROLLER, controllers=ports // PER_CONTROLLER)
    supplies = {name: SupplyPlan(name, 12.0, 200.0) for name in made.controllers}
    plans = {port_id: replace(port, supply=port_id.partition("/")[0]) for port_id, port in made.ports.items()}
    return replace(made, supplies=MappingProxyType(supplies), ports=MappingProxyType(plans))


def lit(ports: int) -> World:
    """A site in the middle of its show, everything on and quiet."""
    world = World(site(ports), utc=EVENING - timedelta(minutes=2), poll_s=5.0)
    world.start()
    world.run_until(EVENING)
    assert len(world.on()) == len(world.plan.ports)
    return world


def cost_us(world: World, events: Callable[[], Sequence[Event]], rounds: int) -> float:
    """The median time of a step [us]; every step is a second later than the one before."""
    times = []
    for _ in range(rounds):
        world.pass_to(world.monotonic_s + 1.0)
        brought = list(events())
        begin = time.perf_counter()
        world.engine.step(Now(world.utc, world.monotonic_s), brought)
        times.append(time.perf_counter() - begin)
    return median(times) * 1e6


def steps() -> None:
    """The table of steps."""
    small, large = lit(992), lit(10_000)
    port = next(iter(small.plan.ports))
    numbers = iter(range(1, 1_000_000))

    def hold(world: World) -> Callable[[], Sequence[Event]]:
        target = Target(TargetKind.PORT, port)
        return lambda: [Asked(next(numbers), Verb.HOLD, target, f"holder {next(numbers)}")]

    table: list[tuple[str, Callable[[World], Callable[[], Sequence[Event]]], int]] = [
        ("nothing", lambda _: tuple, 200),
        ("ten readings", lambda world: lambda: world.readings()[:11], 200),
        ("all readings", lambda world: world.readings, 20),
        ("a hold on a port", hold, 20),
    ]
    print(
        f"{'a step that brings':20} {len(small.plan.ports):>9} ports {len(large.plan.ports):>9} ports   ratio"
    )
    for name, events, rounds in table:
        few, many = (cost_us(world, events(world), rounds) for world in (small, large))
        print(f"{name:20} {few:>12.0f} us {many:>12.0f} us {many / few:>7.1f}")


def previews() -> None:
    """The time of 60 days ahead."""
    made = site(992)
    ports = tuple(made.ports)
    props = {
        f"p{n}": PropPlan(f"p{n}", f"Prop {n}", ports[n * 992 // 60 : (n + 1) * 992 // 60]) for n in range(60)
    }
    for count in (2, 40):
        for share, words in ((1, "all props"), (3, "every third prop in turn")):
            shows = tuple(_show(number, share, props) for number in range(count))
            plan = replace(made, props=MappingProxyType(props), shows=shows)
            begin = time.process_time()
            played = preview(plan, {}, EVENING, EVENING + timedelta(days=60))
            took = time.process_time() - begin
            kind = "coarse" if played.coarse else "exact"
            print(
                f"preview, 60 days, {count:2} shows an evening, {words:24}: {took:5.1f} s "
                f"({kind}, {len(played.fates)} fates)"
            )


def _show(number: int, share: int, props: Mapping[str, PropPlan]) -> ShowPlan:
    """Ten minutes, eight after the show before; it needs every `share`-th prop."""
    start = datetime(2025, 1, 1, 17, tzinfo=UTC) + timedelta(minutes=8 * number)
    return ShowPlan(
        f"show{number}",
        f"Show {number}",
        (clock_window(f"{start:%H:%M}", f"{start + timedelta(minutes=10):%H:%M}"),),
        tuple(
            port
            for place, prop in enumerate(props.values())
            if (place + number) % share == 0
            for port in prop.fed_by
        ),
        30.0,
        10.0,
    )


if __name__ == "__main__":
    steps()
    previews()
