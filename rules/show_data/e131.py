"""ANSI E1.31 (streaming ACN): packets to and from octets. No socket and no clock.

Offsets, vectors and constants are those of ANSI E1.31-2018. What a packet means over time (loss,
priorities, several sources) stands in `e131_sources`. Whatever arrives from a network is parsed
without raising: what is no valid packet comes back as `Malformed` with the reason, and is counted.
"""

import struct
from dataclasses import dataclass
from typing import Final

from rules.errors import RulesError

PORT: Final = 5568
"""UDP port of the standard (ACN_SDT_MULTICAST_PORT)."""
NETWORK_DATA_LOSS_S: Final = 2.5
"""A source that is silent for longer than this is gone."""
KEEP_ALIVE_S: Final = 0.8
"""Unchanged levels are sent again after this time; the standard asks for 800 ms to 1000 ms."""
SLOTS_MAX: Final = 512
UNIVERSE_MAX: Final = 63999
PRIORITY_MAX: Final = 200
PRIORITY_DEFAULT: Final = 100
START_CODE_LEVELS: Final = 0
"""Start code of ordinary levels; every other one is something else (0xDD: priority per slot)."""
TERMINATED_PACKETS: Final = 3
"""A source that ends its stream says so in this many packets."""

_HEADER: Final = struct.pack("!HH12s", 0x0010, 0x0000, b"ASC-E1.17")
_ROOT_DATA: Final = 0x00000004
_ROOT_EXTENDED: Final = 0x00000008
_FRAMING_DATA: Final = 0x00000002
_EXTENDED_SYNCHRONIZATION: Final = 0x00000001
_DMP_SET_PROPERTY: Final = 0x02
_DMP_FIXED: Final = struct.pack("!BHH", 0xA1, 0, 1)
_OPTION_PREVIEW: Final = 0x80
_OPTION_TERMINATED: Final = 0x40
_OPTION_FORCE_SYNC: Final = 0x20
_FLAGS: Final = 0x7000
_NAME_OCTETS: Final = 64
_DATA_HEAD: Final = struct.Struct("!16sHI16sHI64sBHBBHHB5sHB")
_DATA_OCTETS: Final = 126
_SYNC: Final = struct.Struct("!16sHI16sHIBHH")


@dataclass(frozen=True, slots=True)
class DataPacket:
    """Levels of one universe. `cid`: 16 octets; `levels`: up to 512 slots, slot 1 first.

    `sequence` 0 to 255; `priority` 0 to 200; `sync_universe` 0 is "not synchronised".
    """

    cid: bytes
    source_name: str
    universe: int
    levels: bytes
    priority: int = PRIORITY_DEFAULT
    sequence: int = 0
    sync_universe: int = 0
    preview: bool = False
    terminated: bool = False
    force_sync: bool = False
    start_code: int = START_CODE_LEVELS


@dataclass(frozen=True, slots=True)
class SyncPacket:
    """Universe synchronisation: "show now what was sent for `sync_universe`"."""

    cid: bytes
    sync_universe: int
    sequence: int = 0


@dataclass(frozen=True, slots=True)
class OtherPacket:
    """A packet of the standard that this job does not use (universe discovery, later additions)."""

    root_vector: int
    framing_vector: int


@dataclass(frozen=True, slots=True)
class Malformed:
    """No valid packet; `reason` is one plain sentence."""

    reason: str


def multicast_group(universe: int) -> str:
    """The IPv4 multicast address of `universe`: ``239.255.high.low``. Raises RulesError out of 1..63999."""
    _check("universe", universe, 1, UNIVERSE_MAX)
    return f"239.255.{universe >> 8}.{universe & 0xFF}"


def in_sequence(last: int, new: int) -> bool:
    """Whether a packet `new` may follow `last` (E1.31 6.7.2, signed 8-bit arithmetic).

    It is discarded where ``-20 < new - last <= 0``; a larger step back is a source that started anew.
    """
    difference = ((new - last + 128) & 0xFF) - 128
    return not -20 < difference <= 0


