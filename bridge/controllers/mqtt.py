"""Controllers that publish by themselves: listened to over MQTT, and switched by a message.

Each controller has a connection of its own. What it publishes becomes readings in the same turn of the event
loop. Three things need care:

- A retained message may be hours old. It counts only for a controller that publishes changes alone, and whose
  `available` topic vouches that it is there.
- A state may have been under way (at most `lag`) when a command was given, so it is dated `lag` earlier; if
  nothing newer comes within `lag`, it stands, and is told again with the later date.
- What was said before the last command of a port is not carried along into readings after it.
"""

import asyncio
import json
import re
import secrets
import ssl
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import structlog

from bridge.config.expressions import fill, fill_json, spell
from bridge.config.mapping import FIELDS, Scalar, spelling
from bridge.config.reach_mqtt import MqttReach, MqttSend, MqttTopic
from bridge.controllers.base import (
    Controller,
    Sink,
    TimedOutError,
    UnreachableError,
    Verdict,
)
from bridge.controllers.table import MisfitError, Parser, Row, compile_table
from bridge.controllers.tls import tls_context
from bridge.errors import PermanentError
from bridge.mqtt.wire import ConnectionEndedError, Publication, Wire
from rules.door import ControllerStatus, Event, Outcome
from rules.ports import Abilities, Reading, port_id

log = structlog.get_logger()

_CONNECT_LIMIT_S = 10.0
_ACK_LIMIT_S = 20.0
_TICK_S = 1.0
_PAUSE_FIRST_S, _PAUSE_MAX_S = 0.5, 30.0
_KEEPALIVE_S = 15
_SILENT_PERIODS = 3
"""So many periods without a word are "does not answer"."""


@dataclass(slots=True)
class _Heard:
    """A topic that is listened to."""

    pattern: re.Pattern[str]
    filter: str
    parse: Parser


@dataclass(slots=True)
class _Port:
    """What one port said, field by field, and when [monotonic s, `lag` taken off]."""

    values: list[Any] = field(default_factory=lambda: [None] * len(Row._fields))
    said_s: list[float] = field(default_factory=lambda: [float("-inf")] * len(Row._fields))
    heard_s: float = float("-inf")
    commanded_s: float = float("-inf")


