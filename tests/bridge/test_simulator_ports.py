"""The simulated site in process: every fault shows, time may be cut anyhow, one seed is one site."""

from dataclasses import replace
from itertools import pairwise
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.errors import ConfigurationError, PermanentError
from bridge.simulator.clock import ManualClock, SpeedClock
from bridge.simulator.scenarios import STORY, demo_site
from bridge.simulator.site import SimulatedSite
from bridge.simulator.spec import (
    ControllerSpec,
    FaultKind,
    FaultSpec,
    FuseSpec,
    PortSpec,
    Segment,
    SensorSpec,
    SiteSpec,
    StringSpec,
    load_spec,
    read_spec,
)
from rules.ports import PortId, Reading

EXACT = SensorSpec(noise_a=0.0, step_a=0.0, refresh_s=0.01, full_scale_a=100.0)
POLYMER = FuseSpec(kind="polymer", hold_a=3.0, trip_a=5.1, trip_s=1.0)
QUIESCENT_A = 0.226
"""100 pixels of the 12 V part with nothing lit (common practice: 225-227 mA)."""


def site_of(*ports, show=(), clock=None, seed=0):
    """A site with the one controller gable."""
    clock = ManualClock() if clock is None else clock
    return SimulatedSite(SiteSpec("yard", (ControllerSpec("gable", ports),), show), seed=seed, clock=clock)


def powered(show=(), **numbers):
    """A site with one powered port, its handle, its clock."""
    port = PortSpec(1, **{"string": StringSpec(100), "sensor": EXACT, "power_at_start": True} | numbers)
    site = site_of(port, show=show)
    return site, site.port("gable/1"), site.clock


# ---------------------------------------------------------------- switching


def test_a_port_draws_only_while_it_is_powered():
    """Off is 0 A, on is the quiescent current, off again is 0 A; each change stands in the history."""
    site, handle, clock = powered(power_at_start=False)
    assert handle.truth().current_a == 0.0
    clock.advance(1.0)
    handle.command(True)
    assert handle.truth().current_a == pytest.approx(QUIESCENT_A, rel=0.02)
    clock.advance(1.0)
    handle.command(False)
    assert handle.truth().current_a == 0.0
    assert [(change.at_s, change.power, change.cause) for change in site.history] == [
        (1.0, True, "command"),
        (2.0, False, "command"),
    ]
    assert [(order.at_s, order.power) for order in site.orders] == [(1.0, True), (2.0, False)]


def test_reading_in_process_is_the_rules_reading():
    """`read` gives what a well-behaved controller would have been read as."""
    site, _, clock = powered()
    clock.advance(2.0)
    found = site.read("gable/1")
    assert isinstance(found, Reading)
    assert (found.port, found.measured_s, found.power, found.tripped) == (PortId("gable/1"), 2.0, True, False)
    assert found.current_a == pytest.approx(QUIESCENT_A, rel=0.02)


def test_energy_is_power_over_time():
    """One hour at a steady current is that many watt-hours, and off adds nothing (1 Wh = 3600 J)."""
    _, handle, clock = powered()
    watts = handle.truth().power_w
    clock.advance(3600.0)
    assert handle.truth().energy_wh == pytest.approx(watts, rel=1e-9)
    handle.command(False)
    clock.advance(3600.0)
    assert handle.truth().energy_wh == pytest.approx(watts, rel=1e-9)


def test_lit_show_moments_draw_more_than_dark_ones():
    """The built-in show is what is drawn: white draws much, the quiet moment the quiescent current."""
    _, handle, clock = powered(show=(Segment(5.0, "dark"), Segment(5.0, "steady", 0.3)))
    clock.advance(2.0)
    dark = handle.truth()
    clock.advance(5.0)
    lit = handle.truth()
    assert dark.lit == 0.0
    assert dark.current_a == pytest.approx(QUIESCENT_A, rel=0.02)
    assert lit.lit == pytest.approx(0.3)
    assert lit.current_a == pytest.approx(1.891, rel=0.02)  # [C] 100 pixels, 30 % white


