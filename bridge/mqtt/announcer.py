"""Discovery documents on their way: said with the tree, again for a platform that starts, taken away in time.

They are retained, so a platform finds them whenever it comes. Its birth message brings them again, with the
values, for brokers that keep nothing; once for a burst of births, and a little later, so that not everybody
on the broker speaks in the same moment.
"""

import asyncio
import random
from collections.abc import Callable, Iterable, Mapping
from itertools import chain

import structlog

from bridge.mqtt.discovery import Discovery
from bridge.mqtt.homie import Tree
from bridge.mqtt.link import Link
from bridge.mqtt.publication import Publication

_log = structlog.get_logger()

BIRTH = b"online"
"""What a platform says when it has started."""
DELAY_LEAST_S, DELAY_MOST_S = 3.0, 5.0
"""Births within this long [s] after the first are one burst."""


def birth_topic(prefix: str) -> str:
    """Where a platform says that it has started. To be listened to all the time."""
    return f"{prefix}/status"


def random_delay_s() -> float:
    """How long to wait after a birth message [s]."""
    return random.SystemRandom().uniform(DELAY_LEAST_S, DELAY_MOST_S)


class Announcer:
    """The discovery documents of one site on one link.

    enabled: False takes away what an earlier run has said, and says nothing; delay_s: waiting after a birth
    message [s].
    """

    def __init__(
        self,
        link: Link,
        *,
        prefix: str,
        version: str,
        enabled: bool = True,
        delay_s: Callable[[], float] = random_delay_s,
    ) -> None:
        self._link = link
        self._prefix, self._version = prefix, version
        self._enabled = enabled
        self._delay_s = delay_s
        self._left_alone: frozenset[str] = frozenset()
        self._discovery: Discovery | None = None
        self._due: asyncio.TimerHandle | None = None
        self.rounds = 0
        """How often everything was said again for a platform."""

    def _of(self, tree: Tree) -> Discovery:
        return Discovery(tree, prefix=self._prefix, version=self._version)

    def survey_filters(self, tree: Tree) -> list[str]:
        """What to ask the broker for before anything is said."""
        return [self._of(tree).survey_filter]

    def open(self, tree: Tree, found: Mapping[str, bytes], gone: Iterable[str]) -> Iterable[Publication]:
        """What to say first. found: what the broker holds; gone: devices that left the configuration."""
        self._discovery = discovery = self._of(tree)
        before = discovery.ours(found)
        self._left_alone = frozenset(discovery.foreign(found))
        for device in sorted(self._left_alone):
            _log.error("discovery.foreign", topic=discovery.topic(device),
                       reason="somebody else's document stands there; it is left alone")  # fmt: skip
        if not self._enabled:
            return discovery.remove(before)
        said = (
            (device, document)
            for device, document in discovery.documents(before)
            if device not in self._left_alone
        )
        left = dict.fromkeys((*before, *gone))
        return chain(
            discovery.say(said), discovery.remove(device for device in left if device not in tree.devices)
        )

    def topics(self, devices: Iterable[str]) -> list[str]:
        """Where the documents of these devices stand, or stood."""
        return [self._discovery.topic(device) for device in devices] if self._discovery is not None else []

    def remove(self, devices: Iterable[str]) -> Iterable[Publication]:
        """What takes the documents of these devices away."""
        return self._discovery.remove(devices) if self._discovery is not None else []

    def replan(self, tree: Tree) -> Iterable[Publication]:
        """What to say for a changed structure."""
        if not self._enabled or self._discovery is None:
            return []
        self._discovery = discovery = self._of(tree)
        # What was said is what the link would say again; thousands of documents are not kept twice.
        before = discovery.ours(self._link.retained)
        changed = (
            (device, document)
            for device, document in discovery.documents(before)
            if before.get(device) != document and device not in self._left_alone
        )
        gone = [device for device in before if device not in tree.devices]
        return chain(discovery.say(changed), discovery.remove(gone))

    # ------------------------------------------------------------ births

    def heard(self, topic: str, payload: bytes, retained: bool) -> bool:
        """Whether a message was a platform's. A retained birth is old: what it asks for is said anyway."""
        if topic != birth_topic(self._prefix):
            return False
        if payload == BIRTH and not retained and self._due is None and self._discovery is not None:
            loop = asyncio.get_running_loop()
            self._due = loop.call_later(self._delay_s(), self._again)
        return True

    def _again(self) -> None:
        self._due = None
        if self._discovery is None or not self._link.connected:
            return  # a connect says everything
        self.rounds += 1
        documents = [topic for topic in self._link.retained if topic.startswith(f"{self._prefix}/device/")]
        _log.info("discovery.said_again", documents=len(documents))
        self._link.repeat(documents)
        base = f"{self._discovery.tree.base}/"
        self._link.repeat([topic for topic in self._link.retained if topic.startswith(base)])

    def stop(self) -> None:
        """Say nothing more."""
        if self._due is not None:
            self._due.cancel()
            self._due = None
