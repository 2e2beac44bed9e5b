"""The numbers of the load arithmetic against standards, handbook tables and data sheets."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.electrics.chips import CHIPS, Chip, expected_currents
from rules.electrics.fuses import (
    BLADE,
    FAST_CURVE,
    PTC,
    BladeFuse,
    CurvePoint,
    ElectronicFuse,
    ResettableFuse,
)
from rules.electrics.rating import class_two, continuous_limit_a, most_pixels
from rules.electrics.wiring import Cable, Conductor, Injection, Wiring, awg_area_mm2, drops_v, enough, lowest
from rules.errors import RulesError

# ------------------------------------------------------------------ copper


@pytest.mark.parametrize(
    ("awg", "ohm_per_1000_ft"), [(12, 1.588), (14, 2.525), (16, 4.016), (18, 6.385), (20, 10.15), (22, 16.14)]
)
def test_load_awg_resistance(awg, ohm_per_1000_ft):
    """A solid gauge has the resistance of the wire tables at 20 °C.

    Source: hyperphysics.phy-astr.gsu.edu/hbase/Tables/wirega.html (ASTM B258 sizes).
    """
    per_1000_ft = Conductor(awg=awg, solid=True).ohm_per_m() * 304.8
    assert per_1000_ft == pytest.approx(ohm_per_1000_ft, rel=5e-4)


@pytest.mark.parametrize(
    ("awg", "solid_ohm_per_km", "stranded_ohm_per_km"),
    [(12, 6.34, 6.50), (14, 10.1, 10.3), (16, 16.0, 16.4), (18, 25.5, 26.1)],
)
def test_load_awg_hot(awg, solid_ohm_per_km, stranded_ohm_per_km):
    """At 75 °C solid and stranded wire have the resistance of NEC chapter 9 table 8."""
    solid = Conductor(awg=awg, solid=True).ohm_per_m(75) * 1000
    stranded = Conductor(awg=awg).ohm_per_m(75) * 1000
    assert solid == pytest.approx(solid_ohm_per_km, rel=3e-3)
    assert stranded == pytest.approx(stranded_ohm_per_km, rel=8e-3)


@pytest.mark.parametrize(
    ("awg", "diameter_mm", "area_mm2"),
    [(12, 2.0525, 3.3088), (14, 1.6277, 2.0809), (18, 1.0237, 0.8230), (22, 0.6438, 0.3255)],
)
def test_load_awg_area(awg, diameter_mm, area_mm2):
    """A gauge's copper area is that of ASTM B258's diameters (formula from memory, table read)."""
    assert awg_area_mm2(awg) == pytest.approx(area_mm2, rel=2e-4)
    assert math.sqrt(awg_area_mm2(awg) * 4 / math.pi) == pytest.approx(diameter_mm, rel=1e-4)


@pytest.mark.parametrize(
    ("area_mm2", "solid_ohm_per_km", "flexible_ohm_per_km"),
    [(0.75, 24.5, 26.0), (1.0, 18.1, 19.5), (1.5, 12.1, 13.3), (2.5, 7.41, 7.98)],
)
def test_load_iec_resistance(area_mm2, solid_ohm_per_km, flexible_ohm_per_km):
    """Metric sizes have the maximum resistances of IEC 60228, classes 1 and 2 and classes 5 and 6.

    Source: mycableengineering.com/knowledge-base/iec-60228-dc-resistance.
    """
    solid, flexible = Conductor(area_mm2=area_mm2, solid=True), Conductor(area_mm2=area_mm2)
    assert solid.ohm_per_m() * 1000 == pytest.approx(solid_ohm_per_km)
    assert flexible.ohm_per_m() * 1000 == pytest.approx(flexible_ohm_per_km)


@pytest.mark.parametrize(("temperature_c", "kt"), [(10, 1.042), (30, 0.962), (50, 0.893), (75, 0.820)])
def test_load_temperature_factor(temperature_c, kt):
    """Resistance follows temperature as IEC 60228's factors say (uecables.com, IEC 60228 page)."""
    conductor = Conductor(area_mm2=1.5)
    assert conductor.ohm_per_m() / conductor.ohm_per_m(temperature_c) == pytest.approx(kt, rel=3e-3)


def test_load_other_area_is_near_the_standard_ones():
    """A size the standard lacks lies between the resistances of its neighbours."""
    between = Conductor(area_mm2=1.25).ohm_per_m()
    assert Conductor(area_mm2=1.5).ohm_per_m() < between < Conductor(area_mm2=1.0).ohm_per_m()


