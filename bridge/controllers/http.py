"""Controllers with an HTTP face: polled, and switched by one request per command.

Each controller has connections and limits of its own, so that a bad one never delays another. Polls reuse a
connection; a command always opens a new one, because a small server that hangs up between requests would
make the library's (and our) knowledge of the outcome worthless. A command is sent once; repeating is for
the rules, after a reading.
"""

import asyncio
import base64
import json
import ssl
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import quote, urljoin, urlsplit

import aiohttp
from yarl import URL

from bridge.config.expressions import compile_expression, fill, fill_json, spell
from bridge.config.mapping import Scalar
from bridge.config.reach_http import CAP_BYTES, HttpAsk, HttpAuth, HttpReach, HttpSend, Secret
from bridge.config.secret import SecretSource
from bridge.controllers.base import (
    BadAnswerError,
    ControllerError,
    MappingMismatchError,
    Pace,
    PollingController,
    TimedOutError,
    UnreachableError,
    Verdict,
)
from bridge.controllers.table import MisfitError, Parser, Row, Rows, compile_flag, compile_table, merge
from bridge.controllers.tls import tls_context
from bridge.errors import PermanentError, system_words
from rules.door import Outcome
from rules.ports import Abilities, Reading, port_id

_REDIRECTS = 3
_NOTHING = Row()
_NOWHERE = URL()


class Face:
    """The HTTP connections of one controller, and what a request to it needs."""

    def __init__(self, controller_id: str, reach: HttpReach) -> None:
        self.id = controller_id
        self.reach = reach
        self.headers = {"Accept-Encoding": "identity", "Accept": "*/*"}
        for name, value in reach.headers.items():
            self.headers[name] = (
                _one_line(controller_id, value.source) if isinstance(value, Secret) else value
            )
        if reach.auth is not None:
            self.headers["Authorization"] = _authorization(controller_id, reach.auth)
        self._ssl = tls_context(controller_id, reach.tls) if reach.tls is not None else True
        self._polls: aiohttp.ClientSession | None = None
        self._commands: aiohttp.ClientSession | None = None

    def session(self, *, fresh: bool) -> aiohttp.ClientSession:
        """The session for polls, or the one that opens a connection per request."""
        if fresh or self.reach.close_each:
            if self._commands is None:
                self._commands = self._new_session(force_close=True)
            return self._commands
        if self._polls is None:
            self._polls = self._new_session(force_close=False)
        return self._polls

    def _new_session(self, *, force_close: bool) -> aiohttp.ClientSession:
        total_s = self.reach.timeout_s
        return aiohttp.ClientSession(
            connector=aiohttp.TCPConnector(limit=0, ssl=self._ssl, force_close=force_close),
            # A total, because a server that trickles bytes never meets a limit between bytes; connecting
            # ends a little earlier, so that "never reached" and "no answer" can be told apart.
            timeout=aiohttp.ClientTimeout(total=total_s, sock_connect=0.9 * total_s),
            headers=self.headers,
            cookie_jar=aiohttp.DummyCookieJar(),
            auto_decompress=False,  # a small body must not unfold into a large one
        )

    async def close(self) -> None:
        """Close both sessions."""
        for session in (self._polls, self._commands):
            if session is not None:
                await session.close()
        self._polls = self._commands = None

    def trouble(self, error: Exception, url: str) -> Exception:
        """The library's error in our terms."""
        place = _place(url)
        if isinstance(error, TimeoutError):
            return TimedOutError(
                f"{self.id} did not answer within {self.reach.timeout_s:g} s at {place}", subject=self.id
            )
        if isinstance(error, aiohttp.ClientPayloadError):
            return BadAnswerError(f"{self.id} broke off its answer at {place}", subject=self.id)
        if isinstance(error, aiohttp.ClientConnectionError | OSError):
            return UnreachableError(f"{self.id} can't be reached at {place}: {_why(error)}", subject=self.id)
        return BadAnswerError(f"{self.id} gave no proper answer at {place}: {error}", subject=self.id)


