"""JSON documents that stand retained on a broker, read when they are asked for: there are thousands."""

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any


def read_object(payload: bytes) -> dict[str, Any] | None:
    """The JSON object of a payload, None for anything else: on a broker anybody may have said it."""
    try:
        read = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    return read if isinstance(read, dict) else None


def written(document: Mapping[str, Any]) -> bytes:
    """A document as its payload."""
    return json.dumps(document, ensure_ascii=False, separators=(",", ":")).encode()


class Documents(Mapping[str, dict[str, Any]]):
    """JSON objects by device id, each read anew when it is asked for.

    retained: payloads by topic, looked up at that moment; topics: device id and topic of every document;
    wanted: which of them belong here. What is no JSON object now is left out.
    """

    def __init__(
        self,
        retained: Mapping[str, bytes],
        topics: Iterable[tuple[str, str]],
        wanted: Callable[[Mapping[str, Any]], bool] | None = None,
    ) -> None:
        self._retained = retained
        self._topics: dict[str, str] = {}
        for device, topic in topics:
            read = read_object(retained.get(topic, b""))
            if read is not None and (wanted is None or wanted(read)):
                self._topics[device] = topic

    def __getitem__(self, device: str) -> dict[str, Any]:
        read = read_object(self._retained.get(self._topics[device], b""))
        if read is None:
            raise KeyError(device)
        return read

    def __contains__(self, device: object) -> bool:
        return device in self._topics

    def __iter__(self) -> Iterator[str]:
        return iter(self._topics)

    def __len__(self) -> int:
        return len(self._topics)
