"""One step in the making: the instant, the effects so far, what to look at again, and how to undo it."""

from collections.abc import Mapping
from datetime import datetime
from heapq import heappop, heappush
from typing import Any, NamedTuple

from rules.door import Effect, Presence, Publish, Value
from rules.plan import SitePlan
from rules.ports import Now, PortId, Target
from rules.power.demand import ShowCall, Verdict
from rules.shows.calendar import Span
from rules.shows.schedule import ShowState
from rules.state import ControllerState, PortState, SiteState, Snapshotted


class Timers:
    """Ports to look at again, by monotonic second. A timer only asks; what is due is seen from the state."""

    def __init__(self) -> None:
        self._heap: list[tuple[float, str]] = []
        self._set: dict[str, float] = {}

    def at(self, due_s: float, port: PortId | str) -> None:
        """Look at `port` again at `due_s`; an earlier timer of the port stays, a later one gives way."""
        known = self._set.get(port)
        if known is None or due_s < known:
            self._set[port] = due_s
            heappush(self._heap, (due_s, port))

    def due(self, now_s: float) -> list[str]:
        """Take out what is due at `now_s`, in order of time."""
        found = []
        while self._heap and self._heap[0][0] <= now_s:
            due_s, port = heappop(self._heap)
            if self._set.get(port) == due_s:
                del self._set[port]
                found.append(port)
        return found

    def next_s(self) -> float | None:
        """When the next timer is due, None if there is none."""
        while self._heap and self._set.get(self._heap[0][1]) != self._heap[0][0]:
            heappop(self._heap)
        return self._heap[0][0] if self._heap else None


class Memo:
    """What follows from the shows alone: worked once for all ports alike, until a show changes."""

    __slots__ = ("_asked_of", "by_show", "calls", "plain")

    def __init__(self) -> None:
        self._asked_of: object = None
        self.by_show: dict[str, tuple[ShowCall | None, datetime | None]] = {}
        """Each show's call and its next start."""
        self.calls: dict[frozenset[str], tuple[tuple[ShowCall, ...], str | None]] = {}
        """The shows that call for a port now and the next one, by the port's shows."""
        self.plain: dict[tuple[frozenset[str], bool], Verdict] = {}
        """Verdicts on ports that only shows and resting power speak for, by those."""

    def follow(self, site: SiteState, *, clock_trusted: bool) -> None:
        """Forget all if the shows, the plan or the trust in the clock are not what it was worked for."""
        # Mappings of shows are replaced, never changed, and this one is kept alive: the same object is the
        # same state of every show.
        asked_of = (site.shows, site.plan, clock_trusted)
        known = self._asked_of
        if isinstance(known, tuple) and all(new is old for new, old in zip(asked_of, known, strict=True)):
            return
        self._asked_of = asked_of
        self.by_show.clear()
        self.calls.clear()
        self.plain.clear()


class Stage(NamedTuple):
    """The one show that runs on some ports by the calendar, for as long as a step lasts.

    of: the shows it was worked from; span: its present span; start_s: when that began [monotonic s]; shared:
    several run at once.
    """

    of: Mapping[str, ShowState]
    show: ShowState | None = None
    span: Span | None = None
    start_s: float = 0.0
    shared: bool = False


class Step:
    """Carried through all functions of one `Engine.step`; nothing of it outlives the step."""

    __slots__ = (
        "_kept", "_read", "dirty", "effects", "gates", "keep", "memo", "now", "show_dirty", "site",
        "site_dirty", "stages", "timers",
    )  # fmt: skip

    def __init__(self, now: Now, site: SiteState, timers: Timers, memo: Memo) -> None:
        self.now = now
        self.site = site
        self.timers = timers
        self.memo = memo
        self.effects: list[Effect] = []
        self.dirty: dict[PortId, None] = {}
        self.gates: dict[str, None] = {}
        """Supplies whose waiting ports may now come on."""
        self.stages: dict[frozenset[str], Stage] = {}
        """What runs on ports, by their shows; `rules.show_data.nights` works it when it is asked for."""
        self.site_dirty = False
        self.show_dirty = False
        self.keep: int | None = None
        """The id of this step's `Persist`, once something that must survive has changed."""
        self._kept: dict[int, tuple[Snapshotted, tuple[Any, ...]]] = {}
        self._read: list[tuple[PortState, tuple[Any, ...]]] = []
        self.touch(site)

    @property
    def plan(self) -> SitePlan:
        """The plan in force; nothing that needs it runs before there is one."""
        plan = self.site.plan
        assert plan is not None
        return plan

    def touch(self, part: Snapshotted) -> None:
        """Remember `part` as it is, before its first change in this step."""
        key = id(part)
        if key not in self._kept:
            self._kept[key] = (part, part.snapshot())

    def touch_reading(self, port: PortState) -> None:
        """Remember those members of `port` that any reading may change; before others change, `touch` it."""
        if id(port) not in self._kept:
            self._read.append((port, PortState.snapshot_of_reading(port)))

    def touched_ports(self) -> list[PortState]:
        """The ports that this step may have changed in more than what any reading changes."""
        return [part for part, _ in self._kept.values() if type(part) is PortState]

    def undo(self) -> None:
        """Put everything back that this step touched."""
        for part, members in self._kept.values():
            part.put_back(members)
        # A port is never remembered as read after it was remembered whole, so what stands here is older.
        for port, members in reversed(self._read):
            port.put_back_reading(members)

    def new_id(self) -> int:
        """A fresh id for an effect that will be answered."""
        number = self.site.next_id
        self.site.next_id = number + 1
        return number

    def must_keep(self) -> int:
        """Say that the safety state changed; the id of the `Persist` of it; power waits for it."""
        self.site.unkept_id = self.keep_anew()
        return self.site.unkept_id

    def keep_anew(self) -> int:
        """Have the safety state written though it may be on disk already; the id of the `Persist`."""
        if self.keep is None:
            self.keep = self.new_id()
        return self.keep

    def look_at(self, port: PortState, *, feeds: bool = False) -> None:
        """Settle `port` in this step; with `feeds`, all feeds of its prop."""
        if feeds:
            for feed in port.feeds:
                self.dirty[feed] = None
        else:
            self.dirty[port.plan.id] = None

    def look_at_all(self) -> None:
        """Settle every port in this step."""
        self.dirty.update(dict.fromkeys(self.site.ports))

    def presence(self, controller: str, *, present: bool) -> None:
        """Say that a controller and its ports are there, or lost."""
        self.effects.append(Presence(controller, present))

    def tell(self, part: PortState | ControllerState | SiteState, name: str, value: Value) -> None:
        """Publish a property of `part` if its value changed. Touches `part`."""
        told = part.published
        if name in told:
            known = told[name]
            if known == value and type(known) is type(value):
                return
        self.touch(part)
        part.published = {**told, name: value}
        self.effects.append(Publish(part.target, name, value))

    def tell_prop(self, target: Target, name: str, value: Value) -> None:
        """Publish a property of a prop if its value changed."""
        told: Mapping[str, Value] = self.site.props_published.get(target.id, {})
        if name in told and told[name] == value:
            return
        self.site.props_published = {**self.site.props_published, target.id: {**told, name: value}}
        self.effects.append(Publish(target, name, value))
