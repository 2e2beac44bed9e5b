"""``kind: http``: a controller that is asked, and switched, by HTTP requests."""

import re
from typing import Annotated, ClassVar, Literal, Self
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, model_validator

from bridge.config.base import FilePath, Section, Text, refuse
from bridge.config.mapping import FlagFrom, JsonTemplate, Table, Template, template
from bridge.config.quantities import Interval
from bridge.config.reach_common import ReachTls, Send, check_pair
from bridge.config.secret import SecretSource

CAP_BYTES = 1 << 20
"""An answer longer than this [bytes] is not read to its end."""

_AUTH = "write auth: {username: NAME, password_file: PATH}"


def _http_url(text: str) -> str:
    template(text)
    try:
        parts = urlsplit(text)
        host, _ = parts.hostname, parts.port
    except ValueError:
        host, parts = None, urlsplit("")
    if parts.scheme not in {"http", "https"} or not host or re.search(r"\s", text):
        refuse("this is no whole address; write for example http://10.0.5.20/status")
    if parts.username or parts.password:
        refuse(f"a password never stands in an address; {_AUTH}")
    if "{" in parts.netloc:
        refuse("the host is fixed; {port} and {power} go into the path or the query")
    return text


HttpUrl = Annotated[str, AfterValidator(_http_url)]


class Secret(Section):
    """A header's value that is kept in a file or in the environment."""

    file: FilePath | None = Field(default=None, description="A file that holds it and nothing else.")
    env: Text | None = Field(default=None, description="The environment variable that holds it.")

    @model_validator(mode="after")
    def _exactly_one(self) -> Self:
        if (self.file is None) == (self.env is None):
            refuse("say where the secret is: {file: PATH} or {env: NAME}")
        return self

    @property
    def source(self) -> SecretSource:
        """Where it is kept; `read` reads it."""
        return SecretSource(self.file, self.env)


class HttpAuth(Section):
    """Basic (`username` with `password_file` or `password_env`), or bearer (`token_file` or `token_env`)."""

    refused_keys: ClassVar[dict[str, str]] = {
        "password": "a password never stands in this file; write password_file: PATH or password_env: NAME",
        "token": "a token never stands in this file; write token_file: PATH or token_env: NAME",
    }

    username: Text | None = Field(default=None, description="Name for basic authentication (RFC 7617).")
    password_file: FilePath | None = Field(
        default=None, description="File that holds the password and nothing else."
    )
    password_env: Text | None = Field(
        default=None, description="Environment variable that holds the password."
    )
    token_file: FilePath | None = Field(
        default=None, description="File that holds the bearer token and nothing else."
    )
    token_env: Text | None = Field(
        default=None, description="Environment variable that holds the bearer token."
    )

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        password = sum(part is not None for part in (self.password_file, self.password_env))
        token = sum(part is not None for part in (self.token_file, self.token_env))
        if (password, token) not in {(1, 0), (0, 1)} or bool(password) != (self.username is not None):
            refuse("write username with password_file or password_env, or token_file or token_env alone")
        if self.username is not None and ":" in self.username:
            refuse("a user name has no colon here (RFC 7617); write it without")
        return self

    @property
    def source(self) -> SecretSource:
        """Where the password or token is kept."""
        if self.username is not None:
            return SecretSource(self.password_file, self.password_env)
        return SecretSource(self.token_file, self.token_env)


class HttpAsk(Table):
    """One address that is read: how it is asked, and what the answer says.

    stream: the answer never ends; each line (``lines``: newline-delimited JSON) or each event (``events``:
    server-sent events of the HTML standard) is an answer of its own.
    """

    url: HttpUrl = Field(description="The address that is read. With {port}: asked for each port by itself.")
    method: Literal["GET", "POST"] = Field(default="GET", description="How it is asked.")
    json_: JsonTemplate | None = Field(default=None, alias="json", description="A JSON body to ask with.")
    body: Template | None = Field(default=None, description="A text body to ask with.")
    content_type: Text = Field(default="text/plain", description="What the text body is.")
    stream: Literal["lines", "events"] | None = Field(
        default=None,
        description="The answer never ends: a JSON document per line (lines) or server-sent event (events).",
    )

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if "{power}" in self.url:
            refuse("a reading has no {power}; leave it out of this url")
        if self.single != ("{port}" in self.url):
            refuse(
                "it is not told where the ports are; give ports, map or arrays, or put {port} into the url "
                "to ask for each port"
            )
        if self.json_ is not None and self.body is not None:
            refuse("json and body exclude each other; keep one")
        if self.stream and self.single:
            refuse("a stream speaks of all ports; leave {port} out of its url and give ports, map or arrays")
        return self