def _why(error: aiohttp.ClientConnectionError | OSError) -> str:
    """Why there is no connection, without the library's words for the socket."""
    if isinstance(error, aiohttp.ClientConnectorError):
        cause = error.os_error
        if isinstance(cause, ssl.SSLError) and cause.reason == "WRONG_VERSION_NUMBER":
            return "it speaks no TLS there; write http instead of https"
        if not isinstance(error, aiohttp.ClientSSLError):
            return system_words(cause)
    return str(error) or type(error).__name__


def _place(url: str) -> str:
    """The address without its query, which may hold secrets."""
    parts = urlsplit(url)
    return f"{parts.scheme}://{parts.netloc}{parts.path}"


def _one_line(controller_id: str, source: SecretSource) -> str:
    """The secret. Raises PermanentError, which names the place and never the text."""
    text = source.read().get_secret_value()
    if not text.isprintable():
        raise PermanentError(
            f"{controller_id}: the secret in {source.file or source.env} is not one line of plain text",
            subject=controller_id,
        )
    return text


def _authorization(controller_id: str, auth: HttpAuth) -> str:
    secret = _one_line(controller_id, auth.source)
    if auth.username is not None:
        pair = base64.b64encode(f"{auth.username}:{secret}".encode())  # RFC 7617, section 2
        return f"Basic {pair.decode()}"
    return f"Bearer {secret}"


async def body_of(response: aiohttp.ClientResponse) -> bytes:
    """The whole body, at most `CAP_BYTES`. Raises ValueError for a longer or a compressed one."""
    if response.headers.get("Content-Encoding", "identity").lower() != "identity":
        raise ValueError("the answer is compressed although plain text was asked for")
    length = response.content_length
    if length is not None and length <= CAP_BYTES:
        return await response.read()
    if length is None:
        body = bytearray()
        async for piece in response.content.iter_any():
            body += piece
            if len(body) > CAP_BYTES:
                break
        else:
            return bytes(body)
    response.close()
    raise ValueError(f"the answer is longer than {CAP_BYTES} bytes")


@dataclass(slots=True)
class _Ask:
    """One address that is read, with what it said last."""

    ask: HttpAsk
    parse: Parser
    number: int | None = None
    """The port it speaks of, where it speaks of one."""
    url: str = ""
    target: URL = _NOWHERE
    """The same, taken apart once: the library's memory of addresses is shorter than a large site's list."""
    etag: str = ""
    rows: Rows = field(default_factory=dict)
    arguments: dict[str, Any] = field(default_factory=dict)