def test_levels_from_outside_replace_the_show():
    """Show data lights the string pixel by pixel; None gives it back to the built-in show."""
    site, handle, _ = powered()
    idle_a = handle.truth().current_a
    site.set_levels("gable/1", bytes([255, 255, 255] * 10))
    ten_a = handle.truth().current_a
    assert ten_a - idle_a == pytest.approx(10 * 3 * 0.0185, rel=0.05)
    site.set_levels("gable/1", None)
    assert handle.truth().current_a == pytest.approx(idle_a)


# ---------------------------------------------------------------- every fault shows


def check_short(handle, clock):
    """The fuse opens at once and latches; mended, off and on brings the port back."""
    handle.short()
    clock.advance(0.1)
    assert handle.truth().fuse_open
    assert not handle.truth().power
    assert handle.told().tripped
    handle.clear_fault()
    clock.advance(60.0)
    assert handle.truth().fuse_open
    handle.command(False)
    handle.command(True)
    clock.advance(60.0)
    assert handle.truth().power


def check_intermittent_short(handle, clock):
    """It closes for moments only: with a fuse that retries, power comes and goes."""
    handle.fault("intermittent-short", closed_s=0.2, every_s=2.0)
    clock.advance(0.1)
    assert handle.truth().fuse_open
    handle.clear_fuse()
    clock.advance(0.1)
    assert handle.truth().fuse_open
    clock.advance(0.2)
    handle.clear_fuse()
    clock.advance(1.0)
    assert handle.truth().power
    clock.advance(2.0)
    assert handle.truth().fuse_open


def check_overload(handle, clock):
    """The extra amperes flow, and the fuse opens after its time, not at once."""
    handle.fault("overload", amps=6.0)
    clock.advance(0.2)
    assert handle.truth().power
    assert handle.truth().current_a > 5.5
    clock.advance(60.0)
    assert handle.truth().fuse_open


def check_power_tail(handle, clock):
    """Pixels beyond the break draw nothing: 40 of 100 are left."""
    handle.fault("power-tail", at=40)
    assert handle.truth().current_a == pytest.approx(0.4 * QUIESCENT_A, rel=0.02)


def check_data_tail(handle, clock):
    """Pixels beyond the break stay dark but go on drawing their quiescent current."""
    idle_a = handle.truth().current_a
    handle.set_levels(bytes([80] * 300))
    whole_a = handle.truth().current_a
    handle.fault("data-tail", at=40)
    assert handle.truth().current_a - idle_a == pytest.approx(0.4 * (whole_a - idle_a), rel=0.05)
    handle.set_levels(bytes(300))
    assert handle.truth().current_a == pytest.approx(idle_a)


def check_dead_pixel(handle, clock):
    """One pixel's quiescent current is missing."""
    idle_a = handle.truth().current_a
    handle.fault("dead-pixel", at=50)
    assert idle_a - handle.truth().current_a == pytest.approx(0.00226, rel=0.05)


def check_wet_connector(handle, clock):
    """The leak grows at its rate, up to its end."""
    idle_a = handle.truth().current_a
    handle.fault("wet-connector", amps=0.3, amps_per_hour=0.1)
    clock.advance(3600.0)
    assert handle.truth().current_a - idle_a == pytest.approx(0.1, abs=1e-6)
    assert handle.truth().leak_a == pytest.approx(0.1)
    clock.advance(10 * 3600.0)
    assert handle.truth().leak_a == pytest.approx(0.3)


def check_sensor_drift(handle, clock):
    """The told current walks off while the true one stays."""
    true_a = handle.truth().current_a
    handle.fault("sensor-drift", amps_per_hour=0.2)
    clock.advance(3600.0)
    assert handle.truth().current_a == pytest.approx(true_a)
    assert handle.told().current_a == pytest.approx(true_a + 0.2, abs=1e-6)


def check_sensor_stuck(handle, clock):
    """The told current stays though the port is off."""
    true_a = handle.told().current_a
    handle.fault("sensor-stuck")
    handle.command(False)
    clock.advance(10.0)
    assert handle.truth().current_a == 0.0
    assert handle.told().current_a == true_a


