"""Signatures in the engine: a show is learned over nights, departures are told, what is learned is kept."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import MappingProxyType

import pytest
from hypothesis import given
from hypothesis import strategies as st
from world import World, clock_window, reload, site_plan

from rules.door import Expected, LearnedLoaded, Record, Remark, Verb
from rules.errors import RulesError
from rules.ports import PortId
from rules.show_data import nights
from rules.show_data.levels import PixelMap
from rules.show_data.signature import SignatureSettings

ONE = PortId("c1/1")
FIRST = datetime(2025, 12, 1, 17, 59, tzinfo=UTC)
IDLE_A = 0.226


def plan(**more):
    """One port without a rating; a show of eight minutes each evening."""
    base = site_plan(1)
    port = replace(base.ports[ONE], expected_a=None)
    show = replace(
        base.shows[0], when=(clock_window("18:00", "18:08"),), warm_up_s=0.0, run_on_s=10.0, **more
    )
    return replace(base, ports=MappingProxyType({ONE: port}), shows=(show,))


def usual(at_s):
    """What the show makes the port draw."""
    return IDLE_A + (0.0 if at_s % 60.0 < 5.0 else 0.4 + 0.2 * math.sin(at_s / 15.0))


class Evenings:
    """A world that plays one evening after the other."""

    def __init__(self, site=None):
        self.world = World(site or plan(), utc=FIRST)
        self.world.start()
        self.world.run(2.0)
        self.poll_s = 1.0

    def play(self, look=usual, *, data=None):
        """One evening; `look`: what the port draws, `data`: what heard levels ask for."""
        world = self.world
        start = world.utc.replace(hour=18, minute=0, second=0, microsecond=0)
        if world.utc > start:
            start += timedelta(days=1)
        world.poll_s = 3600.0
        world.run_until(start - timedelta(seconds=30))
        world.poll_s = self.poll_s
        world._next_poll_s = world.monotonic_s
        while world.utc < start + timedelta(minutes=9):
            at_s = (world.utc - start).total_seconds()
            world.ports[ONE].current_a = max(0.0, look(at_s)) if at_s >= 0 else IDLE_A
            world.run(1.0)
            if data is not None and at_s >= 0:
                points = ((world.monotonic_s - 1.0 + n / 4, data(at_s)) for n in range(5))
                world.step([Expected(ONE, tuple(points))])

    def fault(self):
        """The port's gravest fault."""
        return self.world.told(ONE, "fault")

    def remarks(self):
        """Remarks on the port so far."""
        return [e.text for _, e in self.world.effects if isinstance(e, Remark) and e.target.id == ONE]

    def kept(self):
        """The newest packed nights."""
        found = [e for _, e in self.world.effects if isinstance(e, Record) and e.kind == "learned"]
        return found[-1].data


def tail(share, *, after_s=0.0):
    """The show with a part of the lit pixels dark from `after_s` on (they keep their idle current)."""
    return lambda at_s: usual(at_s) - (share * (usual(at_s) - IDLE_A) if at_s >= after_s else 0.0)


def learned():
    """Evenings with a learned signature."""
    evenings = Evenings()
    for _ in range(6):
        evenings.play()
    assert evenings.fault() == "none"
    return evenings


def test_a_dark_part_is_told_where_and_by_how_much():
    """After six evenings a sixth of the lit pixels that stays dark is told, with its place in the show."""
    evenings = learned()
    evenings.play(tail(0.17, after_s=200.0))
    text = evenings.world.alerts[ONE, "undercurrent"]
    assert "In Evening, from 3:2" in text
    assert "% less" in text
    assert evenings.world.on() == set()
    told = [e for _, e in evenings.world.effects if type(e).__name__ == "Alert" and e.text]
    evenings.play(tail(0.17))
    assert [e for _, e in evenings.world.effects if type(e).__name__ == "Alert" and e.text] == told
    evenings.play()
    assert evenings.fault() == "none"


