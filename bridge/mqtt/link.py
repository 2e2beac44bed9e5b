"""The MQTT connection over its whole life: it comes, goes and comes back, and nothing that counts is lost.

The link remembers every retained topic it published and says it all again on every connect, because a
broker may have lost everything (MQTT keeps nothing a broker does not choose to keep). While offline only
the newest value of each topic is kept; what is not retained and QoS 0 is let go. A message the broker hangs
up on is found out and set aside, so that it does not keep the others from arriving.

MQTT is an outlet and an inlet, never the memory: nothing here decides about power.
"""

import asyncio
import random
import ssl
import time
from collections import OrderedDict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path
from typing import NamedTuple

import structlog
from paho.mqtt.client import topic_matches_sub

from bridge.errors import PermanentError
from bridge.mqtt.publication import Publication
from bridge.mqtt.retained import Packed, Retained
from bridge.mqtt.wire import ConnectionEndedError, Wire

_log = structlog.get_logger()

_TICK_S = 1.0
_EVICTIONS = 3
"""So many connections in a row that the broker ended within seconds: somebody else has our client id."""
_BLAMED = 2
"""So many connections ended while one message alone was under way: it is that message."""


@dataclass(frozen=True, slots=True)
class Tls:
    """Which broker is trusted (`ca_file`, None: the system's authorities), and our own certificate."""

    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None

    def context(self) -> ssl.SSLContext:
        """The TLS settings. Raises `PermanentError` naming the file that cannot be used."""
        try:
            context = ssl.create_default_context(cafile=str(self.ca_file) if self.ca_file else None)
        except (OSError, ssl.SSLError) as error:
            raise PermanentError(
                f"{self.ca_file} cannot be used as the broker's certificate authority: {error}",
                subject=str(self.ca_file),
            ) from error
        if self.cert_file is not None:
            try:
                context.load_cert_chain(self.cert_file, self.key_file)
            except (OSError, ssl.SSLError) as error:
                raise PermanentError(
                    f"{self.cert_file} (key {self.key_file or 'in the same file'}) cannot be used as our "
                    f"certificate: {error}",
                    subject=str(self.cert_file),
                ) from error
        return context


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkSettings:
    """How to reach the broker. Times in seconds, sizes in bytes.

    state_topic: the root device's ``$state``; the will puts `lost` there, a clean stop `disconnected`;
    filters: what to listen to; window: messages under way without acknowledgement; payload_limit_bytes:
    topic and payload together (embedded brokers hang up above about 20 kB); stable_s: a connection that
    lasted this long is a good one, and the next pause after it is short again.
    """

    host: str
    client_id: str
    state_topic: str
    filters: tuple[str, ...] = ()
    port: int = 1883
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: Tls | None = None
    keepalive_s: int = 30
    connect_limit_s: float = 10.0
    ack_limit_s: float = 20.0
    stop_limit_s: float = 5.0
    pause_first_s: float = 1.0
    pause_max_s: float = 120.0
    stable_s: float = 60.0
    window: int = 100
    payload_limit_bytes: int = 20_000


Again = tuple[str, bytes | None]
"""A retained topic to say again, and with which payload; None: the one that stands when its turn comes."""
Arrange = Callable[[Retained], Iterable[Again]]
"""Which retained topics to say in which order on a connect; `homie_lifecycle.arrange` for Homie's order.

It may decide as it goes, if it does not mind that the topics change after its first answer.
"""


def _as_published(retained: Retained) -> Iterable[Again]:
    return [(topic, None) for topic in retained]


def _ignore(*_args: object) -> None:
    """For callbacks nobody asked for."""