def check_stuck_switch(handle, clock):
    """Told off, the contacts stay closed: current flows and the output says so."""
    handle.fault("stuck-switch", state="closed")
    handle.command(False)
    clock.advance(1.0)
    assert handle.truth().power
    assert handle.truth().current_a > 0.2
    assert handle.told().power
    handle.clear_fault()
    assert not handle.truth().power
    handle.fault("stuck-switch", state="open")
    handle.command(True)
    assert not handle.truth().power


def check_lying_flag(handle, clock):
    """The trip flag says clear over an open fuse, or tripped over a closed one."""
    handle.fault("lying-flag", state="tripped")
    assert handle.told().tripped
    assert handle.truth().power
    handle.fault("lying-flag", state="clear")
    handle.short()
    clock.advance(1.0)
    assert handle.truth().fuse_open
    assert not handle.told().tripped


def check_unplugged(handle, clock):
    """Power is there and nothing draws."""
    handle.fault("unplugged")
    assert handle.truth().power
    assert handle.truth().current_a == 0.0


def check_sagging_supply(handle, clock):
    """Voltage is low, and the 12 V part's quiescent current falls with it: (V - 5.9 V) / 2.7 kOhm."""
    handle.fault("sagging-supply", volts=9.0)
    assert handle.told().voltage_v == pytest.approx(9.0, abs=0.05)
    assert handle.truth().current_a == pytest.approx(100 * (9.0 - 5.9) / 2700.0, rel=0.03)


@pytest.mark.parametrize("kind", get_args(FaultKind))
def test_each_fault_shows_and_ends(kind):
    """Each kind of fault has its effect, stands in the truth while it acts, and is gone when it ended."""
    _, handle, clock = powered()
    globals()[f"check_{kind.replace('-', '_')}"](handle, clock)
    assert kind in handle.truth().faults or kind == "short"
    handle.clear_fault()
    assert handle.truth().faults == ()
    handle.command(False)
    handle.command(True)
    clock.advance(0.1)
    assert handle.truth().current_a == pytest.approx(QUIESCENT_A, rel=0.02)


def test_faults_of_the_spec_come_and_go_at_their_time():
    """A fault written in the spec starts and ends by itself, at its moment, however the site is stepped."""
    spec = FaultSpec("power-tail", from_s=10.0, until_s=20.0, at=40)
    _, handle, clock = powered(faults=(spec,))
    seen = []
    for at_s in (9.9, 10.1, 19.9, 20.1):
        clock.now_s = at_s
        seen.append(handle.truth().current_a < 0.15)
    assert seen == [False, True, True, False]


def test_a_polymer_fuse_trips_untold_and_returns_by_itself():
    """The controller reports nothing of a polymer fuse; power goes and comes back, and history shows it."""
    site, handle, clock = powered(fuse=POLYMER)
    handle.short(ohms=0.1)
    clock.advance(5.0)
    assert not handle.truth().power
    assert not handle.told().tripped
    assert handle.told().power
    assert handle.truth().current_a == pytest.approx(0.25)  # the trickle: 3 W at 12 V
    handle.clear_fault()
    clock.advance(120.0)
    assert handle.truth().power
    assert [change.cause for change in site.history] == ["restart", "trip", "fuse-closed"]


def test_fault_level_is_told_while_the_fuse_is_open():
    """Where the sense output stands at full scale on a fault, that is what is told: no current."""
    sensor = replace(EXACT, fault_level=True, full_scale_a=10.0)
    _, handle, clock = powered(sensor=sensor)
    handle.short()
    clock.advance(1.0)
    assert handle.told().current_a == 10.0
    assert handle.truth().current_a == 0.0


def test_readback_of_a_command_hides_the_output():
    """A box that only repeats its command says on over an open fuse."""
    _, handle, clock = powered(readback="command")
    handle.short()
    clock.advance(1.0)
    assert handle.told().power
    assert not handle.truth().power


# ---------------------------------------------------------------- time and determinism


def story(seed, steps):
    """What is read and what happened in the demo's story, stepped in `steps` pieces."""
    clock = ManualClock()
    site = SimulatedSite(demo_site(story=True), seed=seed, clock=clock)
    for port in site.ports:
        site.order(port, True)
    for _ in range(steps):
        clock.advance(100.0 / steps)
        site.step()
    return [site.read(port) for port in site.ports], site.history