def test_it_is_told_during_the_show():
    """A departure is told within half a minute, not only when the show is over."""
    evenings = learned()
    world = evenings.world
    evenings.play(tail(0.3, after_s=200.0))
    start = world.utc.replace(hour=18, minute=0, second=0, microsecond=0)
    at = next(utc for utc, e in world.effects if type(e).__name__ == "Alert" and e.text)
    assert 200.0 <= (at - start).total_seconds() <= 235.0


def test_more_current_is_told_too():
    """More than usual over a part of the show is told as overcurrent, and switches nothing."""
    evenings = learned()
    evenings.play(tail(-0.3, after_s=100.0))
    assert (ONE, "overcurrent") in evenings.world.alerts
    assert evenings.world.engine.state.ports[ONE].verdict.rule.value == "nothing"


def test_nothing_is_told_while_it_learns():
    """Five different evenings raise nothing."""
    evenings = Evenings()
    for night in range(5):
        evenings.play(tail(0.15 * night))
    assert not evenings.world.alerts
    assert not evenings.world.engine.state.ports[ONE].departures


def test_a_changed_show_is_said_once_and_learned_anew():
    """Another show under the same name is a remark on its first night, and no alarm on any."""
    evenings = learned()

    def other(at_s):
        return IDLE_A + 0.4 + 0.35 * math.sin(at_s / 9.0 + 2.0)

    for _ in range(7):
        evenings.play(other)
        assert not evenings.world.engine.state.ports[ONE].departures
    assert sum("learned anew" in text for text in evenings.remarks()) == 1
    evenings.play(lambda at_s: other(at_s) - (0.25 * (other(at_s) - IDLE_A) if at_s > 100.0 else 0.0))
    assert evenings.fault() == "undercurrent"


@pytest.mark.parametrize("end", ["18:06", "18:10"])
def test_another_length_is_the_calendar_and_no_news(end):
    """Evenings that end earlier or later by the calendar (sunset moves) are compared as far as they go."""
    evenings = learned()
    site = plan()
    show = replace(site.shows[0], when=(clock_window("18:00", end),))
    from rules.door import Configured

    evenings.world.step([Configured(replace(site, shows=(show,)))])
    evenings.play()
    assert not evenings.remarks()
    assert evenings.fault() == "none"
    evenings.play(tail(0.3, after_s=100.0))
    assert evenings.fault() == "undercurrent"


def test_a_broken_evening_says_nothing():
    """An evening with the port off by hand for a while is neither judged nor learned."""
    evenings = learned()
    world = evenings.world

    def look(at_s):
        if at_s == 100.0:
            world.ask(Verb.MODE, ONE, "off")
        if at_s == 200.0:
            world.ask(Verb.MODE, ONE, "auto")
        return usual(at_s)

    before = len([1 for _, e in world.effects if isinstance(e, Record) and e.kind == "learned"])
    evenings.play(look)
    assert evenings.fault() == "none"
    assert before == len([1 for _, e in world.effects if isinstance(e, Record) and e.kind == "learned"])


def test_two_shows_at_once_say_nothing():
    """While another show runs on the port as well, nobody can tell what either draws: no night of it."""
    site = plan()
    extra = replace(site.shows[0], id="extra", name="Extra", when=(clock_window("03:00", "03:05"),))
    evenings = Evenings(replace(site, shows=(*site.shows, extra)))
    world = evenings.world

    def look(at_s):
        if at_s == 100.0:
            world.ask(Verb.START_SHOW, "", "Extra")
        if at_s == 130.0:
            world.ask(Verb.START_SHOW, "", "end Extra")
        return usual(at_s)

    evenings.play(look)
    assert not [e for _, e in world.effects if isinstance(e, Record) and e.kind == "learned"]


def test_data_know_better():
    """Where the levels are heard and the port draws what they ask for, a dimmed show is no dark string."""
    site = plan()
    port = replace(site.ports[ONE], show_data=PixelMap(ONE, 1, 100), chip="ws2811-12v", idle_a=None)
    evenings = Evenings(replace(site, ports=MappingProxyType({ONE: port})))
    for _ in range(7):
        evenings.play(data=usual)
    dimmed = tail(0.3, after_s=100.0)
    evenings.play(dimmed, data=dimmed)
    evenings.play(dimmed, data=dimmed)
    assert not evenings.world.alerts
    evenings.play(dimmed)
    assert not evenings.world.alerts
    evenings.play(tail(0.5, after_s=100.0), data=dimmed)
    assert (ONE, "undercurrent") in evenings.world.alerts


