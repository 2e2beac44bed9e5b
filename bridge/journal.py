"""The safety journal: holds, modes by hand, trips, lockouts, shots and shelving outlive any crash.

Two files, ``journal.a`` and ``journal.b``, hold the same state. Each is written to a temporary file, synced,
and renamed over its predecessor; then the folder is synced; only then `Journal.write` returns. Why so:

- A full or failing disk hurts the temporary file only; both old copies stay whole. (Written in place, a
  copy would be gone from its first byte on; and after a failed sync the kernel may forget dirty pages, so
  a file once failed is thrown away and never synced again.)
- A crash at any instant leaves each copy whole, with the old or the new state. Reading takes the newer.
- Both copies get every state, not turn and turn about: else one bad sector in the newer copy would bring
  back, without a sign, what was true before the last hold. Writes are rare (people and faults make them),
  so a second sync costs nobody anything.

A copy is one header line and a JSON document::

    duskward-journal 1 SEQUENCE LENGTH SHA-256
    {"boot":"…","safety":{…}}

The digest covers sequence, length and document, so a copy is either exactly what was written or damaged.
The folder must be on a local disk: the lock that keeps a second process out (flock) and the meaning of a
sync are not dependable on network file systems.
"""

import contextlib
import errno
import fcntl
import hashlib
import json
import os
import re
import threading
from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Self

import structlog
from pydantic import BaseModel, ConfigDict, TypeAdapter, ValidationError

from bridge.errors import PermanentError, TransientError
from rules.door import Origin
from rules.safety import SafetyState

log = structlog.get_logger()

VERSION = 1
"""Of the document. A copy of another version counts as damaged: guessing at a hold is not allowed."""
COPIES = ("journal.a", "journal.b")
MARKER = "journal.began"
"""Stays when copies are deleted: a site that has it has had a journal."""
LOCK = "journal.lock"
MAX_BYTES = 1 << 26
"""No state comes near; a larger file is damage and is not read."""

_MAGIC = b"duskward-journal"
_HEAD = re.compile(_MAGIC + rb" ([0-9]{1,18}) ([0-9]{1,18}) ([0-9]{1,18})")
_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


class JournalInUseError(PermanentError):
    """Another process uses this journal. `subject`: the folder."""


class JournalUnwritableError(TransientError):
    """The state did not reach the disk; the copies from before are whole. `subject`: the folder."""


class _Document(BaseModel):
    """What a copy holds: the state, and the boot it was written in."""

    model_config = ConfigDict(extra="forbid", ser_json_inf_nan="constants")

    boot: str
    safety: SafetyState


class _Copy(NamedTuple):
    """A copy that passed its check."""

    sequence: int
    document: _Document


class _DamagedError(Exception):
    """A copy is not what was written; the text says how."""


