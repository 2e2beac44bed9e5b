"""Order and spacing of switching on, per supply, and the supply's budget.

Ports come on in the order of the configuration, at most so many at once, with a gap before the next
ones: inrush of many strings at once is what drags a supply down. Switching off needs no waiting.
The budget is 80 % of the supply's rating on expected load (the 125 % rule for continuous loads,
NEC 210.20(A); a show may well run three hours).
"""

from bisect import bisect
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from math import ceil

from rules.plan import ShowPlan, SitePlan, SupplyPlan
from rules.ports import PortId

CONTINUOUS_FRACTION = 0.8
"""What a supply may carry for three hours or more, as a fraction of its rating (NEC 210.20(A))."""


@dataclass(frozen=True, slots=True)
class Gate:
    """A supply's gate: ports waiting in plan order, and when the next group may pass [monotonic s]."""

    waiting: tuple[PortId, ...] = ()
    opens_s: float = float("-inf")
    passed: int = 0
    """How many passed since the gate opened."""

    def join(self, port: PortId, index: Callable[[PortId], int]) -> "Gate":
        """The gate with `port` waiting at its place in plan order; the same gate if it waits already."""
        if port in self.waiting:
            return self
        place = bisect(self.waiting, index(port), key=index)
        return Gate((*self.waiting[:place], port, *self.waiting[place:]), self.opens_s, self.passed)

    def leave(self, port: PortId) -> "Gate":
        """The gate without `port`; the same gate if it does not wait."""
        if port not in self.waiting:
            return self
        place = self.waiting.index(port)
        return Gate(self.waiting[:place] + self.waiting[place + 1 :], self.opens_s, self.passed)

    def admit(
        self, supply: SupplyPlan, now_s: float, weight: Callable[[PortId], int] = lambda _: 1
    ) -> tuple["Gate", tuple[PortId, ...]]:
        """Let the next group pass, if the gate is open at `now_s`.

        At most `supply.at_once` ports pass in any stretch of `supply.gap_s` seconds. `weight`: how many ports
        one stands for; where more pass than there is room for, the rest counts against the next groups.
        """
        if not self.waiting:
            return self, ()
        at_once = max(1, supply.at_once)
        passed, opens_s = self.passed, self.opens_s
        while passed > at_once and now_s >= opens_s:
            passed, opens_s = passed - at_once, opens_s + supply.gap_s
        if now_s >= opens_s:
            passed, opens_s = 0, now_s + supply.gap_s
        count = 0
        while count < len(self.waiting) and passed < at_once:
            passed += weight(self.waiting[count])
            count += 1
        if not count and (passed, opens_s) == (self.passed, self.opens_s):
            return self, ()
        return Gate(self.waiting[count:], opens_s, passed), self.waiting[:count]


def staging_time_s(plan: SitePlan, ports: Iterable[PortId]) -> float:
    """How long it takes [s] until the last of `ports` is switched on, all being off."""
    counts: dict[str | None, int] = {}
    for port in ports:
        supply = plan.ports[port].supply
        counts[supply] = counts.get(supply, 0) + plan.ports[port].stands_for
    longest_s = 0.0
    for name, count in counts.items():
        if name is None:
            continue
        rated = plan.supplies[name]
        longest_s = max(longest_s, (ceil(count / max(1, rated.at_once)) - 1) * rated.gap_s)
    return longest_s


def lead_s(plan: SitePlan, show: ShowPlan) -> float:
    """How long before its start a show's ports begin to come on [s]: staging time plus warm-up."""
    return staging_time_s(plan, show.needs) + show.warm_up_s


@dataclass(frozen=True, slots=True)
class Budget:
    """A supply's load if the given ports are on: the part that is known [A], and its limit [A] or None."""

    known_a: float
    limit_a: float | None

    @property
    def over(self) -> bool:
        """Whether the known part alone is above the limit."""
        return self.limit_a is not None and self.known_a > self.limit_a + 1e-9


def budget(supply: SupplyPlan, expected_a: Mapping[PortId, float | None]) -> Budget:
    """The load of `supply` by port; ports of which no current is expected are not in it."""
    known_a = sum(value for value in expected_a.values() if value is not None)
    limit_a = None if supply.rating_a is None else supply.rating_a * CONTINUOUS_FRACTION
    return Budget(known_a, limit_a)