def test_one_seed_is_one_site():
    """The same seed gives the same readings and the same history; another seed another site."""
    first, again, other = story(1, 400), story(1, 400), story(2, 400)
    assert first == again
    assert first[0] != other[0]


@pytest.mark.parametrize(("port", "fault"), STORY)
def test_every_chapter_of_the_story_happens(port, fault):
    """Each fault of the demo's story really changes its port against the same evening without it."""
    last = []
    for with_story in (True, False):
        clock = ManualClock()
        site = SimulatedSite(demo_site(story=with_story), clock=clock)
        site.order(port, True)
        clock.now_s = fault.from_s + 15.0
        site.order(port, fault.kind != "stuck-switch")
        truth = site.truth(port)
        last.append((truth.faults, truth.power, round(truth.current_a, 3)))
    assert last[0][0] == (fault.kind,)
    assert last[1][0] == ()
    assert last[0][1:] != last[1][1:]


def test_the_told_energy_counter_can_start_again():
    """A box that forgets its counters tells less energy than it used; power stays as it is."""
    site, handle, clock = powered()
    clock.advance(3600.0)
    before_wh = handle.told().energy_wh
    site.controller("gable").forget_counters()
    clock.advance(360.0)
    assert handle.told().energy_wh == pytest.approx(before_wh / 10.0)
    assert handle.truth().power


