"""E1.31 on sockets: a sender for test patterns, and a receiver that hears what is shown.

What packets mean stands in `rules.show_data.e131` and `rules.show_data.e131_sources`. Both ends run on the
event loop and keep nothing but the newest levels: memory is bounded by the universes and sources allowed.
"""

import asyncio
import socket
import struct
import uuid
from collections.abc import Callable, Iterable, Mapping
from types import TracebackType
from typing import Any, Self

import structlog

from bridge.errors import PermanentError, TransientError
from rules.show_data.e131 import KEEP_ALIVE_S, PORT, TERMINATED_PACKETS, DataPacket, build, multicast_group
from rules.show_data.e131_sources import SourceTracker

_EXPIRE_S = 0.25
_CID = slice(22, 38)
"""Where a packet's source id stands (ANSI E1.31 table 4-1)."""
_LOG = structlog.get_logger()


class LevelSender:
    """Sends levels by unicast (or multicast where `host` is None), and ends its streams properly.

    priority: 0 to 200, to be chosen on purpose: 100 is what a running show normally has, above it a test
    pattern wins, below it the show does. cid: 16 octets that stay the same for this source; random when
    None. interface: the local address to send from. Use as ``async with``: on the way out, cancelled or
    not, each universe is sent dark and ended with three terminated packets, so that a controller which
    holds its last look holds a dark one.
    """

    def __init__(
        self,
        host: str | None,
        *,
        source_name: str,
        priority: int,
        cid: bytes | None = None,
        port: int = PORT,
        interface: str = "",
    ) -> None:
        self._host = host
        self._source_name = source_name
        self._priority = priority
        self._cid = cid or uuid.uuid4().bytes
        self._port = port
        self._interface = interface
        self._levels: dict[int, bytes] = {}
        self._sequences: dict[int, int] = {}
        self._transport: asyncio.DatagramTransport | None = None
        self._address: Any = None
        self._keep_alive: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Self:
        # A field outside the standard is found here, before anything is lit.
        build(DataPacket(self._cid, self._source_name, 1, b"", priority=self._priority))
        loop = asyncio.get_running_loop()
        family = socket.AF_INET
        if self._host is not None:
            try:
                found = await loop.getaddrinfo(self._host, self._port, type=socket.SOCK_DGRAM)
            except OSError as error:
                raise TransientError(
                    f"the address of {self._host} is not known: {error}", subject=self._host
                ) from error
            family, _, _, _, self._address = found[0]
        sock = socket.socket(family, socket.SOCK_DGRAM)
        try:
            sock.setblocking(False)
            if self._interface:
                sock.bind((self._interface, 0))
            if self._host is None and self._interface:
                sock.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(self._interface))
            self._transport, _ = await loop.create_datagram_endpoint(
                lambda: _Endpoint(self._host or "multicast"), sock=sock
            )
        except BaseException:
            sock.close()
            raise
        self._keep_alive = asyncio.create_task(self._repeat(), name="e131.keep-alive")
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        # Nothing is awaited before the last packet is handed over: a cancellation can't come between.
        if self._keep_alive is not None:
            self._keep_alive.cancel()
        for universe in list(self._levels):
            self._end(universe)
        if self._transport is not None:
            self._transport.close()
            self._transport = None
        if self._keep_alive is not None:
            await asyncio.gather(self._keep_alive, return_exceptions=True)

    def show(self, levels: Mapping[int, bytes]) -> None:
        """Send `levels` (universe: slots) now and keep them alive; universes left out are ended.

        Raises RulesError where a universe or the number of slots is outside the standard: nothing of
        `levels` is sent then.
        """
        for universe, slots in levels.items():
            build(DataPacket(self._cid, self._source_name, universe, slots))
        for universe in self._levels.keys() - levels.keys():
            self._end(universe)
        self._levels.update(levels)
        for universe in levels:
            self._send(universe)

    async def _repeat(self) -> None:
        while True:
            await asyncio.sleep(KEEP_ALIVE_S)
            for universe in self._levels:
                self._send(universe)

    def _end(self, universe: int) -> None:
        self._levels[universe] = bytes(len(self._levels[universe]))
        self._send(universe)
        for _ in range(TERMINATED_PACKETS):
            self._send(universe, terminated=True)
        del self._levels[universe]

    def _send(self, universe: int, *, terminated: bool = False) -> None:
        if self._transport is None:
            return
        sequence = self._sequences[universe] = (self._sequences.get(universe, -1) + 1) & 0xFF
        packet = DataPacket(
            self._cid,
            self._source_name,
            universe,
            self._levels[universe],
            priority=self._priority,
            sequence=sequence,
            terminated=terminated,
        )
        self._transport.sendto(build(packet), self._address or (multicast_group(universe), self._port))