class Journal:
    """The journal in one folder, held by one process. Use as a context manager or `close` it.

    traces: names of other files in the folder (the history) that prove an earlier run. Raises
    JournalInUseError when another process holds the folder, JournalUnwritableError when it can't be made.
    """

    def __init__(
        self, folder: str | Path, *, traces: tuple[str, ...] = (), boot_id_file: Path = _BOOT_ID
    ) -> None:
        self.folder = Path(folder)
        self.rebooted = True
        """Whether the machine restarted since the state was written; known after `read`."""
        self._traces = traces
        self._boot = _boot_id(boot_id_file)
        self._sequence = 0
        self._busy = threading.Lock()
        self._lock = self._hold_folder()
        # A sequence must exceed what is on disk even if nobody calls `read` first.
        self._copies = self._read_copies()

    def read(self) -> tuple[SafetyState, Origin]:
        """The newest whole state, or an empty one, and where it comes from. Never raises for damage.

        FIRST_START: no copy, no marker and no trace of an earlier run. LOST: there was a journal and no
        copy of it is whole.
        """
        whole = [copy for copy in self._copies.values() if isinstance(copy, _Copy)]
        damaged = {name: copy for name, copy in self._copies.items() if isinstance(copy, str)}
        for name, what in damaged.items():
            log.warning("journal.damaged", file=str(self.folder / name), what=what)
        if not whole:
            began = [name for name in (MARKER, *self._traces) if (self.folder / name).exists()]
            if not damaged and not began:
                return SafetyState(), Origin.FIRST_START
            log.error("journal.lost", folder=str(self.folder), damaged=list(damaged), traces=began)
            return SafetyState(), Origin.LOST
        newest = max(whole, key=lambda copy: copy.sequence).document
        if len(whole) < len(COPIES):
            log.warning("journal.one_copy", folder=str(self.folder), missing=_missing(self._copies))
        self._mend()
        self.rebooted = not self._boot or newest.boot != self._boot
        return newest.safety, Origin.JOURNAL

    def _mend(self) -> None:
        """Put the newest copy, as it is, in the place of one that is damaged or older.

        Until the next write the state would hang on one copy: damage to it would be a loss, or bring back
        what was true before.
        """
        at = {name: copy.sequence for name, copy in self._copies.items() if isinstance(copy, _Copy)}
        newest = max(at, key=lambda name: at[name])
        for name in COPIES:
            if at.get(name) != at[newest]:
                try:
                    self._replace(name, (self.folder / newest).read_bytes())
                    _sync_folder(self.folder)
                except OSError as error:
                    log.warning("journal.unwritable", detail=str(self._unwritable(error)))

    def write(self, safety: SafetyState) -> None:
        """Keep `safety`; when this returns it is on the disk, twice. May be called in any thread.

        Raises JournalUnwritableError; what was kept before is then still whole, and the next call tries
        anew.
        """
        with self._busy:
            self._sequence += 1
            content = _encode(self._sequence, _Document(boot=self._boot, safety=_plain(safety)))
            try:
                for name in COPIES:
                    self._replace(name, content)
                if not (self.folder / MARKER).exists():
                    self._replace(MARKER, b"This site has a safety journal. Do not delete this file.\n")
                _sync_folder(self.folder)
            except OSError as error:
                raise self._unwritable(error) from error

    def close(self) -> None:
        """Let another process use the folder."""
        if self._lock >= 0:
            os.close(self._lock)
            self._lock = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _hold_folder(self) -> int:
        """Lock the folder for this process; the kernel lets go when the process ends, however it ends.

        A disk that can only be read any more is enough where a site ran before: somebody must switch off
        what has power.
        """
        try:
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            lock = os.open(self.folder / LOCK, os.O_RDWR | os.O_CREAT, 0o600)
        except OSError as error:
            if error.errno != errno.EROFS or not (self.folder / LOCK).exists():
                raise self._unwritable(error) from error
            lock = os.open(self.folder / LOCK, os.O_RDONLY)
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = os.read(lock, 32).decode("ascii", "replace").strip()
            os.close(lock)
            if error.errno not in (errno.EWOULDBLOCK, errno.EACCES):
                raise self._unwritable(error) from error
            by = f" (process {holder})" if holder else ""
            message = (
                f"{self.folder} is used by another duskward{by}; stop it first, or name another state_dir"
            )
            raise JournalInUseError(message, subject=str(self.folder)) from error
        with contextlib.suppress(OSError):  # the number is a courtesy; a full disk must not stop the start
            os.truncate(lock, 0)
            os.pwrite(lock, f"{os.getpid()}\n".encode(), 0)
        return lock

    def _read_copies(self) -> dict[str, _Copy | str | None]:
        """Each copy: whole, a sentence about its damage, or None where there is no such file."""
        copies: dict[str, _Copy | str | None] = {}
        for name in COPIES:
            try:
                copies[name] = self._read_copy(name)
            except _DamagedError as error:
                copies[name] = str(error)
        found = [copy.sequence for copy in copies.values() if isinstance(copy, _Copy)]
        self._sequence = max(found, default=0)
        return copies

    def _read_copy(self, name: str) -> _Copy | None:
        try:
            with (self.folder / name).open("rb") as stream:
                content = stream.read(MAX_BYTES + 1)
        except FileNotFoundError:
            return None
        except OSError as error:
            raise _DamagedError(f"can't be read: {error.strerror}") from error
        return _decode(content)

    def _replace(self, name: str, content: bytes) -> None:
        """Put a file in place of `name`, whole or not at all."""
        draft = self.folder / f"{name}.new"
        handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        try:
            with open(handle, "wb", buffering=0) as stream:  # noqa: PTH123 - a handle with its mode
                rest = memoryview(content)
                while rest:
                    rest = rest[stream.write(rest) :]
                os.fsync(handle)
            draft.replace(self.folder / name)
        except OSError:
            with contextlib.suppress(OSError):  # the reason that counts is already on its way
                draft.unlink()
            raise

    def _unwritable(self, error: OSError) -> JournalUnwritableError:
        message = f"the safety journal in {self.folder} can't be written: {error.strerror}"
        return JournalUnwritableError(message, subject=str(self.folder))


