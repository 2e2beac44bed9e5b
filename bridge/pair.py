"""Two processes for one site: their direct line, the broker's word, and the copy of the safety state.

Each process connects to the other's address and speaks on that connection: twice a second who it is and what
it does (a beat), and, while it is active, every safety state before it is acted on. The other writes it to
its own journal and says so. Every line carries a code (HMAC-SHA256 over a challenge of the listener, a
count and the text) made with a secret both know: who does not know it is not heard. The line is not
encrypted: names of holders can be read on the network it crosses.

A second small MQTT connection holds the instance topic ``duskward/<site>/<name>`` with a will, so that the
broker can say that a process is gone (`bridge/presence.py`). ``duskward/<site>/<name>/copy`` is the number of
the newest safety state this process decided by: one that starts alone sees by it whether the other went on
without it.
"""

import asyncio
import hashlib
import hmac
import json
import os
import secrets
import socket
import threading
import time
from collections import deque
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

import structlog

from bridge.errors import PermanentError, TransientError
from bridge.journal import Journal, safety_from_json, safety_to_json
from bridge.mqtt.link import Link, LinkSettings
from bridge.presence import SAY_AGAIN_S, Presence
from bridge.readiness import Readiness, Seen
from bridge.threads import in_thread
from rules.pairing import SILENT_S, STALE_S, Decision, Heard, Own, Partner, Role, decide
from rules.safety import SafetyState

_log = structlog.get_logger()

