"""Slots of a port and the current its levels ask for."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.errors import RulesError
from rules.ports import PortId
from rules.show_data.levels import CurrentModel, Overlap, PixelMap, SlotRange, lit, overlaps

LEFT = PortId("gable/1")
RIGHT = PortId("gable/2")
WS2811 = dict.fromkeys("RGB", 0.0185)
"""18.5 mA per channel, constant (Worldsemi WS2811 datasheet)."""


def picture(pixel_map, colour):
    """All pixels of the map in one colour."""
    return lit(pixel_map, range(pixel_map.units), bytes(colour))


@pytest.mark.parametrize(
    ("colour", "brightness", "current_a"),
    [
        ((0, 0, 0), 1.0, 0.226),
        ((255, 0, 0), 1.0, 2.076),
        ((255, 255, 255), 1.0, 5.776),
        ((255, 255, 255), 0.3, 1.891),
    ],
)
def test_hundred_pixels(colour, brightness, current_a):
    """100 pixels of 18.5 mA and 2.26 mA dark draw what the formula says (computed by hand)."""
    pixel_map = PixelMap(LEFT, 1, 100, brightness=brightness)
    model = CurrentModel(pixel_map, 0.00226, WS2811)
    assert model.expected_a(picture(pixel_map, colour)) == pytest.approx(current_a, abs=5e-7)


def test_common_practice_dark_current():
    """100 dark pixels draw 0.225 to 0.227 A (common practice), which is 2.25 to 2.27 mA each."""
    for quiescent_a in (0.00225, 0.00227):
        dark_a = CurrentModel(PixelMap(LEFT, 1, 100), quiescent_a, WS2811).dark_a
        assert 0.225 <= round(dark_a, 9) <= 0.227


def test_ucs1903_band():
    """50 white UCS1903N pixels draw 2.55 A, 2.474 to 2.627 A with the chips' 3 % (maker's datasheet)."""
    for factor, current_a in ((1.0, 2.55), (0.97, 2.474), (1.03, 2.627)):
        model = CurrentModel(PixelMap(LEFT, 1, 50), 0.0, dict.fromkeys("RGB", 0.017 * factor))
        assert model.full_a == pytest.approx(current_a, abs=6e-4)


def test_most_pixels_on_four_amperes():
    """69 white pixels fit 4.0 A and 70 do not; 211 fit at 30 % and 212 do not (check by the formula)."""
    for brightness, most in ((1.0, 69), (0.3, 211)):
        full = [
            CurrentModel(PixelMap(LEFT, 1, n, brightness=brightness), 0.00226, WS2811).full_a
            for n in (most, most + 1)
        ]
        assert full[0] <= 4.0 < full[1]


def test_slots_fill_universe_after_universe():
    """170 pixels of 3 channels take slots 1 to 510; the next pixel begins the next universe."""
    assert PixelMap(LEFT, 1, 171).slots == (SlotRange(1, 1, 510), SlotRange(2, 1, 3))
    assert PixelMap(LEFT, 1, 171, split_pixels=True).slots == (SlotRange(1, 1, 512), SlotRange(2, 1, 1))
    assert PixelMap(LEFT, 7, 129, colour_order="GRBW").slots == (SlotRange(7, 1, 512), SlotRange(8, 1, 4))


def test_start_channel_near_the_end():
    """A start channel without room for one pixel begins in the next universe."""
    assert PixelMap(LEFT, 1, 2, start_channel=511).slots == (SlotRange(2, 1, 6),)
    assert PixelMap(LEFT, 1, 2, start_channel=510).slots == (SlotRange(1, 510, 512), SlotRange(2, 1, 3))


def test_groups_and_null_pixels():
    """A group shares one set of slots, the last may be smaller; null pixels stay dark."""
    pixel_map = PixelMap(LEFT, 1, 10, group=3, null_pixels=2)
    assert pixel_map.slots == (SlotRange(1, 1, 12),)
    model = CurrentModel(pixel_map, 0.001, WS2811)
    assert model.dark_a == pytest.approx(0.012)
    assert model.full_a == pytest.approx(0.012 + 10 * 3 * 0.0185)
    last_group = lit(pixel_map, [3], bytes([255, 0, 0]))
    assert model.expected_a(last_group) == pytest.approx(0.012 + 1 * 0.0185)


def test_gamma_applies_before_the_limit():
    """Half level at gamma 2 and 50 % limit draws an eighth of the full current."""
    pixel_map = PixelMap(LEFT, 1, 4, gamma=2.0, brightness=0.5)
    model = CurrentModel(pixel_map, 0.0, WS2811)
    level = 127.5
    assert model.full_a == pytest.approx(4 * 3 * 0.0185 * 0.5)
    drawn = model.expected_a(picture(pixel_map, (127, 127, 127)))
    assert drawn == pytest.approx(4 * 3 * 0.0185 * 0.5 * (127 / 255) ** 2)
    assert drawn == pytest.approx(model.full_a * (level / 255) ** 2, rel=0.01)


def test_colour_order():
    """The first slot is the first letter of the colour order."""
    currents = {"R": 0.019, "G": 0.022, "B": 0.022}
    pixel_map = PixelMap(LEFT, 1, 1, colour_order="GRB")
    model = CurrentModel(pixel_map, 0.0, currents)
    assert model.expected_a({1: bytes([0, 255, 0])}) == pytest.approx(0.019)


def test_unknown_universe_is_unknown():
    """Where a universe of the port is not heard, no current is expected: it is not 0 A."""
    model = CurrentModel(PixelMap(LEFT, 1, 171), 0.00226, WS2811)
    assert model.expected_a({1: bytes(512)}) is None
    assert model.expected_a({1: bytes(512), 2: b""}) == pytest.approx(171 * 0.00226)


def test_overlap_is_found():
    """Two ports that read the same slots are named with the slots."""
    maps = [
        PixelMap(LEFT, 1, 100),
        PixelMap(RIGHT, 1, 100, start_channel=298),
        PixelMap(PortId("gable/3"), 3, 9),
    ]
    assert overlaps(maps) == (Overlap(LEFT, RIGHT, (SlotRange(1, 298, 300),)),)
    assert overlaps([PixelMap(LEFT, 1, 100), PixelMap(RIGHT, 1, 100, start_channel=301)]) == ()


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_pick_undoes_spread(data):
    """What is laid out into universes is picked out again; a pixel has its place, in one universe."""
    pixel_map = PixelMap(
        LEFT,
        data.draw(st.integers(1, 60000)),
        data.draw(st.integers(1, 700)),
        start_channel=data.draw(st.integers(1, 512)),
        colour_order=data.draw(st.sampled_from(["RGB", "BRG", "WRGB"])),
        group=data.draw(st.integers(1, 5)),
        split_pixels=data.draw(st.booleans()),
    )
    size = pixel_map.units * pixel_map.channels
    octets = data.draw(st.binary(min_size=size, max_size=size))
    universes = pixel_map.spread(octets)
    assert pixel_map.pick(universes) == octets
    unit = data.draw(st.integers(0, pixel_map.units - 1))
    channels = pixel_map.channels
    alone = lit(pixel_map, [unit], b"\xff" * channels)
    before, after = bytes(unit * channels), bytes(size - (unit + 1) * channels)
    assert pixel_map.pick(alone) == before + b"\xff" * channels + after
    if not pixel_map.split_pixels:
        assert sum(any(slots) for slots in alone.values()) == 1
        assert all((last + 1 - first) % channels == 0 for _, first, last in pixel_map.slots)


@settings(max_examples=30, deadline=None)
@given(st.binary(min_size=30, max_size=30), st.sampled_from([1.0, 2.2]))
def test_sum_of_pixels(octets, gamma):
    """The fast sum equals pixel by pixel arithmetic."""
    pixel_map = PixelMap(LEFT, 1, 10, gamma=gamma, brightness=0.4)
    currents = {"R": 0.019, "G": 0.022, "B": 0.021}
    slow = 10 * 0.001 + sum(
        currents["RGB"[n % 3]] * (level / 255) ** gamma * 0.4 for n, level in enumerate(octets)
    )
    assert CurrentModel(pixel_map, 0.001, currents).expected_a({1: octets}) == pytest.approx(slow)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"colour_order": "RGG"}, "colour order"),
        ({"colour_order": "RGBX"}, "colour order"),
        ({"start_channel": 0}, "start channel"),
        ({"brightness": 1.5}, "0 to 1"),
        ({"group": 0}, "group"),
        ({"gamma": 0.0}, "gamma"),
        ({"start_universe": 63999, "pixels": 171}, "63999"),
        ({"start_universe": 0}, "universe"),
    ],
)
def test_maps_nobody_can_mean(changes, words):
    """A map that cannot be meant is refused with a sentence that says what would be right."""
    with pytest.raises(RulesError, match=words):
        PixelMap(**({"port": LEFT, "start_universe": 1, "pixels": 10} | changes))


def test_currents_nobody_can_mean():
    """A colour without a current, a negative current and levels of another pixel are refused."""
    pixel_map = PixelMap(LEFT, 1, 10)
    with pytest.raises(RulesError, match="colour B"):
        CurrentModel(pixel_map, 0.0, {"R": 0.01, "G": 0.01})
    with pytest.raises(RulesError, match="0 A or more"):
        CurrentModel(pixel_map, -0.1, WS2811)
    with pytest.raises(RulesError, match="3 levels"):
        lit(pixel_map, [0], b"\xff")
