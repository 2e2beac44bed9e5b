"""A small E1.31 listener: levels for the simulated strings, parsed on its own.

Deliberately not the bridge's reader, so that each checks the other. Offsets: ANSI E1.31-2018, section 4.
"""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bridge.simulator.site import SimulatedSite

IDENTIFIER = b"ASC-E1.17\x00\x00\x00"
LOSS_S = 2.5
"""A source silent for this long is gone (E1.31: network data loss timeout)."""
PREVIEW, TERMINATED = 0x80, 0x40


def parse(packet: bytes) -> tuple[int, int, bytes] | None:
    """(universe, options, slots) of a data packet with start code 0; None for anything else."""
    if len(packet) < 126 or packet[4:16] != IDENTIFIER or packet[18:22] != b"\0\0\0\4":
        return None
    if packet[40:44] != b"\0\0\0\2" or packet[117] != 2 or packet[125] != 0:
        return None
    count = int.from_bytes(packet[123:125], "big") - 1
    return int.from_bytes(packet[113:115], "big"), packet[112], packet[126 : 126 + count]


class _Listener(asyncio.DatagramProtocol):
    """Gives each universe's slots to the port that stands at universe - 1 in the site's order."""

    def __init__(self, site: "SimulatedSite") -> None:
        self._site = site
        self._ports = list(site.ports)
        self._newest: dict[int, bytes] = {}
        self._heard_s: dict[int, float] = {}

    def datagram_received(self, data: bytes, addr: tuple[str | int, int]) -> None:  # noqa: ARG002 - asyncio's shape
        found = parse(data)
        if found is None:
            return
        universe, options, slots = found
        if options & PREVIEW or not 1 <= universe <= len(self._ports):
            return
        if options & TERMINATED:
            self._drop(universe)
            return
        self._newest[universe] = slots
        self._heard_s[universe] = asyncio.get_running_loop().time()

    def _drop(self, universe: int) -> None:
        self._newest.pop(universe, None)
        if self._heard_s.pop(universe, None) is not None:
            self._site.set_levels(self._ports[universe - 1], None)

    async def pass_on(self) -> None:
        """Apply the newest levels a few times a second, and let silent sources go."""
        while True:
            newest, self._newest = self._newest, {}
            for universe, slots in newest.items():
                self._site.set_levels(self._ports[universe - 1], slots)
            now_s = asyncio.get_running_loop().time()
            for universe, heard_s in tuple(self._heard_s.items()):
                if now_s - heard_s > LOSS_S:
                    self._drop(universe)
            await asyncio.sleep(0.05)


@asynccontextmanager
async def listen(site: "SimulatedSite", host: str = "127.0.0.1") -> AsyncIterator[tuple[str, int]]:
    """Listen for E1.31 on a free UDP port of `host`; gives its address."""
    loop = asyncio.get_running_loop()
    transport, listener = await loop.create_datagram_endpoint(lambda: _Listener(site), (host, 0))
    passing = asyncio.create_task(listener.pass_on(), name="simulator-e131")
    try:
        address, port = transport.get_extra_info("sockname")
        yield address, port
    finally:
        transport.close()
        passing.cancel()
        with suppress(asyncio.CancelledError):  # anything else it met is told here
            await passing
