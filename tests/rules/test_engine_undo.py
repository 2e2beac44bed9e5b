"""A step that fails is undone: an evening in which every step is first tried, undone and compared."""

from collections.abc import Sequence
from copy import deepcopy

from hypothesis import example, given
from hypothesis import strategies as st
from test_engine_properties import ACTS, QUICK, START, Oracle, act, plan
from world import World

from rules import engine
from rules.door import Effect, Event
from rules.ports import Now
from rules.state import Snapshotted
from rules.step import Memo, Step


class Tried(engine.Engine):
    """Does every step twice: once to undo it and to compare every member, then for good."""

    undone = 0

    def step(self, now: Now, events: Sequence[Event]) -> list[Effect]:
        """As the engine's."""
        parts = self._parts()
        before = [part.snapshot() for part in parts]
        timers = deepcopy(self._timers)
        due = timers.due(now.monotonic_s)
        trial = Step(now, self._site, timers, Memo())
        try:
            engine._take_in(trial, events)
            engine._work(trial, due)
        finally:
            trial.undo()
        for part, members in zip(parts, before, strict=True):
            changed = [
                name
                for name, old, new in zip(part._names, members, part.snapshot(), strict=True)
                if old is not new
            ]
            assert not changed, f"undone, {type(part).__name__} still has a new {', '.join(changed)}"
        self.undone += 1
        return super().step(now, events)

    def _parts(self) -> list[Snapshotted]:
        site = self._site
        return [site, *site.ports.values(), *site.controllers.values(), *site.supplies.values()]


CURRENTS_A = (0.226, 0.23, 0.5, 1.1, 0.0, 0.2, 0.12, 3.9, 5.5, 900.0)
"""What every powered port draws after an act, by its number: ordinary, more, less, too much, nonsense."""


@QUICK
@example(
    [(200, "trip", "c1/1", 1), (220, "reset", "c1/1", 2), (260, "trip", "c1/2", 3), (270, "hold", "site", 0)]
)
@example(
    [(200, "mishap", "c1/1", 3), (201, "off", "c1/1", 1), (300, "auto", "c1/1", 7), (320, "hold", "c2", 2)]
)
@given(st.lists(ACTS, max_size=14))
def test_a_step_is_undone_whole(acts: list[tuple[int, str, str, int]]) -> None:
    """Whatever a step brought, undoing it puts every member of the state back as it was."""
    world = World(plan(), utc=START, poll_s=5.0, engine=Tried())
    world.start()
    oracle = Oracle(world)
    begin_s = world.monotonic_s
    for at_s, what, target, number in sorted(acts):
        world.run(max(0.0, begin_s + at_s - world.monotonic_s))
        act(world, oracle, what, target, number)
        for port in world.ports.values():
            port.current_a = CURRENTS_A[number]
    world.run(max(0.0, begin_s + 760 - world.monotonic_s))
    assert world.engine.undone > 100