def test_what_is_learned_comes_back():
    """On a new start with the stored nights a departure is told on the first evening."""
    data = learned().kept()
    again = Evenings()
    again.world.step([LearnedLoaded(ONE, data["name"], data["packed"])])
    restored = again.world.engine.state.ports[ONE].signatures["evening"].signature
    # What is usual is worked out port by port after the start, not all at once when the show begins.
    assert restored._usual is None
    again.world.run(nights.SETTLE_S + 1.0)
    assert restored._usual is not None
    again.play(tail(0.3, after_s=100.0))
    assert (ONE, "undercurrent") in again.world.alerts
    again.world.step([LearnedLoaded(ONE, "show other", data["packed"])])
    assert set(again.world.engine.state.ports[ONE].signatures) == {"evening"}


def test_relearning_forgets():
    """A person who changed the string lets the port learn anew: the alarm goes, the store is told."""
    evenings = learned()
    evenings.play(tail(0.3, after_s=100.0))
    assert evenings.fault() == "undercurrent"
    evenings.world.ask(Verb.RELEARN, ONE)
    assert evenings.fault() == "none"
    assert evenings.kept() == {"name": "show evening", "packed": b""}
    evenings.play(tail(0.3))
    assert evenings.fault() == "none"


def test_a_departure_ends_with_its_show():
    """A show that leaves the configuration takes along what was told of its nights."""
    evenings = learned()
    evenings.play(tail(0.3, after_s=100.0))
    assert evenings.fault() == "undercurrent"
    known = evenings.world.plan
    reload(evenings.world, replace(known, shows=(replace(known.shows[0], id="other", name="Other"),)))
    assert evenings.fault() == "none"


def test_slower_readings_are_learned_anew():
    """A port that is read less often is learned and judged by what its readings can show."""
    evenings = learned()
    known = evenings.world.plan
    slower = {name: replace(one, every_s=5.0) for name, one in known.controllers.items()}
    reload(evenings.world, replace(known, controllers=MappingProxyType(slower)))
    evenings.poll_s = 5.0
    for _ in range(6):
        evenings.play()
    evenings.play(tail(0.5))
    assert evenings.fault() == "undercurrent"
    evenings.play()
    assert evenings.fault() == "none"


values = st.one_of(st.none(), st.floats(0.0, 65.5).map(lambda a: round(a, 3)))


@given(st.sampled_from([1.0, 2.0, 16.0]), st.lists(st.lists(values, max_size=30), max_size=4))
def test_packed_nights_come_back(bin_s, several):
    """Nights survive packing to the milliampere."""
    again_s, again = nights.unpack(nights.pack(bin_s, several))
    assert again_s == bin_s
    assert [[None if v is None else pytest.approx(v, abs=6e-4) for v in night] for night in several] == again


@pytest.mark.parametrize("packed", [b"", b"\0" * 10, nights.pack(2.0, [[1.0] * 9])[:-3], b"\xff" * 40])
def test_what_is_no_night_is_refused(packed):
    """A damaged record is an error of our own, never a crash or a signature."""
    with pytest.raises(RulesError):
        nights.unpack(packed)


def test_memory_is_bounded():
    """Bins times ports stay within the budget for any site, and a bin holds two readings at least."""
    for ports in (1, 48, 512, 5000):
        for length_s in (60.0, 14_400.0, 43_200.0):
            for every_s in (0.25, 1.0, 10.0):
                found = nights.settings_for(length_s, every_s, ports)
                assert isinstance(found, SignatureSettings)
                assert found.bin_s >= 2.0 * every_s or found.bin_s == 1.0
                assert found.max_bins * found.bin_s >= length_s
                assert ports * found.max_bins <= max(nights.BINS_IN_ALL, ports * nights.BINS_LEAST)