class MqttController(Controller):
    """Listens to topics and switches by messages."""

    def __init__(
        self,
        controller_id: str,
        reach: MqttReach,
        ports: Mapping[int, Abilities],
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__(controller_id, ports, clock=clock)
        self.reach = reach
        if reach.broker is None:
            raise PermanentError(
                f"{controller_id}: no broker is named; write reach.broker", subject=controller_id
            )
        self._broker = broker = reach.broker
        self._password = broker.password.read().get_secret_value() if broker.password else None
        self._tls: ssl.SSLContext | None = tls_context(controller_id, broker.tls) if broker.tls else None
        self._place = f"{broker.host}:{broker.port_or_default}"
        self._heard = [self._listen_to(topic) for topic in reach.topics]
        self._presence = (
            {spelling(item): True for item in reach.available.yes}
            | {spelling(item): False for item in reach.available.no}
            if reach.available
            else {}
        )
        self._ports = {number: _Port() for number in ports}
        self._told_at = [place for place, name in enumerate(FIELDS) if name in reach.told]
        self._keeper: asyncio.Task[None] | None = None
        self._wire: Wire | None = None
        self._up = asyncio.Event()
        self._news = asyncio.Event()
        self._room = asyncio.Event()
        self._sink: Sink | None = None
        self._dirty: set[int] = set()
        self._flush_due = False
        self._present: bool | None = None
        self._last_heard_s = self._connected_s = float("-inf")
        self._reason = f"{controller_id}: not connected to {self._place} yet"
        self._reachable: bool | None = None
        self._told = ""

    def _listen_to(self, topic: MqttTopic) -> _Heard:
        levels = topic.topic.split("/")
        pattern = re.escape(topic.topic).replace(r"\{port\}", "([0-9]{1,9})")
        return _Heard(
            re.compile(pattern),
            "/".join("+" if "{port}" in level else level for level in levels),
            compile_table(topic, self.ports, counts_from=self.reach.counts_from),
        )

    # ------------------------------------------------------------ the connection

    def _start(self) -> None:
        if self._keeper is None or self._keeper.done():
            self._keeper = asyncio.create_task(self._keep(), name=f"{self.id} mqtt")

    async def _keep(self) -> None:
        """Connect, stay connected, come back; ends only by cancellation."""
        pause_s = _PAUSE_FIRST_S
        while True:
            started_s = self.clock()
            try:
                await self._connected_once()
            except ConnectionEndedError as error:
                self._reason = f"{self.id}: {error}"
            except Exception:
                log.exception("controller.unexpected", controller=self.id, during="its MQTT connection")
                self._reason = f"{self.id}: unexpected trouble with its MQTT connection"
            self._wire = None
            self._up.clear()
            self._room.set()
            self._present = None
            self._forget()  # what changes while nobody listens is never heard of
            self._news.set()
            pause_s = _PAUSE_FIRST_S if self.clock() - started_s > _PAUSE_MAX_S else pause_s * 2
            await asyncio.sleep(min(pause_s, _PAUSE_MAX_S))

    async def _connected_once(self) -> None:
        """One connection from its opening to its end. Raises ConnectionEndedError."""
        broker = self._broker
        wire = Wire(
            client_id=f"duskward-{secrets.token_hex(6)}",
            keepalive_s=_KEEPALIVE_S,
            username=broker.username,
            password=self._password,
            on_message=self._incoming,
            on_room=self._room.set,
        )
        try:
            await wire.open(
                broker.host, broker.port_or_default, tls=self._tls, limit_s=_CONNECT_LIMIT_S, will=None
            )
            filters = dict.fromkeys(heard.filter for heard in self._heard)
            if self.reach.available is not None:
                filters[self.reach.available.topic] = None
            refused = await wire.subscribe([*filters], _CONNECT_LIMIT_S)
            if refused:
                raise ConnectionEndedError(f"{self._place} does not let us listen to {', '.join(refused)}")
            self._wire = wire
            self._connected_s = self.clock()
            self._up.set()
            while not wire.ended.done():
                await asyncio.wait((wire.ended,), timeout=_TICK_S)
                wire.tick(_ACK_LIMIT_S)
            raise ConnectionEndedError(f"{self._place}: {wire.ended.result()}")
        finally:
            if not wire.ended.done():
                wire.abort("closed")

    # ------------------------------------------------------------ listening

    def _forget(self) -> None:
        """Nothing that was said counts any more."""
        for port in self._ports.values():
            port.values = [None] * len(Row._fields)

    def _incoming(self, topic: str, payload: bytes, retained: bool) -> None:
        """A message arrived (called on the event loop)."""
        try:
            self._hear(topic, payload, retained)
        except Exception:
            log.exception("controller.unexpected", controller=self.id, topic=topic)

    def _hear(self, topic: str, payload: bytes, retained: bool) -> None:
        available = self.reach.available
        if available is not None and topic == available.topic:
            self._present = self._presence.get(_scalar(_decoded(payload)))
            if self._present is False:
                self._forget()
            self._dirty.update(self._ports)
            self._news.set()
        for heard in self._heard:
            found = heard.pattern.fullmatch(topic)
            if found is not None:
                self._take(heard, int(found[1]) if found.groups() else None, payload, retained)

    def _take(self, heard: _Heard, name: int | None, payload: bytes, retained: bool) -> None:
        """What one message says, port by port."""
        if (retained and not self.reach.on_change) or not payload:
            return
        try:
            rows = heard.parse(_decoded(payload))
        except MisfitError as error:
            log.warning("controller.misfit", controller=self.id, topic=heard.filter, problem=str(error))
            return
        if name is not None:
            rows = {name + 1 - self.reach.counts_from: rows[0]}
        heard_s = self.clock()
        for number, row in rows.items():
            port = self._ports.get(number)
            if port is None or row == _NOTHING:
                continue
            for place, value in enumerate(row):
                if value is not None:
                    port.values[place], port.said_s[place] = value, heard_s - self.reach.lag_s
            port.heard_s = self._last_heard_s = heard_s
            self._dirty.add(number)
            if self.reach.lag_s:
                asyncio.get_running_loop().call_later(self.reach.lag_s, self._stands, number, heard_s)
        if self._dirty and not self._flush_due:
            # One list of events for all messages of this turn of the loop.
            self._flush_due = True
            asyncio.get_running_loop().call_soon(self._flush)

    def _stands(self, number: int, heard_s: float) -> None:
        """Nothing newer came within `lag`: what was heard then holds for that moment."""
        port = self._ports[number]
        if port.heard_s == heard_s and self._wire is not None:
            lag_s = self.reach.lag_s
            port.said_s = [heard_s if said_s == heard_s - lag_s else said_s for said_s in port.said_s]
            self._dirty.add(number)
            self._flush()

    def _reading(self, number: int) -> Reading | None:
        """The port's newest reading, of what still counts."""
        port, now_s = self._ports[number], self.clock()
        if self.reach.on_change:
            if not self._present:
                return None
            # Its presence vouches that nothing has changed since, up to what may be under way.
            said_s, values = max(now_s - self.reach.lag_s, *port.said_s), port.values
        else:
            oldest_s = max(now_s - _SILENT_PERIODS * self.reach.every_s, port.commanded_s)
            said_s = max(port.said_s)
            # Nothing since the command: what was under way is told, dated before it.
            oldest_s = min(oldest_s, said_s)
            pairs = zip(port.values, port.said_s, strict=True)
            values = [value if at_s >= oldest_s else None for value, at_s in pairs]
        if all(value is None for value in values):
            return None
        return Reading(port_id(self.id, number), said_s, *values)

    def _flush(self) -> None:
        """Tell what is new."""
        self._flush_due = False
        dirty, self._dirty = self._dirty, set()
        readings = [found for number in sorted(dirty) if (found := self._reading(number)) is not None]
        self._news.set()
        if self._sink is None or not readings:
            return
        events: list[Event] = [*readings]
        if self._reachable is not True:
            log.info("controller.reachable", controller=self.id)
            self._reachable, self._told = True, ""
            events.insert(0, ControllerStatus(self.id, reachable=True))
        self._hand_over(self._sink, events)

    def _trouble(self) -> str:
        """Why nothing valid is heard, in words; empty when all is well."""
        if self._wire is None:
            return self._reason
        if self._present is False:
            return f"{self.id} says that it is not available"
        now_s = self.clock()
        if self.reach.on_change:
            # The broker's copy of its greeting comes right after the subscription.
            if self._present or now_s < self._connected_s + self.reach.timeout_s:
                return ""
            return f"{self.id} has not said whether it is available"
        silence_s = _SILENT_PERIODS * self.reach.every_s
        if now_s - max(self._last_heard_s, self._connected_s) > silence_s:
            return f"{self.id} has published nothing for {silence_s:g} s"
        return ""

    async def watch(self, sink: Sink) -> None:
        """Listen for ever; see `Controller.watch`."""
        self._sink = sink
        self._start()
        if not self._up.is_set():
            # The first connection is being made: it is not yet a failure.
            await self._wait_for(self._up, min(self.reach.every_s, self.reach.timeout_s))
        due_s = self.clock() + self.reach.every_s
        try:
            while True:
                trouble = self._trouble()
                now_s = self.clock()
                if trouble and (self._reachable is not False or trouble != self._told or now_s >= due_s):
                    if self._reachable is not False or trouble != self._told:
                        log.warning("controller.unreachable", controller=self.id, detail=trouble)
                    self._reachable, self._told = False, trouble
                    self._hand_over(sink, [ControllerStatus(self.id, reachable=False, detail=trouble)])
                elif not trouble and self.reach.on_change and (now_s >= due_s or self._dirty):
                    self._dirty.update(self._ports)
                    self._flush()
                if now_s >= due_s:
                    due_s = now_s + self.reach.every_s
                self._news.clear()
                await self._wait_for(self._news, max(0.0, due_s - self.clock()))
        finally:
            self._sink = None

    async def _wait_for(self, event: asyncio.Event, limit_s: float) -> bool:
        try:
            async with asyncio.timeout(limit_s):
                await event.wait()
        except TimeoutError:
            return False
        return True

    def _complete(self, asked_s: float) -> bool:
        """Whether each port said all that its topics can tell, unless only changes are published, anew."""
        if self.reach.on_change:
            return all(
                port.values[place] is not None for port in self._ports.values() for place in self._told_at
            )
        since_s = asked_s - self.reach.lag_s
        return all(port.said_s[place] >= since_s for port in self._ports.values() for place in self._told_at)

    async def read(self) -> list[Reading]:
        """What is known of all ports, waiting for a first word; see `Controller.read`."""
        self._start()
        end_s = self.clock() + max(self.reach.timeout_s, 1.5 * self.reach.every_s)
        asked_s = self.clock()
        while True:
            known = [reading for number in self.ports if (reading := self._reading(number)) is not None]
            if self._wire is not None and len(known) == len(self.ports) and self._complete(asked_s):
                return known
            if self.clock() >= end_s:
                heard = [r for r in known if r.measured_s >= asked_s - self.reach.lag_s]
                if self._wire is not None and heard:
                    return heard
                if self._wire is None:
                    raise UnreachableError(self._reason, subject=self.id)
                raise TimedOutError(
                    self._trouble() or f"{self.id} has published nothing since it was asked", subject=self.id
                )
            self._news.clear()
            await self._wait_for(self._news, max(0.0, end_s - self.clock()))

    # ------------------------------------------------------------ switching

    async def _send(self, number: int, power: bool, *, clear: bool) -> Verdict:
        switch = self.reach.switch
        if switch is None:
            return Outcome.NOT_SENT, f"{self.id}: the mapping has no switch."
        self._start()
        if self._wire is None and not await self._wait_for(self._up, self.reach.timeout_s):
            return Outcome.NOT_SENT, f"{self._reason}."
        if clear and self.reach.clear is not None:
            verdict = await self._publish(self.reach.clear, number, power)
            if verdict[0] is not Outcome.ACCEPTED:
                return verdict[0], f"the fuse was not cleared, so power was not switched: {verdict[1]}"
        self._ports[number].commanded_s = self.clock()
        return await self._publish(switch, number, power)

    async def _publish(self, send: MqttSend, number: int, power: bool) -> Verdict:
        """One message, sent once; with QoS 1 the broker's acknowledgement is awaited."""
        wire = self._wire
        if wire is None or wire.congested:
            return Outcome.NOT_SENT, f"{self.id}: {self._place} takes no messages now."
        name = number - 1 + self.reach.counts_from
        spelled = send.on if power else send.off
        alone: Scalar = power if spelled is None else spelled
        word = ("on" if power else "off") if spelled is None else spell(spelled)
        if send.json_ is not None:
            payload = json.dumps(fill_json(send.json_, name, alone))
        else:
            payload = fill("{power}" if send.payload is None else send.payload, str(name), word)
        message = Publication(fill(send.topic, str(name), word), payload.encode(), False, send.qos)
        wire.publish(message)
        if not send.qos:
            return Outcome.ACCEPTED, f"{payload} was sent to {message.topic}."
        end_s = self.clock() + self.reach.timeout_s
        while any(waiting is message for waiting in wire.inflight.values()):
            self._room.clear()
            if self._wire is not wire or not await self._wait_for(self._room, max(0.0, end_s - self.clock())):
                return Outcome.UNKNOWN, f"{self._place} did not acknowledge {message.topic} of {self.id}."
        return Outcome.ACCEPTED, f"{self._place} took {payload} for {message.topic}."

    async def _free(self) -> None:
        """End the connection."""
        keeper, self._keeper = self._keeper, None
        if keeper is not None:
            keeper.cancel()
            await asyncio.wait({keeper})


_NOTHING = Row()


def _decoded(payload: bytes) -> Any:  # noqa: ANN401 - JSON or text
    """A payload as JSON; what is no JSON is a text; what is no text is None."""
    try:
        text = payload.decode("utf-8").strip()
    except UnicodeDecodeError:
        return None
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return text


def _scalar(value: Any) -> Scalar:  # noqa: ANN401 - JSON
    return spelling(value) if isinstance(value, str | int | float) else ""
