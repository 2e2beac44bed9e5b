"""What stands retained on a broker, held in little memory.

Descriptions and discovery documents are kilobytes each and nearly the same for every port. Each is kept
compressed against one like it (zlib, RFC 1950, with a preset dictionary): a twelfth or less is left. Topics
differ in their third level, a device, and are else the same for thousands of ports: each such shape is kept
once.
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
    """Payloads by topic; each is read whole, unpacked when it is asked for.

    They come device by device (by the topics' third level), each in order of first appearance.
    """

    def __init__(self) -> None:
        self._devices: dict[str, dict[str, bytes | Packed]] = {}
        """By third level, "" for a topic of fewer than four: what is kept by shape."""
        self._shapes: dict[str, str] = {}
        """Every shape there was, by itself: so that a thousand equal ones are one."""
        self._count = 0
        self._samples: list[bytes] = []

    def keep(self, topic: str, payload: bytes) -> bytes | Packed:
        """Set a topic's payload, and return how it is kept: for whoever has it wait to be sent."""
        kept = payload if len(payload) <= PLAIN_LIMIT_BYTES else self._pack(payload)
        device, shape = _taken_apart(topic)
        of_device = self._devices.get(device)
        if of_device is None:
            of_device = self._devices[device] = {}
        if shape in of_device:
            of_device[shape] = kept
        else:
            of_device[self._shapes.setdefault(shape, shape)] = kept
            self._count += 1
        return kept

    def of(self, device: str) -> list[str]:
        """The topics whose third level is this one."""
        return [_topic(device, shape) for shape in self._devices.get(device, ())]

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
        device, shape = _taken_apart(topic)
        kept = self._devices.get(device, {})[shape]
        return kept if isinstance(kept, bytes) else kept.payload()

    def __delitem__(self, topic: str) -> None:
        device, shape = _taken_apart(topic)
        of_device = self._devices.get(device, {})
        del of_device[shape]
        self._count -= 1
        if not of_device:
            del self._devices[device]

    def __contains__(self, topic: object) -> bool:
        if not isinstance(topic, str):
            return False
        device, shape = _taken_apart(topic)
        return shape in self._devices.get(device, ())

    def __iter__(self) -> Iterator[str]:
        return (_topic(device, shape) for device, shapes in self._devices.items() for shape in shapes)

    def __len__(self) -> int:
        return self._count


def _taken_apart(topic: str) -> tuple[str, str]:
    """A topic's third level, and its shape: the topic with nothing in that place."""
    first, *rest = topic.split("/", 3)
    if len(rest) < 3:
        return "", topic
    return rest[1], f"{first}/{rest[0]}//{rest[2]}"


def _topic(device: str, shape: str) -> str:
    if not device:
        return shape
    first, second, _, rest = shape.split("/", 3)
    return f"{first}/{second}/{device}/{rest}"