BEAT_S = 0.5
LINE_LIMIT_BYTES = 4 * 2**20
AGAIN_S = 0.5
"""The partner is called again after this long [s]."""
KEPT_LIMIT_S = STALE_S + 2.0
"""A state that the partner does not confirm within this time [s] is acted on: by then its copy is stale."""
UNSENT_LIMIT_S = 3.0
"""A line on which nothing gets through for this long [s] is given up, and the partner called again."""
UNPROVEN_S = 60.0
"""One that starts alone, and can't know whether its copy is the newest, waits this long [s] for the other."""
LISTENERS_MOST = 4
"""Of more callers at once that did not show the secret yet the oldest are hung up on: a crowd must take
neither the controllers' file descriptors nor the partner's place."""
COPY_FILE = "pair.json"
_NUMBER = "copy"
_LONGEST_NUMBER = 18
_NO_MESSAGE = (ValueError, KeyError, TypeError, ArithmeticError, RecursionError)
"""What is raised by a line that is none of ours, such as one of another version."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairSettings:
    """name: ours in the pair; listen, partner: (host, port); secret: what both know."""

    name: str
    listen: tuple[str, int]
    partner: tuple[str, int]
    secret: str


class Pair:
    """One side of the pair. `running` serves it; `until_active` waits; `keep` replicates.

    instance: the MQTT link's settings for the instance topic (it listens to `filters_of` its base); on_yield
    is called when this side must end; on_inherit takes what a partner knew that was active as well and ends;
    on_fault hears, while this side is active, why the partner could not take over as it should, and "" once
    it could. `file` is the fingerprint of our configuration file.
    """

    def __init__(
        self,
        settings: PairSettings,
        instance: LinkSettings,
        folder: Path,
        journal: Journal,
        *,
        on_yield: Callable[[str], None],
        on_inherit: Callable[[SafetyState], Awaitable[None]],
        on_fault: Callable[[str], None],
    ) -> None:
        self.settings = settings
        self.role = Role.STARTING
        own = _read_copy(folder)
        self.copy, self.stale = own.number, own.stale
        self._alone = own.alone
        """The partner is not known to have our newest copy."""
        self._copies = _CopyFile(folder)
        self._copy_file: asyncio.Future[None] | None = None
        """The newest writing of it."""
        self._journal = journal
        self._on_yield = on_yield
        self._on_inherit = on_inherit
        self._on_fault = on_fault
        self._readiness = Readiness()
        self._fault = ""
        self.file = self._partner_file = ""
        self._secret = settings.secret.encode()
        self._begun_s = time.monotonic()
        self._active_since_s: float | None = None
        self._heard: tuple[Heard, float] | None = None
        self._presence = Presence(settings.name)
        self._said_s = 0.0
        self._numbers: dict[str, int] = {}
        """By name: the newest state somebody decided by, as the broker has it."""
        self._safety: SafetyState | None = None
        self._writer: asyncio.StreamWriter | None = None
        self._called = asyncio.Event()
        self._unproven: deque[asyncio.Task[None]] = deque()
        self._strange = ""
        self._namesake = False
        self._yielding: asyncio.Task[None] | None = None
        self._challenge = ""
        self._sent = 0
        self._kept = 0
        self._kept_changed = asyncio.Event()
        self._active = asyncio.Event()
        self._base = instance.state_topic.rpartition("/")[0]
        self._link = Link(
            instance,
            on_message=self._on_instance,
            on_connected=self._on_broker,
            on_disconnected=self._on_broker_lost,
        )

    # ------------------------------------------------------------ life

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        """Serve the pair while the context lasts. Raises PermanentError when `listen` can't be used."""
        host, port = self.settings.listen
        listeners: set[asyncio.Task[None]] = set()

        async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            task = asyncio.current_task()
            assert task is not None
            listeners.add(task)
            self._unproven.append(task)
            if len(self._unproven) > LISTENERS_MOST:
                self._unproven.popleft().cancel()
            try:
                await self._listen(reader, writer)
            except asyncio.CancelledError:
                return  # hung up on; the library would log it as an error
            finally:
                listeners.discard(task)
                self._proven(task)
                writer.close()

        try:
            server = await asyncio.start_server(serve, host, port, limit=LINE_LIMIT_BYTES)
        except OSError as error:
            raise PermanentError(
                f"standby.listen {host}:{port} can't be used: {error.strerror or error}",
                subject=f"{host}:{port}",
            ) from error
        watch = asyncio.create_task(self._watch(), name="pair watch")
        tasks = [
            asyncio.create_task(self._link.run(), name="pair instance"),
            asyncio.create_task(self._speak(), name="pair line"),
            watch,
        ]
        try:
            yield
        finally:
            watch.cancel()  # the goodbye is the last word on the instance topic
            await self._link.stop()
            server.close()
            if self._yielding is not None:
                tasks.append(self._yielding)
            for task in (*tasks, *listeners):
                task.cancel()
            await asyncio.gather(*tasks, *listeners, return_exceptions=True)
            await server.wait_closed()
            if self._copy_file is not None:
                await asyncio.wait({self._copy_file}, timeout=KEPT_LIMIT_S)

    async def until_active(self) -> tuple[SafetyState | None, bool]:
        """Wait until this side is active; the partner's newest state, if any, and whether it is stale.

        Raises PermanentError when the partner has our name: then neither would ever begin.
        """
        await self._active.wait()
        if self._namesake and self.role is not Role.ACTIVE:
            name = self.settings.name
            raise PermanentError(
                f"the partner is called {name} as well; give one of them another standby.name, "
                "and let standby.partner be the other one's address",
                subject="standby",
            )
        return self._safety, self.stale

    @property
    def connected(self) -> bool:
        """Whether the broker can say how the partner is."""
        return self._link.connected

    @property
    def all_said(self) -> bool:
        """Whether the broker has all that we said of ourselves."""
        return self._link.connected and not self._link.unacknowledged

    def _own(self, now_s: float) -> Own:
        active_for_s = 0.0 if self._active_since_s is None else now_s - self._active_since_s
        return Own(self.role, active_for_s, now_s - self._begun_s, self.copy, self.settings.name)

    def _last_heard(self, now_s: float) -> Heard | None:
        if self._heard is None:
            return None
        heard, at_s = self._heard
        return heard._replace(age_s=now_s - at_s)

    async def _watch(self) -> None:
        while True:
            await asyncio.sleep(BEAT_S / 2)
            now_s = time.monotonic()
            if self._link.connected and now_s - self._said_s >= SAY_AGAIN_S:
                self._say_instance()
            partner = self._presence.partner(now_s)
            decision = decide(self._own(now_s), self._last_heard(now_s), partner)
            begins = self.role is not Role.ACTIVE and decision.role is Role.ACTIVE
            if begins and not self._may_begin(now_s):
                continue
            self._follow(decision, now_s)
            self._judge_partner(now_s)

    def _judge_partner(self, now_s: float) -> None:
        if self.role is not Role.ACTIVE:
            self._readiness.reset()
            return
        heard = self._last_heard(now_s)
        seen = Seen(
            silent=heard is None or heard.age_s > SILENT_S,
            behind=heard is not None and heard.copy < self.copy,
            differs=bool(self.file and self._partner_file) and self.file != self._partner_file,
        )
        fault = self._readiness.fault(seen, now_s)
        if fault != self._fault:
            self._fault = fault
            self._on_fault(fault)

    def _may_begin(self, now_s: float) -> bool:
        """Whether we may be the active one now; on the way it is decided whether our copy is the newest.

        Beside a partner that is heard the numbers decided. Else the partner may have gone on without us: the
        number it left at the broker tells. Where there is none, one that stood by has only heard the silence;
        one that just started knows if the partner never had its newest state, and else waits for the partner
        before everything is held.
        """
        heard = self._last_heard(now_s)
        if heard is not None and heard.age_s <= SILENT_S:
            return True
        if self._numbers:
            if max(self._numbers.values()) > self.copy:
                self._mark_stale("The partner went on without this one: the copy here is stale.")
            elif self.stale:
                self._mark_current()
            return True
        if self.role is Role.STANDBY or self.stale or not self.copy or self._alone:
            return True
        if now_s - self._begun_s < UNPROVEN_S:
            return False
        self._mark_stale("Nobody knows whether the partner went on without this one: the copy here is stale.")
        return True

    def _mark_current(self) -> None:
        self.stale = False
        self._write_copy()
        _log.info("pair.copy_current", copy=self.copy)

    def _mark_stale(self, why: str) -> None:
        self.stale = True
        self._write_copy()
        _log.warning("pair.copy_stale", why=why)

    def _follow(self, decision: Decision, now_s: float) -> None:
        if decision.stale and not self.stale:
            self._mark_stale(decision.why)
        if decision.stop and self._yielding is None:
            _log.error("pair.yielded", why=decision.why)
            self._yielding = asyncio.create_task(self._yield(decision.why), name="pair yield")
        if decision.role is not self.role:
            _log.info("pair.role", role=decision.role.value, before=self.role.value, why=decision.why)
            self.role = decision.role
            if decision.role is Role.ACTIVE:
                self._active_since_s = now_s
                # Numbers go on from the highest that anybody knows, so that the newer state has the higher.
                self.copy = max(self.copy, *self._numbers.values()) if self._numbers else self.copy
                self._active.set()
            self._say_instance()

    # ------------------------------------------------------------ the broker's word

    def _say_instance(self) -> None:
        self._said_s = time.monotonic()
        self._link.publish(self._link.settings.state_topic, self.role.value.encode())

    def _say_number(self) -> None:
        self._link.publish(f"{self._link.settings.state_topic}/{_NUMBER}", str(self.copy).encode())

    def _on_broker(self) -> None:
        self._presence.connected(time.monotonic())
        self._numbers.clear()
        self._say_instance()

    def _on_broker_lost(self, _reason: str) -> None:
        self._presence.lost()

    def _on_instance(self, topic: str, payload: bytes, retained: bool) -> None:
        name, _, what = topic.removeprefix(f"{self._base}/").partition("/")
        said = payload.decode(errors="replace")
        if what == _NUMBER:
            self._numbers |= {name: int(said)} if said.isdecimal() and len(said) < _LONGEST_NUMBER else {}
        else:
            self._presence.heard(name, said in set(Role), retained, time.monotonic())

    # ------------------------------------------------------------ the direct line

    def _code(self, challenge: str, count: int, text: str) -> str:
        return hmac.new(self._secret, f"{challenge} {count} {text}".encode(), hashlib.sha256).hexdigest()

    async def _speak(self) -> None:
        """Call the partner for ever, and beat while connected."""
        while True:
            opened: asyncio.StreamWriter | None = None
            try:
                async with asyncio.timeout(2.0):
                    reader, opened = await asyncio.open_connection(
                        *self.settings.partner, limit=LINE_LIMIT_BYTES
                    )
                    _give_up_early(opened)
                    self._challenge = (await reader.readline()).decode().strip()
                writer = opened
                self._sent, self._writer, self._kept = 0, writer, 0
                answers = asyncio.create_task(self._hear_answers(reader), name="pair answers")
                try:
                    if self.role is Role.ACTIVE and self._safety is not None:
                        self._send(self._state("keep"))
                    self._called.set()
                    while not answers.done():
                        self._send({"type": "beat", **self._beat()})
                        await writer.drain()
                        await asyncio.wait({answers}, timeout=BEAT_S)
                finally:
                    answers.cancel()
                    await asyncio.gather(answers, return_exceptions=True)
            except (OSError, TimeoutError, UnicodeDecodeError):
                pass  # called again below; that the line is down is seen from the age of the last beat
            except Exception:
                _log.exception("pair.unexpected")
            finally:
                self._writer = None
                if opened is not None:
                    opened.close()
                    with suppress(OSError):
                        await opened.wait_closed()
            await asyncio.sleep(AGAIN_S)

    def _state(self, kind: str) -> dict[str, Any]:
        return {"type": kind, "copy": self.copy, "safety": safety_to_json(self._safety or SafetyState())}

    def _beat(self) -> dict[str, Any]:
        own = self._own(time.monotonic())
        return {
            "role": own.role.value,
            "active_for_s": round(own.active_for_s, 3),
            "copy": own.copy,
            "name": own.name,
            "file": self.file,
        }

    def _send(self, message: dict[str, Any]) -> None:
        writer = self._writer
        if writer is None:
            return
        text = json.dumps(message, ensure_ascii=False)
        self._sent += 1
        writer.write(f"{self._code(self._challenge, self._sent, text)} {text}\n".encode())

    async def _hear_answers(self, reader: asyncio.StreamReader) -> None:
        count = 0
        while line := await reader.readline():
            count += 1
            message = self._opened(line, self._challenge, -count)
            if message is None:
                return
            self._kept = max(self._kept, int(message["copy"]))
            self._kept_changed.set()
            if self._alone and self._kept == self.copy and self.role is Role.ACTIVE:
                self._alone = False
                self._write_copy()

    async def _listen(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection of the partner: beats and states, as long as its codes are right."""
        challenge = secrets.token_hex(16)
        writer.write(f"{challenge}\n".encode())
        count = answered = 0
        try:
            while True:
                async with asyncio.timeout(10.0):
                    line = await reader.readline()
                if not line:
                    return
                count += 1
                message = self._opened(line, challenge, count)
                if message is None:
                    self._tell_stranger(writer.get_extra_info("peername"))
                    return
                if count == 1:
                    self._proven(asyncio.current_task())
                if message["type"] == "beat":
                    self._hear_beat(_heard_in(message))
                    self._partner_file = str(message.get("file", ""))  # earlier versions say nothing of it
                elif message["type"] in ("keep", "yield"):
                    if (message["type"] == "yield") is not (self.role is Role.ACTIVE):
                        continue
                    safety = safety_from_json(message["safety"])
                    if self.role is Role.ACTIVE:
                        await self._on_inherit(safety)
                    else:
                        await self._take_copy(int(message["copy"]), safety)
                    answered += 1
                    text = json.dumps({"type": "kept", "copy": message["copy"]})
                    writer.write(f"{self._code(challenge, -answered, text)} {text}\n".encode())
                    await writer.drain()
        except (OSError, TimeoutError, TransientError, *_NO_MESSAGE) as error:
            why = f"{type(error).__name__}: {error}"
            # Told once: what stays as it is would fill the log at two lines a second.
            log = _log.debug if why == self._strange else _log.info
            log("pair.line_ended", why=why)
            self._strange = why

    def _proven(self, task: asyncio.Task[None] | None) -> None:
        with suppress(ValueError):  # it was before, or was hung up on
            self._unproven.remove(task)  # type: ignore[arg-type] # none of ours is no task

    def _tell_stranger(self, peer: object) -> None:
        why = "the code does not fit: not the same secret"
        host = str(peer[0]) if isinstance(peer, tuple) else str(peer)
        log = _log.debug if f"{host} {why}" == self._strange else _log.warning
        log("pair.stranger", peer=host, why=why)
        self._strange = f"{host} {why}"

    def _hear_beat(self, heard: Heard) -> None:
        if heard.name == self.settings.name:
            if not self._namesake:
                _log.error("pair.namesake", name=heard.name)
            self._namesake = True
            if self.role is not Role.ACTIVE:
                self._active.set()
            return
        self._strange = ""
        self._heard = (heard, time.monotonic())
        if self.stale and self.role is Role.STANDBY and (heard.role, heard.copy) == (Role.ACTIVE, self.copy):
            # The line was silent for a while, and nothing was decided meanwhile.
            self._mark_current()

    async def _yield(self, why: str) -> None:
        """Leave what we knew to the other active one, as far as it can be reached, and end."""
        with suppress(TimeoutError):
            async with asyncio.timeout(KEPT_LIMIT_S):
                self.copy += 1  # a word that it took this one is none on an earlier one
                while self._kept < self.copy:
                    self._called.clear()
                    self._kept_changed.clear()
                    self._send(self._state("yield"))
                    turns = [asyncio.ensure_future(one.wait()) for one in (self._called, self._kept_changed)]
                    try:
                        await asyncio.wait(turns, return_when=asyncio.FIRST_COMPLETED)
                    finally:
                        for turn in turns:
                            turn.cancel()
        self._on_yield(why)

    def _opened(self, line: bytes, challenge: str, count: int) -> dict[str, Any] | None:
        code, _, text = line.decode(errors="replace").rstrip("\n").partition(" ")
        if not hmac.compare_digest(code.encode(), self._code(challenge, count, text).encode()):
            return None
        message: dict[str, Any] = json.loads(text)
        return message

    # ------------------------------------------------------------ copies

    def _write_copy(self) -> asyncio.Future[None]:
        """Write what is known of our copy, in a thread: a disk that hangs must not silence the line."""
        document = {"copy": self.copy, "stale": self.stale, "alone": self._alone}
        self._copy_file = in_thread(
            partial(self._copies.write, document, time.monotonic()), left_behind=False
        )
        return self._copy_file

    async def _take_copy(self, copy: int, safety: SafetyState) -> None:
        await in_thread(lambda: self._journal.write(safety), left_behind=False)
        self.copy, self.stale, self._alone, self._safety = copy, False, False, safety
        await self._write_copy()

    async def keep(self, safety: SafetyState) -> None:
        """After our own journal has it: give the partner its copy, and wait for its word.

        Returns late rather than never: a partner that does not answer has a stale copy by then.
        """
        self.copy += 1
        copy, self._safety = self.copy, safety
        self.stale, self._alone = False, True
        await self._write_copy()
        self._say_number()
        self._send(self._state("keep"))
        now_s = time.monotonic()
        heard = self._last_heard(now_s)
        if heard is None or heard.age_s > KEPT_LIMIT_S:
            return
        if heard.age_s > SILENT_S and self._presence.partner(now_s) is Partner.ABSENT:
            return
        try:
            async with asyncio.timeout(KEPT_LIMIT_S):
                while self._kept < copy:
                    self._kept_changed.clear()
                    await self._kept_changed.wait()
        except TimeoutError:
            _log.warning("pair.copy_late", copy=copy, partner=heard.name)


class PairKeeper:
    """Writes to the journal, then to the partner; called in a thread."""

    def __init__(self, journal: Journal, pair: Pair, loop: asyncio.AbstractEventLoop) -> None:
        self._journal = journal
        self._pair = pair
        self._loop = loop

    def write(self, safety: SafetyState) -> None:
        """Return once both have it, or the partner's copy is stale. Raises as the journal does.

        What the own disk does not take, the partner gets all the same.
        """
        try:
            self._journal.write(safety)
        finally:
            given = asyncio.run_coroutine_threadsafe(self._pair.keep(safety), self._loop)
            with suppress(TimeoutError):  # the loop is just ending: this thread must end as well
                given.result(2 * KEPT_LIMIT_S)


def filters_of(base: str) -> tuple[str, ...]:
    """What the instance link listens to below `base`, as ``duskward/<site>``."""
    return f"{base}/+", f"{base}/+/{_NUMBER}"


def _give_up_early(writer: asyncio.StreamWriter) -> None:
    """A line whose other end is gone without a word ends soon, not after a quarter of an hour."""
    line: socket.socket = writer.get_extra_info("socket")
    line.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, round(1000 * UNSENT_LIMIT_S))


def _heard_in(beat: dict[str, Any]) -> Heard:
    """What a beat says, at the moment it says it. Raises one of `_NO_MESSAGE`."""
    return Heard(Role(beat["role"]), float(beat["active_for_s"]), 0.0, int(beat["copy"]), str(beat["name"]))


class _CopyFile:
    """What the folder says of our copy, replaced whole. `write` is called in threads."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / COPY_FILE
        self._busy = threading.Lock()
        self._newest_s = float("-inf")

    def write(self, document: dict[str, Any], at_s: float) -> None:
        """Put `document`, true at `at_s` [monotonic s], on disk, unless a newer one is there."""
        with self._busy:
            if at_s < self._newest_s:
                return
            self._newest_s = at_s
            new = self._path.with_suffix(".new")
            try:
                with new.open("w") as file:
                    json.dump(document, file)
                    file.flush()
                    os.fsync(file.fileno())
                new.replace(self._path)
            except OSError as error:
                _log.error("pair.copy_unwritable", why=str(error))


class _OwnCopy(NamedTuple):
    """What the folder says of our copy: its number; stale: it may be old; alone: the partner lacks it."""

    number: int = 0
    stale: bool = False
    alone: bool = False


def _read_copy(folder: Path) -> _OwnCopy:
    """Our copy; of an unreadable file nobody knows, so it is stale."""
    try:
        data = json.loads((folder / COPY_FILE).read_text())
        return _OwnCopy(int(data["copy"]), bool(data["stale"]), bool(data.get("alone")))
    except FileNotFoundError:
        return _OwnCopy()
    except (OSError, *_NO_MESSAGE):
        return _OwnCopy(stale=True)