@pytest.mark.parametrize(
    ("conductor", "temperature_c", "drop_v"),
    [
        (Conductor(awg=18, solid=True), 20, 1.676),
        (Conductor(awg=18, solid=True), 75, 2.04),
        (Conductor(area_mm2=0.75), 20, 2.08),
        (Conductor(area_mm2=1.5), 20, 1.064),
    ],
)
def test_load_voltage_drop_worked(conductor, temperature_c, drop_v):
    """10 m one way at 4 A lose what the worked examples say: 2 x length x resistance x current.

    Computed from the tables of ASTM B258, NEC chapter 9 table 8 and IEC 60228.
    """
    assert Cable(10, conductor, temperature_c).loop_ohm * 4 == pytest.approx(drop_v, rel=2e-3)


def test_load_string_drop_worked():
    """A string fed at one end loses 2·r·s·i·N(N+1)/2; lumped at its end it would lose about twice that.

    Computed: N = 50, 0.1 m, 60 mA, 18 AWG: 0.3205 V against 0.6285 V.
    """
    step_ohm = 2 * 0.1 * Conductor(awg=18, solid=True).ohm_per_m()
    spread = drops_v(50, 0.060, step_ohm, [(0, 0.0)])
    lumped = drops_v(50, 0.060, 0.0, [(0, 50 * step_ohm)])
    assert spread[50] == pytest.approx(0.3205, abs=2e-4)
    assert lumped[50] == pytest.approx(0.6285, abs=2e-4)
    assert spread[50] / lumped[50] == pytest.approx(51 / 100, rel=1e-6)


def test_load_both_ends_lose_a_quarter():
    """Fed at both ends a long string loses about a quarter, at its middle (distributed load, textbook)."""
    one = drops_v(1000, 0.01, 0.001, [(0, 0.0)])
    both = drops_v(1000, 0.01, 0.001, [(0, 0.0), (1000, 0.0)])
    assert max(both) / max(one) == pytest.approx(0.25, rel=5e-3)
    assert abs(both.index(max(both)) - 500) <= 1


@given(
    pixels=st.integers(1, 60),
    step_ohm=st.floats(1e-3, 0.5),
    pixel_a=st.floats(1e-4, 0.08),
    feeds=st.lists(st.tuples(st.integers(0, 60), st.floats(1e-3, 2.0)), min_size=1, max_size=4),
)
@settings(max_examples=60, deadline=None)
def test_load_drops_agree_with_a_dense_solver(pixels, step_ohm, pixel_a, feeds):
    """The chain solver gives what a general nodal analysis solved by numpy.linalg gives."""
    feeds = [(min(at, pixels), ohm) for at, ohm in feeds]
    matrix = np.zeros((pixels + 1, pixels + 1))
    for k in range(pixels):
        matrix[k, k] += 1 / step_ohm
        matrix[k + 1, k + 1] += 1 / step_ohm
        matrix[k, k + 1] -= 1 / step_ohm
        matrix[k + 1, k] -= 1 / step_ohm
    for at, ohm in feeds:
        matrix[at, at] += 1 / ohm
    right = np.array([0.0] + [pixel_a] * pixels)
    assert drops_v(pixels, pixel_a, step_ohm, feeds) == pytest.approx(
        np.linalg.solve(matrix, right), rel=1e-6
    )


def test_load_each_remedy_is_enough():
    """Whatever is proposed against a voltage drop is enough by itself, and one size less is not."""
    wire = Conductor(awg=20)
    wiring = Wiring(Cable(6, wire), spacing_m=0.08, string=Conductor(awg=18))
    pixels, idle_a, lit_a, allowed_v = 100, 0.00226, 0.0555, 1.2
    assert lowest(wiring, pixels, idle_a + lit_a).drop_v > allowed_v
    ways = enough(wiring, pixels, idle_a, lit_a, brightness=1.0, allowed_v=allowed_v)
    count = int(next(way for way in ways if "pixels" in way and "no more" in way).split()[3])
    assert lowest(wiring, count, idle_a + lit_a).drop_v <= allowed_v
    assert lowest(wiring, count + 1, idle_a + lit_a).drop_v > allowed_v
    percent = int(next(way for way in ways if "brightness" in way).split()[-2])
    assert lowest(wiring, pixels, idle_a + lit_a * percent / 100).drop_v <= allowed_v
    assert lowest(wiring, pixels, idle_a + lit_a * (percent + 1) / 100).drop_v > allowed_v
    assert any(way.startswith("power injected also at pixel") for way in ways)


def test_load_thicker_wire_is_the_next_that_is_enough():
    """Of the standard sizes the thinnest that is enough is proposed: 2.08 V lost, 1.2 V allowed."""
    wiring = Wiring(Cable(10, Conductor(area_mm2=0.75)))
    ways = enough(wiring, 1, 0.0, 4.0, brightness=1.0, allowed_v=1.2)
    # IEC 60228: 1.5 mm² loses 1.064 V, 1.0 mm² loses 1.56 V.
    assert ways[0] == "1.5 mm² instead of 0.75 mm²"


