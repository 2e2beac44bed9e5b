"""Which E1.31 sources are heard, and which levels a universe has. No socket and no clock.

The standard leaves to the receiver how several sources are merged. Here, per universe: the highest
priority wins; among sources of that priority the highest level of each slot wins (highest takes
precedence, HTP). Synchronised data counts when it arrives: the current a port draws moves by less than
a frame, and a lost synchronisation packet must not freeze what is known.
"""

from collections import Counter
from dataclasses import dataclass, replace
from enum import StrEnum

from rules.show_data.e131 import (
    NETWORK_DATA_LOSS_S,
    START_CODE_LEVELS,
    DataPacket,
    Malformed,
    OtherPacket,
    SyncPacket,
    in_sequence,
    parse,
)


class Taken(StrEnum):
    """What became of one datagram. The tally of them is `SourceTracker.tally`."""

    LEVELS = "levels"
    """Accepted: these levels count now."""
    ENDED = "ended"
    """The source said that its stream ends."""
    PREVIEW = "preview"
    """Not meant for live output: ignored."""
    OUT_OF_SEQUENCE = "out-of-sequence"
    OTHER_START_CODE = "other-start-code"
    SYNCHRONISATION = "synchronisation"
    OTHER_PACKET = "other-packet"
    MALFORMED = "malformed"
    UNKNOWN_ENDED = "unknown-ended"
    """The end of a stream that was not heard: the second and third terminated packet."""
    TOO_MANY = "too-many"
    """More universes or sources than are kept; the standard calls it "sources exceeded"."""


@dataclass(frozen=True, slots=True)
class Source:
    """One source of one universe, as last heard (`heard_s`, monotonic seconds)."""

    cid: bytes
    name: str
    priority: int
    sequence: int
    levels: bytes
    heard_s: float


class SourceTracker:
    """Keeps the live sources of each universe; bounded in memory.

    max_universes: universes kept at a time; max_sources: sources kept per universe. Beyond them a
    newcomer is ignored and counted, unless its priority is above the lowest one kept.
    """

    def __init__(self, *, max_universes: int = 512, max_sources: int = 8) -> None:
        self._max_universes = max_universes
        self._max_sources = max_sources
        self._universes: dict[int, dict[bytes, Source]] = {}
        self.tally: Counter[Taken] = Counter()

    def take(self, datagram: bytes, now_s: float) -> tuple[Taken, DataPacket | None]:
        """Take one datagram that arrived at `now_s`. Never raises."""
        packet = parse(datagram)
        if isinstance(packet, DataPacket) and packet.universe in self._universes:
            self._expire(packet.universe, now_s)
        taken = self._taken(packet, now_s)
        self.tally[taken] += 1
        return taken, packet if isinstance(packet, DataPacket) else None

    def _taken(self, packet: DataPacket | SyncPacket | OtherPacket | Malformed, now_s: float) -> Taken:
        match packet:
            case Malformed():
                return Taken.MALFORMED
            case SyncPacket():
                return Taken.SYNCHRONISATION
            case OtherPacket():
                return Taken.OTHER_PACKET
        sources = self._universes.get(packet.universe, {})
        known = sources.get(packet.cid)
        if known and not in_sequence(known.sequence, packet.sequence):
            return Taken.OUT_OF_SEQUENCE
        if packet.terminated:
            # "network data loss" at once, and its slots are ignored, whatever else the packet says.
            if known is None:
                return Taken.UNKNOWN_ENDED
            self._forget(packet.universe, packet.cid)
            return Taken.ENDED
        if packet.preview or packet.start_code != START_CODE_LEVELS:
            # Neither keeps a stream alive; the sequence is the universe's, so it is noted.
            if known:
                sources[packet.cid] = replace(known, sequence=packet.sequence)
            return Taken.PREVIEW if packet.preview else Taken.OTHER_START_CODE
        if known is None and not self._make_room(packet, now_s):
            return Taken.TOO_MANY
        self._universes.setdefault(packet.universe, {})[packet.cid] = Source(
            packet.cid, packet.source_name, packet.priority, packet.sequence, packet.levels, now_s
        )
        return Taken.LEVELS

    def _make_room(self, packet: DataPacket, now_s: float) -> bool:
        sources = self._universes.get(packet.universe)
        if sources is None:
            if len(self._universes) >= self._max_universes:
                self.expire(now_s)
            return len(self._universes) < self._max_universes
        if len(sources) < self._max_sources:
            return True
        lowest = min(sources.values(), key=lambda source: source.priority)
        if lowest.priority >= packet.priority:
            return False
        del sources[lowest.cid]
        return True

    def _forget(self, universe: int, cid: bytes) -> None:
        sources = self._universes[universe]
        del sources[cid]
        if not sources:
            del self._universes[universe]

    def expire(self, now_s: float) -> tuple[int, ...]:
        """Drop the sources that are silent for more than 2.5 s; the universes that fell silent by it.

        `take` looks only at the universe of its packet, so call this a few times a second.
        """
        before = self.universes()
        for universe in before:
            self._expire(universe, now_s)
        return tuple(universe for universe in before if universe not in self._universes)

    def _expire(self, universe: int, now_s: float) -> None:
        for source in list(self._universes[universe].values()):
            if now_s - source.heard_s > NETWORK_DATA_LOSS_S:
                self._forget(universe, source.cid)

    def universes(self) -> tuple[int, ...]:
        """The universes with at least one live source, ascending."""
        return tuple(sorted(self._universes))

    def sources(self, universe: int) -> tuple[Source, ...]:
        """The live sources of `universe`, highest priority first."""
        return tuple(sorted(self._universes.get(universe, {}).values(), key=lambda s: (-s.priority, s.cid)))

    def levels(self, universe: int) -> bytes | None:
        """The merged levels of `universe`, slot 1 first; None where nobody sends it."""
        sources = self.sources(universe)
        if not sources:
            return None
        top = [source.levels for source in sources if source.priority == sources[0].priority]
        if len(top) == 1:
            return top[0]
        length = max(map(len, top))
        return bytes(map(max, *(levels.ljust(length, b"\0") for levels in top)))
