"""HTTP faces that push: an answer that never ends, one JSON document per line or per server-sent event."""

import asyncio
import json
from collections.abc import AsyncIterator
from typing import Any

import aiohttp
import structlog

from bridge.config.reach_http import CAP_BYTES
from bridge.controllers.base import BadAnswerError, ControllerError, Sink, TimedOutError
from bridge.controllers.http import HttpController
from bridge.controllers.table import Rows
from rules.ports import Reading

log = structlog.get_logger()

_UNDER_WAY_S = 0.1
"""How long a pushed document may have been under way [s]; it is dated so much earlier, because it must not
count as the answer to a command that was given meanwhile. The next one does."""
_SILENT_PERIODS = 3
_ENDLESS = aiohttp.ClientTimeout(total=None)


class Lines:
    """Bytes → whole documents: lines of newline-delimited JSON, or the data of server-sent events.

    Events as the HTML standard has them (section 9.2.6): a field per line, several `data` lines are joined,
    an empty line ends an event, a line that begins with a colon is a comment.
    """

    def __init__(self, *, events: bool) -> None:
        self._events = events
        self._rest = b""
        self._data: list[bytes] = []
        self._size = 0

    def feed(self, piece: bytes) -> list[bytes]:
        """The documents that are whole now. Raises ValueError when one grows beyond the cap."""
        *lines, self._rest = (self._rest + piece).split(b"\n")
        whole = []
        for line in lines:
            line = line.removesuffix(b"\r")  # noqa: PLW2901 - the line without its ending
            self._size += len(line)
            if self._size > CAP_BYTES:
                raise ValueError(f"a pushed document is longer than {CAP_BYTES} bytes")
            if not self._events:
                self._size = 0
                if line.strip():
                    whole.append(line)
            elif not line:
                if self._data:
                    whole.append(b"\n".join(self._data))
                self._data, self._size = [], 0
            elif line.startswith(b"data:"):
                self._data.append(line[5:].removeprefix(b" "))
        if self._size + len(self._rest) > CAP_BYTES:
            raise ValueError(f"a pushed document is longer than {CAP_BYTES} bytes")
        return whole


class StreamController(HttpController):
    """Listens to a stream; switches like any HTTP face."""

    @property
    def _silence_s(self) -> float:
        return max(self.reach.timeout_s, _SILENT_PERIODS * self.reach.every_s)

    async def _documents(self) -> AsyncIterator[Rows]:
        """Rows of each document. Raises ControllerError when the stream ends, breaks or falls silent."""
        ask = self._asks[0]
        lines = Lines(events=ask.ask.stream == "events")
        now = asyncio.get_running_loop().time
        end_s = now() + self._silence_s
        response: aiohttp.ClientResponse | None = None
        try:
            async with asyncio.timeout_at(end_s):
                response = await self.face.session(fresh=True).request(
                    ask.ask.method, ask.url, allow_redirects=False, timeout=_ENDLESS, **ask.arguments
                )
            if response.status != 200:
                raise BadAnswerError(
                    f"{self.id} answered {response.status} {response.reason} for its stream", subject=self.id
                )
            while True:
                # The limit is on whole documents: a server that trickles bytes meets it too.
                async with asyncio.timeout_at(end_s):
                    piece = await response.content.readany()
                if not piece:
                    raise BadAnswerError(f"{self.id} ended its stream", subject=self.id)
                for document in lines.feed(piece):
                    end_s = now() + self._silence_s
                    yield self._understood(document)
        except TimeoutError as error:
            raise TimedOutError(
                f"{self.id} pushed nothing for {self._silence_s:g} s", subject=self.id
            ) from error
        except (aiohttp.ClientError, OSError) as error:
            raise self.face.trouble(error, ask.url) from error
        except (ValueError, RecursionError) as error:
            raise BadAnswerError(
                f"{self.id} pushed something unreadable: {str(error)[:200]}", subject=self.id
            ) from error
        finally:
            if response is not None:
                response.close()

    def _understood(self, document: bytes) -> Rows:
        """One document's rows. Raises ValueError."""
        answer: Any = json.loads(document)
        return self._asks[0].parse(answer)

    async def read(self) -> list[Reading]:
        """The first document of a new stream; see `Controller.read`."""
        measured_s = self.clock()
        documents = self._documents()
        try:
            return self._told_by(await anext(documents), measured_s, [])
        finally:
            await documents.aclose()  # type: ignore[attr-defined] # it is an async generator

    async def watch(self, sink: Sink) -> None:
        """Listen for ever; see `Controller.watch`."""
        while True:
            started_s = self.clock()
            try:
                async for rows in self._documents():
                    self._hand_over(sink, self._good(self._told_by(rows, self.clock() - _UNDER_WAY_S, [])))
            except ControllerError as error:
                self._hand_over(sink, [self._lost(str(error))])
            except Exception as error:
                log.exception("controller.unexpected", controller=self.id, during="its stream")
                self._hand_over(sink, [self._lost(f"{self.id}: unexpected {type(error).__name__}: {error}")])
            await asyncio.sleep(max(0.0, started_s + self.reach.every_s - self.clock()))