# ------------------------------------------------------------------ pixels


def test_load_pixels_worked():
    """100 pixels at 18.5 mA a channel and 2.26 mA idle draw what the data sheet arithmetic says.

    WS2811 data sheet current; 225 to 227 mA for 100 dark pixels on 12 V is common practice.
    """
    white = expected_currents(100, "ws2811-12v", 1.0, 12.0)
    assert white.dark_a == pytest.approx(0.226, abs=1e-3)
    assert white.typical_a == pytest.approx(2.076, abs=1e-3)
    assert white.full_a == pytest.approx(5.776, abs=1e-3)
    assert expected_currents(100, "ws2811-12v", 0.3, 12.0).full_a == pytest.approx(1.891, abs=1e-3)
    assert most_pixels(4.0, "ws2811-12v", 1.0, 12.0) == 69
    assert most_pixels(4.0, "ws2811-12v", 0.3, 12.0) == 211


def test_load_ucs1903_band():
    """50 white UCS1903 pixels draw 2.55 A, and chips differ by 3 % (UCS1903 data sheet); dark is unknown."""
    expected = expected_currents(50, "ucs1903", 1.0, 12.0)
    assert expected.full_a == pytest.approx(2.55)
    assert expected.dark_a is None
    spread = CHIPS["ucs1903"].spread
    assert (expected.full_a * (1 - spread), expected.full_a * (1 + spread)) == pytest.approx(
        (2.474, 2.627), abs=1e-3
    )


def test_load_measured_strip_is_inside():
    """A measured white pixel draws no more than the chip table says (pjrc.com: 52.5 mA and 33.5 mA)."""
    assert expected_currents(1, "ws2812b", 1.0, 5.0).full_a >= 0.0525


def test_load_dropping_resistor_follows_the_supply():
    """Only a chip behind a resistor idles differently on another voltage: (12.6 - 5.9) / 2.7 kohm."""
    assert expected_currents(1, "ws2811-12v", 0.0, 12.6).dark_a == pytest.approx(0.002481, abs=1e-6)
    assert expected_currents(1, "ws2815", 0.0, 12.6).dark_a == pytest.approx(0.0021)


def test_load_users_chip():
    """A chip of the user's own is taken from the mapping passed in."""
    chips = {**CHIPS, "lantern": Chip((0.3,), 0.001, 24.0, 20.0, 28.0, "measured on the bench")}
    assert expected_currents(2, "lantern", 0.5, 24.0, chips).full_a == pytest.approx(0.302)


def test_load_every_chip_names_its_source():
    """Every row of the chip and fuse tables says where it was read."""
    assert all(chip.source for chip in CHIPS.values())
    assert all(row.source for row in PTC.values())


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: expected_currents(10, "ws9999", 1.0, 5.0), "known are"),
        (lambda: expected_currents(-1, "ws2815", 1.0, 12.0), "zero or more"),
        (lambda: expected_currents(1, "ws2815", 30.0, 12.0), "between 0 and 1"),
        (lambda: expected_currents(1, "ws2815", math.nan, 12.0), "between 0 and 1"),
        (lambda: expected_currents(1, "ws2815", 1.0, math.nan), "above zero"),
        (Conductor, "18 AWG or 0.75 mm2"),
        (lambda: Conductor(awg=18, area_mm2=0.75), "18 AWG or 0.75 mm2"),
        (lambda: Conductor(awg=-2), "between 0 and 36"),
        (lambda: Conductor(area_mm2=0.0), "above 0"),
        (lambda: Cable(-1, Conductor(awg=18)), "zero or more metres"),
        (lambda: Cable(1, Conductor(awg=18), 400), "between -60 and 120"),
        (lambda: Wiring(Cable(1, Conductor(awg=18)), spacing_m=0.1), "both the spacing"),
        (lambda: Wiring(Cable(1, Conductor(awg=18)), spacing_m=0.0, string=Conductor(awg=18)), "above 0"),
        (lambda: drops_v(5, 0.1, 0.1, [(6, 1.0)]), "can't enter at pixel 6"),
        (lambda: ElectronicFuse((CurvePoint(150, 10), CurvePoint(110, 5))), "rising percentages"),
        (lambda: ElectronicFuse((CurvePoint(110, 1), CurvePoint(150, 20))), "never rise"),
        (lambda: ResettableFuse(4.0, 3.0), "higher trip current"),
        (lambda: ResettableFuse.part("16R999"), "known are"),
        (lambda: BladeFuse(0), "above zero"),
        (lambda: Chip((), 0.0, 5.0, 4.5, 5.5, "x"), "each of its channels"),
        (lambda: Chip((0.02,), 0.0, 5.0, 5.5, 6.0, "x"), "nominal"),
        (lambda: Chip((0.02,), 0.0, 5.0, 4.5, 6.0, "x", feed_ohm=100.0), "dropping resistor"),
    ],
)
def test_load_refuses_what_cannot_be(call, says):
    """What no string, wire or fuse can be is refused with what would be right."""
    with pytest.raises(RulesError, match=says):
        call()


