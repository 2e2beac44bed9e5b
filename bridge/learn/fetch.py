"""Fetch what there is to learn from: answers of an address, messages of a topic tree, files of the kernel.

Nothing here switches anything. An address is asked with the method the person named, and with GET otherwise.
"""

import asyncio
import json
import re
import secrets
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal
from urllib.parse import unquote, urlsplit

from bridge.errors import PermanentError, TransientError

Json = Any
CONNECT_LIMIT_S = 5.0
_FILES = re.compile(r"(name|label|(curr|in|temp|power)\d+_(input|label)|curr\d+_(crit|max)(_alarm)?)")
_SWITCHES = ("class/regulator/*/state", "devices/platform/*/state", "class/leds/*/brightness")


@dataclass(frozen=True, slots=True)
class Login:
    """Who we are to a controller or broker; secrets stay in their files or in the environment."""

    username: str | None = None
    password_file: Path | None = None
    password_env: str | None = None
    token_file: Path | None = None
    token_env: str | None = None
    ca_file: Path | None = None
    insecure: bool = False

    @property
    def auth(self) -> dict[str, str]:
        """As keys of ``auth:``, or of ``broker:``; empty without any."""
        given = {
            "username": self.username,
            "password_file": self.password_file,
            "password_env": self.password_env,
            "token_file": self.token_file,
            "token_env": self.token_env,
        }
        return {key: str(value) for key, value in given.items() if value is not None}

    @property
    def tls(self) -> dict[str, Any]:
        """As keys of ``tls:``; empty where nothing is said."""
        found: dict[str, Any] = {}
        if self.ca_file is not None:
            found["ca_file"] = str(self.ca_file)
        if self.insecure:
            found["verify"] = False
        return found


@dataclass(frozen=True, slots=True)
class Address:
    """One HTTP address and how it is asked. A ``{port}`` in it stands for each of `numbers`."""

    url: str
    method: Literal["GET", "POST"] = "GET"
    body: Json = None
    numbers: tuple[int, ...] = ()

    @property
    def single(self) -> bool:
        """Whether an answer speaks of one port."""
        return "{port}" in self.url


# ---------------------------------------------------------------- HTTP


@dataclass(slots=True)
class HttpAsker:
    """Asks addresses of one controller, over and over. Close it."""

    addresses: Sequence[Address]
    login: Login = field(default_factory=Login)
    timeout_s: float = 3.0
    _face: Any = None

    def _open(self) -> Any:  # noqa: ANN401 - `Face` is loaded only here: aiohttp is slow to import
        if self._face is None:
            from bridge.config.reach import HttpReach  # noqa: PLC0415
            from bridge.controllers.http import Face  # noqa: PLC0415

            login = {"auth": self.login.auth} if self.login.auth else {}
            tls = {"tls": self.login.tls} if self.login.tls else {}
            # The mapping is not known yet; a face needs only how to log in and how long to wait.
            reach = HttpReach.model_validate(
                {"kind": "http", "url": self.addresses[0].url.replace("{port}", "1"), "ports": "@",
                 "power": "on", "timeout": f"{self.timeout_s:g} s", **login, **tls}
            )  # fmt: skip
            self._face = Face("the controller", reach)
        return self._face

    async def ask(self) -> list[Json]:
        """One answer of each address; for an address with ``{port}``: port number → answer.

        Raises TransientError or PermanentError: one sentence saying what would help.
        """
        return list(await asyncio.gather(*(self._ask(address) for address in self.addresses)))

    async def _ask(self, address: Address) -> Json:
        if not address.single:
            return await self._fetch(address, address.url)
        urls = [address.url.replace("{port}", str(number)) for number in address.numbers]
        answers = await asyncio.gather(*(self._fetch(address, url) for url in urls))
        return dict(zip(address.numbers, answers, strict=True))

    async def _fetch(self, address: Address, url: str) -> Json:
        import aiohttp  # noqa: PLC0415

        from bridge.controllers.http import body_of  # noqa: PLC0415

        face = self._open()
        arguments: dict[str, Any] = {}
        if address.method == "POST":
            data = json.dumps({} if address.body is None else address.body).encode()
            arguments = {"data": data, "headers": {"Content-Type": "application/json"}}
        try:
            async with face.session(fresh=True).request(address.method, url, **arguments) as response:
                if response.status >= 400:
                    raise PermanentError(_refused(address, url, response.status, response.reason))
                body = await body_of(response)
        except (aiohttp.ClientError, TimeoutError, OSError) as error:
            raise TransientError(f"{face.trouble(error, url)}; is the address right?") from error
        except ValueError as error:
            raise PermanentError(f"{url}: {error}") from error
        try:
            return json.loads(body)
        except (ValueError, RecursionError):
            begin = body[:60].decode("utf-8", "replace")
            raise PermanentError(
                f"{url} answers {_kind_of(body)} (it begins {begin!r}), not JSON; controllers often have "
                "a second address for programs: look for the words API or JSON in its manual"
            ) from None

    async def close(self) -> None:
        """Free the connections."""
        if self._face is not None:
            await self._face.close()
            self._face = None


