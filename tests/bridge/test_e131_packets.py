"""E1.31 packets: octets against the standard's own example and an independent library."""

import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sacn.messages.data_packet import DataPacket as LibraryPacket
from sacn.messages.data_packet import calculate_multicast_addr
from sacn.messages.sync_packet import SyncPacket as LibrarySync

from rules.errors import RulesError
from rules.show_data.e131 import (
    PORT,
    DataPacket,
    Malformed,
    OtherPacket,
    SyncPacket,
    build,
    in_sequence,
    multicast_group,
    parse,
)

CID = bytes.fromhex("ef07c8dd00644401a3a2459ef8e6143e")
GOLDEN = (
    bytes.fromhex(
        "0010 0000 4153432d45312e3137000000 727d 00000004 ef07c8dd00644401a3a2459ef8e6143e"
        "7257 00000002" + "536f757263655f41".ljust(128, "0") + "64 1f1a 9a 00 0001"
        "720d 02 a1 0000 0001 0201 00"
    )
    + bytes(range(256)) * 2
)
"""ANSI E1.31 Appendix B, as printed in the tests of the sacn library 1.11.0."""
EXAMPLE = DataPacket(
    CID, "Source_A", 1, bytes(range(256)) * 2, priority=100, sequence=154, sync_universe=7962
)


def packets():
    """Every data packet the standard allows."""
    return st.builds(
        DataPacket,
        cid=st.binary(min_size=16, max_size=16),
        source_name=st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=15),
        universe=st.integers(1, 63999),
        levels=st.binary(max_size=512),
        priority=st.integers(0, 200),
        sequence=st.integers(0, 255),
        sync_universe=st.integers(0, 63999),
        preview=st.booleans(),
        terminated=st.booleans(),
        force_sync=st.booleans(),
        start_code=st.integers(0, 255),
    )


def test_golden_packet_is_built():
    """The standard's example packet is built octet for octet, but for the layer lengths it misprints.

    The example prints 0x727d, 0x7257 and 0x720d; counted from each layer's first octet to the end of 638
    octets, as the standard's own text asks, they are 622, 600 and 523.
    """
    right = bytearray(GOLDEN)
    right[16:18], right[38:40], right[115:117] = b"\x72\x6e", b"\x72\x58", b"\x72\x0b"
    assert (0x26E, 0x258, 0x20B) == (638 - 16, 638 - 38, 638 - 115)
    assert build(EXAMPLE) == right


def test_full_packet_equals_the_library():
    """The example packet is built octet for octet as the sacn library builds it."""
    theirs = LibraryPacket(
        tuple(CID), "Source_A", 1, tuple(EXAMPLE.levels), priority=100, sequence=154, sync_universe=7962
    )
    assert build(EXAMPLE) == bytes(theirs.getBytes())


def test_golden_packet_is_parsed():
    """The standard's example packet is understood field for field."""
    assert parse(GOLDEN) == EXAMPLE


def test_constants():
    """The port is the one IANA and the standard name (ETCLabs sACN common.h)."""
    assert PORT == 5568


@settings(max_examples=60, deadline=None)
@given(packets())
def test_round_trip(packet):
    """Every packet that can be built is read back as it was."""
    assert parse(build(packet)) == packet


@settings(max_examples=40, deadline=None)
@given(packets())
def test_library_reads_what_we_build(packet):
    """The sacn library reads each of our packets as we meant it (it pads to 512 slots)."""
    theirs = LibraryPacket.make_data_packet(tuple(build(packet)))
    assert bytes(theirs.dmxData) == packet.levels.ljust(512, b"\0")
    assert (theirs.sourceName, theirs.universe, theirs.priority) == (
        packet.source_name,
        packet.universe,
        packet.priority,
    )
    assert (theirs.sequence, theirs.syncAddr, theirs.dmxStartCode) == (
        packet.sequence,
        packet.sync_universe,
        packet.start_code,
    )
    assert theirs.option_PreviewData == packet.preview
    assert theirs.option_StreamTerminated == packet.terminated
    assert theirs.option_ForceSync == packet.force_sync


def test_we_read_what_the_library_builds():
    """Data and synchronisation packets of the sacn library are understood."""
    theirs = LibraryPacket(tuple(CID), "Barn", 300, (9, 8, 7), priority=150, sequence=7, previewData=True)
    ours = parse(bytes(theirs.getBytes()))
    assert ours == DataPacket(
        CID, "Barn", 300, bytes([9, 8, 7]).ljust(512, b"\0"), priority=150, sequence=7, preview=True
    )
    sync = parse(bytes(LibrarySync(tuple(CID), 7962, 12).getBytes()))
    assert sync == SyncPacket(CID, 7962, 12)
    assert build(sync) == bytes(LibrarySync(tuple(CID), 7962, 12).getBytes())


