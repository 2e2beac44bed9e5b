"""Show data in the engine: shows that follow their data, expected currents, departures from them."""

from dataclasses import replace
from datetime import UTC, datetime
from types import MappingProxyType

import pytest
from world import World, reload, site_plan

from rules.door import Expected, Heard, JobChanged, LearnedLoaded, Record, Remark, Switch, Verb
from rules.plan import Limit
from rules.ports import Condition, PortId
from rules.show_data import hearing
from rules.show_data.levels import PixelMap

ONE = PortId("c1/1")
EVENING = datetime(2025, 12, 1, 18, 5, tzinfo=UTC)
DARK_A = 100 * 0.00226
LIT_A = 100 * 0.0555 * 0.3


def hearing_plan(**show):
    """One port of 100 pixels with show data in universe 1; the show as `show` says."""
    plan = site_plan(1)
    port = replace(
        plan.ports[ONE], show_data=PixelMap(ONE, 1, 100, brightness=0.3), capacity=100, chip="ws2811-12v",
        brightness=0.3, idle_a=None, expected_a=None,
    )  # fmt: skip
    shows = (replace(plan.shows[0], warm_up_s=0.0, **show),)
    return replace(plan, ports=MappingProxyType({ONE: port}), shows=shows)


def show_data(world, seconds, share=0.4, *, gain=1.0, lost=0.0):
    """Levels that light `share` of full, for a while; the string draws that, less what is lost."""
    for _ in range(seconds):
        computed_a = DARK_A + LIT_A * share
        world.ports[ONE].current_a = (DARK_A + gain * LIT_A * share) * (1.0 - lost)
        world.run(1.0)
        points = tuple((world.monotonic_s - 1.0 + n / 8, computed_a) for n in range(9))
        world.step([Expected(ONE, points)])


def evening(**show):
    """A world in the evening with the show running and its port on."""
    world = World(hearing_plan(**show), utc=EVENING)
    world.start()
    world.run(5.0)
    return world


def test_a_show_follows_its_data():
    """Within its window the show runs while its universe is heard, and ends by silence plus run-on."""
    world = evening(data=(1, 2), run_on_s=20.0)
    assert world.on() == set()
    world.step([Heard((7,))])
    world.run(3.0)
    assert world.on() == set()
    world.step([Heard((1, 7))])
    world.run(3.0)
    assert world.on() == {ONE}
    assert world.told("lane", "show") == "Evening"
    assert world.told("lane", "universes") == "1, 7"
    world.step([Heard(())])
    world.run(18.0)
    assert world.on() == {ONE}
    world.step([Heard((2,))])
    world.run(60.0)
    assert world.on() == {ONE}
    world.step([Heard(())])
    world.run(23.0)
    assert world.on() == set()


def test_the_calendar_is_the_outer_limit():
    """Data before the window power nothing; at its end the ports go dark, whatever is still heard."""
    world = World(hearing_plan(data=(1,), run_on_s=20.0), utc=datetime(2025, 12, 1, 17, 59, 0, tzinfo=UTC))
    world.start()
    world.step([Heard((1,))])
    world.run(50.0)
    assert world.on() == set()
    world.run(20.0)
    assert world.on() == {ONE}
    world.run_until(datetime(2025, 12, 1, 22, 0, 10, tzinfo=UTC))
    assert world.on() == {ONE}
    world.run(15.0)
    assert world.on() == set()


def test_the_preview_shows_the_outer_limit():
    """A preview of a show that follows its data shows it as long as it may be: data can't be foreseen."""
    from datetime import timedelta

    from rules.outlook.preview import preview

    start = datetime(2025, 12, 1, 12, 0, tzinfo=UTC)
    plan = hearing_plan(data=(1,), run_on_s=20.0)
    seen = preview(plan, {}, start, start + timedelta(days=1))
    again = preview(hearing_plan(run_on_s=20.0), {}, start, start + timedelta(days=1))
    assert seen.fate_of()[ONE] == again.fate_of()[ONE]
    assert seen.runs
    assert seen.runs == again.runs