class HttpSend(Send):
    """One command by HTTP: ``{port}`` and ``{power}`` are replaced, nothing else happens to the text.

    accepted: where the answer says whether it acted; without it every 2xx status is a yes.
    """

    url: HttpUrl = Field(description="The address that is told; {port} and {power} are replaced.")
    method: Literal["GET", "POST", "PUT", "PATCH", "DELETE"] = Field(
        default="POST", description="How it is told."
    )
    body: Template | None = Field(default=None, description="A text body.")
    content_type: Text = Field(default="text/plain", description="What the text body is.")
    accepted: FlagFrom | None = Field(
        default=None,
        description="Where the answer says whether it acted; without it every 2xx status is a yes.",
    )

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.json_ is not None and self.body is not None:
            refuse("json and body exclude each other; keep one")
        return self

    @property
    def text(self) -> str:
        """All that is sent, to look for placeholders."""
        return f"{self.url} {self.body or ''} {self.json_!r}"


class HttpAlso(HttpAsk):
    """Another address of the same controller; what it says is merged by port."""


class HttpReach(HttpAsk):
    """A controller with an HTTP face.

    every, slow_every: pace while a port is powered, and at rest; timeout: for a whole request, from
    connecting to the last byte; also: further addresses, merged by port; close_each: a connection per
    request, for small servers that hang up or serve one connection at a time; at_once: commands in flight
    together; counts_from: the number the controller gives its first port (here ports count from 1).
    """

    kind: Literal["http"] = Field(description="An HTTP face that is asked again and again.")
    every_s: Interval = Field(default=1.0, description="Pace while any of its ports is powered.")
    slow_every_s: Interval = Field(default=5.0, description="Pace at rest.")
    timeout_s: Interval = Field(
        default=2.0, description="Limit of a whole request, from connecting to the last byte."
    )
    also: list[HttpAlso] = Field(
        default_factory=list,
        description="More addresses of the same controller; what they say is merged by port.",
    )
    switch: HttpSend | None = Field(default=None, description="The request that switches a port.")
    clear: HttpSend | None = Field(
        default=None, description="The request that clears a fuse, sent before power returns."
    )
    headers: dict[str, str | Secret] = Field(default_factory=dict, description="Headers of every request.")
    auth: HttpAuth | None = Field(default=None, description="Who asks: basic, or a bearer token.")
    tls: ReachTls | None = Field(
        default=None, description="An authority or certificate of your own, for https."
    )
    close_each: bool = Field(
        default=False,
        description="A connection per request, for small servers that hang up or serve one at a time.",
    )
    at_once: Annotated[int, Field(ge=1, le=64)] = Field(
        default=4, description="So many commands may be under way together."
    )
    counts_from: Literal[0, 1] = Field(
        default=1, description="The controller's number of its first port; here ports count from 1."
    )

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if "slow_every_s" in self.model_fields_set and self.slow_every_s < self.every_s:
            refuse("slow_every is the pace at rest; it can't be faster than every")
        for name, value in self.headers.items():
            if not re.fullmatch(r"[!#$%&'*+.^_`|~0-9A-Za-z-]+", name):  # RFC 9110, 5.6.2 token
                refuse("this is no header name; use letters, digits and hyphens")
            if isinstance(value, str) and not value.isprintable():
                refuse("a header's value is one line of plain text")
        if self.stream and self.also:
            refuse("a stream stands alone; leave out also")
        check_pair(self.switch, self.clear)
        if not self.told:
            refuse("the answer tells nothing; name at least one of current, power, tripped, voltage")
        return self

    @property
    def slowest_s(self) -> float:
        """The longest time [s] between two readings when all is well."""
        return max(self.every_s, self.slow_every_s)

    @property
    def asks(self) -> list[HttpAsk]:
        """All addresses that are read."""
        return [self, *self.also]

    @property
    def told(self) -> frozenset[str]:
        """What the controller tells of a port, all addresses together."""
        return frozenset[str]().union(*(ask.says for ask in self.asks))
