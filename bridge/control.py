"""The local door of the running process: a Unix socket, so a person at the site is heard without a broker.

One JSON object a line in each direction. A request: ``{"verb": "hold", "target": "gable/1", "argument":
"Ann"}``; its answer: ``{"accepted": true, "text": "..."}``. ``{"verb": "status"}`` is answered with what was
last published, by target. Only the user that runs the process (and root) can open the socket: its folder and
itself are made so.
"""

import asyncio
import errno
import json
import os
import socket
from collections.abc import AsyncGenerator, AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import structlog

from bridge.errors import PermanentError, TransientError

_log = structlog.get_logger()

SOCKET = "control.sock"
LINE_LIMIT_BYTES = 65_536
ANSWER_LIMIT_S = 10.0
CLIENTS_MOST = 8
"""More at once are hung up on: a crowd at this door must not take the controllers' file descriptors."""
IDLE_LIMIT_S = 60.0
"""Who asks nothing, or reads nothing of what was answered, for this long [s] is hung up on."""
UNREAD_LIMIT_S = 0.3
"""What is not read this long [s] after the end never will be."""
AGAIN_S = 5.0
"""Where the disk did not take the socket, it is tried again after this long [s]."""
_PASSING = frozenset({errno.EROFS, errno.ENOSPC, errno.EDQUOT, errno.EIO})
"""What is the disk's state of now, and no fault of the configuration."""

Handler = Callable[[Mapping[str, Any]], Awaitable[Mapping[str, Any]]]
"""Takes a request, returns its answer."""
Follower = Callable[[Mapping[str, Any]], AsyncGenerator[Mapping[str, Any], None]]
"""Takes a request, gives answers until the last; closed when the one who asked leaves."""


class NotRunningError(TransientError):
    """Nothing listens: no duskward runs with this state folder."""


@asynccontextmanager
async def listen(
    folder: Path, handler: Handler, followers: Mapping[str, Follower] | None = None
) -> AsyncIterator[Path]:
    """Serve the control socket in `folder` while the context lasts; its path.

    followers: verbs that are answered by a line after line, as long as the one who asked stays.

    Raises PermanentError when the path is too long for a socket or can't be made; on a disk that is full or
    can only be read, it is made as soon as that is over. The caller holds the folder's lock, so a socket
    found there belongs to a process that is gone.
    """
    path = folder / SOCKET
    clients: set[asyncio.Task[None]] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if len(clients) >= CLIENTS_MOST:
            writer.close()
            return
        task = asyncio.current_task()
        assert task is not None
        clients.add(task)
        try:
            await _talk(reader, writer, handler, followers or {})
        except asyncio.CancelledError:
            return  # the process ends; the library would log it as an error
        finally:
            clients.discard(task)
            await _hang_up(writer)

    servers: list[asyncio.Server] = []

    async def open_door() -> None:
        door = _door(path)
        servers.append(
            await asyncio.start_unix_server(serve, sock=door, limit=LINE_LIMIT_BYTES, backlog=CLIENTS_MOST)
        )

    async def open_later() -> None:
        while not servers:
            await asyncio.sleep(AGAIN_S)
            with suppress(OSError):
                await open_door()
        _log.info("control.open", path=str(path))

    later: asyncio.Task[None] | None = None
    try:
        await open_door()
    except OSError as error:
        what = f"the control socket {path} can't be made: {error.strerror or error}"
        if error.errno not in _PASSING:
            raise PermanentError(
                f"{what}; a shorter state_dir on a local disk helps", subject=str(path)
            ) from error
        _log.error("control.unavailable", detail=f"{what}; it is tried again")
        later = asyncio.create_task(open_later(), name="control")
    try:
        yield path
    finally:
        if later is not None:
            later.cancel()
            await asyncio.gather(later, return_exceptions=True)
        for server in servers:
            server.close()
        for task in tuple(clients):
            task.cancel()
        await asyncio.gather(*clients, return_exceptions=True)
        for server in servers:
            await server.wait_closed()
        with suppress(OSError):
            path.unlink(missing_ok=True)


def _door(path: Path) -> socket.socket:
    """A socket at `path`, in place of one that another process left. Raises OSError."""
    path.unlink(missing_ok=True)
    door = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    old = os.umask(0o177)
    try:
        door.bind(str(path))
    except OSError:
        door.close()
        raise
    finally:
        os.umask(old)
    return door


async def _talk(
    reader: asyncio.StreamReader,
    writer: asyncio.StreamWriter,
    handler: Handler,
    followers: Mapping[str, Follower],
) -> None:
    while True:
        try:
            async with asyncio.timeout(IDLE_LIMIT_S):
                line = await reader.readline()
        except (ValueError, ConnectionError, TimeoutError):
            return  # longer than the limit, gone, or silent
        if not line:
            return
        request = _request(line)
        if isinstance(request, str):
            answer: Mapping[str, Any] = {"accepted": False, "text": f"Refused: {request}"}
        elif (follower := followers.get(str(request.get("verb")))) is not None:
            await _follow(reader, writer, follower(request), str(request.get("verb")))
            return
        else:
            try:
                async with asyncio.timeout(ANSWER_LIMIT_S):
                    answer = await handler(request)
            except TimeoutError:
                answer = {"accepted": False, "text": "No answer in time; ask for the status."}
            except Exception as error:
                answer = _unexpected(error, str(request.get("verb")))
        writer.write(json.dumps(answer, ensure_ascii=False).encode() + b"\n")
        try:
            async with asyncio.timeout(IDLE_LIMIT_S):
                await writer.drain()
        except (ConnectionError, TimeoutError):
            return