class Link:
    """The connection to the broker: `run` it as a task, `publish` from the same event loop, `stop` it.

    Callbacks, all called on the event loop; one that raises is logged and ends nothing:
    on_message(topic, payload, retained) - something arrived on one of our filters;
    on_connected() - accepted and subscribed; what it publishes goes out with the rest;
    on_disconnected(reason) - one sentence; also for every attempt that failed;
    on_refused(topic, reason) - this message (or filter) will not get through, others go on;
    on_evicted(sentence) - another client seems to use our client id; None when that is over.
    """

    def __init__(
        self,
        settings: LinkSettings,
        *,
        on_message: Callable[[str, bytes, bool], object] = _ignore,
        on_connected: Callable[[], object] = _ignore,
        on_disconnected: Callable[[str], object] = _ignore,
        on_refused: Callable[[str, str], object] = _ignore,
        on_evicted: Callable[[str | None], object] = _ignore,
        arrange: Arrange = _as_published,
        jitter: Callable[[], float] | None = None,
    ) -> None:
        self.settings = settings
        self.retained = Retained()
        """Everything the broker should hold of ours, device by device."""
        self.dropped = 0
        """Messages let go because nobody waits for them: QoS 0, not retained, offline or congested."""
        self._on_message, self._on_refused, self._on_evicted = on_message, on_refused, on_evicted
        self._on_connected, self._on_disconnected = on_connected, on_disconnected
        self._arrange = arrange
        self._jitter = jitter or random.SystemRandom().random
        self._broker = f"{settings.host}:{settings.port}"
        self._tls = settings.tls.context() if settings.tls else None
        self._filters = list(settings.filters)
        self._gathering: list[_Gathering] = []
        self._wire: Wire | None = None
        self._flowing = False
        self._silent = False
        # Ordered because taking the first of a large plain dict gets slower with each one taken.
        self._pending: OrderedDict[object, _Waiting] = OrderedDict()
        self._again: Iterator[Again | Publication] = iter(())
        self._again_left = 0
        self._catching_up: tuple[int, float] | None = None
        """How many topics are said again on this connect, since when [monotonic s]."""
        self._alone: dict[str, Publication] = {}
        self._sent_alone: Publication | None = None
        self._blamed: dict[str, int] = {}
        self._aside: dict[str, bytes] = {}
        self._seldom: set[str] = set()
        self._attempts = 0
        self._told_end = ""
        """The last reason for an end, or for an attempt that failed, since the broker took us."""
        self._evictions = 0
        self._stopping = asyncio.Event()
        self._up = asyncio.Event()

    # -------------------------------------------------------- what it is doing

    @property
    def connected(self) -> bool:
        """Whether the broker accepted us, has our subscriptions and takes messages."""
        return self._flowing

    @property
    def unacknowledged(self) -> int:
        """Messages that wait to be sent or to be acknowledged; 0 means the broker has it all."""
        under_way = len(self._wire.inflight) if self._wire else 0
        return under_way + len(self._pending) + len(self._alone) + self._again_left

    async def wait_connected(self, limit_s: float) -> bool:
        """Wait until connected, at most `limit_s` seconds; whether it is."""
        try:
            async with asyncio.timeout(limit_s):
                await self._up.wait()
        except TimeoutError:
            return False
        return True

    async def wait_ended(self, limit_s: float) -> None:
        """Wait until this connection ends, at most `limit_s` seconds."""
        if self._wire is not None:
            await asyncio.wait((self._wire.ended,), timeout=limit_s)

    # -------------------------------------------------------- publishing

    def hush(self) -> None:
        """Say nothing until `speak`, whether connected or not; what is published is remembered."""
        self._silent = True

    def speak(self, then: Iterable[Publication] = ()) -> None:
        """Say all that is retained, `then` these; a topic that has a value by then is not taken away."""
        self._silent = False
        if self._flowing:
            self._say_again(list(then))
            self._drain()
        else:
            for one in then:
                self.publish(*one)

    def publish(self, topic: str, payload: bytes, retain: bool = True, qos: int = 1) -> bool:
        """Publish, never waiting. False if it was refused (told by `on_refused` and logged) or let go.

        An empty retained payload takes the topic's value away, also later if offline now.
        """
        if len(topic) + len(payload) > self.settings.payload_limit_bytes:
            return self._refuse(
                topic,
                f"{len(payload)} bytes on {topic} are more than this link sends "
                f"({self.settings.payload_limit_bytes} bytes): brokers may hang up on it",
            )
        kept: bytes | Packed = payload
        if retain and payload:
            if topic not in self.retained and not self._valid(topic):
                return False
            kept = self.retained.keep(topic, payload)
            if qos == 0:
                self._seldom.add(topic)
        elif not self._valid(topic):
            return False
        elif retain:
            self.retained.pop(topic, None)
        if self._aside and self._aside.get(topic) is not None:
            if self._aside[topic] == payload:
                return False
            del self._aside[topic]
        wire = self._wire
        if self._flowing and wire is not None and not self._silent:
            waiting = self._pending or self._again_left or self._alone or self._blamed or self._sent_alone
            if not (waiting or wire.congested) and (not qos or len(wire.inflight) < self.settings.window):
                wire.publish(Publication(topic, payload, retain, qos))
                return True
            self._wait(_Waiting(topic, kept, retain, qos))
            self._drain_if_idle()
            return True
        if retain and payload:
            if topic in self._alone:  # an older value that was under way when the connection ended
                self._alone[topic] = Publication(topic, payload, retain, qos)
            return True  # said again from `retained` on connect
        if qos == 0 and not retain:
            self.dropped += 1
            return False
        self._wait(_Waiting(topic, kept, retain, qos))
        return True

    def repeat(self, topics: Iterable[str]) -> None:
        """Say retained topics again as they stand, for somebody who may have missed them; news goes first."""
        if not self._flowing or self._silent:
            return  # everything is to be said
        known = [(topic, None) for topic in topics if topic in self.retained]
        self._again = chain(self._again, known)
        self._again_left += len(known)
        self._drain_if_idle()

    def _valid(self, topic: str) -> bool:
        if topic and "+" not in topic and "#" not in topic and "\0" not in topic:
            return True
        return self._refuse(topic, f"{topic!r} is no topic to publish to: not empty, no '+', '#' or NUL")

    def _refuse(self, topic: str, reason: str) -> bool:
        _log.error("link.refused", topic=topic, reason=reason)
        self._call(self._on_refused, topic, reason)
        return False

    def _not_heard(self, filter_: str) -> None:
        self._refuse(
            filter_, f"the broker does not let us listen to {filter_}: its access rules must allow it"
        )

    def _wait(self, waiting: "_Waiting") -> None:
        topic, payload, retain, qos = waiting
        self._alone.pop(topic, None)
        if topic in self._blamed:
            self._alone[topic] = waiting.publication()
        elif not retain and qos == 0:
            if len(self._pending) < self.settings.window * 10:
                self._pending[object()] = waiting
            else:
                self.dropped += 1
        elif topic.endswith(("/$state", "/$description")):
            # Homie: a description changes between `init` and `ready`, so each of these is said, in order.
            self._pending[object()] = waiting
        else:
            if not payload:
                self._pending.pop(topic, None)  # a removal keeps its place after what was removed before
            self._pending[topic] = waiting

    def _drain(self) -> None:
        wire = self._wire
        if wire is None or not self._flowing or self._silent:
            return
        inflight, window = wire.inflight, self.settings.window
        if self._sent_alone is not None and not inflight:
            self._blamed.pop(self._sent_alone.topic, None)
            self._sent_alone = None
        if self._sent_alone is not None:
            return
        while len(inflight) < window and not wire.congested:
            publication = self._next()
            if publication is None:
                break
            wire.publish(publication)
        if self._alone and not self._pending and not self._again_left and not inflight:
            topic = next(iter(self._alone))
            self._sent_alone = self._alone.pop(topic)
            wire.publish(self._sent_alone)
        if self._catching_up is not None and not self.unacknowledged:
            topics, since_s = self._catching_up
            self._catching_up = None
            _log.info("link.caught_up", retained=topics, took_s=round(time.monotonic() - since_s, 3))

    def _drain_if_idle(self) -> None:
        if self._wire is not None and not self._wire.inflight:
            self._drain()  # no acknowledgement will come to do it

    def _next(self) -> Publication | None:
        """What to send next: news before what is said again, so that a fault does not wait behind values."""
        if self._pending:
            waiting = self._pending.popitem(last=False)[1]
            if not self._pending:
                self._pending = OrderedDict()  # an emptied one keeps the room of thousands
            return waiting.publication()
        for one in self._again:
            if isinstance(one, Publication):
                self._again_left = max(1, self._again_left - 1)
                if one.retain and one.topic in self.retained:
                    continue
                return one
            topic, given = one
            if given is None:
                self._again_left = max(1, self._again_left - 1)
            payload = self.retained.get(topic)
            if payload is None or topic in self._alone or self._aside.get(topic) == payload:
                continue  # taken away meanwhile, or under suspicion
            return Publication(topic, given or payload, True, 0 if topic in self._seldom else 1)
        self._again, self._again_left = iter(()), 0
        return None

    # -------------------------------------------------------- life

    async def run(self) -> None:
        """Connect, stay connected, come back. Ends after `stop`; if cancelled, the broker sends the will."""
        while not self._stopping.is_set():
            started_s = time.monotonic()
            accepted = False
            wire = self._new_wire()
            try:
                await wire.open(
                    self.settings.host,
                    self.settings.port,
                    tls=self._tls,
                    limit_s=self.settings.connect_limit_s,
                    will=Publication(self.settings.state_topic, b"lost", True, 1),
                )
                refused = await wire.subscribe(self._filters, self.settings.connect_limit_s)
                accepted, started_s = True, time.monotonic()
                self._begin(refused)
                await self._attend(wire, started_s)
            except ConnectionEndedError as error:
                reason = str(error)
            else:
                if self._stopping.is_set() and not wire.ended.done():
                    await self._goodbye(wire)
                    return
                reason = wire.ended.result()
            finally:
                self._leave(wire)
            self._learn(wire, accepted, time.monotonic() - started_s)
            # Told once: a broker that stays away would fill the log of ten weeks with one sentence.
            log = _log.debug if reason == self._told_end else _log.warning
            log("link.disconnected", reason=reason, broker=self._broker)
            self._told_end = reason
            self._call(self._on_disconnected, reason)
            await self._pause()

    async def stop(self) -> None:
        """Say goodbye: `disconnected` is published and acknowledged before the connection closes.

        Waits until it is done, at most about `stop_limit_s`; `run` ends.
        """
        self._stopping.set()
        wire = self._wire
        if wire is None:
            return
        if not self._flowing:
            wire.abort("stopped")
        await asyncio.wait((wire.ended,), timeout=2 * self.settings.stop_limit_s + 1)

    def _new_wire(self) -> Wire:
        self._wire = Wire(
            client_id=self.settings.client_id,
            keepalive_s=self.settings.keepalive_s,
            username=self.settings.username,
            password=self.settings.password,
            on_message=self._incoming,
            on_room=self._drain,
        )
        return self._wire

    def _begin(self, refused: Sequence[str]) -> None:
        _log.info("link.connected", broker=self._broker, retained=len(self.retained))
        self._told_end = ""
        for one in refused:
            self._not_heard(one)
        self._call(self._on_connected)
        if not self._silent:
            self._say_again()
        self._flowing = True
        self._up.set()
        self._drain()

    def _say_again(self, then: Sequence[Publication] = ()) -> None:
        waiting, self._pending = self._pending, OrderedDict()
        for key, publication in waiting.items():
            if not (publication.retain and publication.kept):
                self._pending[key] = publication
        self._again = chain(self._arrange(self.retained), then)
        self._again_left = len(self.retained) + len(then)
        self._catching_up = (len(self.retained), time.monotonic()) if self.retained else None

    async def _attend(self, wire: Wire, since_s: float) -> None:
        stopping = asyncio.create_task(self._stopping.wait(), name="link.stopping")
        try:
            while not wire.ended.done() and not stopping.done():
                await asyncio.wait(
                    (wire.ended, stopping), timeout=_TICK_S, return_when=asyncio.FIRST_COMPLETED
                )
                wire.tick(self.settings.ack_limit_s)
                if self._attempts and time.monotonic() - since_s >= self.settings.stable_s:
                    self._settled()
        finally:
            stopping.cancel()

    def _settled(self) -> None:
        self._attempts = 0
        if self._evictions >= _EVICTIONS:
            self._call(self._on_evicted, None)
        self._evictions = 0

    async def _goodbye(self, wire: Wire) -> None:
        try:
            async with asyncio.timeout(self.settings.stop_limit_s):
                self.publish(self.settings.state_topic, b"disconnected")
                while self.unacknowledged and not (self._silent or wire.ended.done()):
                    await asyncio.wait((wire.ended,), timeout=0.005)
        except TimeoutError:
            _log.warning("link.unacknowledged", count=self.unacknowledged)
            last = Publication(self.settings.state_topic, b"disconnected", True, 1)
            if any(waiting.topic == last.topic for waiting in self._pending.values()):
                wire.publish(last)  # at once, before all that waits: a clean end drops the will
        await wire.close(self.settings.stop_limit_s)
        _log.info("link.stopped")
        self._call(self._on_disconnected, "stopped")

    def _leave(self, wire: Wire) -> None:
        self._flowing = False
        self._up.clear()
        wire.abort("the link was cancelled")

    def next_pause_s(self) -> float:
        """How long to wait before the next attempt: twice as long each time, and never just the same [s]."""
        longest_s = min(self.settings.pause_max_s, self.settings.pause_first_s * 2 ** min(self._attempts, 30))
        self._attempts += 1
        return float(longest_s * (0.5 + 0.5 * self._jitter()))

    async def _pause(self) -> None:
        try:
            async with asyncio.timeout(self.next_pause_s()):
                await self._stopping.wait()
        except TimeoutError:
            return

    def _learn(self, wire: Wire, accepted: bool, lasted_s: float) -> None:
        """What a connection's end says about the messages under way and about another client of our name."""
        if lasted_s >= self.settings.stable_s:
            self._settled()
        under_way = list(wire.inflight.values())
        suspect, self._sent_alone = self._sent_alone, None
        if suspect is not None and suspect in under_way:
            self._blame(suspect)
        for publication in under_way:
            topic, payload, retain, _ = publication
            outdated = retain and payload and self.retained.get(topic) != payload
            if not outdated and self._aside.get(topic) != payload:
                self._alone[topic] = publication
        if not wire.answered:
            self._evictions = 0
        elif accepted and suspect is None and wire.ended_by_broker and lasted_s < self.settings.stable_s:
            self._evictions += 1
            if self._evictions == _EVICTIONS:
                _log.error("link.evicted", client_id=self.settings.client_id)
                self._call(
                    self._on_evicted,
                    f"The broker ended {_EVICTIONS} connections in a row soon after it had accepted them: "
                    f"probably another client uses the client id {self.settings.client_id!r}. "
                    "Stop it, or give one of them another id.",
                )

    def _blame(self, publication: Publication) -> None:
        topic, payload = publication.topic, publication.payload
        self._blamed[topic] = self._blamed.get(topic, 0) + 1
        if self._blamed[topic] >= _BLAMED:
            # It stays under suspicion: the topic's next payload is sent alone, too.
            self._aside[topic] = payload
            self._refuse(
                topic,
                f"the broker hangs up on {topic} ({len(payload)} bytes): set aside until it changes",
            )

    # -------------------------------------------------------- listening

    async def gather(
        self,
        filters: Sequence[str],
        *,
        quiet_s: float = 0.5,
        limit_s: float = 10.0,
        into: Retained | None = None,
    ) -> Retained:
        """What the broker holds retained under `filters`: collected until nothing more comes for `quiet_s`.

        into: what was gathered before, to which it is added.

        The quiet counts from when everything before has come over the way there and back, and is never
        shorter than that way takes: the broker's consent may run ahead of what it consents to.

        A broker may hand out only a part of many topics: what is missing is unknown, not absent.
        Raises `ConnectionEndedError` when there is no connection, or it ends meanwhile.
        """
        wire = self._wire
        if wire is None or not self._flowing:
            raise ConnectionEndedError("there is no connection to the broker")
        began_s = time.monotonic()
        gathering = _Gathering(tuple(filters), Retained() if into is None else into, began_s)
        self._gathering.append(gathering)
        try:
            for one in await wire.subscribe(filters, self.settings.connect_limit_s):
                self._not_heard(one)
            await wire.there_and_back(self.settings.connect_limit_s)
            gathering.newest_s = time.monotonic()
            end_s, quiet_s = began_s + limit_s, max(quiet_s, gathering.newest_s - began_s)
            while time.monotonic() < min(end_s, gathering.newest_s + quiet_s):
                await asyncio.wait((wire.ended,), timeout=0.02)
                if wire.ended.done():
                    raise ConnectionEndedError(wire.ended.result())
        finally:
            self._gathering.remove(gathering)
            wire.unsubscribe([one for one in filters if one not in self._filters])
        return gathering.found

    def _incoming(self, topic: str, payload: bytes, retained: bool) -> None:
        for gathering in self._gathering:
            if retained and any(topic_matches_sub(one, topic) for one in gathering.filters):
                gathering.newest_s = time.monotonic()
                gathering.found[topic] = payload
        # A broker may hand out more than was asked for: topics outside our filters are none of ours.
        if any(topic_matches_sub(one, topic) for one in self._filters):
            self._call(self._on_message, topic, payload, retained)

    def _call(self, callback: Callable[..., object], *args: object) -> None:
        try:
            callback(*args)
        except Exception:  # noqa: BLE001 - whatever a callback raises, the link goes on; it is logged
            topic = args[0] if args else ""
            _log.exception("link.callback_failed", callback=getattr(callback, "__name__", "?"), topic=topic)


class _Waiting(NamedTuple):
    """A publication that waits to be sent, its payload as small as `Retained` keeps it."""

    topic: str
    kept: bytes | Packed
    retain: bool
    qos: int

    def publication(self) -> Publication:
        payload = self.kept.payload() if isinstance(self.kept, Packed) else self.kept
        return Publication(self.topic, payload, self.retain, self.qos)


@dataclass(slots=True)
class _Gathering:
    filters: tuple[str, ...]
    found: Retained
    newest_s: float
