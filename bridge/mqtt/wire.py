"""One MQTT 3.1.1 connection on the event loop: paho speaks the protocol, asyncio owns the socket.

paho keeps what needs care (connecting, subscribing, keep-alive, incoming messages, the farewell). Publishing,
thousands of times a second, goes beside it into the same stream: packets of one turn of the loop are joined
into one write, and their acknowledgements are taken out before paho sees them. That costs about a sixth of
paho's own `publish` (measured by benchmarks). Packet identifiers do not meet: paho counts from 1, the
publishing side uses the upper half.

No thread: connecting, name resolution and the TLS handshake are asyncio's and can be cancelled.
"""

import asyncio
import contextlib
import socket
import ssl
import time
from collections.abc import Callable, Sequence
from typing import Any, cast

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from bridge.errors import TransientError, system_words
from bridge.mqtt.publication import Publication

__all__ = ["ConnectionEndedError", "Publication", "Wire"]

_QUICKACK: int | None = getattr(socket, "TCP_QUICKACK", None)
_FIRST_OWN_ID = 0x8000
_LAST_ID = 0xFFFF
_CONNACK = 0x20
_PUBLISH = 0x30
_PUBACK = 0x40
_PINGREQ = bytes((0xC0, 0))
_PINGRESP = 0xD0
_PINGED = 0
"""Pings have no packet identifier, and no request has this one (MQTT 3.1.1, section 2.3.1)."""
_WRITE_AHEAD_BYTES = 262_144
"""More than this waiting for a slow broker, and nothing more is written."""
INCOMING_LIMIT_BYTES = 262_144
"""A longer incoming message is delivered without its payload: no command is that long."""


class ConnectionEndedError(TransientError):
    """The broker can't be reached, refused us, or the connection ended. The text is for the person."""


class _Paho(mqtt.Client):
    """paho on a stream it is handed instead of a socket it opens."""

    stream: "_Stream"

    def _create_socket(self) -> "mqtt.SocketLike":
        return cast("mqtt.SocketLike", self.stream)


_REFUSALS = {
    "Unsupported protocol version": "the broker does not speak MQTT 3.1.1",
    "Client identifier not valid": "the broker refuses the client id {client_id!r}",
    "Server unavailable": "the broker says it is not available now",
    "Bad user name or password": "the broker refuses user name or password (user {user})",
    "Not authorized": "the broker does not let this client in (user {user}, client id {client_id!r})",
}


