"""What stands retained on a broker, held in little memory.

Descriptions and discovery documents are kilobytes each and nearly the same for every port. Each is kept
compressed against one like it (zlib, RFC 1950, with a preset dictionary): a twelfth or less is left.
"""

import zlib
from collections.abc import Iterator, MutableMapping
from typing import NamedTuple

PLAIN_LIMIT_BYTES = 512
"""Payloads up to this size are kept as they are: there are many, they change often, little would be won."""
_SAMPLES = 16
_LEVEL = 1
"""Against a sample that is like it, more effort wins next to nothing."""
_ALIKE = 8
"""A payload that shrinks to less than one part in so many is like its sample."""


class Packed(NamedTuple):
    """A payload compressed; the sample it is like is needed to read it."""

    data: bytes
    sample: bytes

    def payload(self) -> bytes:
        """The payload as it was."""
        return zlib.decompressobj(zdict=self.sample).decompress(self.data)


class Retained(MutableMapping[str, bytes]):
    """Payloads by topic, in order of first appearance; each is read whole, unpacked when it is asked for."""

    def __init__(self) -> None:
        self._kept: dict[str, bytes | Packed] = {}
        self._samples: list[bytes] = []

    def keep(self, topic: str, payload: bytes) -> bytes | Packed:
        """Set a topic's payload, and return how it is kept: for whoever has it wait to be sent."""
        kept = payload if len(payload) <= PLAIN_LIMIT_BYTES else self._pack(payload)
        self._kept[topic] = kept
        return kept

    def _pack(self, payload: bytes) -> Packed:
        # Several kinds of documents take turns (site, controllers, ports, props): each has its sample.
        best: Packed | None = None
        for sample in self._samples:
            squeezer = zlib.compressobj(_LEVEL, zdict=sample)
            packed = Packed(squeezer.compress(payload) + squeezer.flush(), sample)
            if len(packed.data) * _ALIKE < len(payload):
                self._samples.remove(sample)
                self._samples.insert(0, sample)  # the next one is probably like this one
                return packed
            if best is None or len(packed.data) < len(best.data):
                best = packed
        if best is None or len(self._samples) < _SAMPLES:
            self._samples.insert(0, payload)
            return self._pack(payload)
        return best

    def __setitem__(self, topic: str, payload: bytes) -> None:
        self.keep(topic, payload)

    def __getitem__(self, topic: str) -> bytes:
        kept = self._kept[topic]
        return kept if isinstance(kept, bytes) else kept.payload()

    def __delitem__(self, topic: str) -> None:
        del self._kept[topic]

    def __contains__(self, topic: object) -> bool:
        return topic in self._kept

    def __iter__(self) -> Iterator[str]:
        return iter(self._kept)

    def __len__(self) -> int:
        return len(self._kept)