async def _hang_up(writer: asyncio.StreamWriter) -> None:
    """Close after what was said is read, if it is read at all."""
    writer.close()
    try:
        async with asyncio.timeout(UNREAD_LIMIT_S):
            await writer.wait_closed()
    except TimeoutError:
        writer.transport.abort()
    except OSError:
        return


def _request(line: bytes) -> dict[str, Any] | str:
    """The request on a line, or why it is none."""
    try:
        request = json.loads(line)
        # Escapes can stand for what is no text, and an argument of another encoding becomes that on its way
        # through a command line. It could be written nowhere: not into the journal, not to the broker.
        json.dumps(request, ensure_ascii=False).encode()
    except UnicodeError:
        return "there is a character in it that is no Unicode text; write it as UTF-8."
    except (ValueError, RecursionError):
        request = None
    return request if isinstance(request, dict) else "a request is one JSON object on a line."


def _unexpected(error: Exception, verb: str) -> Mapping[str, Any]:
    """The answer to whoever met an error that nobody foresaw, which is being handled; it is logged."""
    _log.exception("control.unexpected", verb=verb)
    return {"accepted": False, "text": f"Unexpected {type(error).__name__}; it is in the log."}


async def _follow(
    reader: asyncio.StreamReader,
    writer: asyncio.StreamWriter,
    answers: AsyncGenerator[Mapping[str, Any], None],
    verb: str,
) -> None:
    """Pass on answers until the last, or until the other side says or sends anything more, or leaves."""
    gone = asyncio.create_task(reader.read(1), name="control.gone")
    waits: list[asyncio.Future[Any]] = [gone]
    try:
        while True:
            coming = asyncio.ensure_future(anext(answers, None))
            waits[1:] = [coming]
            await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
            if not coming.done():
                return
            try:
                answer = coming.result()
            except Exception as error:
                answer = _unexpected(error, verb)
            if answer is None:
                return
            writer.write(json.dumps(answer, ensure_ascii=False).encode() + b"\n")
            async with asyncio.timeout(IDLE_LIMIT_S):
                await writer.drain()
    except (ConnectionError, TimeoutError):
        return
    finally:
        for wait in waits:  # also where the process ends meanwhile: what runs can't be closed
            wait.cancel()
        await asyncio.gather(*waits, return_exceptions=True)
        await answers.aclose()


async def follow(folder: Path, request: Mapping[str, Any]) -> AsyncGenerator[dict[str, Any], None]:
    """Ask the running process for something that takes long: its answers as they come.

    Closing the generator tells the process that nobody waits any more. Raises as `ask`; TransientError when
    the process ends before the last answer (the one with ``accepted``).
    """
    reader, writer = await _connect(folder)
    try:
        writer.write(json.dumps(request).encode() + b"\n")
        await writer.drain()
        while line := await reader.readline():
            answer: dict[str, Any] = json.loads(line)
            yield answer
            if "accepted" in answer and not answer.get("goes_on"):
                return
        raise TransientError("the running process ended before it answered")
    except ConnectionError as error:
        raise TransientError(f"the running process did not answer: {type(error).__name__}") from error
    finally:
        writer.close()
        with suppress(OSError):
            await writer.wait_closed()


async def _connect(folder: Path) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    path = folder / SOCKET
    try:
        return await asyncio.open_unix_connection(path, limit=16 * 2**20)
    except (FileNotFoundError, ConnectionRefusedError):
        raise NotRunningError(f"no duskward runs with {folder}; start it with: duskward run FILE") from None
    except PermissionError:
        raise PermanentError(
            f"{path} belongs to another user; run this as the user that runs duskward"
        ) from None
    except OSError as error:
        raise PermanentError(f"{path} can't be asked: {error.strerror or error}") from error


async def ask(folder: Path, request: Mapping[str, Any]) -> dict[str, Any]:
    """Ask the process that runs with this state folder; its answer.

    Raises NotRunningError when none listens, TransientError when it ends meanwhile or does not answer in
    time.
    """
    reader, writer = await _connect(folder)
    try:
        writer.write(json.dumps(request).encode() + b"\n")
        await writer.drain()
        async with asyncio.timeout(ANSWER_LIMIT_S + 1):
            line = await reader.readline()
    except (TimeoutError, ConnectionError) as error:
        raise TransientError(f"the running process did not answer: {type(error).__name__}") from error
    finally:
        writer.close()
        with suppress(OSError):
            await writer.wait_closed()
    if not line:
        raise TransientError("the running process ended before it answered")
    answer: dict[str, Any] = json.loads(line)
    return answer
