"""Wall clocks that step or are not set yet, and answers and states that are true when they are given."""

from dataclasses import replace
from datetime import time, timedelta

import pytest
from world import World, evening, reload, running, site_plan, with_prop

from rules.door import Asked, BaselineLoaded, ClockStatus, Event, Origin, Publish, Verb
from rules.plan import PreShow, SitePlan
from rules.ports import PortId, Reading, Target, TargetKind
from rules.shows.calendar import Anchor, Moment

FIRST = PortId("c1/1")


def checked(**more: object) -> SitePlan:
    """One port, and a pre-show check at 15:30."""
    plan = site_plan(1, pre_show=PreShow(Moment(Anchor.CLOCK, time(15, 30)), 60.0))
    return replace(plan, **more)  # type: ignore[arg-type]


def test_no_pre_show_check_by_a_clock_that_is_not_trusted() -> None:
    """What a schedule asks for waits for a synchronised clock, and the check is a schedule."""
    world = World(checked(trust_clock=False), utc=evening(15, 29))
    world.start()
    world.step([ClockStatus(synchronised=False)])
    world.run(90.0)
    assert world.switches == []


@pytest.mark.parametrize("step_min", [-60, 120])
def test_the_pre_show_check_follows_a_clock_that_stepped(step_min: int) -> None:
    """A clock set right after the start, either way, moves the check of that day with it."""
    world = World(checked(), utc=evening(12), poll_s=10.0)
    world.start()
    world.run(60.0)
    world.utc += timedelta(minutes=step_min)
    world.run_until(evening(15, 30, 30))
    assert world.on() == {FIRST}


def test_a_shelf_ends_by_the_clock_that_stepped() -> None:
    """Shelved for half an hour, and the clock steps an hour ahead: the condition is told again."""
    world = running(site_plan(1))
    world.ports[FIRST].current_a = 0.0
    world.run(60.0)
    assert world.ask(Verb.SHELVE, FIRST, "no-load PT30M").accepted
    world.run(10.0)
    world.utc += timedelta(hours=1)
    world.run(5.0)
    assert (FIRST, "no-load") in world.alerts


def test_a_show_started_by_hand_needs_no_clock() -> None:
    """A person starts a show where the clock is not set: that is no schedule, and the ports come on."""
    world = World(site_plan(1, trust_clock=False), utc=evening(18, 30))
    world.start()
    world.step([ClockStatus(synchronised=False)])
    world.run(5.0)
    assert world.on() == set()
    assert world.ask(Verb.START_SHOW, "", "evening").accepted
    world.run(5.0)
    assert world.on() == {FIRST}


def test_a_lost_journal_is_told_until_somebody_confirms() -> None:
    """That the site is held because of it is a standing fault, which a write that succeeds does not end."""
    world = World(site_plan(1), utc=evening(12))
    world.start(Origin.LOST)
    world.run(60.0)
    assert world.told("lane", "fault") == "journal-fault"
    assert "can't be written" not in world.alerts["lane", "journal-fault"]
    assert world.ask(Verb.CONFIRM).accepted
    assert world.told("lane", "fault") == "none"


def test_on_by_hand_is_refused_while_another_feed_is_off_by_hand() -> None:
    """It could not be met now, and must not come true later when nobody thinks of it."""
    world = running(with_prop(site_plan(2), "c1/1", "c1/2"))
    assert world.ask(Verb.MODE, "c1/2", "off").accepted
    world.run(5.0)
    answer = world.ask(Verb.MODE, FIRST, "on")
    assert not answer.accepted
    assert "Port 1.2" in answer.text
    assert world.told(FIRST, "mode") == "auto"


