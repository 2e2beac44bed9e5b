"""How a controller is reached: the ``reach:`` part of the file. `kind` says which way.

`http` polls an HTTP face, `mqtt` listens to a controller that publishes by itself, `hwmon` reads and writes
files of the Linux kernel. What an answer means is told by `bridge.config.mapping`.
"""

import re
from typing import Annotated, ClassVar, Literal, Self
from urllib.parse import urlsplit

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from bridge.config.base import FilePath, Section, Text, refuse
from bridge.config.mapping import (
    FlagFrom,
    JsonTemplate,
    Scalar,
    Table,
    Template,
    spelling,
    template,
)
from bridge.config.quantities import Duration, Interval, Voltage
from bridge.config.secret import SecretSource
from rules.ports import Abilities

CAP_BYTES = 1 << 20
"""An answer longer than this [bytes] is not read to its end."""

_AUTH = "write auth: {username: NAME, password_file: PATH}"


class Send(Section):
    """What HTTP and MQTT commands share: how ``{power}`` is spelled.

    Without `on` and `off`: true and false where ``{power}`` stands alone in `json`, elsewhere ``on`` and
    ``off``.
    """

    json_: JsonTemplate | None = Field(default=None, alias="json")
    on: Scalar | None = None
    off: Scalar | None = None

    @model_validator(mode="after")
    def _spelled_twice(self) -> Self:
        if (self.on is None) != (self.off is None) or (self.on is not None and self.on == self.off):
            refuse("spell both, differently; for example on: 'ON', off: 'OFF'")
        return self

    @property
    def text(self) -> str:
        """All that is sent, to look for placeholders."""
        raise NotImplementedError


def _check_pair(switch: Send | None, clear: Send | None) -> None:
    if switch is not None and "{power}" not in switch.text:
        refuse("nothing in switch depends on {power}; write it where on and off are told apart")
    if clear is not None and switch is None:
        refuse("clear without switch; a fuse that was cleared needs its port switched on again")


# ---------------------------------------------------------------- HTTP


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

    file: FilePath | None = None
    env: Text | None = None

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

    username: Text | None = None
    password_file: FilePath | None = None
    password_env: Text | None = None
    token_file: FilePath | None = None
    token_env: Text | None = None

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


class ReachTls(Section):
    """TLS toward a controller or its broker: an authority of your own, a certificate of ours, or no check."""

    ca_file: FilePath | None = None
    cert_file: FilePath | None = None
    key_file: FilePath | None = None
    verify: bool = True


class HttpAsk(Table):
    """One address that is read: how it is asked, and what the answer says.

    stream: the answer never ends; each line (``lines``: newline-delimited JSON) or each event (``events``:
    server-sent events of the HTML standard) is an answer of its own.
    """

    url: HttpUrl
    method: Literal["GET", "POST"] = "GET"
    json_: JsonTemplate | None = Field(default=None, alias="json")
    body: Template | None = None
    content_type: Text = "text/plain"
    stream: Literal["lines", "events"] | None = None

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

    url: HttpUrl
    method: Literal["GET", "POST", "PUT", "PATCH", "DELETE"] = "POST"
    body: Template | None = None
    content_type: Text = "text/plain"
    accepted: FlagFrom | None = None

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

    kind: Literal["http"]
    every_s: Interval = 1.0
    slow_every_s: Interval = 5.0
    timeout_s: Interval = 2.0
    also: list[HttpAlso] = Field(default_factory=list)
    switch: HttpSend | None = None
    clear: HttpSend | None = None
    headers: dict[str, str | Secret] = Field(default_factory=dict)
    auth: HttpAuth | None = None
    tls: ReachTls | None = None
    close_each: bool = False
    at_once: Annotated[int, Field(ge=1, le=64)] = 4
    counts_from: Literal[0, 1] = 1

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
        _check_pair(self.switch, self.clear)
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


# ---------------------------------------------------------------- MQTT


def _topic(text: str) -> str:
    template(text)
    levels = text.split("/")
    if not text or "\0" in text or any(char in text for char in "+#"):
        refuse("a topic has no + and no #; write {port} where the port's number stands")
    if text.count("{port}") > 1 or sum("{port}" in level for level in levels) > 1:
        refuse("{port} stands once in a topic")
    return text


Topic = Annotated[str, AfterValidator(_topic)]