class HttpController(PollingController):
    """Polls an HTTP face and switches by requests."""

    def __init__(
        self,
        controller_id: str,
        reach: HttpReach,
        ports: Mapping[int, Abilities],
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__(
            controller_id, ports, Pace(reach.every_s, max(reach.every_s, reach.slow_every_s)), clock=clock
        )
        self.reach = reach
        self.face = Face(controller_id, reach)
        self._asks = [made for ask in reach.asks for made in self._prepare(ask)]
        # OFFs have places of their own: they never wait behind ONs that hang.
        self._turns = {power: asyncio.Semaphore(reach.at_once) for power in (True, False)}
        self._reads = asyncio.Semaphore(reach.at_once)
        self._ids = [(number, port_id(controller_id, number)) for number in sorted(ports)]
        self._accept = {
            id(send): (compile_expression(send.accepted.source), compile_flag(send.accepted))
            for send in (reach.switch, reach.clear)
            if send is not None and send.accepted is not None
        }

    def _prepare(self, ask: HttpAsk) -> list[_Ask]:
        parse = compile_table(ask, self.ports, counts_from=self.reach.counts_from)
        numbers: list[int | None] = [*sorted(self.ports)] if ask.single else [None]
        made = []
        for number in numbers:
            name = self._name(number) if number is not None else 0
            arguments = _content(ask, name)
            url = fill(ask.url, str(name), "")
            made.append(_Ask(ask, parse, number, url, URL(url), arguments=arguments))
        return made

    def _name(self, number: int) -> int:
        """The controller's own number of port `number`."""
        return number - 1 + self.reach.counts_from

    # ------------------------------------------------------------ reading

    async def read(self) -> list[Reading]:
        """Ask all addresses once, together; see `Controller.read`."""
        measured_s = self.clock()
        troubles: list[str] = []
        if len(self._asks) == 1:
            rows = await self._fetch(self._asks[0])
        else:
            rows, troubles = await self._fetch_all()
        return self._told_by(rows, measured_s, troubles)

    def _told_by(self, rows: Rows, measured_s: float, troubles: list[str]) -> list[Reading]:
        """Readings of the ports that were spoken of; the others are named in `_detail`."""
        readings: list[Reading] = []
        silent: list[int] = []
        for number, port in self._ids:
            row = rows.get(number)
            if row is None or row == _NOTHING:
                silent.append(number)
            else:
                readings.append(Reading(port, measured_s, *row))
        if silent:
            if not readings:
                raise MappingMismatchError(
                    f"{self.id} answers, but says nothing usable of the configured ports", subject=self.id
                )
            names = ", ".join(map(str, silent))
            troubles.append(f"{self.id} says nothing usable of port {names}")
        self._detail = "; ".join(troubles)
        return readings

    async def _fetch_all(self) -> tuple[Rows, list[str]]:
        """All addresses; one that fails takes only its own part away. Raises when all fail."""

        async def one(ask: _Ask) -> Rows:
            async with self._reads:
                return await self._fetch(ask)

        results = await asyncio.gather(*(one(ask) for ask in self._asks), return_exceptions=True)
        rows: Rows = {}
        troubles: list[str] = []
        for result in results:
            if isinstance(result, dict):
                merge(rows, result)
            elif isinstance(result, ControllerError):
                troubles.append(str(result))
            else:
                raise result
        if len(troubles) == len(results):
            raise next(result for result in results if isinstance(result, BaseException))
        return rows, troubles

    async def _fetch(self, ask: _Ask) -> Rows:
        """One address, once."""
        url, target = ask.url, ask.target
        arguments = ask.arguments
        if ask.etag:
            arguments = {**arguments, "headers": {**arguments.get("headers", {}), "If-None-Match": ask.etag}}
        # A POST is not repeated by the library on a connection that was closed meanwhile.
        session = self.face.session(fresh=ask.ask.method == "POST")
        try:
            for _ in range(_REDIRECTS + 1):
                async with session.request(
                    ask.ask.method, target, allow_redirects=False, **arguments
                ) as response:
                    if response.status == 304 and ask.etag:
                        return ask.rows
                    if 300 <= response.status < 400:
                        url = self._redirected(url, response)
                        target = URL(url)
                        continue
                    if response.status >= 400:
                        raise BadAnswerError(
                            f"{self.id} answered {response.status} {response.reason} at {_place(url)}",
                            subject=self.id,
                        )
                    etag = response.headers.get("ETag", "")
                    answer = json.loads(await body_of(response))
                    rows = ask.parse(answer)
                    if ask.number is not None:
                        rows = {ask.number: rows[0]}
                    # The rows are kept only together with their tag, for an answer "not modified".
                    ask.etag, ask.rows = etag, rows if etag else {}
                    return rows
            raise BadAnswerError(f"{self.id} redirects without end at {_place(ask.url)}", subject=self.id)
        except MisfitError as error:
            raise MappingMismatchError(
                f"{self.id}: in the answer of {_place(url)} {error}", subject=self.id
            ) from None
        except (aiohttp.ClientError, TimeoutError, OSError) as error:
            raise self.face.trouble(error, url) from error
        except (ValueError, RecursionError) as error:
            raise BadAnswerError(
                f"{self.id} gave an unreadable answer at {_place(url)}: {str(error)[:200]}", subject=self.id
            ) from error

    def _redirected(self, url: str, response: aiohttp.ClientResponse) -> str:
        """Where the redirect leads, if that is the same host."""
        target = urljoin(url, response.headers.get("Location", ""))
        old, new = urlsplit(url), urlsplit(target)
        if (old.scheme, old.netloc) != (new.scheme, new.netloc):
            raise BadAnswerError(
                f"{self.id} redirects {_place(url)} to another host, {new.scheme}://{new.netloc}; "
                "give that address in the configuration if it is right",
                subject=self.id,
            )
        return target

    # ------------------------------------------------------------ switching

    async def _send(self, number: int, power: bool, *, clear: bool) -> Verdict:
        switch = self.reach.switch
        if switch is None:
            return Outcome.NOT_SENT, f"{self.id}: the mapping has no switch."
        async with self._turns[power]:
            if self._closed:
                return self._gone()
            if clear and self.reach.clear is not None:
                outcome, detail = await self._request(self.reach.clear, number, power)
                if outcome is not Outcome.ACCEPTED:
                    return outcome, f"the fuse was not cleared, so power was not switched: {detail}"
            return await self._request(switch, number, power)

    async def _request(self, send: HttpSend, number: int, power: bool) -> Verdict:
        """One request, sent once."""
        name = self._name(number)
        spelled = send.on if power else send.off
        alone: Scalar = power if spelled is None else spelled
        word = ("on" if power else "off") if spelled is None else spell(spelled)
        url = fill(send.url, str(name), quote(word, safe=""))
        arguments = _content(send, name, alone, word)
        try:
            async with self.face.session(fresh=True).request(
                send.method, url, allow_redirects=False, **arguments
            ) as response:
                status = f"{self.id} answered {response.status} {response.reason}"
                if 200 <= response.status < 300:
                    return await self._verdict(send, response, status)
                if 400 <= response.status < 500:
                    return Outcome.REFUSED, f"{status}."
                return Outcome.UNKNOWN, f"{status}; a reading must tell whether it acted."
        except (aiohttp.ClientConnectorError, aiohttp.ConnectionTimeoutError) as error:
            return Outcome.NOT_SENT, f"{self.face.trouble(error, url)}."
        except (aiohttp.ClientError, TimeoutError, OSError, ValueError) as error:
            return Outcome.UNKNOWN, f"{self.face.trouble(error, url)}; a reading must tell whether it acted."

    async def _verdict(self, send: HttpSend, response: aiohttp.ClientResponse, status: str) -> Verdict:
        """ACCEPTED, unless the answer itself is configured to say more."""
        if id(send) not in self._accept:
            return Outcome.ACCEPTED, f"{status}."
        at, convert = self._accept[id(send)]
        try:
            said = convert(at(json.loads(await body_of(response))))
        except (ValueError, RecursionError):
            said = None
        if said is None:
            return Outcome.UNKNOWN, f"{status}, but its answer does not say whether it acted."
        if said:
            return Outcome.ACCEPTED, f"{status} and says that it acted."
        return Outcome.REFUSED, f"{status}, but says that it did not act."

    async def _free(self) -> None:
        """Close the connections."""
        await self.face.close()


def _content(send: HttpAsk | HttpSend, name: int, power: Scalar = "", word: str = "") -> dict[str, Any]:
    """The request's body as keyword arguments of the library.

    name: the controller's number of the port; power: `{power}` where it stands alone in JSON; word: the
    same in a text.
    """
    if send.json_ is not None:
        data = json.dumps(fill_json(send.json_, name, power)).encode()
        return {"data": data, "headers": {"Content-Type": "application/json"}}
    if send.body is not None:
        return {
            "data": fill(send.body, str(name), word).encode(),
            "headers": {"Content-Type": send.content_type},
        }
    return {}