class LevelReceiver:
    """Hears E1.31 by unicast on `port`, and by multicast for the universes in `join`.

    interface: the local address whose network is listened to; bind: the address the socket is bound to.
    on_change: called with the live universes whenever one appears or falls silent. tracker: the sources that
    were heard until now, whose universes are told already. own: the source id of our own packets, which are
    not heard. Use as ``async with``; nothing is heard before. Raises PermanentError where the port is taken
    or the kernel refuses a multicast group.
    """

    def __init__(
        self,
        *,
        bind: str = "0.0.0.0",  # noqa: S104 - multicast arrives only on a socket bound to any address
        port: int = PORT,
        join: Iterable[int] = (),
        interface: str = "0.0.0.0",  # noqa: S104 - the kernel chooses the interface
        on_change: Callable[[tuple[int, ...]], None] | None = None,
        tracker: SourceTracker | None = None,
        own: bytes = b"",
    ) -> None:
        self._own = own
        self.tracker = tracker or SourceTracker()
        self._bind = bind
        self._port = port
        self._join = tuple(join)
        self._interface = interface
        self._on_change = on_change
        self._told = self.tracker.universes()
        self._transport: asyncio.DatagramTransport | None = None
        self._expire: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Self:
        loop = asyncio.get_running_loop()
        sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            sock.setblocking(False)
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            self._open(sock)
            self._transport, _ = await loop.create_datagram_endpoint(
                lambda: _Endpoint(self._bind, self._received), sock=sock
            )
        except BaseException:
            sock.close()
            raise
        self._expire = asyncio.create_task(self._watch(), name="e131.expire")
        return self

    def _open(self, sock: socket.socket) -> None:
        try:
            sock.bind((self._bind, self._port))
        except OSError as error:
            raise PermanentError(
                f"UDP port {self._port} on {self._bind} cannot be used: {error.strerror}", subject=self._bind
            ) from error
        for universe in self._join:
            group = multicast_group(universe)
            request = struct.pack("4s4s", socket.inet_aton(group), socket.inet_aton(self._interface))
            try:
                sock.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, request)
            except OSError as error:
                raise PermanentError(
                    f"universe {universe} ({group}) cannot be joined on {self._interface}: {error.strerror}; "
                    f"{len(self._join)} groups are asked for, Linux allows net.ipv4.igmp_max_memberships",
                    subject=group,
                ) from error

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._transport is not None:
            self._transport.close()
        if self._expire is not None:
            self._expire.cancel()
            await asyncio.gather(self._expire, return_exceptions=True)

    @property
    def address(self) -> tuple[str, int]:
        """The local address and port that is listened on."""
        if self._transport is None:
            raise PermanentError("the receiver is not open: use it as `async with`")
        host, port = self._transport.get_extra_info("sockname")[:2]
        return host, port

    def levels(self) -> dict[int, bytes]:
        """The merged levels of every live universe."""
        self.tracker.expire(asyncio.get_running_loop().time())
        return {universe: self.tracker.levels(universe) or b"" for universe in self.tracker.universes()}

    def _received(self, datagram: bytes) -> None:
        if self._own and datagram[_CID] == self._own:
            return
        self.tracker.take(datagram, asyncio.get_running_loop().time())
        self._tell()

    async def _watch(self) -> None:
        while True:
            await asyncio.sleep(_EXPIRE_S)
            self.tracker.expire(asyncio.get_running_loop().time())
            self._tell()

    def _tell(self) -> None:
        live = self.tracker.universes()
        if live == self._told:
            return
        self._told = live
        if self._on_change is None:
            return
        try:
            self._on_change(live)
        except Exception:  # noqa: BLE001 - whatever a listener raises, it is told and hearing goes on
            _LOG.exception("e131.listener_failed", universes=live)


class _Endpoint(asyncio.DatagramProtocol):
    def __init__(self, name: str, received: Callable[[bytes], None] | None = None) -> None:
        self._name = name
        self._received = received

    def datagram_received(self, data: bytes, addr: tuple[str | Any, int]) -> None:  # noqa: ARG002 - asyncio's
        if self._received is not None:
            self._received(data)

    def error_received(self, exc: Exception) -> None:
        _LOG.warning("e131.network_error", peer=self._name, error=str(exc))
