"""Two processes for one site: their direct line, the broker's word, and the copy of the safety state.

Each process connects to the other's address and speaks on that connection: twice a second who it is and what
it does (a beat), and, while it is active, every safety state before it is acted on. The other writes it to
its own journal and says so. Every line carries a code (HMAC-SHA256 over a challenge of the listener, a
count and the text) made with a secret both know: who does not know it is not heard. The line is not
encrypted: names of holders can be read on the network it crosses.

A second small MQTT connection holds the instance topic ``duskward/<site>/<name>`` with a will, so that the
broker can say that a process is gone.
"""

import asyncio
import hashlib
import hmac
import json
import os
import secrets
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import structlog

from bridge.errors import PermanentError, TransientError
from bridge.journal import Journal, safety_from_json, safety_to_json
from bridge.mqtt.link import Link, LinkSettings
from rules.pairing import ALONE_S, STALE_S, Decision, Heard, Own, Partner, Role, decide
from rules.safety import SafetyState

_log = structlog.get_logger()

BEAT_S = 0.5
LINE_LIMIT_BYTES = 4 * 2**20
AGAIN_S = 0.5
"""The partner is called again after this long [s]."""
KEPT_LIMIT_S = STALE_S + 2.0
"""A state that the partner does not confirm within this time [s] is acted on: by then its copy is stale."""
COPY_FILE = "pair.json"
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

    instance: the MQTT link's settings for the instance topic; on_yield is called when this side must end.
    """

    def __init__(
        self,
        settings: PairSettings,
        instance: LinkSettings,
        folder: Path,
        journal: Journal,
        on_yield: Callable[[str], None],
    ) -> None:
        self.settings = settings
        self.role = Role.STARTING
        self.copy, self.stale = _read_copy(folder)
        self._folder = folder
        self._journal = journal
        self._on_yield = on_yield
        self._secret = settings.secret.encode()
        self._begun_s = time.monotonic()
        self._active_since_s: float | None = None
        self._heard: tuple[Heard, float] | None = None
        self._partner = Partner.UNKNOWN
        self._broker_since_s: float | None = None
        self._present: dict[str, bool] = {}
        self._safety: SafetyState | None = None
        self._writer: asyncio.StreamWriter | None = None
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
            try:
                await self._listen(reader, writer)
            finally:
                listeners.discard(task)
                writer.close()

        try:
            server = await asyncio.start_server(serve, host, port, limit=LINE_LIMIT_BYTES)
        except OSError as error:
            raise PermanentError(
                f"standby.listen {host}:{port} can't be used: {error.strerror or error}",
                subject=f"{host}:{port}",
            ) from error
        tasks = [
            asyncio.create_task(self._link.run(), name="pair instance"),
            asyncio.create_task(self._speak(), name="pair line"),
            asyncio.create_task(self._watch(), name="pair watch"),
        ]
        try:
            yield
        finally:
            await self._link.stop()
            server.close()
            for task in (*tasks, *listeners):
                task.cancel()
            await asyncio.gather(*tasks, *listeners, return_exceptions=True)
            await server.wait_closed()

    async def until_active(self) -> tuple[SafetyState | None, bool]:
        """Wait until this side is active; the partner's newest state, if any, and whether it is stale."""
        await self._active.wait()
        return self._safety, self.stale

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
            decision = decide(self._own(now_s), self._last_heard(now_s), self._partner)
            self._follow(decision, now_s)

    def _follow(self, decision: Decision, now_s: float) -> None:
        if decision.stale and not self.stale:
            self.stale = True
            _write_copy(self._folder, self.copy, stale=True)
            _log.warning("pair.copy_stale", why=decision.why)
        if decision.stop:
            _log.error("pair.yielded", why=decision.why)
            self._on_yield(decision.why)
        if decision.role is not self.role:
            _log.info("pair.role", role=decision.role.value, before=self.role.value, why=decision.why)
            self.role = decision.role
            if decision.role is Role.ACTIVE:
                self._active_since_s = now_s
                self._active.set()
            self._say_instance()

    # ------------------------------------------------------------ the broker's word

    def _say_instance(self) -> None:
        self._link.publish(self._link.settings.state_topic, self.role.value.encode())

    def _on_broker(self) -> None:
        self._broker_since_s = time.monotonic()
        self._present.clear()
        self._say_instance()
        # The broker's retained word on the partner arrives within moments; silence then is absence.
        asyncio.get_running_loop().call_later(ALONE_S / 2, self._judge_partner)

    def _on_broker_lost(self, _reason: str) -> None:
        self._broker_since_s = None
        self._partner = Partner.UNKNOWN

    def _on_instance(self, topic: str, payload: bytes, _retained: bool) -> None:
        name = topic.removeprefix(f"{self._base}/")
        if name != self.settings.name:
            self._present[name] = payload.decode(errors="replace") in set(Role)
            self._judge_partner()

    def _judge_partner(self) -> None:
        if self._broker_since_s is None:
            return
        if any(self._present.values()):
            self._partner = Partner.PRESENT
        elif self._present or time.monotonic() - self._broker_since_s >= ALONE_S / 2 - 0.05:
            self._partner = Partner.ABSENT

    # ------------------------------------------------------------ the direct line

    def _code(self, challenge: str, count: int, text: str) -> str:
        return hmac.new(self._secret, f"{challenge} {count} {text}".encode(), hashlib.sha256).hexdigest()

    async def _speak(self) -> None:
        """Call the partner for ever, and beat while connected."""
        while True:
            opened: asyncio.StreamWriter | None = None
            try:
                reader, writer = await asyncio.wait_for(
                    asyncio.open_connection(*self.settings.partner, limit=LINE_LIMIT_BYTES), 2.0
                )
                self._challenge = (await asyncio.wait_for(reader.readline(), 2.0)).decode().strip()
                self._sent, self._writer, self._kept, opened = 0, writer, 0, writer
                answers = asyncio.create_task(self._hear_answers(reader), name="pair answers")
                try:
                    if self.role is Role.ACTIVE and self._safety is not None:
                        self._send(
                            {"type": "keep", "copy": self.copy, "safety": safety_to_json(self._safety)}
                        )
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

    def _beat(self) -> dict[str, Any]:
        own = self._own(time.monotonic())
        return {
            "role": own.role.value,
            "active_for_s": round(own.active_for_s, 3),
            "copy": own.copy,
            "name": own.name,
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

    async def _listen(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection of the partner: beats and states, as long as its codes are right."""
        challenge = secrets.token_hex(16)
        writer.write(f"{challenge}\n".encode())
        count = answered = 0
        try:
            while line := await asyncio.wait_for(reader.readline(), 10.0):
                count += 1
                message = self._opened(line, challenge, count)
                if message is None:
                    peer = writer.get_extra_info("peername")
                    _log.warning(
                        "pair.stranger", peer=str(peer), why="the code does not fit: not the same secret"
                    )
                    return
                if message["type"] == "beat":
                    self._heard = (_heard_in(message), time.monotonic())
                elif message["type"] == "keep" and self.role is not Role.ACTIVE:
                    await self._take_copy(int(message["copy"]), safety_from_json(message["safety"]))
                    answered += 1
                    text = json.dumps({"type": "kept", "copy": message["copy"]})
                    writer.write(f"{self._code(challenge, -answered, text)} {text}\n".encode())
                    await writer.drain()
        except (OSError, TimeoutError, TransientError, *_NO_MESSAGE) as error:
            _log.info("pair.line_ended", why=f"{type(error).__name__}: {error}")

    def _opened(self, line: bytes, challenge: str, count: int) -> dict[str, Any] | None:
        code, _, text = line.decode(errors="replace").rstrip("\n").partition(" ")
        if not hmac.compare_digest(code.encode(), self._code(challenge, count, text).encode()):
            return None
        message: dict[str, Any] = json.loads(text)
        return message

    # ------------------------------------------------------------ copies

    async def _take_copy(self, copy: int, safety: SafetyState) -> None:
        await asyncio.to_thread(self._journal.write, safety)
        _write_copy(self._folder, copy, stale=False)
        self.copy, self.stale, self._safety = copy, False, safety

    async def keep(self, safety: SafetyState) -> None:
        """After our own journal has it: give the partner its copy, and wait for its word.

        Returns late rather than never: a partner that does not answer has a stale copy by then.
        """
        self.copy += 1
        self._safety = safety
        _write_copy(self._folder, self.copy, stale=False)
        self.stale = False
        now_s = time.monotonic()
        heard = self._last_heard(now_s)
        if heard is None or heard.age_s > KEPT_LIMIT_S or self._partner is Partner.ABSENT:
            return
        copy = self.copy
        self._send({"type": "keep", "copy": copy, "safety": safety_to_json(safety)})
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
        """Return once both have it, or the partner's copy is stale."""
        self._journal.write(safety)
        asyncio.run_coroutine_threadsafe(self._pair.keep(safety), self._loop).result()


def _heard_in(beat: dict[str, Any]) -> Heard:
    """What a beat says, at the moment it says it. Raises one of `_NO_MESSAGE`."""
    return Heard(Role(beat["role"]), float(beat["active_for_s"]), 0.0, int(beat["copy"]), str(beat["name"]))


def _read_copy(folder: Path) -> tuple[int, bool]:
    """The number of our copy, and whether it is stale; of an unreadable file nobody knows, so it is."""
    try:
        data = json.loads((folder / COPY_FILE).read_text())
        return int(data["copy"]), bool(data["stale"])
    except FileNotFoundError:
        return 0, False
    except (OSError, *_NO_MESSAGE):
        return 0, True


def _write_copy(folder: Path, copy: int, *, stale: bool) -> None:
    path = folder / COPY_FILE
    new = path.with_suffix(".new")
    try:
        with new.open("w") as file:
            json.dump({"copy": copy, "stale": stale}, file)
            file.flush()
            os.fsync(file.fileno())
        new.replace(path)
    except OSError as error:
        _log.error("pair.copy_unwritable", why=str(error))