class Wire(asyncio.Protocol):
    """One connection from its opening to its end. `ended` is done when it is over, with the reason in words.

    inflight: what was sent with QoS 1 and is not acknowledged yet, by packet identifier, oldest first;
    on_message(topic, payload, retained): an incoming message; on_room(): acknowledgements arrived, or a
    congested socket is free again.
    """

    def __init__(
        self,
        *,
        client_id: str,
        keepalive_s: int,
        username: str | None,
        password: str | None,
        on_message: Callable[[str, bytes, bool], None],
        on_room: Callable[[], None],
    ) -> None:
        self.ended: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        self.inflight: dict[int, Publication] = {}
        self.oldest_s = 0.0
        """Monotonic second since when the broker owes an acknowledgement."""
        self.ended_by_broker = False
        self._loop = asyncio.get_running_loop()
        self._on_message, self._on_room = on_message, on_room
        self._keepalive_s = keepalive_s
        self._words = {"client_id": client_id, "user": repr(username) if username else "none given"}
        self._transport: asyncio.Transport | None = None
        self._socket: socket.socket | None = None
        self._out = bytearray()
        self._flush_due = False
        self._congested = False
        self._rest = b""
        self._skip = 0
        self._inbox = bytearray()
        self._said_connack = False
        self._accepted: asyncio.Future[None] = self._loop.create_future()
        self._accepted.add_done_callback(_retrieved)
        self._answers: dict[int, asyncio.Future[list[bool]]] = {}
        self._next_id = _FIRST_OWN_ID
        self._client = _Paho(
            CallbackAPIVersion.VERSION2, client_id, clean_session=True, reconnect_on_failure=False
        )
        self._client.stream = _Stream(self)
        if username is not None:
            self._client.username_pw_set(username, password)
        self._client.on_connect = self._connack
        self._client.on_subscribe = self._suback
        self._client.on_message = self._message
        self._client.on_disconnect = self._paho_ended
        self._client.on_socket_register_write = self._paho_wants_to_write

    # -------------------------------------------------------- opening and closing

    async def open(
        self, host: str, port: int, *, tls: ssl.SSLContext | None, limit_s: float, will: Publication | None
    ) -> None:
        """Connect and wait for the broker's consent, at most `limit_s` seconds in all.

        Raises `ConnectionEndedError` with a sentence that says what was met instead.
        """
        where = f"{host}:{port}"
        try:
            async with asyncio.timeout(limit_s):
                await self._loop.create_connection(lambda: self, host, port, ssl=tls)
        except TimeoutError as error:
            raise ConnectionEndedError(
                f"{where} does not answer within {limit_s:g} s", subject=where
            ) from error
        except ssl.SSLCertVerificationError as error:
            raise ConnectionEndedError(
                f"{where}: the broker's certificate is not trusted: {error.verify_message}", subject=where
            ) from error
        except (ssl.SSLError, ConnectionAbortedError, ConnectionResetError) as error:
            if tls is None:
                raise ConnectionEndedError(f"{where} hung up at once", subject=where) from error
            raise ConnectionEndedError(
                f"{where}: no TLS connection ({getattr(error, 'reason', None) or error}): is it "
                "the TLS port?", subject=where,
            ) from error  # fmt: skip
        except OSError as error:
            raise ConnectionEndedError(
                f"{where} cannot be reached: {system_words(error)}", subject=where
            ) from error
        if will is not None:
            self._client.will_set(will.topic, will.payload, will.qos, will.retain)
        self._client.connect(host, port, self._keepalive_s)
        try:
            async with asyncio.timeout(limit_s):
                await self._accepted
        except TimeoutError as error:
            self.abort("no answer")
            raise ConnectionEndedError(
                f"{where} accepted the connection but said nothing within {limit_s:g} s: "
                "is it a broker for MQTT 3.1.1?", subject=where,
            ) from error  # fmt: skip
        except asyncio.CancelledError:
            self.abort("cancelled")
            raise

    async def subscribe(self, filters: Sequence[str], limit_s: float) -> list[str]:
        """Subscribe to `filters` with QoS 1; returns those the broker refused.

        Raises `ConnectionEndedError` when the connection ends, as it does without an answer for `limit_s`.
        """
        if not filters:
            return []
        _, packet_id = self._client.subscribe([(one, 1) for one in filters])
        if packet_id is None:
            raise ConnectionEndedError("the connection ended before subscribing")
        granted = await self._answer(packet_id, limit_s)
        return [one for one, ok in zip(filters, granted, strict=True) if not ok]

    async def there_and_back(self, limit_s: float) -> None:
        """Wait until the broker answers a ping: what it sent before that has arrived then.

        Raises as `subscribe`.
        """
        self.write(_PINGREQ)
        await self._answer(_PINGED, limit_s)

    async def _answer(self, packet_id: int, limit_s: float) -> list[bool]:
        """What the broker granted of a request; packet_id: the request's."""
        if self.ended.done():
            raise ConnectionEndedError(self.ended.result())
        answer = self._answers.get(packet_id)
        if answer is None:
            answer = self._answers[packet_id] = self._loop.create_future()
            answer.add_done_callback(_retrieved)
        try:
            async with asyncio.timeout(limit_s):
                return await asyncio.shield(answer)
        except TimeoutError as error:
            reason = f"the broker did not answer a subscription within {limit_s:g} s"
            self.abort(reason)
            raise ConnectionEndedError(reason) from error

    def unsubscribe(self, filters: Sequence[str]) -> None:
        """Take subscriptions back; nothing waits for the answer."""
        if filters and not self.ended.done():
            self._client.unsubscribe(list(filters))

    async def close(self, limit_s: float) -> None:
        """Say goodbye and wait until the connection is closed; the broker sends no will then."""
        self._client.disconnect()
        self._client.loop_write()
        try:
            async with asyncio.timeout(limit_s):
                await asyncio.shield(self.ended)
        except TimeoutError:
            self.abort("the broker did not close the connection")

    def abort(self, reason: str) -> None:
        """Drop the connection; the broker sends the will."""
        self._finish(reason)
        if self._transport is not None:
            self._transport.abort()

    def tick(self, ack_limit_s: float) -> None:
        """To be called about once a second: keep-alive, and acknowledgements that do not come."""
        self._client.loop_misc()
        if self.inflight and time.monotonic() - self.oldest_s > ack_limit_s:
            self.abort(f"the broker acknowledged nothing for {ack_limit_s:g} s")

    # -------------------------------------------------------- publishing

    @property
    def answered(self) -> bool:
        """Whether a broker answered at all, with consent or refusal."""
        return self._said_connack

    @property
    def congested(self) -> bool:
        """Whether the broker takes less than it is given: wait for `on_room`."""
        return self._congested or len(self._out) > _WRITE_AHEAD_BYTES

    def publish(self, publication: Publication) -> None:
        """Put one PUBLISH packet into this turn's write (MQTT 3.1.1, section 3.3)."""
        topic_text, payload, retain, qos = publication
        topic = topic_text.encode()
        length = 2 + len(topic) + len(payload)
        out = self._out
        if qos:
            length += 2
            out.append(_PUBLISH | 2 | retain)
        else:
            out.append(_PUBLISH | retain)
        remaining = length
        while remaining > 127:
            out.append(remaining & 127 | 128)
            remaining >>= 7
        out.append(remaining)
        out += len(topic).to_bytes(2, "big")
        out += topic
        if qos:
            inflight = self.inflight
            packet_id = self._next_id
            while packet_id in inflight:
                packet_id = packet_id + 1 if packet_id < _LAST_ID else _FIRST_OWN_ID
            self._next_id = packet_id + 1 if packet_id < _LAST_ID else _FIRST_OWN_ID
            if not inflight:
                self.oldest_s = time.monotonic()
            inflight[packet_id] = publication
            out += packet_id.to_bytes(2, "big")
        out += payload
        if not self._flush_due:
            self._flush_due = True
            self._loop.call_soon(self._flush)

    def _flush(self) -> None:
        self._flush_due = False
        if self._out and self._transport is not None and not self.ended.done():
            out, self._out = self._out, bytearray()
            self._transport.write(out)
            if len(out) > _WRITE_AHEAD_BYTES and not self._congested:
                self._loop.call_soon(self._on_room)

    # -------------------------------------------------------- asyncio's side

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """asyncio: connected (and TLS agreed)."""
        self._transport = cast("asyncio.Transport", transport)
        self._transport.set_write_buffer_limits(high=_WRITE_AHEAD_BYTES)
        self._socket = transport.get_extra_info("socket")
        if self.ended.done():
            self._transport.abort()

    def data_received(self, data: bytes) -> None:
        """asyncio: bytes from the broker. Whole packets are told apart here; paho gets no half ones."""
        if self._skip:
            skipped = min(self._skip, len(data))
            self._skip -= skipped
            data = data[skipped:]
        if self._rest:
            data = self._rest + data
        start, have, acknowledged = 0, len(data), False
        while have - start >= 2:
            if data[start] == _PUBACK and data[start + 1] == 2:
                if have - start < 4:
                    break
                acknowledged = True
                self.inflight.pop(data[start + 2] << 8 | data[start + 3], None)
                start += 4
                continue
            if not self._said_connack and (data[start] != _CONNACK or data[start + 1] != 2):
                self._refuse("it answered, but not with MQTT: is this the broker's port?")
                return
            self._said_connack = True
            end = _packet_end(data, start)
            if end is None:
                break
            if end - start > INCOMING_LIMIT_BYTES and data[start] & 0xF0 == _PUBLISH:
                shortened = _without_payload(data[start:])
                if shortened is None:
                    break
                self._inbox += shortened
                self._skip = max(0, end - have)
                start = min(end, have)
                continue
            if end > have:
                break
            if data[start] == _PINGRESP:
                self._answered(_PINGED, [])
            self._inbox += data[start:end]
            start = end
        self._rest = data[start:]
        while self._inbox and not self.ended.done():
            if self._client.loop_read() != MQTTErrorCode.MQTT_ERR_SUCCESS:
                self.abort("the broker breaks the protocol")
        if acknowledged:
            self.oldest_s = time.monotonic()
            self._confirm_at_once()
            self._on_room()

    def _confirm_at_once(self) -> None:
        # Common brokers send small acknowledgements with Nagle's algorithm: each waits until we confirmed the
        # one before, and Linux delays that by 40 ms. The option lasts for one receipt only (tcp(7)).
        if _QUICKACK is not None and self._socket is not None:
            with contextlib.suppress(OSError):  # the socket is just being closed
                self._socket.setsockopt(socket.IPPROTO_TCP, _QUICKACK, 1)

    def pause_writing(self) -> None:
        """asyncio: the broker takes less than it is given."""
        self._congested = True

    def resume_writing(self) -> None:
        """asyncio: it has caught up."""
        self._congested = False
        if not self.ended.done():
            self._on_room()

    def connection_lost(self, exc: Exception | None) -> None:
        """asyncio: it is over."""
        if not self._accepted.done():
            self._refuse(
                "the broker closed the connection without an answer: is this its port, or its TLS port?"
            )
        if not self.ended.done():
            self.ended_by_broker = exc is None or isinstance(exc, ConnectionError)
        self._finish(f"the connection broke: {exc}" if exc else "the broker closed the connection")

    # -------------------------------------------------------- paho's side

    def _connack(
        self, _client: mqtt.Client, _userdata: object, _flags: mqtt.ConnectFlags, code: ReasonCode,
        _properties: Properties | None,
    ) -> None:  # fmt: skip
        if not code.is_failure:
            if not self._accepted.done():
                self._accepted.set_result(None)
            return
        words = _REFUSALS.get(code.getName(), f"the broker refuses the connection: {code}")
        self._refuse(words.format(**self._words))

    def _suback(
        self, _client: mqtt.Client, _userdata: object, packet_id: int, codes: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:  # fmt: skip
        self._answered(packet_id, [not code.is_failure for code in codes])

    def _answered(self, packet_id: int, granted: list[bool]) -> None:
        waiting = self._answers.pop(packet_id, None)
        if waiting is not None and not waiting.done():
            waiting.set_result(granted)

    def _message(self, _client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:  # a broker that passes on a topic that is no UTF-8: none of ours
            return
        self._on_message(topic, bytes(message.payload), message.retain)

    def _paho_wants_to_write(self, *_args: object) -> None:
        # Not at once: paho may hold its locks while it asks.
        self._loop.call_soon(self._client.loop_write)

    def _paho_ended(
        self, _client: mqtt.Client, _userdata: object, _flags: mqtt.DisconnectFlags, code: ReasonCode,
        _properties: Properties | None,
    ) -> None:  # fmt: skip
        if code.is_failure:
            self.abort(
                "the broker does not answer any more" if "Keep alive" in str(code) else f"protocol: {code}"
            )

    # -------------------------------------------------------- inside

    def write(self, data: bytes | bytearray) -> None:
        """Bytes of paho's own packets, in order with ours."""
        self._out += data
        self._flush()

    def take(self, size: int) -> bytes:
        """Bytes for paho from the packets that have come in whole."""
        if not self._inbox:
            raise BlockingIOError
        part = bytes(self._inbox[:size])
        del self._inbox[:size]
        return part

    def hang_up(self) -> None:
        """Close after what is written."""
        self._flush()
        if self._transport is not None:
            self._transport.close()

    def _refuse(self, reason: str) -> None:
        if not self._accepted.done():
            self._accepted.set_exception(ConnectionEndedError(reason))
        self.abort(reason)

    def _finish(self, reason: str) -> None:
        if self.ended.done():
            return
        self.ended.set_result(reason)
        error = ConnectionEndedError(reason)
        waiting: list[asyncio.Future[Any]] = [self._accepted, *self._answers.values()]
        for one in waiting:
            if not one.done():
                one.set_exception(error)


class _Stream:
    """What paho takes for its socket. It only ever holds whole packets, so nothing blocks."""

    def __init__(self, wire: Wire) -> None:
        self._wire = wire

    def send(self, data: bytes | bytearray) -> int:
        self._wire.write(data)
        return len(data)

    def recv(self, size: int) -> bytes:
        return self._wire.take(size)

    def close(self) -> None:
        self._wire.hang_up()

    def setblocking(self, flag: bool) -> None:
        """The event loop decides that."""

    def fileno(self) -> int:
        """None of its own: the event loop holds the socket."""
        return -1


def _retrieved(future: asyncio.Future[Any]) -> None:
    # Nobody may be waiting any more when a connection ends; that is no unhandled error.
    if not future.cancelled():
        future.exception()


def _packet_end(data: bytes, start: int) -> int | None:
    """Where the packet that begins at `start` ends (MQTT 3.1.1, 2.2.3), None if its length is to come."""
    length, shift = 0, 0
    for index in range(start + 1, min(start + 5, len(data))):
        length |= (data[index] & 127) << shift
        if data[index] < 128:
            return index + 1 + length
        shift += 7
    return None


def _without_payload(packet: bytes) -> bytes | None:
    """The head of a PUBLISH packet as a whole packet with an empty payload; None if it is not here yet."""
    index = 1
    while packet[index] > 127:
        index += 1
    topic_end = index + 3 + int.from_bytes(packet[index + 1 : index + 3], "big")
    end = topic_end + (2 if packet[0] & 0b110 else 0)
    if len(packet) < index + 3 or len(packet) < end:
        return None
    return bytes((packet[0],)) + _remaining_length(end - index - 1) + packet[index + 1 : end]


def _remaining_length(length: int) -> bytes:
    out = bytearray()
    while length > 127:
        out.append(length & 127 | 128)
        length >>= 7
    out.append(length)
    return bytes(out)