class MqttTopic(Table):
    """A topic that is listened to. ``{port}`` captures the port's number, also inside a level: ``out{port}``.

    A payload that is no JSON is a text; ``@`` is the whole payload.
    """

    topic: Topic

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if "{power}" in self.topic:
            refuse("a topic that is listened to has no {power}")
        if self.single != ("{port}" in self.topic):
            refuse(
                "it is not told where the ports are; put {port} into the topic, or give ports, map or arrays"
            )
        if not self.says:
            refuse("this topic tells nothing; name at least one of current, power, tripped, voltage")
        return self


class MqttAvailable(Section):
    """Where the controller's own will and greeting say whether it is there."""

    topic: Topic
    yes: list[Scalar] = ["online"]  # noqa: RUF012 - pydantic copies it
    no: list[Scalar] = ["offline"]  # noqa: RUF012 - pydantic copies it

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if "{" in self.topic:
            refuse("the controller as a whole is there or not; leave {port} out of this topic")
        if {spelling(item) for item in self.yes} & {spelling(item) for item in self.no}:
            refuse("a payload stands under yes and under no; keep one")
        return self


class MqttSend(Send):
    """One command by MQTT: never retained, so that no broker repeats it later.

    Without `payload` and `json` the payload is ``{power}`` alone.
    """

    topic: Annotated[str, AfterValidator(_topic)]
    payload: Template | None = None
    qos: Literal[0, 1] = 1

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.json_ is not None and self.payload is not None:
            refuse("json and payload exclude each other; keep one")
        return self

    @property
    def text(self) -> str:
        """All that is sent, to look for placeholders."""
        payload = "{power}" if self.payload is None and self.json_ is None else self.payload
        return f"{self.topic} {payload or ''} {self.json_!r}"


class ReachBroker(Section):
    """The broker a controller publishes to."""

    refused_keys: ClassVar[dict[str, str]] = {
        "password": "a password never stands in this file; write password_file: PATH or password_env: NAME"
    }

    host: Text
    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    username: Text | None = None
    password_file: FilePath | None = None
    password_env: Text | None = None
    tls: ReachTls | None = None

    @model_validator(mode="after")
    def _one_password(self) -> Self:
        given = sum(part is not None for part in (self.password_file, self.password_env))
        if given > 1 or (given and self.username is None):
            refuse("write username with password_file or password_env")
        return self

    @property
    def port_or_default(self) -> int:
        """The TCP port in use."""
        return self.port or (8883 if self.tls else 1883)

    @property
    def password(self) -> SecretSource | None:
        """Where the password is, None where none is configured."""
        if self.password_file is None and self.password_env is None:
            return None
        return SecretSource(self.password_file, self.password_env)


class MqttReach(Section):
    """A controller that publishes by itself.

    broker: where it publishes. every: it publishes at least this often; three times this without a word is
    "does not answer". on_change: it publishes changes only, and its `available` topic vouches for the rest.
    lag: the longest a message is under way, so that an old state is not taken for the answer to a command.
    """

    kind: Literal["mqtt"]
    broker: ReachBroker
    topics: Annotated[list[MqttTopic], Field(min_length=1)]
    available: MqttAvailable | None = None
    switch: MqttSend | None = None
    clear: MqttSend | None = None
    every_s: Interval = 10.0
    on_change: bool = False
    timeout_s: Interval = 2.0
    lag_s: Duration = 0.1
    counts_from: Literal[0, 1] = 1

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.on_change and self.available is None:
            refuse(
                "who publishes only changes must say that it is there; give available, or leave on_change out"
            )
        _check_pair(self.switch, self.clear)
        return self

    @property
    def slowest_s(self) -> float:
        """The longest time [s] between two readings when all is well."""
        return self.every_s

    @property
    def told(self) -> frozenset[str]:
        """What the controller tells of a port, all topics together."""
        return frozenset[str]().union(*(topic.says for topic in self.topics))


# ---------------------------------------------------------------- kernel files


def _below(text: str) -> str:
    if not text or text.startswith("/") or ".." in text.split("/") or "\0" in text:
        refuse("write the path as it is below root, without a leading / and without ..")
    return text


Below = Annotated[str, AfterValidator(_below)]
"""A path below `root`; a ``*`` in it must match exactly once."""


def _sensor(prefix: str) -> AfterValidator:
    def check(text: str) -> str:
        if not re.fullmatch(rf"{prefix}[0-9]+(_[a-z]+)?", text):
            refuse(f"write the sensor's name, for example {prefix}1, or the file's, {prefix}1_input")
        return text if "_" in text else f"{text}_input"

    return AfterValidator(check)


