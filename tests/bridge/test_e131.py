"""E1.31 over real sockets on loopback, both ways against the sacn library."""

import asyncio
import socket
import threading

import pytest
import sacn
import sacn.sending.sender_socket_udp as library_socket
from support import LOOPBACK, run_async, until, wait_for

from bridge.errors import PermanentError, TransientError
from bridge.pixels.e131 import LevelReceiver, LevelSender
from rules.errors import RulesError
from rules.show_data.e131 import DataPacket, build, parse
from rules.show_data.e131_sources import Taken


def free_udp_port():
    """A UDP port of the loopback interface that was free a moment ago."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind((LOOPBACK, 0))
        return sock.getsockname()[1]


def sender(port, **options):
    """A sender to loopback."""
    return LevelSender(LOOPBACK, **({"source_name": "Barn", "priority": 120, "port": port} | options))


class Sink:
    """A plain socket that keeps every packet."""

    def __init__(self):
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.bind((LOOPBACK, 0))
        self.socket.setblocking(False)
        self.port = self.socket.getsockname()[1]
        self.packets = []

    def take(self):
        """All packets so far, in order."""
        while True:
            try:
                self.packets.append(parse(self.socket.recv(2048)))
            except BlockingIOError:
                return self.packets


@pytest.fixture
def sink():
    """A socket that keeps packets."""
    sink = Sink()
    yield sink
    sink.socket.close()


def test_levels_arrive():
    """Levels shown are the levels heard, with name and priority; the end is heard at once."""

    async def scenario():
        heard = []
        async with LevelReceiver(bind=LOOPBACK, port=0, on_change=heard.append) as receiver:
            async with sender(receiver.address[1]) as ours:
                ours.show({7: bytes([1, 2, 3]), 8: bytes(512)})
                await until(lambda: receiver.levels() == {7: bytes([1, 2, 3]), 8: bytes(512)})
                (source,) = receiver.tracker.sources(7)
                assert (source.name, source.priority) == ("Barn", 120)
            await until(lambda: receiver.tracker.tally[Taken.ENDED] == 2, limit_s=1.0)
            assert receiver.levels() == {}
        assert heard[-1] == ()
        assert (7, 8) in heard

    run_async(scenario())


def test_stream_ends_dark_with_three_terminated_packets(sink):
    """A sender that closes sends dark levels once and then exactly three terminated packets."""

    async def scenario():
        async with sender(sink.port) as ours:
            ours.show({7: b"\xff"})

    run_async(scenario())
    packets = wait_for(lambda: len(sink.take()) >= 5 and sink.packets)
    assert [(p.levels, p.terminated) for p in packets] == [
        (b"\xff", False),
        (b"\0", False),
        (b"\0", True),
        (b"\0", True),
        (b"\0", True),
    ]
    assert [p.sequence for p in packets] == [0, 1, 2, 3, 4]


def test_cancelled_sender_ends_its_streams(sink):
    """A cancelled task still ends its streams."""

    async def scenario():
        async def hold():
            async with sender(sink.port) as ours:
                ours.show({7: b"\xff"})
                await asyncio.Event().wait()

        task = asyncio.create_task(hold())
        await until(sink.take)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

    run_async(scenario())
    packets = wait_for(lambda: len(sink.take()) >= 5 and sink.packets)
    assert [p.terminated for p in packets[-3:]] == [True] * 3


def test_universe_left_out_is_ended(sink):
    """A universe that is no longer shown is ended, the others go on."""

    async def scenario():
        async with sender(sink.port) as ours:
            ours.show({7: b"\xff", 8: b"\x01"})
            ours.show({8: b"\x02"})
            await until(lambda: len(sink.take()) >= 7)
            assert sum(p.terminated and p.universe == 7 for p in sink.packets) == 3
            assert not any(p.terminated and p.universe == 8 for p in sink.packets)

    run_async(scenario())


def test_unchanged_levels_are_kept_alive(sink):
    """Unchanged levels are sent again within a second, with the next sequence number."""

    async def scenario():
        async with sender(sink.port) as ours:
            ours.show({7: b"\x09"})
            start_s = asyncio.get_running_loop().time()
            await until(lambda: len(sink.take()) >= 3)
            taken_s = asyncio.get_running_loop().time() - start_s
        assert [(p.levels, p.sequence) for p in sink.packets[:3]] == [(b"\x09", n) for n in range(3)]
        # Two keep-alives: more than one period of 0.8 s passed between first and third packet.
        assert taken_s > 1.0

    run_async(scenario())


def test_silent_source_falls_silent():
    """A source that just stops is gone from the levels, and the listener is told."""

    async def scenario():
        heard = []
        async with LevelReceiver(bind=LOOPBACK, port=0, on_change=heard.append) as receiver:
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
                sock.sendto(build(DataPacket(bytes(16), "x", 3, b"\x05")), receiver.address)
                sock.sendto(b"not a packet", receiver.address)
            await until(lambda: heard == [(3,)])
            await until(lambda: heard == [(3,), ()], limit_s=4.0)
            assert receiver.tracker.tally[Taken.MALFORMED] == 1

    run_async(scenario())


def test_failing_listener_does_not_end_the_receiver():
    """A listener that raises is logged; the receiver goes on hearing."""

    def fail(universes):
        raise ValueError(universes)

    async def scenario():
        async with (
            LevelReceiver(bind=LOOPBACK, port=0, on_change=fail) as receiver,
            sender(receiver.address[1]) as ours,
        ):
            ours.show({1: b"\x01"})
            await until(lambda: receiver.levels() == {1: b"\x01"})
            ours.show({1: b"\x02", 2: b""})
            await until(lambda: receiver.levels() == {1: b"\x02", 2: b""})

    run_async(scenario())


def test_library_hears_us():
    """The sacn library hears our levels, and the end of the stream as the end."""
    port = free_udp_port()
    theirs = sacn.sACNreceiver(bind_address=LOOPBACK, bind_port=port)
    got, changes, ended = [], [], threading.Event()
    theirs.register_listener("universe", got.append, universe=7)

    def availability(universe, changed):
        changes.append((universe, changed))
        if changed == "timeout":
            ended.set()

    theirs.register_listener("availability", availability)
    theirs.start()
    try:

        async def scenario():
            async with sender(port) as ours:
                ours.show({7: bytes([9, 8, 7])})
                await until(lambda: got)

        run_async(scenario())
        assert ended.wait(1.5), "the end came sooner than the 2.5 s of a loss"
    finally:
        theirs.stop()
    assert bytes(got[0].dmxData[:4]) == bytes([9, 8, 7, 0])
    assert (got[0].sourceName, got[0].priority) == ("Barn", 120)
    assert changes[:2] == [(7, "available"), (7, "timeout")]


def test_we_hear_the_library(monkeypatch):
    """Levels the sacn library sends by unicast are heard, and its end of stream ends them at once."""

    async def scenario():
        async with LevelReceiver(bind=LOOPBACK, port=0) as receiver:
            # The library always sends to the standard's port, which may be in use on this machine.
            monkeypatch.setattr(library_socket, "DEFAULT_PORT", receiver.address[1])
            theirs = sacn.sACNsender(
                bind_address=LOOPBACK, bind_port=0, source_name="House", universeDiscovery=True
            )
            theirs.start()
            try:
                theirs.activate_output(9)
                theirs[9].destination = LOOPBACK
                theirs[9].priority = 77
                theirs[9].dmx_data = (5, 6, 7)
                await until(lambda: receiver.levels().get(9, b"")[:4] == bytes([5, 6, 7, 0]))
                (source,) = receiver.tracker.sources(9)
                assert (source.name, source.priority) == ("House", 77)
                theirs.deactivate_output(9)
                await until(lambda: receiver.tracker.tally[Taken.ENDED] == 1, limit_s=1.5)
                assert receiver.levels() == {}
            finally:
                theirs.stop()

    run_async(scenario())


def test_multicast_on_loopback():
    """A joined universe is heard by multicast, a universe that is not joined is not."""

    async def scenario():
        port = free_udp_port()
        async with (
            LevelReceiver(port=port, join=[7], interface=LOOPBACK) as receiver,
            LevelSender(None, source_name="Barn", priority=90, port=port, interface=LOOPBACK) as ours,
        ):
            ours.show({7: b"\x07"})
            await until(lambda: receiver.levels() == {7: b"\x07"})

    run_async(scenario())


def test_too_many_groups_say_why():
    """Joining more groups than the kernel allows names the kernel's setting."""

    async def scenario():
        async with LevelReceiver(port=free_udp_port(), join=range(1, 5000), interface=LOOPBACK):
            pass

    with pytest.raises(PermanentError, match="igmp_max_memberships"):
        run_async(scenario())


def test_nothing_wrong_is_sent(sink):
    """A priority, a universe or a number of slots outside the standard is refused before anything is sent."""

    async def wrong_priority():
        async with sender(sink.port, priority=201):
            pass

    async def wrong_universe():
        async with sender(sink.port) as ours:
            ours.show({1: b"\x01", 0: b"\x01"})

    async def unknown_host():
        async with LevelSender("no-such-host.invalid", source_name="Barn", priority=100):
            pass

    with pytest.raises(RulesError, match="priority"):
        run_async(wrong_priority())
    with pytest.raises(RulesError, match="universe"):
        run_async(wrong_universe())
    with pytest.raises(TransientError, match="no-such-host"):
        run_async(unknown_host())
    assert sink.take() == []


def test_port_in_use_says_so(sink):
    """A port that another program listens on is refused with its number."""

    async def scenario():
        async with LevelReceiver(bind=LOOPBACK, port=sink.port):
            pass

    with pytest.raises(PermanentError, match=str(sink.port)):
        run_async(scenario())


def test_closed_receiver_has_no_address():
    """A receiver that is not open says how to use it."""
    with pytest.raises(PermanentError, match="async with"):
        _ = LevelReceiver().address
