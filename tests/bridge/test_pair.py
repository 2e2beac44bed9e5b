"""Both sides of a pair in one process, with a real broker, real lines and real journals."""

import asyncio
import json
import os
import socket
import threading
import time
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest
import structlog
from support import LOOPBACK, PrivateBroker, free_port, mosquitto_program, retained_now, run_async, until

from bridge import pair as pairs
from bridge import readiness
from bridge.errors import PermanentError, TransientError
from bridge.journal import Journal
from bridge.mqtt.link import LinkSettings
from bridge.pair import Pair, PairKeeper, PairSettings
from bridge.presence import SAY_AGAIN_S
from bridge.site.standby import KEEPALIVE_S
from rules.pairing import SILENT_S, Role
from rules.ports import Target, TargetKind
from rules.safety import Hold, SafetyState

pytestmark = [
    pytest.mark.broker,
    pytest.mark.skipif(mosquitto_program() is None, reason="needs a mosquitto program that may be killed"),
]

SECRET = "not-a-real-secret-of-anybody"


def held_by(*holders: str) -> SafetyState:
    """A site held by these."""
    target, since_utc = Target(TargetKind.SITE, "yard"), datetime(2025, 12, 1, tzinfo=UTC)
    return SafetyState(holds=tuple(Hold(target, holder, since_utc) for holder in holders))