class Chip(Section):
    """Which chip: by device path (below root), by its unique `label`, or by a name only one chip has.

    Never by number: hwmon0 and hwmon1 change places between boots.
    """

    device: Below | None = None
    label: Text | None = None
    name: Text | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if sum(part is not None for part in (self.device, self.label, self.name)) != 1:
            refuse("name the chip in one way: device: PATH, label: TEXT or name: TEXT")
        if self.device is not None and re.search(r"(^|/)hwmon[0-9]", self.device):
            refuse("hwmon numbers change between boots; write the device's path, devices/.../1-0040")
        return self


class SwitchFile(Section):
    """A file that switches power when `on` or `off` is written to it."""

    file: Below
    on: Text = "1"
    off: Text = "0"

    @model_validator(mode="after")
    def _differ(self) -> Self:
        if self.on == self.off:
            refuse("on and off are spelled alike; spell them differently")
        return self


class StateFile(Section):
    """A file that says yes or no. Other contents are "not said"."""

    file: Below
    yes: list[Text] = Field(default_factory=lambda: ["1"])
    no: list[Text] = Field(default_factory=lambda: ["0"])
    above_v: Voltage | None = Field(default=None)
    """The file is a voltage sensor's: yes from this voltage on, where it measures behind the switch."""


class ClearFile(Section):
    """A file that clears the fuse when `value` is written to it."""

    file: Below
    value: Text = "1"


def _state_file(value: object) -> object:
    return {"file": value} if isinstance(value, str) else value


StateFrom = Annotated[StateFile, BeforeValidator(_state_file)]


class HwmonPort(Section):
    """One port's files. Those without a / belong to the chip, the others stand below root.

    Sensors have the kernel's units: mA, mV, thousandths of a degree Celsius. On chips with a shunt, in0 is
    the voltage across the shunt and in1 the supply (kernel documentation of the ina2xx family).
    """

    chip: Chip | None = None
    current: Annotated[str, _sensor("curr")] | None = None
    voltage: Annotated[str, _sensor("in")] | None = None
    temperature: Annotated[str, _sensor("temp")] | None = None
    current_factor: float = 1.0
    power: StateFrom | None = None
    tripped: StateFrom | None = None
    switch: SwitchFile | None = None
    clear: ClearFile | None = None

    @model_validator(mode="after")
    def _fits(self) -> Self:
        files = [
            part.file for part in (self.power, self.tripped, self.switch, self.clear) if part is not None
        ]
        if self.chip is None and (self.sensors or any("/" not in file for file in files)):
            refuse("a sensor belongs to a chip; give chip: {device: PATH} or chip: {label: TEXT}")
        if not self.sensors and self.power is None and self.tripped is None:
            refuse("nothing is read of this port; give current, voltage, power or tripped")
        return self

    @property
    def sensors(self) -> bool:
        """Whether the chip measures anything."""
        return any(part is not None for part in (self.current, self.voltage, self.temperature))

    @property
    def told(self) -> frozenset[str]:
        """What is told of the port."""
        names = ("current", "power", "tripped", "voltage", "temperature")
        return frozenset(name for name in names if getattr(self, name) is not None)


class HwmonReach(Section):
    """Sensors and switches of this machine, through the Linux kernel's files.

    timeout: a file that blocks longer is left to its fate and read again when it comes back; stale: how long
    the last value of a sensor that is busy (EAGAIN) still counts.
    """

    kind: Literal["hwmon"]
    root: FilePath = Field(default="/sys", validate_default=True)
    every_s: Interval = 1.0
    slow_every_s: Interval = 5.0
    timeout_s: Interval = 0.5
    stale_s: Duration = 5.0
    ports: Annotated[dict[int, HwmonPort], Field(min_length=1)]

    @property
    def slowest_s(self) -> float:
        """The longest time [s] between two readings when all is well."""
        return max(self.every_s, self.slow_every_s)


Reach = Annotated[HttpReach | MqttReach | HwmonReach, Field(discriminator="kind")]
"""Any way to reach a controller."""


def abilities(reach: HttpReach | MqttReach | HwmonReach, number: int) -> Abilities:
    """What port `number` can do by this mapping."""
    part: HttpReach | MqttReach | HwmonPort | None = (
        reach.ports.get(number) if isinstance(reach, HwmonReach) else reach
    )
    if part is None:
        return Abilities(switch=False, readback=False, trip=False, current=False)
    told = part.told
    return Abilities(
        switch=part.switch is not None,
        readback="power" in told,
        trip="tripped" in told,
        current="current" in told,
        clear=part.clear is not None,
    )
