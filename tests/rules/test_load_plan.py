"""Findings about a whole plan."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from rules.electrics.findings import amps, duration
from rules.electrics.fuses import BladeFuse, ElectronicFuse, ResettableFuse
from rules.electrics.load import Level, check_plan, overlap, port_loads
from rules.electrics.wiring import Cable, Conductor, Injection, Wiring
from rules.plan import ControllerPlan, PortPlan, ShowPlan, SitePlan, SupplyPlan
from rules.ports import port_id
from rules.shows.calendar import Place, Span

EVENING = datetime(2030, 12, 1, 17, 0, tzinfo=UTC)


SHED = (SupplyPlan("shed", 12.0, 29.0),)


def site(*ports, supplies=SHED, shows=()):
    """A site with one controller and these ports."""
    return SitePlan(
        id="mill-end",
        name="Mill End",
        place=Place("Europe/Dublin", 53.3, -6.3),
        controllers={"gable": ControllerPlan("gable", "Gable", tuple(p.id for p in ports))},
        ports={p.id: p for p in ports},
        supplies={s.id: s for s in supplies},
        shows=tuple(shows),
    )


def port(number=1, **changes):
    """A port with 60 pixels on 12 V, 3.47 A all white."""
    base = PortPlan(
        port_id("gable", number), f"Arch {number}", "shed", 5.0, pixels=60, chip="ws2811-12v", brightness=1.0
    )
    return replace(base, **changes)


def show(name, *ports, **changes):
    """A show that needs these ports."""
    return ShowPlan(name, name.title(), (), tuple(p.id for p in ports), **changes)


def span(start_h, hours):
    """A span that begins `start_h` hours after the evening does."""
    start = EVENING + timedelta(hours=start_h)
    return Span(start, start + timedelta(hours=hours))


def found(plan, spans=None, level=None):
    """Findings as (level, subject, text) with the arithmetic behind."""
    return [f for f in check_plan(plan, spans) if level is None or f.severity is level]


def test_load_good_plan_has_nothing_to_tell():
    """A port within its limits on a supply within its limits gives no finding at all."""
    assert found(site(port())) == []


def test_load_over_rating():
    """All white above the rating is over, shows its sum, and says how many pixels or how bright would fit."""
    [finding] = found(site(port(pixels=100, rating_a=4.0)), {})
    assert finding.severity is Level.OVER
    assert finding.subject == "gable/1"
    # 100 x (2.26 + 55.5 mA) = 5.776 A; 69 pixels fit 4 A (arithmetic on the WS2811 data sheet).
    assert "100 pixels x (2.26 mA idle + 55.5 mA white) = 5.78 A > 4 A" in finding.arithmetic
    assert "no more than 69 pixels" in finding.remedy
    assert "brightness limit of 68 %" in finding.remedy


def test_load_over_rating_names_the_time():
    """With a curve the finding says within what time the fuse opens; 5.776 A of 3.5 A is 165 %: 30 min."""
    [finding] = found(site(port(pixels=100, rating_a=3.5, fuse_part=ElectronicFuse())), {})
    assert "opens within 30 min" in finding.text


@pytest.mark.parametrize(("hours", "expected"), [(2.9, []), (3.0, [Level.NEAR])])
def test_load_continuous_starts_at_three_hours(hours, expected):
    """80 % counts from three hours on (NEC 210.20(A), article 100): 4.33 A white on 5 A."""
    arch = port(pixels=75)
    plan = site(arch, shows=[show("walk", arch)])
    assert [f.severity for f in found(plan, {"walk": [span(0, hours)]})] == expected


def test_load_continuous_joins_shows():
    """Two shows that follow each other on one port are one load of three hours and more."""
    arch = port(pixels=75)
    plan = site(arch, shows=[show("walk", arch), show("songs", arch)])
    spans = {"walk": [span(0, 2)], "songs": [span(2, 2)]}
    assert [f.severity for f in found(plan, spans)] == [Level.NEAR]
    assert found(plan, {"walk": [span(0, 2)], "songs": [span(2.5, 2)]}) == []


def test_load_continuous_with_a_short_show_inside():
    """A short show inside a longer one does not cut the time the port has power."""
    arch = port(pixels=75)
    plan = site(arch, shows=[show("walk", arch), show("songs", arch), show("late", arch)])
    spans = {"walk": [span(0, 2)], "songs": [span(0.5, 0.5)], "late": [span(2, 1.5)]}
    assert [f.severity for f in found(plan, spans)] == [Level.NEAR]


def test_load_ordinary_content_above_80_is_over():
    """Where even ordinary content stays above 80 % of the rating for hours, the rule is broken."""
    [finding] = found(site(PortPlan(port_id("gable", 1), "Arch 1", "shed", 5.0, expected_a=4.5)))
    assert finding.severity is Level.OVER
    assert "5 A / 1.25 = 4 A < 4.5 A" in finding.arithmetic
    assert "210.20(A)" in finding.source


def test_load_prewarning():
    """Short shows may pass 80 %, but the prewarning of an electronic fuse at 90 % is told (EL922x)."""
    [finding] = found(site(port(pixels=80, fuse_part=ElectronicFuse())), {})
    assert finding.severity is Level.NEAR
    assert "prewarning" in finding.text


def test_load_resettable_in_the_heat():
    """A 4 A resettable fuse at 40 °C holds 3.36 A: 3.47 A may or may not open it, and that is said."""
    fuse = ResettableFuse.part("16R400G", ambient_c=40)
    [finding] = found(site(port(fuse_part=fuse)))
    assert finding.severity is Level.OVER
    assert "not defined" in finding.text
    assert "4 A x 0.84 = 3.36 A" in finding.arithmetic
    assert found(site(port(fuse_part=replace(fuse, ambient_c=0)))) == []


def test_load_blade_larger_than_the_port():
    """A blade fuse above what the port may carry protects nothing."""
    [finding] = found(site(port(fuse_part=BladeFuse(10))))
    assert "larger than what the port may carry" in finding.text


def test_load_blade_times():
    """All white far above a blade fuse names its melting times: 5.776 A of 2.5 A is 231 %."""
    finding = found(site(port(pixels=100, rating_a=2.5, fuse_part=BladeFuse(2.5))), {})[0]
    assert "melts between 150 ms and 5 s" in finding.text


def test_load_wrong_supply():
    """Five-volt pixels on a twelve-volt supply are told before they are plugged in."""
    findings = found(site(port(chip="ws2812b", pixels=10)), level=Level.OVER)
    assert any("would be destroyed" in f.text for f in findings)
    low = site(port(chip="ws2815", pixels=10), supplies=[SupplyPlan("shed", 5.0, 29.0)])
    assert any("would not work" in f.text for f in found(low, level=Level.OVER))


def test_load_unknown_is_said():
    """What is not known is told as a note, never taken as zero."""
    plan = site(port(pixels=None), port(2, rating_a=None), port(3, chip="mystery"))
    notes = found(plan, level=Level.NOTE)
    assert {f.subject for f in notes} >= {"gable/1", "gable/2", "gable/3"}
    assert any("not in the table" in f.text for f in notes)
    assert len(port_loads(plan)) == 3


def test_load_thin_wire_behind_a_large_fuse():
    """A fuse larger than its wire may carry is over: 5 A on 22 AWG."""
    plan = site(port(wiring=Wiring(Cable(1, Conductor(awg=22)))))
    assert any("22 AWG wire before the fuse opens" in f.text for f in found(plan, level=Level.OVER))


def test_load_last_pixel_voltage():
    """10 m of 18 AWG at 3.47 A lose over 10 % of 12 V; the finding says what would be enough."""
    wiring = Wiring(Cable(10, Conductor(awg=18)))
    [finding] = found(site(port(wiring=wiring)), {})
    assert finding.severity is Level.OVER
    # 2 x 10 m x 21.37 mohm/m (20.95 stranded 2 %) = 0.427 ohm; x 3.466 A = 1.48 V.
    assert "0.427 Ω" in finding.arithmetic
    assert "1.48 V" in finding.arithmetic
    assert "16 AWG instead of 18 AWG" in finding.remedy


@pytest.mark.parametrize(("length_m", "level"), [(1, Level.NOTE), (6, Level.NEAR), (9, Level.OVER)])
def test_load_voltage_levels(length_m, level):
    """Up to 5 % is a note, up to 10 % near, above it over (12 V, 3.47 A, 18 AWG)."""
    [finding] = found(site(port(wiring=Wiring(Cable(length_m, Conductor(awg=18))))), {})
    assert finding.severity is level


def test_load_injection_beyond_the_string():
    """An injection at a pixel the string does not have is told, not computed."""
    wire = Conductor(awg=18)
    wiring = Wiring(Cable(1, wire), 0.1, wire, (Injection(61, Cable(2, wire)),))
    assert any("pixel 61" in f.text for f in found(site(port(wiring=wiring))))


def test_load_supply_by_calendar():
    """Two shows overlap for ten minutes and together pass the supply: told with names and the instant."""
    ports = [port(n) for n in range(1, 5)]
    shows = [show("walk", *ports[:2]), show("songs", *ports[2:])]
    plan = site(*ports, supplies=[SupplyPlan("shed", 12.0, 10.0)], shows=shows)
    apart = {"walk": [span(0, 1)], "songs": [span(1, 1)]}
    [note] = found(plan, apart)
    assert note.severity is Level.NOTE
    assert "not for everything at once" in note.text
    together = {"walk": [span(0, 1)], "songs": [span(5 / 6, 1)]}
    [finding] = found(plan, together)
    assert finding.severity is Level.OVER
    assert "Walk and Songs" in finding.text
    assert "first on Sun 01 Dec 17:50." in finding.text


def test_load_warm_up_counts_for_overlap():
    """A show's warm-up overlaps the show before it."""
    ports = [port(1), port(2)]
    shows = [show("walk", ports[0]), show("songs", ports[1], warm_up_s=30)]
    plan = site(*ports, shows=shows)
    full_a = {p.id: 3.0 for p in ports}
    most = overlap(plan, {"walk": [span(0, 1)], "songs": [span(1, 1)]}, full_a)
    assert most is not None
    assert (most.total_a, most.shows) == (6.0, ("walk", "songs"))