def build(packet: DataPacket | SyncPacket) -> bytes:
    """The octets of `packet`. Raises RulesError where a field is outside what the standard allows."""
    if len(packet.cid) != 16:
        raise RulesError(f"a component identifier has 16 octets, not {len(packet.cid)}")
    _check("sequence", packet.sequence, 0, 255)
    if isinstance(packet, SyncPacket):
        _check("synchronisation universe", packet.sync_universe, 1, UNIVERSE_MAX)
        return _SYNC.pack(
            _HEADER,
            _FLAGS | (_SYNC.size - 16),
            _ROOT_EXTENDED,
            packet.cid,
            _FLAGS | (_SYNC.size - 38),
            _EXTENDED_SYNCHRONIZATION,
            packet.sequence,
            packet.sync_universe,
            0,
        )
    name = packet.source_name.encode()
    if len(name) >= _NAME_OCTETS or b"\0" in name:
        raise RulesError("a source name has at most 63 octets of UTF-8 and no NUL")
    _check("universe", packet.universe, 1, UNIVERSE_MAX)
    _check("priority", packet.priority, 0, PRIORITY_MAX)
    _check("synchronisation universe", packet.sync_universe, 0, UNIVERSE_MAX)
    _check("start code", packet.start_code, 0, 255)
    _check("number of slots", len(packet.levels), 0, SLOTS_MAX)
    total = _DATA_OCTETS + len(packet.levels)
    options = (
        _OPTION_PREVIEW * packet.preview
        | _OPTION_TERMINATED * packet.terminated
        | _OPTION_FORCE_SYNC * packet.force_sync
    )
    head = _DATA_HEAD.pack(
        _HEADER,
        _FLAGS | (total - 16),
        _ROOT_DATA,
        packet.cid,
        _FLAGS | (total - 38),
        _FRAMING_DATA,
        name,
        packet.priority,
        packet.sync_universe,
        packet.sequence,
        options,
        packet.universe,
        _FLAGS | (total - 115),
        _DMP_SET_PROPERTY,
        _DMP_FIXED,
        len(packet.levels) + 1,
        packet.start_code,
    )
    return head + packet.levels


def parse(datagram: bytes) -> DataPacket | SyncPacket | OtherPacket | Malformed:
    """What `datagram` says. Never raises. Octets after the last slot are ignored.

    The number of slots is what the property layer counts. The lengths of the outer layers are not held
    against a sender: the example packet in the standard's own Appendix B carries lengths that do not fit
    its octets, and senders were written after it.
    """
    if len(datagram) < 44:
        return Malformed("shorter than any packet of the standard")
    if datagram[:16] != _HEADER:
        return Malformed("not an ACN packet")
    (root_length, root_vector) = struct.unpack_from("!HI", datagram, 16)
    (framing_length, framing_vector) = struct.unpack_from("!HI", datagram, 38)
    if root_length & 0xF000 != _FLAGS or framing_length & 0xF000 != _FLAGS:
        return Malformed("flags of a layer are not 0x7")
    if root_vector == _ROOT_EXTENDED and framing_vector == _EXTENDED_SYNCHRONIZATION:
        return _parse_sync(datagram)
    if root_vector != _ROOT_DATA or framing_vector != _FRAMING_DATA:
        return OtherPacket(root_vector, framing_vector)
    return _parse_data(datagram)


def _parse_sync(packet: bytes) -> SyncPacket | Malformed:
    if len(packet) < _SYNC.size:
        return Malformed("cut off: a synchronisation packet has 49 octets")
    (_, _, _, cid, _, _, sequence, sync_universe, _) = _SYNC.unpack_from(packet)
    if not 1 <= sync_universe <= UNIVERSE_MAX:
        return Malformed(f"synchronisation universe {sync_universe} is outside 1..{UNIVERSE_MAX}")
    return SyncPacket(cid, sync_universe, sequence)


def _parse_data(packet: bytes) -> DataPacket | Malformed:
    if len(packet) < _DATA_OCTETS:
        return Malformed("cut off: shorter than a data packet without slots")
    (
        _, _, _, cid, _, _, name, priority, sync_universe, sequence, options, universe,
        dmp_length, dmp_vector, fixed, count, start_code,
    ) = _DATA_HEAD.unpack_from(packet)  # fmt: skip
    slots = count - 1
    if dmp_length & 0xF000 != _FLAGS or dmp_vector != _DMP_SET_PROPERTY or fixed != _DMP_FIXED:
        return Malformed("the property layer does not set properties from address 0 by steps of 1")
    if not 0 <= slots <= SLOTS_MAX:
        return Malformed(f"{slots} slots: a universe has 0 to {SLOTS_MAX}")
    if _DATA_OCTETS + slots > len(packet):
        return Malformed("cut off: fewer slots than the property layer counts")
    if not 1 <= universe <= UNIVERSE_MAX:
        return Malformed(f"universe {universe} is outside 1..{UNIVERSE_MAX}")
    if priority > PRIORITY_MAX:
        return Malformed(f"priority {priority} is above {PRIORITY_MAX}")
    return DataPacket(
        cid=cid,
        # A name is for people: a wrong octet in it is no reason to lose the levels.
        source_name=name.split(b"\0", 1)[0].decode(errors="replace"),
        universe=universe,
        levels=packet[_DATA_OCTETS : _DATA_OCTETS + slots],
        priority=priority,
        sequence=sequence,
        sync_universe=sync_universe,
        preview=bool(options & _OPTION_PREVIEW),
        terminated=bool(options & _OPTION_TERMINATED),
        force_sync=bool(options & _OPTION_FORCE_SYNC),
        start_code=start_code,
    )


def _check(what: str, value: int, low: int, high: int) -> None:
    if not low <= value <= high:
        raise RulesError(f"{what} is {low} to {high}, not {value}")
