"""How the store packs numbers into blobs: columns of one kind, one after the other, deflated.

| blob | columns |
|---|---|
| samples of one minute | count, then milliseconds in the minute, current [mA], voltage [cV], flags |
| minutes of one hour | 60 means, 60 lowest, 60 highest currents [mA] |
| quarter hours of one day | 96 means, 96 lowest, 96 highest currents [mA] |
| energy of one day | 96 energies, 96 saved [10 µWh], 96 times powered [10 ms] |
| switchings of one day | milliseconds of the day × 2, + 1 for on |

`NONE` in a column is "not said". All columns are little endian. Currents above 65.534 A are kept as that.
"""

import sys
import zlib
from array import array
from collections.abc import Iterable, Sequence
from typing import NamedTuple

import structlog

from rules.ports import Reading

log = structlog.get_logger()

NONE = 0xFFFF
MINUTE_MS = 60_000
HOUR_MS = 3_600_000
QUARTER_MS = 900_000
DAY_MS = 86_400_000
QUARTERS = 96
MINUTES = 60

_POWER_KNOWN, _POWER, _TRIP_KNOWN, _TRIPPED = 1, 2, 4, 8


class Sample(NamedTuple):
    """One reading as the store keeps it: UTC milliseconds, ampere, volt; None is "not said"."""

    at_ms: int
    current_a: float | None
    voltage_v: float | None
    power: bool | None
    tripped: bool | None


def _bytes(column: "array[int]") -> bytes:
    if sys.byteorder == "big":
        column = array(column.typecode, column)
        column.byteswap()
    return column.tobytes()


def _column(typecode: str, data: bytes) -> "array[int]":
    column: array[int] = array(typecode, data)
    if sys.byteorder == "big":
        column.byteswap()
    return column


def _inflated(blob: bytes) -> bytes:
    """What was packed; nothing where an entry is damaged: one bad entry must not hide all others."""
    try:
        return zlib.decompress(blob)
    except zlib.error as error:
        return _damaged(str(error))


def _damaged(what: str) -> bytes:
    log.warning("store.entry_damaged", what=what)
    return b""


def _whole(typecode: str, blob: bytes) -> "array[int]":
    """The one column of a blob that holds nothing else."""
    data = _inflated(blob)
    if len(data) % array(typecode).itemsize:
        data = _damaged("its column was cut short")
    return _column(typecode, data)


def _counted(blob: bytes, row_bytes: int) -> tuple[int, bytes]:
    """How many rows a blob says it holds, and its columns behind that."""
    data = _inflated(blob)
    count = int.from_bytes(data[:4], "little")
    if data and len(data) != 4 + row_bytes * count:
        data = _damaged(f"it says {count} rows and has others")
    return (count, data[4:]) if data else (0, b"")


def _scaled(value: float | None, scale: float) -> int:
    """A value as an unsigned 16-bit number; what can't be one is `NONE` or the nearest end."""
    if value is None or value != value:  # noqa: PLR0124 - NaN is what differs from itself
        return NONE
    return min(NONE - 1, max(0, round(min(1e9, max(-1e9, value)) * scale)))


class Samples:
    """The readings of one port in one minute, as columns."""

    __slots__ = ("centivolts", "flags", "milliamps", "minute", "ms", "powered")

    def __init__(self, minute: int) -> None:
        self.minute = minute
        self.powered = False
        """Something was powered or drew current: worth keeping."""
        self.ms: array[int] = array("H")
        self.milliamps: array[int] = array("H")
        self.centivolts: array[int] = array("H")
        self.flags: array[int] = array("B")

    def add(self, in_minute_ms: int, reading: Reading) -> None:
        """Append a reading taken `in_minute_ms` after the minute began."""
        _, _, current_a, power, tripped, voltage_v, _ = reading
        milliamps = _scaled(current_a, 1000.0)
        flags = 0
        if power is not None:
            flags = _POWER_KNOWN | _POWER if power else _POWER_KNOWN
        if tripped is not None:
            flags |= _TRIP_KNOWN | _TRIPPED if tripped else _TRIP_KNOWN
        if power or (milliamps != NONE and milliamps > 10):
            self.powered = True
        self.ms.append(in_minute_ms)
        self.milliamps.append(milliamps)
        self.centivolts.append(NONE if voltage_v is None else _scaled(voltage_v, 100.0))
        self.flags.append(flags)

    def pack(self) -> bytes:
        """As a blob."""
        return zlib.compress(
            b"".join(
                (
                    len(self.ms).to_bytes(4, "little"),
                    _bytes(self.ms),
                    _bytes(self.milliamps),
                    _bytes(self.centivolts),
                    self.flags.tobytes(),
                )
            ),
            1,
        )

    @classmethod
    def unpack(cls, minute: int, blob: bytes) -> "Samples":
        """From a blob of `pack`."""
        count, data = _counted(blob, 7)
        made = cls(minute)
        cut = [2 * count * k for k in range(4)]
        made.ms = _column("H", data[cut[0] : cut[1]])
        made.milliamps = _column("H", data[cut[1] : cut[2]])
        made.centivolts = _column("H", data[cut[2] : cut[3]])
        made.flags = array("B", data[cut[3] : cut[3] + count])
        made.powered = True
        return made

    def extend(self, other: "Samples") -> None:
        """Append another stretch of the same minute (a restart, or a clock that went back)."""
        self.ms += other.ms
        self.milliamps += other.milliamps
        self.centivolts += other.centivolts
        self.flags += other.flags

    def level(self) -> tuple[int, int, int] | None:
        """Mean, lowest, highest [mA] of the samples that say a current; None if none does."""
        said = self.milliamps
        if NONE in said:
            said = array("H", (value for value in said if value != NONE))
        if not said:
            return None
        return round(sum(said) / len(said)), min(said), max(said)

    def between(self, from_ms: int, until_ms: int) -> list[Sample]:
        """The samples from `from_ms` to `until_ms` (included), UTC milliseconds."""
        base_ms = self.minute * MINUTE_MS
        return [
            _sample(base_ms + ms, milliamps, centivolts, flags)
            for ms, milliamps, centivolts, flags in zip(
                self.ms, self.milliamps, self.centivolts, self.flags, strict=True
            )
            if from_ms <= base_ms + ms <= until_ms
        ]