def test_load_shared_port_counts_once():
    """A port that two running shows need is counted once, a resting port always."""
    ports = [port(1), port(2, resting=True)]
    shows = [show("walk", ports[0]), show("songs", ports[0])]
    most = overlap(
        site(*ports, shows=shows),
        {"walk": [span(0, 1)], "songs": [span(0, 1)]},
        {p.id: 3.0 for p in ports},
    )
    assert most is not None
    assert most.total_a == 6.0


def test_load_supply_without_calendar():
    """Without a calendar everything is powered together and for long."""
    ports = [port(n) for n in range(1, 5)]
    texts = [f.text for f in found(site(*ports, supplies=[SupplyPlan("shed", 12.0, 10.0)]))]
    assert texts == ["Everything on shed at once asks more than it gives."]
    [near] = found(site(*ports, supplies=[SupplyPlan("shed", 12.0, 15.0)]))
    assert near.severity is Level.NEAR


def test_load_show_alone_passes_the_supply():
    """A single show above the rating is over, whenever it runs."""
    ports = [port(n) for n in range(1, 5)]
    plan = site(*ports, supplies=[SupplyPlan("shed", 12.0, 10.0)], shows=[show("walk", *ports)])
    assert any("Walk alone" in f.text for f in found(plan, {}, Level.OVER))


