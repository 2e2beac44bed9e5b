"""The runner by itself: what its takers and its keeper can't do ends neither it nor what waits behind."""

import asyncio

from structlog.testing import capture_logs
from support import run_async, until

from bridge.clock import SystemClock
from bridge.runner import Runner, Takers
from rules.door import Answer, Persist
from rules.ports import Target, TargetKind
from rules.safety import SafetyState


class Disk:
    """Keeps nothing, and says so to nobody."""

    def write(self, _safety: SafetyState) -> None:
        """On disk."""


def test_an_answer_that_can_not_be_told_ends_nothing():
    """Of two answers that wait for the disk one can't be published: whoever asked gets it, and the other."""
    told = []

    def outlet(effect):
        if effect.target.id == "gone/1":
            raise ValueError(effect.target.id)

    def nothing(*_):
        """Takes it."""

    async def story():
        runner = Runner(SystemClock(), Disk())
        runner.takes = Takers(
            outlet=outlet, record=nothing, readings=nothing, adopted=nothing, answer=told.append, job=nothing
        )
        keeping = asyncio.create_task(runner.keep())
        for effect in (
            Persist(1, SafetyState()),
            Answer(1, Target(TargetKind.PORT, "gone/1"), True, "Released.", after=1),
            Answer(2, Target(TargetKind.PORT, "gable/1"), True, "Released.", after=1),
        ):
            runner._carry_out(effect)
        await until(lambda: len(told) == 2 or keeping.done())
        keeping.cancel()
        await asyncio.gather(keeping, return_exceptions=True)
        await runner.stop()

    with capture_logs() as logs:
        run_async(story())
    assert [answer.request for answer in told] == [1, 2]
    assert [line["effect"] for line in logs if line["event"] == "runner.effect_failed"] == ["Answer"]