def _refused(address: Address, url: str, status: int, reason: str | None) -> str:
    text = f"{url} answers {status} {reason or ''}".rstrip()
    if status in (401, 403):
        return f"{text}: it wants to know who asks; give --username with --password-file, or --token-file"
    if status == 405 and address.method == "GET":
        return f"{text}: it is not asked by GET; try --method POST, with --body JSON if it wants one"
    if status == 404:
        by = "; or it is asked by POST: add --method POST" if address.method == "GET" else ""
        return f"{text}: nothing is there; check the path of the address{by}"
    return f"{text}; see what the controller's manual says of this address"


def _kind_of(body: bytes) -> str:
    start = body.lstrip()[:200].lower()
    if not start:
        return "an empty page"
    return "a web page" if start.startswith((b"<!doctype", b"<html")) else "a text"


# ---------------------------------------------------------------- MQTT


@dataclass(frozen=True, slots=True)
class Topics:
    """A topic tree on a broker: everything below `prefix`."""

    host: str
    port: int
    prefix: str
    tls: bool = False

    @property
    def filter(self) -> str:
        """As a subscription."""
        return f"{self.prefix}/#" if self.prefix else "#"


def topics_of(target: str, topic: str | None) -> Topics:
    """``mqtt://host[:port]/topic/prefix``, or with the prefix apart. Raises PermanentError."""
    example = "write for example mqtt://mqtt.lan/yard/lights"
    try:
        parts = urlsplit(target)
        port = parts.port
    except ValueError:
        raise PermanentError(f"{target} is no address; {example}") from None
    if parts.username or parts.password:
        raise PermanentError("a password never stands in an address; give --username and --password-file")
    if not parts.hostname:
        raise PermanentError(f"{target} names no broker; {example}")
    prefix = topic if topic is not None else unquote(parts.path)
    prefix = prefix.strip("/").removesuffix("/#").removesuffix("#").rstrip("/")
    if "+" in prefix or "#" in prefix or "\0" in prefix:
        raise PermanentError(
            f"the topic {prefix!r} has a wildcard; everything below a topic is listened to anyway"
        )
    secure = parts.scheme == "mqtts"
    return Topics(parts.hostname, port or (8883 if secure else 1883), prefix, secure)