def test_an_untrusted_clock_powers_nothing_by_data():
    """The window is a matter of the clock: without a clock to trust, data alone power nothing."""
    world = World(replace(hearing_plan(data=(1,)), trust_clock=False), utc=EVENING)
    world.start()
    world.step([Heard((1,))])
    world.run(5.0)
    assert world.on() == set()


def test_expected_is_published_and_falls_back():
    """`expected` is what the data ask for, by exception; when they fall silent it is the idle current."""
    world = evening()
    show_data(world, 3)
    assert world.told(ONE, "expected") == pytest.approx(DARK_A + 0.4 * LIT_A)
    count = sum(getattr(effect, "property", "") == "expected" for _, effect in world.effects)
    show_data(world, 20)
    assert sum(getattr(effect, "property", "") == "expected" for _, effect in world.effects) == count
    world.step([Expected(ONE, ())])
    assert world.told(ONE, "expected") == pytest.approx(DARK_A, rel=1e-3)


def test_a_dark_part_is_told_and_nothing_is_switched():
    """A fifth of the lit string goes dark: undercurrent within 30 s, told with what the data ask for."""
    world = evening()
    show_data(world, 200)
    assert not world.alerts
    switches = len(world.switches)
    show_data(world, 30, lost=0.2)
    text = world.alerts[ONE, "undercurrent"]
    assert "Its show data ask for 0.89 A." in text
    assert len(world.switches) == switches
    show_data(world, 40)
    assert world.told(ONE, "fault") == "none"


def test_more_than_the_data_ask_for_never_cuts_the_power():
    """`overcurrent` by show data is told only: the rating is far away, so the port stays on."""
    world = evening()
    show_data(world, 200)
    show_data(world, 30, gain=1.3)
    assert (ONE, "overcurrent") in world.alerts
    assert world.on() == {ONE}


def test_a_condition_stands_while_any_judge_says_so():
    """The idle floor and the data both see the dark part; it returns when both say it is over."""
    world = evening()
    show_data(world, 100)
    show_data(world, 100, share=0.0)
    show_data(world, 40, share=0.0, lost=0.6)
    port = world.engine.state.ports[ONE]
    assert Condition.UNDERCURRENT in port.detector.active
    assert port.departures == {"data": Condition.UNDERCURRENT}
    show_data(world, 40, share=0.4)
    assert not port.departures
    assert world.told(ONE, "fault") == "undercurrent"
    show_data(world, 40, share=0.0)
    assert world.told(ONE, "fault") == "none"


def test_the_data_go_on_where_the_idle_floor_is_content():
    """The dark moments look whole again, the lit ones do not yet: the condition stands."""
    world = evening()
    show_data(world, 100)
    show_data(world, 100, share=0.0)
    show_data(world, 40, share=0.0, lost=0.6)
    show_data(world, 20, share=0.4, gain=0.5)
    port = world.engine.state.ports[ONE]
    for _ in range(20):
        show_data(world, 1, share=0.0)
        if Condition.UNDERCURRENT not in port.detector.active:
            break
    assert port.departures
    assert world.told(ONE, "fault") == "undercurrent"


def test_a_job_is_not_compared():
    """What a test job lights is not what the data ask for: nothing is told meanwhile."""
    world = World(hearing_plan(), utc=EVENING.replace(hour=12))
    world.start()
    world.run(5.0)
    world.step([JobChanged("a check", (ONE,), True, world.monotonic_s + 600.0, begin=True)])
    world.run(3.0)
    port = world.engine.state.ports[ONE]
    taught = replace(port.compared, line=replace(port.compared.line, windows=50))
    port.compared = taught
    world.step([Expected(ONE, ((world.monotonic_s, DARK_A),))])
    show_data(world, 60, lost=0.6)
    assert not port.departures
    assert not port.compared.samples