class Wire:
    """TCP to a port that can fall silent, as a switch without power does: none is refused, none passes."""

    def __init__(self, target: int) -> None:
        self.target, self.port = target, free_port()
        self.through = asyncio.Event()
        self.through.set()
        self._tasks: set[asyncio.Task[None]] = set()

    @asynccontextmanager
    async def open(self) -> AsyncIterator[None]:
        """Carry while the context lasts."""
        server = await asyncio.start_server(self._carry, LOOPBACK, self.port)
        try:
            yield
        finally:
            server.close()
            for _ in range(3):
                await asyncio.sleep(0)  # what was just accepted begins
            for task in tuple(self._tasks):
                task.cancel()
            await asyncio.gather(*self._tasks, return_exceptions=True)
            await server.wait_closed()

    async def _carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        far: asyncio.StreamWriter | None = None
        ways: list[asyncio.Task[None]] = []
        try:
            await self.through.wait()
            back, far = await asyncio.open_connection(LOOPBACK, self.target)
            ways = [
                asyncio.create_task(self._pump(reader, far)),
                asyncio.create_task(self._pump(back, writer)),
            ]
            await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
        except (OSError, asyncio.CancelledError):
            pass  # nobody listens behind it: the caller is hung up on
        finally:
            for way in ways:
                way.cancel()
            await asyncio.gather(*ways, return_exceptions=True)
            for one in (writer, far):
                if one is not None:
                    one.transport.abort()
            self._tasks.discard(task)

    def cut(self) -> None:
        """End what is open; a caller may call again."""
        for task in tuple(self._tasks):
            task.cancel()

    async def _pump(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while piece := await reader.read(65536):
            await self.through.wait()
            writer.write(piece)
            await writer.drain()


class Side:
    """One side of the pair; `line` leads to it, `broker` to the broker."""

    def __init__(self, folder: Path, name: str, broker_port: int) -> None:
        self.folder, self.name = folder / name, name
        self.called, self.secret = name, SECRET
        self.listens = free_port()
        self.line = Wire(self.listens)
        self.broker = Wire(broker_port)
        self.partner: Side
        self.yielded: list[str] = []
        self.inherited: list[SafetyState] = []
        self.faults: list[str] = []
        self.journal: Journal
        self.pair: Pair
        self.keeper: PairKeeper

    @asynccontextmanager
    async def running(self) -> AsyncIterator["Side"]:
        """Serve while the context lasts; what it cost is over at its end, whatever was under way."""
        with Journal(self.folder) as self.journal:
            self.journal.read()
            self.pair = Pair(
                PairSettings(
                    name=self.called,
                    listen=(LOOPBACK, self.listens),
                    partner=(LOOPBACK, self.partner.line.port),
                    secret=self.secret,
                ),
                LinkSettings(
                    host=LOOPBACK,
                    port=self.broker.port,
                    client_id=f"duskward-yard-{self.name}",
                    keepalive_s=KEEPALIVE_S,
                    state_topic=f"duskward/yard/{self.called}",
                    filters=pairs.filters_of("duskward/yard"),
                    pause_first_s=0.2,
                    pause_max_s=5.0,
                    stop_limit_s=0.3,
                ),
                self.folder,
                self.journal,
                on_yield=self.yielded.append,
                on_inherit=self._inherit,
                on_fault=self.faults.append,
            )
            self.keeper = PairKeeper(self.journal, self.pair, asyncio.get_running_loop())
            async with self.pair.running():
                yield self

    async def _inherit(self, safety: SafetyState) -> None:
        self.inherited.append(safety)

    async def keep(self, safety: SafetyState) -> None:
        """What the active one does with each safety state."""
        await asyncio.to_thread(self.keeper.write, safety)

    def is_(self, role: Role) -> Callable[[], bool]:
        """Whether it has that role."""
        return lambda: self.pair.role is role


class Two:
    """Broker, wires and both sides, none of which runs yet."""

    def __init__(self, folder: Path) -> None:
        self.broker = PrivateBroker(folder)
        self.attic = Side(folder, "attic", self.broker.port)
        self.shed = Side(folder, "shed", self.broker.port)
        self.attic.partner, self.shed.partner = self.shed, self.attic

    @asynccontextmanager
    async def wired(self) -> AsyncIterator[AsyncExitStack]:
        """All wires, and a stack for the sides."""
        async with AsyncExitStack() as stack:
            for side in (self.attic, self.shed):
                await stack.enter_async_context(side.line.open())
                await stack.enter_async_context(side.broker.open())
            yield stack

    async def both(self, stack: AsyncExitStack) -> None:
        """Attic active with a first state, shed beside it with a copy."""
        await stack.enter_async_context(self.attic.running())
        await until(self.attic.is_(Role.ACTIVE), what="attic being active")
        await self.attic.keep(held_by("Ann"))
        await stack.enter_async_context(self.shed.running())
        await until(self.shed.is_(Role.STANDBY), what="shed standing by")
        await until(lambda: self.shed.pair.copy == self.attic.pair.copy, what="shed's copy")


@pytest.fixture
def two(tmp_path):
    """The pair before it runs, and its broker."""
    pair = Two(tmp_path)
    yield pair
    pair.broker.stop()


def test_a_line_that_was_silent_for_a_moment_leaves_the_copy_current(two) -> None:
    """After a break of the direct line the standby knows again that its copy is current."""

    async def story() -> None:
        async with two.wired() as stack:
            await two.both(stack)
            two.shed.line.through.clear()
            await until(lambda: two.shed.pair.stale, what="the copy being stale")
            two.shed.line.through.set()
            await until(lambda: not two.shed.pair.stale, what="the copy being current again")
            assert two.shed.pair.copy == two.attic.pair.copy
            kept = two.shed.folder / "pair.json"
            await until(lambda: json.loads(kept.read_text())["stale"] is False, what="the word on disk")

    run_async(story())


def test_a_network_that_was_away_makes_nobody_take_over(two) -> None:
    """A switch restarts: a standby that is back at the broker first does not take its partner for dead."""

    async def story() -> None:
        async with two.wired() as stack:
            await two.both(stack)
            wires = [two.attic.line, two.shed.line, two.attic.broker, two.shed.broker]
            for wire in wires:
                wire.through.clear()
            # Long enough for the broker to send both wills.
            await asyncio.sleep(3 * KEEPALIVE_S)
            two.shed.broker.through.set()
            await until(lambda: two.shed.pair.connected, what="shed being back at the broker")
            took_over = asyncio.create_task(until(two.shed.is_(Role.ACTIVE), 6.0))
            await asyncio.wait({took_over}, timeout=3.0)
            for wire in wires:
                wire.through.set()
            with pytest.raises(AssertionError):
                await took_over
            await until(lambda: not two.shed.pair.stale, 20.0, what="the copy being current again")
            assert two.attic.pair.role is Role.ACTIVE

    run_async(story())


def test_a_machine_that_loses_its_power_is_replaced_within_five_seconds(two) -> None:
    """None of its connections ends, nothing more comes: the standby takes over, with a current copy."""

    async def story() -> None:
        async with two.wired() as stack:
            await two.both(stack)
            await asyncio.sleep(2 * SAY_AGAIN_S)  # both have said their role while the other listened
            silent_s = time.monotonic()
            for wire in (two.attic.line, two.shed.line, two.attic.broker):
                wire.through.clear()
            await until(two.shed.is_(Role.ACTIVE), 5.0, what="shed taking over")
            print(f"replaced in {time.monotonic() - silent_s:.1f} s")
            assert not two.shed.pair.stale

    run_async(story())


def test_a_standby_that_could_not_take_over_is_told(two, monkeypatch) -> None:
    """The active one says that the other has another file, then that it is gone, and when all is well."""
    monkeypatch.setattr(readiness, "FAULT_S", 1.0)

    async def story() -> None:
        attic, shed = two.attic, two.shed
        async with two.wired() as stack:
            async with AsyncExitStack() as shorter:
                await stack.enter_async_context(attic.running())
                await until(attic.is_(Role.ACTIVE), what="attic being active")
                await attic.keep(held_by("Ann"))
                await shorter.enter_async_context(shed.running())
                attic.pair.file, shed.pair.file = "what attic has", "what shed has"
                await until(lambda: attic.faults and "file says something else" in attic.faults[-1])
                shed.pair.file = "what attic has"
                await until(lambda: attic.faults[-1] == "", what="the word that both files are alike")
            await until(lambda: "has not been heard" in attic.faults[-1], what="the word that shed is gone")
            await stack.enter_async_context(shed.running())
            await until(lambda: attic.faults[-1] == "", what="the word that shed is back")
            assert not shed.faults

    run_async(story())


def test_a_partner_without_the_broker_gets_its_copies(two) -> None:
    """While only the broker has lost the standby, every state still reaches it before it is acted on."""

    async def story() -> None:
        async with two.wired() as stack:
            await two.both(stack)
            two.shed.broker.through.clear()
            await asyncio.sleep(3 * KEEPALIVE_S)  # by now the broker has told that it is gone
            await two.attic.keep(held_by("Ann", "Ben"))
            assert two.shed.pair.copy == two.attic.pair.copy

    run_async(story())


def test_two_of_one_name_are_told(two) -> None:
    """A second process with the name of the first ends with a sentence; the first goes on."""

    async def story() -> None:
        two.shed.called = "attic"
        async with two.wired() as stack:
            await stack.enter_async_context(two.attic.running())
            await until(two.attic.is_(Role.ACTIVE), what="attic being active")
            await stack.enter_async_context(two.shed.running())
            with pytest.raises(PermanentError, match="attic"):
                await asyncio.wait_for(two.shed.pair.until_active(), 10.0)
            assert two.attic.pair.role is Role.ACTIVE

    run_async(story())


def test_one_that_starts_alone_with_an_old_copy_knows_nothing(two) -> None:
    """The standby dies, the active one is held and dies, the standby returns: its copy is not current."""

    async def story() -> None:
        async with two.wired():
            async with two.attic.running():
                await until(two.attic.is_(Role.ACTIVE), what="attic being active")
                await two.attic.keep(held_by())
                async with two.shed.running():
                    await until(two.shed.is_(Role.STANDBY), what="shed standing by")
                    await until(lambda: two.shed.pair.copy == two.attic.pair.copy, what="shed's copy")
                await two.attic.keep(held_by("Ann"))
                await until(lambda: two.attic.pair.all_said, what="the broker having it")
            async with two.shed.running():
                _, stale = await asyncio.wait_for(two.shed.pair.until_active(), 15.0)
                assert stale

    run_async(story())


def test_the_goodbye_is_the_last_word(two, monkeypatch) -> None:
    """One that ends is gone by the broker's word, however often it says its role until then."""
    monkeypatch.setattr(pairs, "SAY_AGAIN_S", 0.0)
    monkeypatch.setattr(pairs, "BEAT_S", 0.001)

    async def story() -> None:
        async with two.wired():
            for _ in range(5):
                async with two.attic.running():
                    await until(lambda: two.attic.pair.connected, what="the broker")
                    await asyncio.sleep(0.05)  # its role is said some fifty times
                place = (LOOPBACK, two.broker.port, "duskward/yard/attic")
                assert await asyncio.to_thread(retained_now, *place) == {place[2]: b"disconnected"}

    run_async(story())


def test_one_that_starts_alone_with_the_newest_copy_goes_on(two) -> None:
    """The active one restarts while the other is away: by the broker's word its copy is the newest."""

    async def story() -> None:
        async with two.wired():
            async with two.attic.running():
                await until(two.attic.is_(Role.ACTIVE), what="attic being active")
                await two.attic.keep(held_by("Ann"))
                async with two.shed.running():
                    await until(lambda: two.shed.pair.copy == two.attic.pair.copy, what="shed's copy")
            async with two.attic.running():
                safety, stale = await asyncio.wait_for(two.attic.pair.until_active(), 15.0)
                assert (safety, stale) == (None, False)

    run_async(story())


def test_one_alone_on_an_empty_broker_goes_on_with_what_only_it_can_know(two) -> None:
    """After a power cut a broker may know nothing: who kept a state the other never had goes on with it."""

    async def story() -> None:
        async with two.wired():
            async with two.attic.running():
                await until(two.attic.is_(Role.ACTIVE), what="attic being active")
                await two.attic.keep(held_by("Ann"))
            two.broker.restart()
            async with two.attic.running():
                _, stale = await asyncio.wait_for(two.attic.pair.until_active(), 15.0)
                assert not stale

    run_async(story())


def test_one_alone_on_an_empty_broker_waits_for_the_other_and_then_knows_nothing(two, monkeypatch) -> None:
    """Where the other had the same state and may have gone on, it is waited for before all is held."""
    monkeypatch.setattr(pairs, "UNPROVEN_S", 6.0)

    async def story() -> None:
        async with two.wired():
            async with AsyncExitStack() as stack:
                await two.both(stack)
            two.broker.restart()
            async with two.attic.running():
                began_s = asyncio.get_running_loop().time()
                _, stale = await asyncio.wait_for(two.attic.pair.until_active(), 20.0)
                assert stale
                assert asyncio.get_running_loop().time() - began_s >= 6.0

    run_async(story())


def test_both_back_after_a_power_cut_go_on_at_once(two) -> None:
    """Both machines and the broker restart: whose copy is the newer is active, and nothing is held."""

    async def story() -> None:
        async with two.wired():
            async with AsyncExitStack() as stack:
                await two.both(stack)
            two.broker.restart()
            async with two.shed.running(), two.attic.running():
                _, stale = await asyncio.wait_for(two.attic.pair.until_active(), 15.0)
                assert not stale

    run_async(story())


def test_a_full_disk_of_its_own_does_not_keep_a_state_from_the_partner(two) -> None:
    """What can't be written here is written there all the same, and the writer says that it could not."""

    async def story() -> None:
        async with two.wired() as stack:
            await two.both(stack)
            (two.attic.folder / "journal.a.new").mkdir()  # opening it for writing fails, as on a full disk
            with pytest.raises(TransientError):
                await two.attic.keep(held_by("Ann", "Bo"))
            await until(lambda: two.shed.pair.copy == two.attic.pair.copy, what="shed's copy")
        with Journal(two.shed.folder) as journal:
            assert [hold.holder for hold in journal.read()[0].holds] == ["Ann", "Bo"]

    run_async(story())


def test_a_disk_that_hangs_does_not_silence_the_line(two) -> None:
    """While a disk does not take the copy's number, beats go on: the partner takes nothing over."""

    async def story() -> None:
        async with two.wired() as stack:
            await two.both(stack)
            hangs = two.attic.folder / "pair.new"
            os.mkfifo(hangs)  # whoever opens it to write waits for one that reads (fifo(7))

            def end() -> None:
                reader = os.open(hangs, os.O_RDONLY)
                hangs.unlink()
                os.close(reader)

            ends = threading.Timer(2 * SILENT_S, end)
            ends.start()
            try:
                keeping = asyncio.create_task(two.attic.keep(held_by("Bob")))
                longest_s, before_s = 0.0, time.monotonic()
                while not keeping.done():
                    await asyncio.sleep(0.02)
                    now_s = time.monotonic()
                    longest_s, before_s = max(longest_s, now_s - before_s), now_s
            finally:
                await asyncio.to_thread(ends.join)
            assert longest_s < SILENT_S / 2
            assert two.attic.is_(Role.ACTIVE)()
            assert two.shed.is_(Role.STANDBY)()
            await until(lambda: two.shed.pair.copy == two.attic.pair.copy, what="shed's copy")

    run_async(story())


def test_of_two_active_ones_the_one_that_yields_leaves_what_it_knew(two) -> None:
    """Cut apart, both are active; together again the younger yields, and its hold is handed over first."""

    async def story() -> None:
        async with two.wired() as stack:
            await two.both(stack)
            for wire in (two.attic.broker, two.attic.line, two.shed.line):
                wire.through.clear()
            await until(two.shed.is_(Role.ACTIVE), 20.0, what="shed taking over")
            # The broker has no newer number than shed's: the silent seconds before the will hid no decision.
            assert not two.shed.pair.stale
            await two.shed.keep(held_by("Ann", "Bo"))
            for wire in (two.attic.broker, two.attic.line, two.shed.line):
                wire.through.set()
            await until(lambda: two.shed.yielded, 20.0, what="shed yielding")
            assert two.attic.inherited
            assert [hold.holder for hold in two.attic.inherited[-1].holds] == ["Ann", "Bo"]
            assert not two.attic.yielded
            assert len(two.shed.yielded) == 1

    run_async(story())


def test_a_crowd_at_the_line_is_hung_up_on(two) -> None:
    """Callers that say nothing take few places, and the partner is heard all the same."""

    async def story() -> None:
        async with two.wired() as stack:
            await two.both(stack)
            crowd = [socket.create_connection((LOOPBACK, two.shed.listens), 5) for _ in range(40)]
            try:
                await asyncio.sleep(0.5)
                left = []
                for one in crowd:
                    one.setblocking(False)
                    said = await _all_of(one)
                    if said is None:
                        left.append(one)
                assert len(left) <= pairs.LISTENERS_MOST
                # A new line of the partner finds its place beside the crowd.
                two.shed.line.cut()
                await two.attic.keep(held_by("Ann", "Bo"))
                assert two.shed.pair.copy == two.attic.pair.copy
            finally:
                for one in crowd:
                    one.close()

    run_async(story())


def test_a_partner_that_takes_calls_and_says_nothing_costs_one_connection(two) -> None:
    """A partner that hangs for hours takes no file descriptors from this side, one call after the other."""

    async def story() -> None:
        open_now, most, calls = 0, 0, 0

        async def silent(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            nonlocal open_now, most, calls
            calls += 1
            open_now += 1
            most = max(most, open_now)
            await reader.read()
            open_now -= 1
            writer.close()

        async with two.wired() as stack:
            server = await asyncio.start_server(silent, LOOPBACK, two.shed.listens)
            async with server:
                await stack.enter_async_context(two.attic.running())
                await until(lambda: calls >= 3, 20.0, what="three calls")
                await stack.aclose()
            assert most == 1

    run_async(story())


async def _all_of(one: socket.socket) -> bytes | None:
    """Everything until the other side hung up; None if it did not."""
    said = b""
    for _ in range(3):
        try:
            piece = one.recv(4096)
        except BlockingIOError:
            await asyncio.sleep(0.01)
            continue
        except ConnectionError:
            return said
        if not piece:
            return said
        said += piece
    return None


def test_a_partner_with_another_secret_is_told_once(two) -> None:
    """A wrong secret on one side, for weeks, is one line in the log, not one per attempt."""

    async def story() -> None:
        async with two.wired() as stack:
            with structlog.testing.capture_logs() as logs:
                await stack.enter_async_context(two.attic.running())
                await until(two.attic.is_(Role.ACTIVE), what="attic being active")
                two.shed.secret = "another-secret-of-nobody"
                await stack.enter_async_context(two.shed.running())
                await asyncio.sleep(5.0)
            told = [line for line in logs if line["log_level"] != "debug"]
            strangers = [line for line in told if line["event"] in {"pair.stranger", "pair.line_ended"}]
            assert 1 <= len(strangers) <= 4

    run_async(story())
