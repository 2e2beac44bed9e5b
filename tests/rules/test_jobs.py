"""Test jobs take ports only while nothing graver wants them, and end in time."""

from dataclasses import replace
from datetime import UTC, datetime
from types import MappingProxyType

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from world import NOON, World, clock_window, site_plan, with_prop

from rules.door import Counted, CountPixels, Heard, JobChanged, JobEnded, Verb
from rules.plan import ShowPlan
from rules.ports import PortId
from rules.power import jobs
from rules.show_data.levels import PixelMap

ONE, TWO = PortId("c1/1"), PortId("c1/2")


def countable(plan=None, **more):
    """The plan with show data on all ports and a target for test patterns."""
    plan = plan or with_prop(site_plan(3), "c1/1", "c1/2")
    ports = {
        port.id: replace(port, show_data=PixelMap(port.id, number, 100), capacity=100)
        for number, port in enumerate(plan.ports.values(), start=1)
    }
    return replace(plan, ports=MappingProxyType(ports), lightable=frozenset({"c1"}), **more)


def running(plan=None, utc=NOON):
    """A world with that plan that has read its ports a few times."""
    world = World(plan or countable(), utc=utc)
    world.start()
    world.run(5.0)
    return world


def effects(world, kind):
    """All effects of a kind so far."""
    return [effect for _, effect in world.effects if isinstance(effect, kind)]


def power(world, *, on):
    """What the bridge does when a count wants power, or gives the port back (None)."""
    (begun,) = effects(world, CountPixels)[-1:]
    world.step([JobChanged(begun.name, (begun.port,), on, begun.until_s)])


def test_a_count_takes_all_feeds_and_powers_one():
    """The counted port gets power, the other feeds of its prop are off, and both say why."""
    world = running()
    answer = world.ask(Verb.COUNT, "c1/1", "start")
    assert answer.accepted
    assert "Off meanwhile: Port 1.2" in answer.text
    (begun,) = effects(world, CountPixels)
    assert (begun.port, begun.feeds) == (ONE, (ONE, TWO))
    assert begun.limit_a == pytest.approx(0.8 * 4.0)
    power(world, on=True)
    world.run(3.0)
    assert world.on() == {ONE}
    assert world.told(ONE, "reason") == "On for counting the pixels of Port 1.1."
    assert world.told(TWO, "reason") == "Off for counting the pixels of Port 1.1."
    power(world, on=None)
    world.run(3.0)
    assert world.on() == set()
    assert not effects(world, JobEnded)


def test_the_result_is_published_and_recorded():
    """The pixels counted become the port's and its prop's published number, and the answer its last one."""
    world = running()
    world.ask(Verb.COUNT, "c1/1")
    world.step([Counted(ONE, True, "98 pixels.", 98, {"pixels": 98})])
    assert world.told(ONE, "pixels") == 98
    assert world.told("arch", "pixels") == 198
    assert world.answers[0].text == "98 pixels."


REFUSED = {
    "a hold on the other feed": (lambda world: world.ask(Verb.HOLD, "c1/2", "Ann"), "held by Ann"),
    "off by hand": (lambda world: world.ask(Verb.MODE, "c1/1", "off"), "is off by hand"),
    "on by hand at the other feed": (lambda world: world.ask(Verb.MODE, "c1/2", "on"), "is on by hand"),
    "a trip": (lambda world: (world.ask(Verb.MODE, "c1/3", "auto"), trip(world)), "stays off"),
    "weather": (lambda world: world.ask(Verb.WEATHER_HOLD, "", "true"), "weather hold"),
    "no answer": (lambda world: world.unreachable.add("c1"), "does not answer"),
    "a show runs": (lambda world: world.ask(Verb.START_SHOW, "", "Evening"), "needs it now"),
    "another count": (lambda world: world.ask(Verb.COUNT, "c1/3"), "one count at a time"),
}


def trip(world):
    """The port comes on by hand and its fuse opens."""
    world.ask(Verb.MODE, "c1/1", "on")
    world.run(3.0)
    world.trip("c1/1")
    world.run(3.0)
    world.ask(Verb.MODE, "c1/1", "auto")


@pytest.mark.parametrize("case", REFUSED)
def test_refused_with_the_reason(case):
    """A count that can't be is refused, says why, and changes nothing."""
    world = running()
    before, says = REFUSED[case]
    before(world)
    world.run(5.0)
    begun = len(effects(world, CountPixels))
    answer = world.ask(Verb.COUNT, "c1/1", "start")
    assert not answer.accepted
    assert says in answer.text
    assert len(effects(world, CountPixels)) == begun


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"show_data": None}, "show_data: {universe: 1}"),
        ({"capacity": None}, "write pixels, or show_data: {capacity: 200}"),
        ({"resting": True}, "rests powered"),
    ],
)
def test_what_is_not_configured_is_named(change, says):
    """Where the configuration lacks something, the refusal says what to write."""
    plan = countable()
    ports = {**plan.ports, ONE: replace(plan.ports[ONE], **change)}
    world = running(replace(plan, ports=MappingProxyType(ports)))
    assert says in world.ask(Verb.COUNT, "c1/1").text
    world = running(replace(plan, lightable=frozenset()))
    assert "e131: {send: {to: {c1: ADDRESS}}}" in world.ask(Verb.COUNT, "c1/1").text