def whole_copy(path: Path) -> bytes | None:
    """The bytes of a journal's copy, also while it is written; None where there is none, or it is damaged.

    A copy is replaced by renaming, so what is opened is one state, and its digest says that it is whole.
    """
    try:
        content = path.read_bytes()
        _decode(content)
    except FileNotFoundError:
        return None
    except _DamagedError as error:
        log.warning("journal.damaged", file=str(path), what=str(error))
        return None
    return content


def _plain(safety: SafetyState) -> SafetyState:
    """`safety` with dicts for its read-only mappings, which can't be serialised."""
    values: dict[str, Any] = {part.name: getattr(safety, part.name) for part in fields(safety)}
    mappings: dict[str, Any] = {name: dict(one) for name, one in values.items() if isinstance(one, Mapping)}
    return replace(safety, **mappings)


def safety_to_json(safety: SafetyState) -> Any:  # noqa: ANN401 - JSON
    """`safety` as what `json.dumps` takes."""
    return TypeAdapter(SafetyState).dump_python(_plain(safety), mode="json")


def safety_from_json(data: Any) -> SafetyState:  # noqa: ANN401 - JSON
    """The state `safety_to_json` made. Raises ValueError for anything else."""
    return TypeAdapter(SafetyState).validate_json(json.dumps(data))


def _encode(sequence: int, document: _Document) -> bytes:
    payload = document.model_dump_json().encode()
    head = b"%s %d %d %d" % (_MAGIC, VERSION, sequence, len(payload))
    digest = hashlib.sha256(head + b"\n" + payload).hexdigest().encode()
    return head + b" " + digest + b"\n" + payload


def _decode(content: bytes) -> _Copy:
    """The copy in `content`. Raises _DamagedError for anything that `_encode` did not write."""
    if len(content) > MAX_BYTES:
        raise _DamagedError("too large")
    line, _, payload = content.partition(b"\n")
    head, _, digest = line.rpartition(b" ")
    if hashlib.sha256(head + b"\n" + payload).hexdigest().encode() != digest:
        raise _DamagedError("its checksum does not fit")
    found = _HEAD.fullmatch(head)
    if found is None or int(found[1]) != VERSION or int(found[3]) != len(payload):
        raise _DamagedError(f"written in another format; this program reads {VERSION}")
    try:
        return _Copy(int(found[2]), _Document.model_validate_json(payload))
    except ValidationError as error:
        raise _DamagedError(f"its content does not fit this program: {error.error_count()} errors") from error


def _boot_id(file: Path) -> str:
    """The kernel's name of this boot; empty where there is none, which counts as a reboot each time."""
    try:
        return file.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError):
        return ""


def _missing(copies: dict[str, _Copy | str | None]) -> list[str]:
    return [name for name, copy in copies.items() if not isinstance(copy, _Copy)]


def _sync_folder(folder: Path) -> None:
    """Make renames in `folder` last."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