# ------------------------------------------------------------------ fuses and ratings


def test_load_continuous_rule():
    """The 125 % rule: 20 A carries 16 A for three hours or more, 5 A carries 4 A.

    Source: NEC 210.20(A) (Schneider Electric standard reference pages).
    """
    assert continuous_limit_a(20) == pytest.approx(16)
    assert continuous_limit_a(5) == pytest.approx(4)


@pytest.mark.parametrize(
    ("volts", "most_a", "most_va"), [(5, 5.0, 25), (12, 5.0, 60), (20, 5.0, 100), (24, 4.1667, 100)]
)
def test_load_class_two(volts, most_a, most_va):
    """Class 2 at 12 V is 60 VA, not 100 VA (NEC chapter 9 table 11(B), from memory; 100/Vmax: ecmweb.com)."""
    assert class_two(volts) == pytest.approx((most_a, most_va), rel=1e-4)


def test_load_class_two_ends_at_30_v():
    """Above 30 V direct current there is no Class 2 in wet places (notes of table 11)."""
    assert class_two(30) is not None
    assert class_two(36) is None


@pytest.mark.parametrize(
    ("part", "hold_a", "trip_a"),
    [
        ("16R250G", 2.5, 4.7),
        ("16R400G", 4.0, 6.8),
        ("MF-RHS400", 4.0, 8.0),
        ("MF-RHT450", 4.5, 7.8),
        ("MF-R250", 2.5, 5.0),
    ],
)
def test_load_resettable_rows(part, hold_a, trip_a):
    """Resettable fuses hold and trip at 23 °C as their data sheets say (Littelfuse 16R, Bourns MF)."""
    fuse = ResettableFuse.part(part)
    assert (fuse.hold_now_a, fuse.trip_now_a) == pytest.approx((hold_a, trip_a))


def test_load_resettable_follows_the_weather():
    """Cold lets a 3 A part hold about 4 A at -20 °C; warmth leaves a 4 A part 3.4 A at 40 °C.

    Derating of standard 85 °C types, from memory.
    """
    assert ResettableFuse(3.0, ambient_c=-20).hold_now_a == pytest.approx(4.05)
    assert ResettableFuse(4.0, ambient_c=40).hold_now_a == pytest.approx(3.36)
    assert ResettableFuse(4.0, ambient_c=45).derating == pytest.approx(0.80)
    assert ResettableFuse(4.0, ambient_c=-60).derating == pytest.approx(1.5)
    assert ResettableFuse(4.0, ambient_c=120).derating == pytest.approx(0.42)


@pytest.mark.parametrize(
    ("pct", "within_s"),
    [(100, math.inf), (110, 14400), (150, 1800), (210, 20), (275, 1), (300, 0.1), (1000, 0.1)],
)
def test_load_electronic_curve(pct, within_s):
    """The published fast characteristic gives its own switch-off times (infosys.beckhoff.com, EP92x4)."""
    assert ElectronicFuse().opens_within_s(4.0 * pct / 100, 4.0) == within_s


def test_load_misprinted_curve_is_refused():
    """A curve that is not monotonic, as the "slow" column printed 20 s at 210 and 275 %, is data to doubt.

    275 % must not take longer than 210 %: equal times pass, a rise is refused.
    """
    assert ElectronicFuse((CurvePoint(210, 20), CurvePoint(275, 20))).curve
    with pytest.raises(RulesError):
        ElectronicFuse((*FAST_CURVE, CurvePoint(400, 3)))


def test_load_blade_rows():
    """A blade fuse carries 110 % for 100 h, melts at 200 % in 0.15 to 5 s (ISO 8820-3, from memory)."""
    fuse = BladeFuse(5)
    assert fuse.melts(5.0) is None
    assert fuse.melts(5.5) == BLADE[0]
    melted = fuse.melts(10)
    assert melted is not None
    assert (melted.at_least_s, melted.at_most_s) == (0.15, 5)


def test_load_injections_are_counted():
    """A second feed at the far end lowers the loss at the worst pixel."""
    wire = Conductor(awg=18)
    one = Wiring(Cable(3, wire), 0.1, wire)
    two = Wiring(Cable(3, wire), 0.1, wire, (Injection(50, Cable(8, wire)),))
    assert lowest(two, 50, 0.06).drop_v < lowest(one, 50, 0.06).drop_v
    assert lowest(one, 50, 0.06).pixel == 50