def _sample(at_ms: int, milliamps: int, centivolts: int, flags: int) -> Sample:
    return Sample(
        at_ms,
        None if milliamps == NONE else milliamps / 1000,
        None if centivolts == NONE else centivolts / 100,
        bool(flags & _POWER) if flags & _POWER_KNOWN else None,
        bool(flags & _TRIPPED) if flags & _TRIP_KNOWN else None,
    )


def pack_around(samples: Iterable[Sample]) -> bytes:
    """Samples around an event, over more than one minute: 64-bit milliseconds, else as above."""
    ms: array[int] = array("q")
    milliamps: array[int] = array("H")
    centivolts: array[int] = array("H")
    flags: array[int] = array("B")
    for at_ms, current_a, voltage_v, power, tripped in samples:
        ms.append(at_ms)
        milliamps.append(_scaled(current_a, 1000.0))
        centivolts.append(_scaled(voltage_v, 100.0))
        known = 0 if power is None else (_POWER_KNOWN | _POWER if power else _POWER_KNOWN)
        flags.append(known | (0 if tripped is None else (_TRIP_KNOWN | _TRIPPED if tripped else _TRIP_KNOWN)))
    return zlib.compress(
        len(ms).to_bytes(4, "little") + _bytes(ms) + _bytes(milliamps) + _bytes(centivolts) + flags.tobytes()
    )


def unpack_around(blob: bytes) -> list[Sample]:
    """From a blob of `pack_around`."""
    count, data = _counted(blob, 13)
    columns, at = [], 0
    for typecode, size in (("q", 8), ("H", 2), ("H", 2), ("B", 1)):
        columns.append(_column(typecode, data[at : at + size * count]))
        at += size * count
    return [_sample(*row) for row in zip(*columns, strict=True)]


Slots = list[tuple[int, int, int] | None]
"""Mean, lowest, highest [mA] of each slot; None where nothing was said."""


def pack_levels(slots: Slots) -> bytes:
    """Minutes of an hour or quarter hours of a day as a blob."""
    columns = [array("H", (NONE if slot is None else slot[k] for slot in slots)) for k in range(3)]
    return zlib.compress(b"".join(_bytes(column) for column in columns))


def unpack_levels(blob: bytes, count: int) -> Slots:
    """From a blob of `pack_levels` with `count` slots."""
    column = _whole("H", blob)
    if len(column) != 3 * count:
        return [None] * count
    rows = zip(column[:count], column[count : 2 * count], column[2 * count :], strict=True)
    return [None if row[0] == NONE else row for row in rows]


def joined(slots: Sequence[tuple[int, int, int] | None]) -> tuple[int, int, int] | None:
    """Several slots as one: mean of means, lowest, highest; None where none says anything."""
    said = [slot for slot in slots if slot is not None]
    if not said:
        return None
    return round(sum(slot[0] for slot in said) / len(said)), min(s[1] for s in said), max(s[2] for s in said)


STEPS_PER_WH = 100_000
"""Steps of energy: 10 µWh. Fine because a slot is read, added to and written again each minute."""
STEPS_PER_S = 100
"""Steps of powered time: 10 ms."""
Columns = tuple["array[int]", "array[int]", "array[int]"]
"""Energy, saved (steps of 10 µWh) and powered time (steps of 10 ms) by quarter hour of a day."""


def empty_energy() -> Columns:
    """A day without any."""
    zeros = array("I", bytes(4 * QUARTERS))
    return zeros, zeros[:], zeros[:]


def add_steps(column: "array[int]", quarter: int, steps: float) -> None:
    """Add to a quarter hour what fits: up to 42.9 kWh."""
    column[quarter] = min(0xFFFFFFFF, column[quarter] + max(0, round(steps)))


def pack_energy(columns: Columns) -> bytes:
    """Energy of a day by quarter hours as a blob."""
    return zlib.compress(b"".join(map(_bytes, columns)))


def unpack_energy(blob: bytes) -> Columns:
    """From a blob of `pack_energy`, also of one that knew no powered time."""
    column = _whole("I", blob)
    if len(column) not in (2 * QUARTERS, 3 * QUARTERS):
        return empty_energy()
    powered = column[2 * QUARTERS :] or array("I", bytes(4 * QUARTERS))
    return column[:QUARTERS], column[QUARTERS : 2 * QUARTERS], powered


def pack_switchings(switchings: Iterable[tuple[int, bool]]) -> bytes:
    """Switchings of a day, (millisecond of the day, on), as a blob."""
    return zlib.compress(_bytes(array("I", (ms << 1 | on for ms, on in switchings))))


def unpack_switchings(blob: bytes) -> list[tuple[int, bool]]:
    """From a blob of `pack_switchings`."""
    return [(value >> 1, bool(value & 1)) for value in _whole("I", blob)]