def test_load_supply_of_unknown_rating():
    """A supply without a rating is a note with the sum it would have to carry."""
    [note] = found(site(port(), supplies=[SupplyPlan("shed", 12.0)]))
    assert "3.47 A" in note.arithmetic


def test_load_class_two_supply():
    """A 12 V supply of 29 A can't be Class 2 (60 VA); one of 5 A can; 36 V can't in wet places."""
    big = found(site(supplies=[SupplyPlan("shed", 12.0, 29.0, class2=True)]))
    assert "29 A, 348 VA > 5 A, 60 VA" in big[0].arithmetic
    assert found(site(supplies=[SupplyPlan("shed", 12.0, 5.0, class2=True)])) == []
    assert "wet places" in found(site(supplies=[SupplyPlan("shed", 36.0, 2.0, class2=True)]))[0].text


def test_load_findings_show_everything():
    """Every finding carries a sentence, its arithmetic, its rule and a source."""
    arch = port(pixels=100, rating_a=4.0, wiring=Wiring(Cable(12, Conductor(awg=22))))
    plan = site(arch, port(2, pixels=None), supplies=[SupplyPlan("shed", 12.0, 3.0, class2=True)])
    findings = check_plan(plan)
    assert len(findings) >= 4
    for finding in findings:
        assert finding.text.endswith(".")
        assert finding.arithmetic
        assert finding.rule
        assert finding.source


def test_load_durations_read_well():
    """Times are written in the unit a person would use."""
    assert [duration(s) for s in (360000, 1800, 20, 0.1)] == ["100 h", "30 min", "20 s", "100 ms"]


def test_a_load_of_just_the_limit_is_not_above_it():
    """Sums of decimal currents are not told as over a limit that they meet exactly: 3 x 1.1 A on 3.3 A."""
    ports = [port(n, expected_a=1.1, rating_a=2.0, pixels=None) for n in (1, 2, 3)]
    plan = site(*ports, supplies=(SupplyPlan("shed", 12.0, 3.3),), shows=(show("evening", *ports),))
    assert found(plan, {"evening": [span(0, 1)]}, Level.OVER) == []


def test_ports_that_rest_powered_can_be_too_much_alone():
    """A supply that its resting ports overload is told, with a show and without any."""
    ports = [port(n, expected_a=3.0, rating_a=5.0, pixels=None, resting=True) for n in (1, 2)]
    supplies = (SupplyPlan("shed", 12.0, 5.0),)
    for shows in ((), (show("evening", ports[0]),)):
        (over,) = found(site(*ports, supplies=supplies, shows=shows), {"evening": [span(0, 1)]}, Level.OVER)
        assert over.text == "Ports that rest powered can ask more of shed than it gives, without any show."


@pytest.mark.parametrize(
    ("current_a", "words"),
    [
        (0.226, "226 mA"),
        (0.9996, "1 A"),
        (3.754, "3.75 A"),
        (99.96, "100 A"),
        (1240.0, "1240 A"),
        (0.00226, "2.26 mA"),
    ],
)
def test_currents_are_written_without_powers_of_ten(current_a, words):
    """A current is three digits and its unit, however large or close to the next unit it is."""
    assert amps(current_a) == words