async def listen(topics: Topics, login: Login) -> AsyncIterator[tuple[str, bytes]]:
    """Messages as they come, retained ones first. Raises TransientError when the broker can't be had."""
    from bridge.config.reach_common import ReachTls  # noqa: PLC0415
    from bridge.config.reach_mqtt import ReachBroker  # noqa: PLC0415
    from bridge.controllers.tls import tls_context  # noqa: PLC0415
    from bridge.mqtt.wire import ConnectionEndedError, Wire  # noqa: PLC0415

    fields: dict[str, Any] = {"host": topics.host, "port": topics.port, **login.auth}
    broker = ReachBroker.model_validate(fields)
    password = broker.password.read().get_secret_value() if broker.password else None
    context = tls_context("the broker", ReachTls.model_validate(login.tls)) if topics.tls else None
    heard: asyncio.Queue[tuple[str, bytes]] = asyncio.Queue()
    wire = Wire(
        client_id=f"duskward-learn-{secrets.token_hex(4)}",
        keepalive_s=15,
        username=broker.username,
        password=password,
        on_message=lambda topic, payload, _: heard.put_nowait((topic, payload)),
        on_room=lambda: None,
    )
    place = f"{topics.host}:{topics.port}"
    try:
        await wire.open(topics.host, topics.port, tls=context, limit_s=CONNECT_LIMIT_S, will=None)
        if await wire.subscribe([topics.filter], CONNECT_LIMIT_S):
            raise PermanentError(f"{place} does not let us listen to {topics.filter}; give --username")
        while not wire.ended.done():
            wire.tick(CONNECT_LIMIT_S * 4)
            try:
                async with asyncio.timeout(1.0):
                    yield await heard.get()
            except TimeoutError:
                continue
        raise TransientError(f"{place}: {wire.ended.result()}")
    except ConnectionEndedError as error:
        raise TransientError(f"the broker {place}: {error}") from error
    finally:
        if not wire.ended.done():
            wire.abort("closed")


async def collect(topics: Topics, login: Login, for_s: float) -> list[dict[str, bytes]]:
    """The newest message of each topic, at a third, two thirds and the end of `for_s` seconds."""
    newest: dict[str, bytes] = {}
    stages: list[dict[str, bytes]] = []
    loop = asyncio.get_running_loop()
    start_s = loop.time()
    messages = listen(topics, login)
    try:
        async with asyncio.timeout(for_s) as limit:
            async for topic, payload in messages:
                if not stages and not newest:  # connected, and there is something: the time counts from here
                    start_s = loop.time()
                    limit.reschedule(start_s + for_s)
                newest[topic] = payload
                while len(stages) < 2 and loop.time() - start_s >= for_s * (len(stages) + 1) / 3:
                    stages.append(dict(newest))
    except TimeoutError:
        pass
    finally:
        await messages.aclose()  # type: ignore[attr-defined] # it is an async generator
    return [*stages, newest]


# ---------------------------------------------------------------- kernel files


async def scan(root: Path) -> dict[str, str]:
    """Sensors and possible switches below `root`: real path below it → content, without what can't be read.

    Raises PermanentError when there is no ``class/hwmon`` below `root`.
    """
    from bridge.controllers.files import FileReader  # noqa: PLC0415
    from bridge.threads import in_thread  # noqa: PLC0415

    async with asyncio.timeout(10.0):
        real, paths = await in_thread(lambda: (root.resolve(), _paths(root)))
    contents = await FileReader(0.5).read(f"{real}/{path}" for path in paths)
    return {
        path: content.decode("utf-8", "replace").strip()
        for path in paths
        if isinstance(content := contents[f"{real}/{path}"], bytes)
    }


def _paths(root: Path) -> list[str]:
    real = root.resolve()
    chips = real / "class/hwmon"
    if not chips.is_dir():
        raise PermanentError(
            f"there is no {root}/class/hwmon: this machine has no sensors there; name the folder that "
            "has them, usually /sys"
        )
    found = {
        file.resolve()
        for chip in chips.iterdir()
        for file in chip.resolve().iterdir()
        if _FILES.fullmatch(file.name)
    }
    found |= {file.resolve() for pattern in _SWITCHES for file in real.glob(pattern)}
    return sorted(
        str(file.relative_to(real)) for file in found if file.is_relative_to(real) and file.is_file()
    )
