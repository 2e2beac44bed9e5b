"""How a controller is reached, and what its answers mean: the ``reach:`` part of the file.

There are no built-in descriptions of any maker's controller: these models let the person say where in an
answer the ports are, which number is the current and in what unit, and how a port is switched.
"""

from pathlib import Path
from typing import Annotated, ClassVar, Literal, Self
from urllib.parse import urlsplit

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    JsonValue,
    field_validator,
    model_validator,
)

from bridge.config.expressions import (
    check_flag_expression,
    check_template,
    compile_expression,
    splits_positions,
)
from bridge.config.quantities import Interval

Scalar = bool | int | float | str
CAP_BYTES = 1 << 20
"""An answer longer than this [bytes] is not read to its end."""


class Part(BaseModel):
    """What all parts of ``reach:`` share: unknown keys are refused, types are strict, secrets stay hidden."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, hide_input_in_errors=True, populate_by_name=True
    )


def _expression(text: str) -> str:
    compile_expression(text)
    return text


def _template(text: str) -> str:
    check_template(text)
    return text


def _json_template(node: JsonValue) -> JsonValue:
    if isinstance(node, str):
        check_template(node)
    elif isinstance(node, dict):
        for key, part in node.items():
            check_template(key)
            _json_template(part)
    elif isinstance(node, list):
        for part in node:
            _json_template(part)
    return node


def _file(value: object) -> object:
    return Path(value) if isinstance(value, str) else value


Expression = Annotated[str, Field(min_length=1, max_length=2000), AfterValidator(_expression)]
"""A JMESPath expression, checked when the file is read."""
Template = Annotated[str, Field(max_length=2000), AfterValidator(_template)]
"""Text in which ``{port}`` and ``{power}`` are replaced, and nothing else happens."""
JsonTemplate = Annotated[JsonValue, AfterValidator(_json_template)]
File = Annotated[Path, BeforeValidator(_file)]


# ---------------------------------------------------------------- numbers and flags


def _number_from_text(value: object) -> object:
    """``ma | mA`` → ``{from: ma, unit: mA}``."""
    if not isinstance(value, str):
        return value
    source, bar, unit = value.rpartition("|")
    if bar and source.strip():
        return {"from": source.strip(), "unit": unit.strip()}
    return {"from": value.strip()}


class Number(Part):
    """Where a number is, and what it means: ``(raw × factor + offset)`` in `unit`.

    from: expression; unit: what one is; factor, offset: for raw converter counts; signed16: 65535 means -1;
    text: a text such as ``120 mA`` is allowed, and its own unit counts.
    """

    UNITS: ClassVar[dict[str, tuple[float, float]]] = {}
    """unit → (scale, shift) to the base unit."""

    source: Expression = Field(alias="from")
    unit: str = ""
    factor: float = Field(default=1.0, allow_inf_nan=False)
    offset: float = Field(default=0.0, allow_inf_nan=False)
    signed16: bool = False
    text: bool = False

    @model_validator(mode="after")
    def _unit_is_known(self) -> Self:
        if self.unit not in self.UNITS:
            first, second = list(self.UNITS)[:2]
            raise ValueError(
                f"say the unit, {first} or {second}: '{self.source} | {second}'"
                if not self.unit
                else f"{self.unit} is no unit here; write one of {', '.join(self.UNITS)}"
            )
        return self


class CurrentNumber(Number):
    """A current; base unit ampere."""

    UNITS = {"A": (1.0, 0.0), "mA": (1e-3, 0.0), "µA": (1e-6, 0.0), "uA": (1e-6, 0.0)}


class VoltageNumber(Number):
    """A voltage; base unit volt."""

    UNITS = {"V": (1.0, 0.0), "mV": (1e-3, 0.0)}


class TemperatureNumber(Number):
    """A temperature; base unit degree Celsius (NIST SP 811 for degree Fahrenheit and kelvin)."""

    UNITS = {"°C": (1.0, 0.0), "°F": (5 / 9, -160 / 9), "K": (1.0, -273.15), "m°C": (1e-3, 0.0)}


YES: tuple[Scalar, ...] = (True, "true", "on", "yes", "1")
NO: tuple[Scalar, ...] = (False, "false", "off", "no", "0")


def _flag_from_text(value: object) -> object:
    return {"from": value.strip()} if isinstance(value, str) else value


class Flag(Part):
    """Where a yes-or-no is, and how it is spelled. Any other spelling is "not said".

    Without `yes` and `no`: true, on, yes, 1 and false, off, no, 0, in any case of letters. `no: other` (or
    `yes: other`) takes every other text or number that is there. `bit` picks one bit of a status number.
    """

    source: Expression = Field(alias="from")
    yes: list[Scalar] | Literal["other"] | None = None
    no: list[Scalar] | Literal["other"] | None = None
    bit: int | None = Field(default=None, ge=0, le=63)

    @field_validator("source")
    @classmethod
    def _never_invents(cls, source: str) -> str:
        check_flag_expression(source)
        return source

    @model_validator(mode="after")
    def _both_or_none(self) -> Self:
        if (self.yes is None) != (self.no is None):
            missing = "no" if self.no is None else "yes"
            raise ValueError(f"say both spellings: add '{missing}: [...]', or '{missing}: other'")
        if self.bit is not None and self.yes is not None:
            raise ValueError("a bit is 0 or 1; leave out yes and no")
        if self.yes == "other" and self.no == "other":
            raise ValueError("only one of yes and no can be 'other'")
        if isinstance(self.yes, list) and isinstance(self.no, list):
            both = {spelling(item) for item in self.yes} & {spelling(item) for item in self.no}
            if both:
                raise ValueError(f"{both.pop()!r} stands under yes and under no")
        return self


def spelling(value: Scalar) -> Scalar:
    """The form in which spellings are compared: texts without outer blanks, in lower case."""
    return value.strip().casefold() if isinstance(value, str) else value


CurrentFrom = Annotated[CurrentNumber, BeforeValidator(_number_from_text)]
VoltageFrom = Annotated[VoltageNumber, BeforeValidator(_number_from_text)]
TemperatureFrom = Annotated[TemperatureNumber, BeforeValidator(_number_from_text)]
FlagFrom = Annotated[Flag, BeforeValidator(_flag_from_text)]


class Table(Part):
    """What one answer says of which ports. Exactly one form says where the ports are.

    ports: an expression that gives a list of objects, one per port; `port` is the expression of a port's
    number inside it (left out: the position counts). map: an expression that gives an object whose keys
    name the ports. arrays: an expression that gives the object (``@`` for the whole answer) in which every
    value is a list with one element per port; `port` may name the list of numbers. None of the three: the
    answer speaks of one port (its number is in the URL or topic).

    label: how a number is written, for example ``out{port}``.
    """

    ports: Expression | None = None
    map: Expression | None = None
    arrays: Expression | None = None
    port: Expression | None = None
    label: Template | None = None
    current: CurrentFrom | None = None
    power: FlagFrom | None = None
    tripped: FlagFrom | None = None
    voltage: VoltageFrom | None = None
    temperature: TemperatureFrom | None = None

    @property
    def single(self) -> bool:
        """Whether one answer speaks of one port."""
        return self.ports is None and self.map is None and self.arrays is None

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        forms = [name for name in ("ports", "map", "arrays") if getattr(self, name) is not None]
        if len(forms) > 1:
            raise ValueError(f"{' and '.join(forms)} exclude each other: say where the ports are in one way")
        if self.port is not None and forms not in (["ports"], ["arrays"]):
            raise ValueError(
                "'port' goes with 'ports' or 'arrays'; the keys of a map are the numbers already"
            )
        if self.label is not None and (self.label.count("{port}") != 1 or "{power}" in self.label):
            raise ValueError("a label has {port} once, where the number stands: out{port}")
        if self.ports is not None and self.port is None and splits_positions(_without_star(self.ports)):
            raise ValueError(
                "without 'port' the position is the number, but this expression leaves elements out; "
                "name the list alone, or give 'port'"
            )
        if self.arrays is not None:
            for name in ("port", *FIELDS):
                source = getattr(getattr(self, name), "source", getattr(self, name))
                if isinstance(source, str) and splits_positions(source):
                    raise ValueError(
                        f"{name}: this expression leaves out what is null, so values would move to other "
                        "ports; name a list that has one element per port"
                    )
        return self

    @property
    def says(self) -> frozenset[str]:
        """The names of the fields this table can tell."""
        return frozenset(name for name in FIELDS if getattr(self, name) is not None)


FIELDS = ("current", "power", "tripped", "voltage", "temperature")
"""What a table can tell of a port, in the order of `rules.ports.Reading`."""


def _without_star(expression: str) -> str:
    """``outputs[*]`` → ``outputs``: the elements are walked one by one, nulls keep their place."""
    text = expression.strip()
    return text[:-3] if text.endswith("[*]") and len(text) > 3 else text


# ---------------------------------------------------------------- HTTP


def _http_url(text: str) -> str:
    check_template(text)
    parts = urlsplit(text)
    if parts.scheme not in {"http", "https"} or not parts.hostname:
        raise ValueError("write the whole address, for example http://10.0.5.20/status")
    if parts.username or parts.password:
        raise ValueError("no password in an address; write auth: {username: ..., password_file: ...}")
    if "{" in parts.netloc:
        raise ValueError("the host is fixed; {port} and {power} go into the path or the query")
    return text


HttpUrl = Annotated[str, AfterValidator(_http_url)]


class Secret(Part):
    """A secret that stands in a file or in the environment, never in the configuration."""

    file: File | None = None
    env: str | None = None

    @model_validator(mode="after")
    def _exactly_one(self) -> Self:
        if (self.file is None) == (self.env is None):
            raise ValueError("say where the secret is: {file: /run/secrets/name} or {env: NAME}")
        return self


class HttpAuth(Part):
    """Basic (username with password_file or password_env) or bearer (token_file or token_env)."""

    username: str | None = None
    password_file: File | None = None
    password_env: str | None = None
    token_file: File | None = None
    token_env: str | None = None

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        password = [self.password_file, self.password_env]
        token = [self.token_file, self.token_env]
        given = sum(part is not None for part in password), sum(part is not None for part in token)
        if given not in {(1, 0), (0, 1)} or (given == (1, 0)) != (self.username is not None):
            raise ValueError(
                "write username with password_file or password_env, or token_file or token_env alone"
            )
        return self


class Tls(Part):
    """TLS toward a controller: an authority of your own, a certificate of ours, or no check at all."""

    ca_file: File | None = None
    cert_file: File | None = None
    key_file: File | None = None
    verify: bool = True


class HttpAsk(Table):
    """One address that is read: how it is asked, and what the answer says.

    stream: the answer never ends; each line (``lines``: newline-delimited JSON) or each event (``events``:
    server-sent events) is an answer of its own.
    """

    url: HttpUrl
    method: Literal["GET", "POST"] = "GET"
    json_: JsonTemplate | None = Field(default=None, alias="json")
    body: Template | None = None
    content_type: str = "text/plain"
    stream: Literal["lines", "events"] | None = None

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if "{power}" in self.url:
            raise ValueError("a reading has no {power}")
        if self.single != ("{port}" in self.url):
            raise ValueError(
                "say where the ports are: ports, map or arrays; or put {port} into the url to ask each port"
            )
        if self.json_ is not None and self.body is not None:
            raise ValueError("json and body exclude each other")
        if self.stream and self.single:
            raise ValueError("a stream speaks of all ports; leave {port} out of its url")
        return self


class HttpSend(Part):
    """One command: ``{port}`` and ``{power}`` are replaced.

    on, off: how ``{power}`` is spelled (default: JSON true and false where it stands alone in `json`,
    ``on`` and ``off`` in the url and in `body`). accepted: an expression on the answer that must be true.
    """

    url: HttpUrl
    method: Literal["GET", "POST", "PUT", "PATCH", "DELETE"] = "POST"
    json_: JsonTemplate | None = Field(default=None, alias="json")
    body: Template | None = None
    content_type: str = "text/plain"
    on: Scalar | None = None
    off: Scalar | None = None
    accepted: FlagFrom | None = None

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.json_ is not None and self.body is not None:
            raise ValueError("json and body exclude each other")
        if (self.on is None) != (self.off is None) or (self.on is not None and self.on == self.off):
            raise ValueError("spell both, differently: on: 'ON', off: 'OFF'")
        return self

    @property
    def text(self) -> str:
        """All that is sent, to look for placeholders."""
        return f"{self.url} {self.body or ''} {self.json_!r}"


class Rest(HttpAsk):
    """Another address of the same controller; what it says is merged by port."""


class HttpReach(HttpAsk):
    """A controller with an HTTP face. See ``docs`` for worked mappings.

    every, slow_every: pace in shows and at rest; timeout: for a whole request, from connecting to the last
    byte; also: further addresses, merged by port; close_each: a connection per request, for small servers
    that hang up or serve one connection at a time; at_once: commands in flight together; counts_from: the
    number the controller gives its first port (ours is always 1).
    """

    kind: Literal["http"] = "http"
    every: Interval = 1.0
    slow_every: Interval = 5.0
    timeout: Interval = 2.0
    also: list[Rest] = Field(default_factory=list)
    switch: HttpSend | None = None
    clear: HttpSend | None = None
    headers: dict[str, str | Secret] = Field(default_factory=dict)
    auth: HttpAuth | None = None
    tls: Tls | None = None
    close_each: bool = False
    at_once: int = Field(default=4, ge=1, le=64)
    counts_from: Literal[0, 1] = 1

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.slow_every < self.every:
            raise ValueError("slow_every is the pace at rest; it can't be faster than every")
        if self.switch and "{power}" not in self.switch.text:
            raise ValueError("switch: nothing in it depends on {power}")
        told = frozenset[str]().union(*(ask.says for ask in self.asks))
        if not told:
            raise ValueError("say what the answer tells: current, power, tripped, voltage or temperature")
        return self

    @property
    def asks(self) -> list[HttpAsk]:
        """All addresses that are read."""
        return [self, *self.also]

    @property
    def told(self) -> frozenset[str]:
        """What the controller tells of a port, all addresses together."""
        return frozenset[str]().union(*(ask.says for ask in self.asks))


Reach = HttpReach
"""Any way to reach a controller; `kind` says which."""


def abilities(reach: HttpReach) -> dict[str, bool]:
    """What a mapping can do: arguments for `rules.ports.Abilities`."""
    told = reach.told
    return {
        "switch": reach.switch is not None,
        "readback": "power" in told,
        "trip": "tripped" in told,
        "current": "current" in told,
        "clear": reach.clear is not None,
    }