def test_a_show_soon_refuses():
    """A count that may not be over before the lead of the next show is refused, and says which."""
    world = running(utc=datetime(2025, 12, 1, 17, 52, tzinfo=UTC))
    answer = world.ask(Verb.COUNT, "c1/1")
    assert not answer.accepted
    assert "Evening needs it for Mon 01 Dec 18:00" in answer.text


def test_a_count_is_over_before_the_lead():
    """A count that is let in has until 5 s before the next show's lead, and no more than it may need."""
    world = running(utc=datetime(2025, 12, 1, 17, 49, tzinfo=UTC))
    assert world.ask(Verb.COUNT, "c1/1").accepted
    (begun,) = effects(world, CountPixels)
    lead_utc = datetime(2025, 12, 1, 17, 59, 30, tzinfo=UTC)
    left_s = (lead_utc - world.utc).total_seconds()
    assert begun.until_s == pytest.approx(world.monotonic_s + left_s - jobs.SHOW_MARGIN_S)
    world = running()
    world.ask(Verb.COUNT, "c1/1")
    (begun,) = effects(world, CountPixels)
    assert begun.until_s == pytest.approx(world.monotonic_s + 2 * jobs.count_needs_s(1.0))


def test_a_fault_refuses():
    """A standing fault is seen to first."""
    world = running()
    world.ports[TWO].stuck = True
    world.ports[TWO].power = True
    world.run(20.0)
    assert world.told(TWO, "fault") == "stuck-on"
    answer = world.ask(Verb.COUNT, "c1/1")
    assert not answer.accepted
    assert "Port 1.2 has the fault stuck-on" in answer.text


def test_data_on_its_universe_refuse():
    """While something sends to the port's universe, a count would measure that."""
    world = running()
    world.step([Heard((2,))])
    assert world.ask(Verb.COUNT, "c1/2").text.endswith(
        "show data arrives on universe 2; stop what sends it first."
    )
    assert world.ask(Verb.COUNT, "c1/1").accepted


ENDS = {
    "hold": (lambda world: world.ask(Verb.HOLD, "c1/2", "Ann"), "held by Ann"),
    "trip": (lambda world: world.trip("c1/1"), "fuse tripped"),
    "hand": (lambda world: world.ask(Verb.MODE, "c1/1", "off"), "Off by hand"),
    "unreachable": (lambda world: world.unreachable.add("c1"), "does not answer"),
    "show by hand": (lambda world: world.ask(Verb.START_SHOW, "", "Evening"), "Evening needs it now"),
    "asked": (lambda world: world.ask(Verb.COUNT, "c1/1", "stop"), "asked to stop"),
}


@pytest.mark.parametrize("case", ENDS)
def test_whatever_is_graver_ends_it_at_once(case):
    """A hold, trip, hand, lost controller or show ends the count on all feeds; it can't take them back."""
    world = running()
    world.ask(Verb.COUNT, "c1/1")
    power(world, on=True)
    world.run(3.0)
    assert world.on() == {ONE}
    happen, says = ENDS[case]
    happen(world)
    world.run(1.5)
    (ended,) = effects(world, JobEnded)
    assert says in ended.reason
    assert {world.engine.state.ports[port].job for port in (ONE, TWO)} == {None}
    if case != "show by hand":
        world.run(3.0)
        power(world, on=True)
        world.unreachable.clear()
        world.run(20.0)
        assert world.on() == set()


@settings(max_examples=40, deadline=None)
@given(
    starts_s=st.integers(60, 4000),
    asked_after_s=st.integers(0, 3000),
    wanted_s=st.sampled_from([10.0, 500.0, 1e9]),
    change=st.sampled_from([True, False]),
)
def test_no_job_outlives_the_lead_of_the_next_show(starts_s, asked_after_s, wanted_s, change):
    """Whatever a job asks for and whoever forgets it: when a show leads in, no feed of it has a job."""
    from datetime import timedelta

    starts = NOON + timedelta(seconds=starts_s - starts_s % 60)
    show = ShowPlan("tea", "Tea", (clock_window(f"{starts:%H:%M}", "20:00"),), (TWO,), warm_up_s=30.0)
    world = World(replace(countable(), shows=(show,)), poll_s=7.0)
    world.start()
    world.run(min(asked_after_s, max(0, starts_s - 100)))
    world.step([JobChanged("a check", (ONE, TWO), True, world.monotonic_s + wanted_s, begin=True)])
    if change:
        world.run(3.0)
        world.step([JobChanged("a check", (ONE,), False, world.monotonic_s + wanted_s)])
    lead = starts - timedelta(seconds=30.0)
    if world.utc < lead:
        world.run_until(lead - timedelta(seconds=jobs.SHOW_MARGIN_S - 0.1))
    ports = world.engine.state.ports
    assert ports[ONE].job is None
    assert ports[TWO].job is None
    world.run_until(max(world.utc, lead + timedelta(seconds=10)))
    assert ports[TWO].verdict.rule.value == "show"
