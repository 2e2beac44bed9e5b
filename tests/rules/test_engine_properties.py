"""Whatever happens in an evening: a port has power only while something allows it, and every OFF arrives.

An oracle of its own, kept beside a driven site, says who may have power; faults come at any moment.
"""

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from types import MappingProxyType

from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from world import Mishap, World, site_plan, with_prop

from rules.door import ClockStatus, Configured, Origin, Restored, Verb
from rules.outlook.preview import preview
from rules.plan import ShowPlan, SitePlan, SupplyPlan
from rules.ports import Mode, controller_of
from rules.shows.calendar import Anchor, Moment, Window

START = datetime(2025, 12, 1, 17, 57, tzinfo=UTC)
SHOW_FROM, SHOW_TO = START + timedelta(minutes=3), START + timedelta(minutes=9)
WARM_UP_S, RUN_ON_S, RELEASE_S = 20.0, 10.0, 30.0
LEAD_S = WARM_UP_S + 0.5
"""Eight ports of one supply, four at once, half a second apart: 0.5 s of staging."""
BOUND_S = 45.0
"""With its controller answering for this long and no command lost meanwhile, what must be off is off [s].

A command without any result is given up after 30 s, an OFF is repeated after 15 s at most by then.
"""
PORTS = ("c1/1", "c1/2", "c1/3", "c1/4", "c2/1", "c2/2", "c2/3", "c2/4")
PROP = ("c1/4", "c2/1")
QUICK = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def window(start: datetime, end: datetime) -> Window:
    """An evening between two clock times of Dublin, which keeps UTC in winter."""
    return Window(Moment(Anchor.CLOCK, start.time()), Moment(Anchor.CLOCK, end.time()))


def plan(**more: object) -> SitePlan:
    """Two controllers of four ports, a prop fed by both, and one short show that needs all but one port."""
    made = with_prop(site_plan(ports=4, controllers=2), *PROP)
    show = ShowPlan(
        "walk", "Walk", (window(SHOW_FROM, SHOW_TO),), tuple(made.ports)[:-1], WARM_UP_S, RUN_ON_S
    )
    return replace(made, shows=(show,), release_delay_s=RELEASE_S, **more)  # type: ignore[arg-type]


