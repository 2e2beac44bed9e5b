"""Simulated controllers for benchmarks: canned answers, so cheap that the bridge's own cost shows.

    python tests/benchmarks/canned_server.py --port 8080 --ports 16 --answers moving

``/c/N`` answers for controller N: a list of outputs with milliamperes, power and trip flag; `moving` answers
differ from one request to the next in every current, `still` ones only within any sensible band. ``/s/N`` is
the same controller as an endless stream of lines that speaks when something happened. ``POST /trip/N/P``
opens the fuse of output P at once and answers with the monotonic second; ``/told/N`` says when an answer told
it first. All else is accepted and ignored.
"""

import argparse
import asyncio
import json
import time
from typing import Any

STEPS = {"moving": (0, 400), "still": (0, 3)}
"""By how much [mA] the two canned answers differ."""
SLOTS = 50
"""Streams give their sign of life in so many groups, spread over the second."""


def outputs(ports: int, step_ma: int, open_ports: frozenset[int] = frozenset()) -> bytes:
    """One answer's body; the fuses of `open_ports` are open."""
    told: list[dict[str, Any]] = []
    for number in range(1, ports + 1):
        tripped = number in open_ports
        ma = 0 if tripped else 900 + 25 * number + step_ma
        told.append({"id": number, "ma": ma, "live": not tripped, "fuse_open": tripped})
    return json.dumps({"outputs": told}).encode()


def answer(body: bytes) -> bytes:
    """The whole answer on the wire."""
    return (
        b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n" % len(body) + body
    )


class Canned:
    """What all controllers say."""

    def __init__(self, ports: int, answers: str) -> None:
        self.ports = ports
        self.steps_ma = STEPS[answers]
        self.bodies = [outputs(ports, step_ma) for step_ma in self.steps_ma]
        self.ready = [answer(body) for body in self.bodies]
        self.turn: dict[bytes, int] = {}
        self.opened: dict[bytes, frozenset[int]] = {}
        self.streams: dict[bytes, set[asyncio.Transport]] = {}
        self.polls = 0
        self.told_s: dict[bytes, float] = {}
        """When a controller's answer first said what had happened to it last [monotonic s]."""

    def status(self, controller: bytes) -> bytes:
        """A controller's next answer."""
        self.polls += 1
        turn = self.turn.get(controller, 0) ^ 1
        self.turn[controller] = turn
        opened = self.opened.get(controller)
        if not opened:
            return self.ready[turn]
        self.told_s.setdefault(controller, time.monotonic())
        return answer(outputs(self.ports, self.steps_ma[turn], opened))

    def trip(self, controller: bytes, port: int) -> float:
        """Open a fuse; streams tell it at once. The monotonic second."""
        self.opened[controller] = self.opened.get(controller, frozenset()) | {port}
        line = outputs(self.ports, 0, self.opened[controller]) + b"\n"
        at_s = time.monotonic()
        self.told_s.pop(controller, None)
        if self.streams.get(controller):
            self.told_s[controller] = at_s
        for transport in self.streams.get(controller, ()):
            transport.write(line)
        return at_s


class Face(asyncio.Protocol):
    """One connection. Requests come whole, one at a time, as they do from a client that waits."""

    def __init__(self, canned: Canned) -> None:
        self.canned = canned
        self.streaming = b""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Connected."""
        assert isinstance(transport, asyncio.Transport)
        self.transport = transport

    def connection_lost(self, _error: Exception | None) -> None:
        """Gone; its stream ends."""
        self.canned.streams.get(self.streaming, set()).discard(self.transport)

    def data_received(self, data: bytes) -> None:
        """A request."""
        verb, path, _ = data.split(b" ", 2)
        parts = path.split(b"/")
        if parts[1] == b"c" and verb == b"GET":
            self.transport.write(self.canned.status(parts[2]))
        elif parts[1] == b"s" and verb == b"GET":
            self.streaming = parts[2]
            self.canned.streams.setdefault(parts[2], set()).add(self.transport)
            head = b"HTTP/1.1 200 OK\r\nContent-Type: application/x-ndjson\r\n\r\n"
            self.transport.write(head + self.canned.bodies[0] + b"\n")
        elif parts[1] == b"trip":
            self.transport.write(answer(repr(self.canned.trip(parts[2], int(parts[3]))).encode()))
        elif parts[1] == b"told":
            self.transport.write(answer(repr(self.canned.told_s.get(parts[2])).encode()))
        elif parts[1] == b"polls":
            self.transport.write(answer(b"%d" % self.canned.polls))
        else:
            self.transport.write(answer(b"{}"))


async def serve(port: int, canned: Canned) -> None:
    """Serve for ever; each stream repeats itself every second, as a sign of life, one after another."""
    loop = asyncio.get_running_loop()
    server = await loop.create_server(lambda: Face(canned), "127.0.0.1", port, backlog=2048)
    async with server:
        slot = 0
        while True:
            await asyncio.sleep(1.0 / SLOTS)
            slot = (slot + 1) % SLOTS
            for controller, transports in canned.streams.items():
                if int(controller) % SLOTS != slot:
                    continue
                opened = canned.opened.get(controller)
                line = outputs(canned.ports, 0, opened) if opened else canned.bodies[0]
                for transport in transports:
                    transport.write(line + b"\n")


def main() -> None:
    """Read the arguments and serve."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--port", type=int, required=True)
    parser.add_argument("--ports", type=int, default=16)
    parser.add_argument("--answers", choices=sorted(STEPS), default="moving")
    arguments = parser.parse_args()
    asyncio.run(serve(arguments.port, Canned(arguments.ports, arguments.answers)))


if __name__ == "__main__":
    main()