@pytest.mark.parametrize(
    ("universe", "group"),
    [
        (1, "239.255.0.1"),
        (255, "239.255.0.255"),
        (256, "239.255.1.0"),
        (1000, "239.255.3.232"),
        (62000, "239.255.242.48"),
        (63999, "239.255.249.255"),
    ],
)
def test_multicast_group(universe, group):
    """A universe's group is 239.255.high.low, as the sacn library computes it."""
    assert multicast_group(universe) == group == calculate_multicast_addr(universe)


@pytest.mark.parametrize(
    ("last", "new", "accepted"),
    [
        (100, 101, True),
        (100, 100, False),
        (100, 81, False),
        (100, 80, True),
        (255, 0, True),
        (254, 3, True),
        (1, 254, False),
        (0, 255, False),
        (5, 250, False),
        (10, 5, False),
        (10, 246, True),
        (10, 10, False),
        (0, 237, False),
        (0, 236, True),
    ],
)
def test_sequence_rule(last, new, accepted):
    """A late packet is discarded, across the wrap too (E1.31 6.7.2, signed 8-bit arithmetic)."""
    assert in_sequence(last, new) is accepted


def test_sequence_rule_whole_product():
    """Of the 65 536 pairs, exactly those with an 8-bit difference of -19 to 0 are discarded."""
    wrong = []
    for last in range(256):
        for new in range(256):
            difference = struct.unpack("b", bytes([(new - last) & 0xFF]))[0]
            if in_sequence(last, new) is (-20 < difference <= 0):
                wrong.append((last, new))
    assert wrong == []


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=700))
def test_any_octets_are_taken(data):
    """No datagram makes the parser raise."""
    assert isinstance(parse(data), DataPacket | SyncPacket | OtherPacket | Malformed)


@settings(max_examples=400, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 125), st.integers(0, 255)), min_size=1, max_size=4),
    st.integers(0, 638),
)
def test_damaged_packets_are_taken(changes, length):
    """A packet with changed octets, or cut off, is read or named malformed; it never raises."""
    data = bytearray(GOLDEN[:length])
    for place, value in changes:
        if place < len(data):
            data[place] = value
    found = parse(bytes(data))
    if isinstance(found, DataPacket):
        assert 1 <= found.universe <= 63999
        assert found.priority <= 200
        assert len(found.levels) <= 512
    else:
        assert isinstance(found, SyncPacket | OtherPacket | Malformed)


@pytest.mark.parametrize("length", [0, 16, 43, 44, 125, 126, 637])
def test_cut_off_packets_are_malformed(length):
    """A packet that lost its end is malformed at whatever length it was cut."""
    assert isinstance(parse(GOLDEN[:length]), Malformed)


def test_trailing_octets_are_ignored():
    """Padding behind the packet's own length changes nothing."""
    assert parse(GOLDEN + bytes(20)) == EXAMPLE


@pytest.mark.parametrize(
    ("place", "octets"),
    [(0, b"\x00\x11"), (16, b"\x62"), (38, b"\x82"), (108, b"\xc9"), (113, b"\xfa\x00"), (113, b"\0\0"),
     (115, b"\x62"), (117, b"\x03"), (118, b"\xa2"), (120, b"\x01"), (123, b"\x02\x02"), (123, b"\0\0")],
)  # fmt: skip
def test_each_wrong_field_is_malformed(place, octets):
    """Each field the standard fixes is checked: a wrong one makes the packet malformed, with a reason."""
    data = bytearray(GOLDEN)
    data[place : place + len(octets)] = octets
    found = parse(bytes(data))
    assert isinstance(found, Malformed)
    assert found.reason


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"universe": 0}, "universe"),
        ({"universe": 64000}, "universe"),
        ({"priority": 201}, "priority"),
        ({"sequence": 256}, "sequence"),
        ({"levels": bytes(513)}, "slots"),
        ({"source_name": "ä" * 32}, "63 octets"),
        ({"cid": b"short"}, "16 octets"),
        ({"start_code": 256}, "start code"),
        ({"sync_universe": 64000}, "synchronisation"),
    ],
)
def test_nothing_outside_the_standard_is_built(change, word):
    """A field outside the standard's range is refused with a sentence that names it."""
    from dataclasses import replace

    with pytest.raises(RulesError, match=word):
        build(replace(EXAMPLE, **change))
