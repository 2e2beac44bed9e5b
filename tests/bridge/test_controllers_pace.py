"""When a controller is polled: at fixed times of its own, spread over the period."""

from collections import Counter
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from bridge.controllers.base import Pace, PollingController

MOST_LATE = 1e-6
"""Of a period: what float arithmetic loses."""


class Named(PollingController):
    """A controller that is never asked: only its times are looked at."""

    def __init__(self, name: str, every_s: float = 1.0, took_s: float = 0.0) -> None:
        self.now_s = 0.0
        self.took_s = took_s
        super().__init__(name, {}, Pace.of(every_s, every_s), clock=lambda: self.now_s)

    async def read(self):
        """Never called."""
        raise NotImplementedError

    async def _send(self, number, power, *, clear):
        raise NotImplementedError

    async def _free(self) -> None:
        """Nothing to free."""

    def times_s(self, begin_s: float, polls: int) -> list[float]:
        """When it is polled, if each answer takes `took_s` [monotonic s]."""
        self.now_s = begin_s
        found = []
        for _ in range(polls):
            found.append(self.now_s)
            self.now_s += self.took_s
            self.now_s = self._next_s(found[-1])
        return found


@given(
    name=st.text("abcdef", min_size=1, max_size=4),
    begin_s=st.floats(0.0, 1e7),
    every_s=st.sampled_from([0.2, 0.5, 1.0, 3.0, 30.0]),
    took=st.floats(0.0, 0.45),
)
def test_polls_keep_their_times(name, begin_s, every_s, took):
    """However long an answer takes within the period, the next poll comes a whole period after the last."""
    times_s = Named(name, every_s, took * every_s).times_s(begin_s, 12)
    assert 0.5 * every_s - MOST_LATE <= times_s[1] - times_s[0] <= 1.5 * every_s + MOST_LATE
    for earlier_s, later_s in pairwise(times_s[1:]):
        assert abs(later_s - earlier_s - every_s) <= MOST_LATE * max(1.0, every_s)


@given(took=st.floats(1.0, 10.0), begin_s=st.floats(0.0, 1e6))
def test_an_answer_that_takes_longer_is_waited_for(took, begin_s):
    """A controller slower than its period is asked again when it has answered, never twice at once."""
    for earlier_s, later_s in pairwise(Named("slow", 1.0, took).times_s(begin_s, 6)):
        assert took - MOST_LATE <= later_s - earlier_s <= took + 1.5


def test_a_site_is_not_asked_all_at_once():
    """Polls of a hundred controllers that began together spread over the period, in a few groups."""
    groups = Counter(round(Named(f"box-{n}").times_s(50.0, 3)[-1] % 1.0, 3) for n in range(100))
    assert 3 <= len(groups) <= 10
    assert max(groups.values()) <= 40