class Oracle:
    """Who may have power, by the order of who decides, kept by hand beside the rules."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.holds: set[str] = set()
        self.hand: dict[str, str] = {}
        self.forbidden_since = dict.fromkeys(PORTS, world.monotonic_s)
        self.calm_since = {"c1": world.monotonic_s, "c2": world.monotonic_s}

    def allowed(self, port: str) -> bool:
        """Whether anything allows power on `port` now, and nothing forbids it."""
        feeds = PROP if port in PROP else (port,)
        held = any({feed, controller_of(feed), "site"} & self.holds for feed in feeds)  # type: ignore[arg-type]
        tripped = any(self.world.told(feed, "fault") in ("fuse-trip", "lockout") for feed in feeds)
        by_hand = [self.hand.get(feed, "auto") for feed in feeds]
        if held or tripped or "off" in by_hand:
            return False
        lead, tail = timedelta(seconds=LEAD_S), timedelta(seconds=RUN_ON_S)
        shown = SHOW_FROM - lead <= self.world.utc < SHOW_TO + tail and port != PORTS[-1]
        return self.hand.get(port) == "on" or shown

    def look(self) -> None:
        """Fail if a port has had power for too long although nothing allows it."""
        now_s = self.world.monotonic_s
        for controller in self.calm_since:
            if controller in self.world.unreachable or self.world.mishaps or self.world.late:
                self.calm_since[controller] = now_s
        for port in PORTS:
            if self.allowed(port):
                self.forbidden_since[port] = now_s
            since_s = max(self.forbidden_since[port], self.calm_since[controller_of(port)])  # type: ignore[index,arg-type]
            powered = self.world.ports[port].power  # type: ignore[index]
            assert not (powered and now_s - since_s > BOUND_S), (
                f"{port} has power, {now_s - since_s:.0f} s too long"
            )


def act(world: World, oracle: Oracle, what: str, target: str, number: int) -> None:
    """One thing that people, controllers or the network do."""
    if what == "hold":
        if world.ask(Verb.HOLD, "" if target == "site" else target, "Ann").accepted:
            oracle.holds.add(target)
    elif what == "release":
        if world.ask(Verb.RELEASE, "" if target == "site" else target, "Ann").accepted:
            oracle.holds.discard(target)
    elif what in ("on", "off", "auto") and "/" in target:
        if world.ask(Verb.MODE, target, what).accepted:
            oracle.hand[target] = what
    elif what == "trip" and "/" in target and world.ports[target].power:  # type: ignore[index]
        world.trip(target)
    elif what == "reset" and "/" in target:
        world.ask(Verb.RESET, target)
    elif what == "mishap":
        world.mishaps.append(list(Mishap)[number % len(Mishap)])
    elif what == "unreachable":
        world.unreachable.add(("c1", "c2")[number % 2])
    elif what == "reachable":
        world.unreachable.clear()


ACTS = st.tuples(
    st.integers(1, 700),
    st.sampled_from(
        [
            "hold",
            "release",
            "on",
            "off",
            "auto",
            "trip",
            "reset",
            "mishap",
            "mishap",
            "unreachable",
            "reachable",
        ]
    ),
    st.sampled_from([*PORTS[:4], "c2/1", "c1", "c2", "site"]),
    st.integers(0, 9),
)


@QUICK
@given(st.lists(ACTS, max_size=14))
def test_power_only_while_something_allows_it(acts: list[tuple[int, str, str, int]]) -> None:
    """Outside shows, hands and their like, and under any hold or known trip, a port loses power in 45 s.

    With commands lost, late, refused or unanswered and controllers away in between; the bound counts from
    the end of the last of these. At the end of the night everything is off: every ON has had its OFF.
    """
    world = World(plan(), utc=START, poll_s=5.0)
    world.start()
    oracle = Oracle(world)
    begin_s = world.monotonic_s
    for at_s, what, target, number in sorted(acts):
        while world.monotonic_s < begin_s + at_s:
            world.run(1.0)
            oracle.look()
        act(world, oracle, what, target, number)
        oracle.look()
    while world.monotonic_s < begin_s + 760:
        world.run(1.0)
        oracle.look()
    act(world, oracle, "reachable", "", 0)
    world.mishaps.clear()
    for port in PORTS:
        act(world, oracle, "auto", port, 0)
    for target in sorted(oracle.holds):
        act(world, oracle, "release", target, 0)
    world.run(BOUND_S + 5)
    assert world.on() == set()


@QUICK
@given(
    st.lists(st.sampled_from(list(Mishap)), min_size=1, max_size=3), st.sampled_from(["hold", "off", "show"])
)
def test_an_off_is_never_dropped(mishaps: list[Mishap], why: str) -> None:
    """However the commands of a switching-off go astray, the ports go dark all the same.

    Three in a row without any result take 30 s each.
    """
    world = World(plan(), utc=START, poll_s=1.0)
    world.start()
    world.run_until(SHOW_TO - timedelta(seconds=10))
    assert set(PORTS[:-1]) == world.on()
    world.mishaps = list(mishaps)
    if why == "hold":
        world.ask(Verb.HOLD, "", "Ann")
    elif why == "off":
        for port in PORTS:
            world.ask(Verb.MODE, port, "off")
    else:
        world.run(20)
    world.run(30.0 * len(mishaps) + 20)
    assert world.on() == set()
    if why == "hold":
        assert {world.told(port, "hold-state") for port in PORTS} == {"confirmed-off"}


@QUICK
@example(370, 400)  # over the end of the show: tries to switch off had become rare meanwhile
@given(st.integers(1, 540), st.integers(30, 400))
def test_after_an_outage_one_command_per_port(at_s: int, long_s: int) -> None:
    """A controller that comes back is brought to what holds now by one command per port, never a replay."""
    world = World(plan(), utc=START, poll_s=1.0)
    world.start()
    world.run(float(at_s))
    world.unreachable.add("c1")
    world.run(float(long_s))
    world.unreachable.clear()
    back_utc = world.utc
    world.run(15)
    # Off the edges of the show, where more than one command may be right.
    edges = (SHOW_FROM - timedelta(seconds=LEAD_S), SHOW_TO + timedelta(seconds=RUN_ON_S))
    if any(back_utc - timedelta(seconds=2) <= edge <= world.utc for edge in edges):
        return
    for port in PORTS:
        given_ = [power for at, of, power in world.switches if of == port and at > back_utc]
        assert len(given_) <= 1, (port, given_)
    assert world.on() == (set(PORTS[:-1]) if edges[0] <= world.utc < edges[1] else set())


@QUICK
@given(st.integers(1, 700), st.integers(-7200, 7200).filter(lambda step: abs(step) > 5))
def test_after_a_clock_step_only_what_is_true_now(at_s: int, step_s: int) -> None:
    """A stepped clock (forward, backward, or a suspended machine) applies the state of now, once per port.

    Missed edges are not replayed, and a show that has run to its end does not run twice.
    """
    world = World(plan(), utc=START, poll_s=1.0)
    world.start()
    world.run(float(at_s))
    first, last = SHOW_FROM - timedelta(seconds=LEAD_S), SHOW_TO + timedelta(seconds=RUN_ON_S)
    done = world.utc >= last
    world.utc += timedelta(seconds=step_s)
    done = done or (world.utc >= last and START + timedelta(seconds=at_s) >= first)
    stepped_utc = world.utc
    world.run(10)
    if any(abs((edge - stepped_utc).total_seconds()) < 11 for edge in (first, last)):
        return
    for port in PORTS:
        given_ = [power for at, of, power in world.switches if of == port and stepped_utc <= at <= world.utc]
        assert len(given_) <= 1 or step_s < 0, (port, given_)
    runs = first <= world.utc < last and not done
    assert world.on() == (set(PORTS[:-1]) if runs else set())


@QUICK
@given(st.integers(-600, -60), st.integers(1, 25))
def test_delays_keep_their_seconds_when_the_clock_steps(step_s: int, after_s: int) -> None:
    """Thirty seconds after a release are thirty seconds, however far the wall clock is set back meanwhile."""
    world = World(plan(), utc=START + timedelta(minutes=5), poll_s=1.0)
    world.start()
    world.ask(Verb.HOLD, "c1/1", "Ann")
    world.run(5)
    assert world.ask(Verb.RELEASE, "c1/1", "Ann").accepted
    world.run(float(after_s))
    world.utc += timedelta(seconds=max(step_s, -100))
    world.run(RELEASE_S - after_s - 1.5)
    assert "c1/1" not in world.on()
    world.run(4)
    assert "c1/1" in world.on()


@QUICK
@example(130, 60)  # by the wrong clock the show ends meanwhile
@given(st.integers(-4000, 4000), st.integers(5, 60))
def test_a_wrong_clock_powers_nothing_until_it_is_trusted(wrong_s: int, wait_s: int) -> None:
    """With `require_synchronised_clock` a boot with a wrong time powers nothing by schedule.

    Once network time arrives what is true then is applied, with one command per port at most.
    """
    true_utc = START + timedelta(minutes=6)
    world = World(plan(trust_clock=False), utc=true_utc + timedelta(seconds=wrong_s), poll_s=1.0)
    world.start()
    world.step([ClockStatus(synchronised=False)])
    world.run(float(wait_s))
    assert world.on() == set()
    assert world.switches == []
    world.utc = true_utc + timedelta(seconds=wait_s)
    world.step([ClockStatus(synchronised=True)])
    world.run(5)
    assert world.on() == set(PORTS[:-1])
    assert len(world.switches) == len(PORTS) - 1


CLOCKS = st.integers(0, 24 * 12 - 1).map(lambda slot: time(slot // 12, slot % 12 * 5))
SHOWS = st.lists(
    st.tuples(
        CLOCKS,
        CLOCKS,
        st.sets(st.sampled_from(PORTS), min_size=1),
        st.sampled_from([0.0, 15.0, 90.0]),
        st.sampled_from([0.0, 20.0]),
        st.sets(st.integers(0, 6), min_size=1),
    ),
    min_size=1,
    max_size=3,
)


@settings(QUICK, max_examples=25)
@given(SHOWS, st.integers(1, 4), st.sampled_from([0.5, 3.0]), st.sets(st.sampled_from(PORTS), max_size=2))
def test_what_the_preview_says_comes_true(
    shows: list[tuple[time, time, set[str], float, float, set[int]]],
    at_once: int,
    gap_s: float,
    resting: set[str],
) -> None:
    """For any calendar the driven site switches each port when the preview said, and no other time."""
    made = plan(
        supplies=MappingProxyType({"shed": SupplyPlan("shed", 12.0, 200.0, at_once=at_once, gap_s=gap_s)})
    )
    ports = {port_id: replace(port, resting=port_id in resting) for port_id, port in made.ports.items()}
    controllers = {name: replace(one, stale_s=400.0) for name, one in made.controllers.items()}
    given_shows = tuple(
        ShowPlan(
            f"show{number}",
            f"Show {number}",
            (Window(Moment(Anchor.CLOCK, start), Moment(Anchor.CLOCK, end), frozenset(weekdays)),),
            tuple(port for port in ports if port in needs),
            warm_up_s,
            run_on_s,
        )
        for number, (start, end, needs, warm_up_s, run_on_s, weekdays) in enumerate(shows)
    )
    made = replace(made, ports=ports, controllers=controllers, shows=given_shows)
    begin, end = START, START + timedelta(days=2)
    world = World(made, utc=begin - timedelta(seconds=30), poll_s=180.0)
    world.start()
    world.run_until(end)
    fates = preview(made, {}, begin, end).fate_of()
    # What runs over the beginning comes on at once on a site that starts there; the preview saw it before.
    settled = begin + timedelta(seconds=30)
    for port, fate in fates.items():
        said = [
            (change.at_utc, change.power)
            for before, change in zip(fate.changes, fate.changes[1:], strict=False)
            if before.power is not change.power and change.at_utc > settled
        ]
        done = [(at, power) for at, of, power in world.switches if of == port and at > settled]
        assert [power for _, power in said] == [power for _, power in done], (port, said, done)
        for (said_at, _), (done_at, _) in zip(said, done, strict=True):
            assert abs((said_at - done_at).total_seconds()) < 0.2


@QUICK
@given(st.lists(ACTS, max_size=10), st.integers(60, 650), st.booleans())
def test_a_restart_keeps_what_must_be_kept(
    acts: list[tuple[int, str, str, int]], at_s: int, rebooted: bool
) -> None:
    """After a crash at any moment, with what the journal had, held and off-by-hand ports stay dark."""
    world = World(plan(), utc=START, poll_s=5.0)
    world.start()
    oracle = Oracle(world)
    begin_s = world.monotonic_s
    for act_s, what, target, number in sorted(acts):
        if act_s < at_s:
            world.run(max(0.0, begin_s + act_s - world.monotonic_s))
            act(world, oracle, what, target, number)
    world.run(max(0.0, begin_s + at_s - world.monotonic_s))
    after = World(plan(), utc=world.utc, monotonic_s=50.0 if rebooted else world.monotonic_s, poll_s=5.0)
    after.ports = world.ports
    after.step([Configured(after.plan), Restored(world.kept, Origin.JOURNAL, rebooted=rebooted)])
    # What it found is written again at once: all of it, but for an ON by hand, which a reboot ends.
    found, written = world.kept, after.kept
    assert (written.holds, written.weather_hold, written.ended_utc) == (
        found.holds, found.weather_hold, found.ended_utc,
    )  # fmt: skip
    assert written.modes == {
        port: hand for port, hand in found.modes.items() if not (rebooted and hand.mode is Mode.ON)
    }
    assert written.trips.keys() == found.trips.keys()
    counted = {port: energy_wh for port, energy_wh in found.energy_floor_wh.items() if energy_wh}
    assert written.energy_floor_wh == counted
    again = Oracle(after)
    again.holds = oracle.holds
    again.hand = {port: mode for port, mode in oracle.hand.items() if not (rebooted and mode == "on")}
    end_s = after.monotonic_s + 120
    while after.monotonic_s < end_s:
        after.run(1.0)
        again.look()