@settings(max_examples=40, deadline=None)
@given(cuts=st.lists(st.floats(0.01, 99.9), max_size=30))
def test_when_a_fuse_opens_does_not_hang_on_how_often_it_is_asked(cuts):
    """Steady overload: asked often, seldom or never, the trip is at the same instant."""
    spec = FaultSpec("overload", from_s=10.0, amps=6.0)
    site, handle, clock = powered(faults=(spec,))
    for at_s in sorted(cuts):
        clock.now_s = at_s
        site.step()
    clock.now_s = 100.0
    site.step()
    reference, _, reference_clock = powered(faults=(spec,))
    reference_clock.now_s = 100.0
    reference.step()
    trips = [[c.at_s for c in each.history if c.cause == "trip"] for each in (site, reference)]
    assert trips[0] == pytest.approx(trips[1], abs=1e-6)
    assert handle.truth().energy_wh == pytest.approx(reference.truth("gable/1").energy_wh, rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(
    acts=st.lists(
        st.tuples(st.floats(0.01, 30.0), st.sampled_from(["on", "off", "short", "mend", "stick", "clear"])),
        max_size=25,
    )
)
def test_no_current_without_closed_contacts_and_history_is_the_truth(acts):
    """Whatever happens: open contacts carry nothing, and replaying the history gives the port's power."""
    site, handle, clock = powered()
    for wait_s, act in acts:
        clock.advance(wait_s)
        {
            "on": lambda: handle.command(True),
            "off": lambda: handle.command(False),
            "short": handle.short,
            "mend": handle.clear_fault,
            "stick": lambda: handle.fault("stuck-switch"),
            "clear": handle.clear_fuse,
        }[act]()
        truth = handle.truth()
        assert truth.power == (truth.switch_closed and not truth.fuse_open) == site.history[-1].power
        if not truth.switch_closed or truth.fuse_open:
            assert truth.current_a == 0.0
    powers = [change.power for change in site.history]
    assert all(now != before for before, now in pairwise(powers))
    times = [change.at_s for change in site.history]
    assert times == sorted(times)


def test_speed_clock_compresses_time_and_never_steps():
    """At 60 times the speed a second is a minute; changing speed neither jumps nor goes back."""
    base = ManualClock(100.0)
    clock = SpeedClock(60.0, base)
    assert clock() == 100.0
    base.advance(1.0)
    assert clock() == 160.0
    clock.speed = 1.0
    assert clock() == 160.0
    base.advance(1.0)
    assert clock() == 161.0
    with pytest.raises(PermanentError, match="0 to 1000000"):
        clock.speed = -1.0


def test_a_restarted_controller_forgets_and_takes_its_restart_state():
    """After a restart ports are off, on, or as they were, the fuse is closed and the counter starts at 0."""
    for after, was, then in (
        ("off", True, False),
        ("on", False, True),
        ("last", True, True),
        ("last", False, False),
    ):
        port = PortSpec(1, StringSpec(100), power_at_start=was)
        clock = ManualClock()
        spec = SiteSpec("yard", (ControllerSpec("gable", (port,), after_restart=after),))
        site = SimulatedSite(spec, clock=clock)
        clock.advance(3600.0)
        site.step()
        site.order("gable/1", True, after_s=1.0)  # what it was going to do is forgotten, too
        site.controller("gable").restart(down_s=2.0)
        assert not site.truth("gable/1").power
        clock.advance(3.0)
        assert site.truth("gable/1").power is then
        assert site.port("gable/1").told().energy_wh < 0.01


# ---------------------------------------------------------------- the spec as YAML


def test_a_site_can_be_written_in_yaml(tmp_path):
    """The same site from YAML, with faults and show."""
    path = tmp_path / "yard.yaml"
    path.write_text(
        """
id: yard
show: [{length_s: 5, look: steady, level: 0.5}]
controllers:
  - id: gable
    shape: columns
    ports:
      - {number: 1, string: {pixels: 50, chip: ws2815}, fuse: {kind: polymer}}
      - {number: 2, faults: [{kind: short, from_s: 3}]}
""",
        encoding="utf-8",
    )
    spec = read_spec(path)
    assert spec.controllers[0].ports[0].string == StringSpec(50, "ws2815")
    assert spec.controllers[0].ports[0].fuse.kind == "polymer"
    assert spec.controllers[0].ports[1].faults == (FaultSpec("short", from_s=3.0),)
    assert spec.show == (Segment(5.0, "steady", 0.5),)


@pytest.mark.parametrize(
    ("port", "told"),
    [
        ("{number: 1, colour: red}", "controllers.0.ports.0.colour: Unexpected key"),
        ("{number: one}", "controllers.0.ports.0.number"),
        ("{number: 1, string: {pixels: 0}}", "pixels is 0, it must be at least 1"),
        ("{number: 1, string: {pixels: 5, chip: x9}}", "it must be one of: ws2811-12v"),
        ("{number: 1, faults: [{kind: gremlin}]}", "controllers.0.ports.0.faults.0.kind"),
        ("{number: 1, faults: [{kind: dead-pixel}]}", "at (the pixel, counted from 0) is -1"),
        ("{number: 1, faults: [{kind: lying-flag}]}", "it must be one of: tripped, clear"),
        ("{number: 1, fuse: {hold_a: 4, trip_a: 2}}", "trip_a is 2, it must be at least 4"),
    ],
)
def test_what_a_site_can_not_be_is_said_with_its_place(port, told):
    """Unknown keys, wrong types and impossible values are refused, each with its place and what is right."""
    text = f"id: yard\ncontrollers: [{{id: gable, ports: [{port}]}}]"
    with pytest.raises(ConfigurationError) as caught:
        load_spec(text, file="yard.yaml")
    assert told in str(caught.value)
    assert "yard.yaml" in str(caught.value)


def test_other_mistakes_are_refused_in_words():
    """Broken YAML, a port twice, an unknown shape, an unknown port: a sentence each."""
    with pytest.raises(ConfigurationError, match="not YAML"):
        load_spec("id: [")
    with pytest.raises(ValueError, match="gable/1 stands there twice"):
        site_of(PortSpec(1), PortSpec(1))
    with pytest.raises(ConfigurationError, match=r"controllers\.0\.shape: Input should be 'rows'"):
        load_spec("id: yard\ncontrollers: [{id: gable, shape: song, ports: []}]")
    site, handle, _ = powered()
    with pytest.raises(PermanentError, match="there are: gable/1"):
        site.port("gable/9")
    with pytest.raises(PermanentError, match="there are: gable"):
        site.controller("shed")
    with pytest.raises(ValueError, match="it must be one of: short"):
        handle.fault("gremlin")