@pytest.mark.parametrize(("verb", "argument"), [(Verb.MODE, "on"), (Verb.RESET, "")])
def test_a_request_after_a_hold_in_the_same_step_meets_the_hold(verb: Verb, argument: str) -> None:
    """Requests that arrive together are answered one after the other, as if they had come apart."""
    world = running(site_plan(1))
    world.trip(FIRST)
    world.run(5.0)
    target = Target(TargetKind.PORT, FIRST)
    world.step([Asked(101, Verb.HOLD, target, "Ann"), Asked(102, verb, target, argument)])
    assert not world.answers[102].accepted
    assert "Ann" in world.answers[102].text


def test_stopping_a_count_does_not_stop_the_pre_show_check() -> None:
    """A port that the check has is not being counted, and the answer says so."""
    world = World(checked(), utc=evening(15, 29))
    world.start()
    world.run_until(evening(15, 30, 20))
    assert not world.ask(Verb.COUNT, FIRST, "stop").accepted
    assert world.on() == {FIRST}


class Mumbling(World):
    """Controllers that, once `mumbling`, answer but leave power out."""

    mumbling = False

    def readings(self) -> list[Event]:
        """One poll."""
        found = super().readings()
        if not self.mumbling:
            return found
        return [one._replace(power=None) if isinstance(one, Reading) else one for one in found]


def test_a_hold_is_confirmed_only_while_the_controller_says_so() -> None:
    """A controller that answers but no longer reports power proves nothing: the hold's state is unknown."""
    world = Mumbling(site_plan(1), utc=evening(12))
    world.start()
    world.run(5.0)
    assert world.ask(Verb.HOLD, FIRST, "Ann").accepted
    world.run(5.0)
    assert world.told(FIRST, "hold-state") == "confirmed-off"
    world.mumbling = True
    world.run(20.0)
    assert world.told(FIRST, "hold-state") == "unknown"
    world.mumbling = False
    world.run(5.0)
    assert world.told(FIRST, "hold-state") == "confirmed-off"


def test_another_number_of_pixels_begins_to_learn_anew() -> None:
    """Half the pixels taken off, and so configured: the new idle current is learned in a few evenings."""
    plan = site_plan(1)
    world = World(plan, utc=evening(17, 50), poll_s=3.0)
    world.start()
    world.step([BaselineLoaded(FIRST, 0.226, 0.01)])
    reload(world, replace(plan, ports={FIRST: replace(plan.ports[FIRST], pixels=50, idle_a=0.113)}))
    world.ports[FIRST].current_a = 0.12
    world.run(3.5 * 86400)
    facts = world.engine.state.ports[FIRST].facts
    assert facts.learned
    assert facts.idle_a == pytest.approx(0.12, abs=0.005)


def test_off_by_hand_is_the_target_of_a_tripped_port_too() -> None:
    """An accepted `off` is said on `$target`, where a trip alone leaves it as it was (Homie 5, `$target`)."""
    world = running(site_plan(1))
    assert world.on()
    world.trip(FIRST)
    world.run(2.0)
    target = Target(TargetKind.PORT, FIRST)
    said = [
        effect.value
        for effect in world.step([Asked(900, Verb.MODE, target, "off")])
        if isinstance(effect, Publish) and effect.as_target
    ]
    assert said == [False]


@pytest.mark.parametrize("name", ["End of season", "End evening"])
def test_a_show_whose_name_begins_with_end_can_be_started(name: str) -> None:
    """The whole name of a show starts it, whatever it begins with; `end` alone ends what runs."""
    plan = site_plan(1)
    (show, *_) = plan.shows
    world = World(replace(plan, shows=(replace(show, name=name),)), utc=evening(12))
    world.start()
    world.run(3.0)
    assert world.ask(Verb.START_SHOW, argument=name).accepted
    world.run(20.0)
    assert world.on() == {FIRST}
    assert world.ask(Verb.START_SHOW, argument=f"end {name}").accepted
    assert world.ask(Verb.START_SHOW, argument=name).accepted
    world.run(3.0)
    assert world.ask(Verb.START_SHOW, argument="end").accepted