def test_silence_at_the_end_of_the_window_powers_nothing():
    """A show that never heard its data gets no run-on when its window closes."""
    world = World(hearing_plan(data=(1,), run_on_s=20.0), utc=datetime(2025, 12, 1, 21, 59, 50, tzinfo=UTC))
    world.start()
    world.run(25.0)
    assert not world.switches


def test_what_was_learned_is_kept_and_comes_back():
    """At the evening's end the line goes to the store; loaded on a new start, it judges at once."""
    world = evening()
    show_data(world, 200, gain=1.1)
    world.ask(Verb.START_SHOW, "", "end")
    world.run(30.0)
    (record,) = [e for _, e in world.effects if isinstance(e, Record) and e.kind == "learned"]
    again = World(hearing_plan(), utc=EVENING)
    again.start()
    again.step([LearnedLoaded(ONE, record.data["name"], record.data["packed"])])
    again.run(5.0)
    show_data(again, 25, gain=1.1)
    assert not again.alerts
    show_data(again, 30, gain=1.1, lost=0.2)
    assert (ONE, "undercurrent") in again.alerts
    again.step([LearnedLoaded(ONE, record.data["name"], b"?")])
    assert any("learned anew" in e.text for _, e in again.effects if isinstance(e, Remark))


def test_relearning_forgets():
    """A person who took pixels off lets the port learn anew: the alarm goes and does not come back."""
    world = evening()
    show_data(world, 200)
    show_data(world, 30, gain=0.8)
    assert (ONE, "undercurrent") in world.alerts
    world.ask(Verb.RELEARN, ONE)
    show_data(world, 300, gain=0.8)
    assert world.told(ONE, "fault") == "none"


@pytest.mark.parametrize(
    "change",
    [
        {"show_data": None},
        {"show_data": PixelMap(ONE, 1, 100, brightness=0.24), "brightness": 0.24},
        {"limits": MappingProxyType({Condition.UNDERCURRENT: Limit(30.0, 10.0, enabled=False)})},
    ],
    ids=["no show data", "another brightness limit", "switched off"],
)
def test_a_departure_ends_with_what_judged_it(change):
    """After a reload, a dark part told by a model that is gone, changed or switched off is told no longer."""
    world = evening()
    show_data(world, 200)
    show_data(world, 30, lost=0.2)
    assert (ONE, "undercurrent") in world.alerts
    port = replace(world.plan.ports[ONE], **change)
    reload(world, replace(world.plan, ports=MappingProxyType({ONE: port})))
    world.ports[ONE].current_a = DARK_A
    world.run(5.0)
    assert world.told(ONE, "fault") == "none"


def test_models_follow_the_configuration():
    """The model is pixels times the chip's currents (WS2811 data sheet: 18.5 mA a channel), limited."""
    plan = hearing_plan()
    model = hearing.model_of(plan, plan.ports[ONE])
    # 12 V through 2.7 kohm to a chip at 5.9 V: 2.26 mA for each dark pixel (WS2811 data sheet's circuit).
    assert model.dark_a == pytest.approx(100 * 6.1 / 2700.0)
    assert model.full_a == pytest.approx(100 * (6.1 / 2700.0 + 3 * 0.0185 * 0.3))
    other = replace(plan.ports[ONE], chip=None, expected_a=2.0, idle_a=0.2)
    assert hearing.model_of(plan, other).full_a == pytest.approx(2.0)
    assert hearing.model_of(plan, replace(other, expected_a=None)) is None
    assert hearing.universes(replace(plan, shows=(replace(plan.shows[0], data=(9,)),))) == (1, 9)
    assert hearing.spelled((1, 2, 3, 7, 9, 8)) == "1 to 3, 7 to 9"


def test_no_switch_but_by_shows():
    """Nothing that is heard switches a port of a show that does not follow its data."""
    world = World(hearing_plan())
    world.start()
    world.step([Heard((1,))])
    world.run(5.0)
    assert not [e for _, e in world.effects if isinstance(e, Switch)]
