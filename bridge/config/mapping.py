"""What an answer means: where in it the ports are, which number is the current and in what unit.

There are no built-in descriptions of any maker's controller; these sections let the person say it. They are
shared by all ways to reach a controller whose answers are text (``http``, ``mqtt``).
"""

from typing import Annotated, ClassVar, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, JsonValue, field_validator, model_validator

from bridge.config.base import Section, refuse
from bridge.config.expressions import (
    check_flag_expression,
    check_template,
    compile_expression,
    splits_positions,
    without_star,
)

Scalar = bool | int | float | str
_Units = dict[str, tuple[float, float]]


def _expression(text: str) -> str:
    try:
        compile_expression(text)
    except ValueError as error:
        refuse(str(error))
    return text


def template(text: str) -> str:
    """`text`, if all its words in braces are known; for use as a validator."""
    try:
        check_template(text)
    except ValueError as error:
        refuse(str(error))
    return text


def _json_template(node: JsonValue) -> JsonValue:
    if isinstance(node, str):
        template(node)
    elif isinstance(node, dict):
        for key, part in node.items():
            template(key)
            _json_template(part)
    elif isinstance(node, list):
        for part in node:
            _json_template(part)
    return node


LONGEST_EXPRESSION = 20_000
"""Characters: enough to pick a hundred ports out of one flat object."""
Expression = Annotated[str, Field(min_length=1, max_length=LONGEST_EXPRESSION), AfterValidator(_expression)]
"""A JMESPath expression, checked when the file is read."""
Template = Annotated[str, Field(max_length=2000), AfterValidator(template)]
"""Text in which ``{port}`` and ``{power}`` are replaced, and nothing else happens."""
JsonTemplate = Annotated[JsonValue, AfterValidator(_json_template)]
"""The same in a JSON value: a text that is ``{power}`` alone becomes true or false."""


# ---------------------------------------------------------------- numbers and flags


def _number_from_text(value: object) -> object:
    """``ma | mA`` → ``{from: ma, unit: mA}``."""
    if not isinstance(value, str):
        return value
    source, bar, unit = value.rpartition("|")
    if bar and source.strip():
        return {"from": source.strip(), "unit": unit.strip()}
    return {"from": value.strip()}


class Number(Section):
    """Where a number is, and what it means: ``(raw × factor + offset)`` in `unit`.

    from: expression; unit: what one is; factor, offset: for raw converter counts; signed16: 65535 means -1;
    text: a text such as ``120 mA`` is allowed, and its own unit counts.
    """

    UNITS: ClassVar[_Units] = {}
    """unit → (scale, shift) to the base unit."""

    source: Expression = Field(alias="from", description="Where the number is: a JMESPath expression.")
    unit: str = Field(default="", description="Its unit. Never left out: a number alone says nothing.")
    factor: float = Field(
        default=1.0,
        allow_inf_nan=False,
        description="One count is this many units, for raw converter counts.",
    )
    offset: float = Field(default=0.0, allow_inf_nan=False, description="Added after the factor, in units.")
    signed16: bool = Field(default=False, description="A signed number sent as 0 to 65535: 65535 means -1.")
    text: bool = Field(
        default=False, description="A text such as 120 mA is read too, and its own unit counts."
    )

    @model_validator(mode="after")
    def _unit_is_known(self) -> Self:
        if self.unit not in self.UNITS:
            first, second = list(self.UNITS)[:2]
            refuse(
                f"say the unit, {first} or {second}: '{self.source} | {second}'"
                if not self.unit
                else f"{self.unit} is no unit here; write one of {', '.join(self.UNITS)}"
            )
        return self


class CurrentNumber(Number):
    """A current; base unit ampere."""

    UNITS: ClassVar[_Units] = {"A": (1.0, 0.0), "mA": (1e-3, 0.0), "µA": (1e-6, 0.0), "uA": (1e-6, 0.0)}


class VoltageNumber(Number):
    """A voltage; base unit volt."""

    UNITS: ClassVar[_Units] = {"V": (1.0, 0.0), "mV": (1e-3, 0.0)}


class TemperatureNumber(Number):
    """A temperature; base unit degree Celsius (NIST SP 811 for degree Fahrenheit and kelvin)."""

    UNITS: ClassVar[_Units] = {
        "°C": (1.0, 0.0),
        "C": (1.0, 0.0),
        "°F": (5 / 9, -160 / 9),
        "F": (5 / 9, -160 / 9),
        "K": (1.0, -273.15),
        "m°C": (1e-3, 0.0),
    }


YES: tuple[Scalar, ...] = (True, "true", "on", "yes", "1")
NO: tuple[Scalar, ...] = (False, "false", "off", "no", "0")


def _flag_from_text(value: object) -> object:
    return {"from": value.strip()} if isinstance(value, str) else value


class Flag(Section):
    """Where a yes-or-no is, and how it is spelled. Any other spelling is "not said".

    Without `yes` and `no`: true, on, yes, 1 and false, off, no, 0, in any case of letters. `no: other` (or
    `yes: other`) takes every other text or number that is there. `bit` picks one bit of a status number.
    """

    source: Expression = Field(alias="from", description="Where the value is: a JMESPath expression.")
    yes: list[Scalar] | Literal["other"] | None = Field(
        default=None, description="Spellings of yes; other: every text or number that is not under no."
    )
    no: list[Scalar] | Literal["other"] | None = Field(
        default=None, description="Spellings of no; other: every text or number that is not under yes."
    )
    bit: int | None = Field(
        default=None, ge=0, le=63, description="One bit of a status number, the lowest is 0."
    )

    @field_validator("source")
    @classmethod
    def _never_invents(cls, source: str) -> str:
        try:
            check_flag_expression(source)
        except ValueError as error:
            refuse(str(error))
        return source

    @model_validator(mode="after")
    def _both_or_none(self) -> Self:
        if (self.yes is None) != (self.no is None):
            missing = "no" if self.no is None else "yes"
            refuse(f"say both spellings: add {missing}: [...], or {missing}: other")
        if self.bit is not None and self.yes is not None:
            refuse("a bit is 0 or 1; leave out yes and no")
        if self.yes == "other" and self.no == "other":
            refuse("only one of yes and no can be 'other'")
        if isinstance(self.yes, list) and isinstance(self.no, list):
            both = {spelling(item) for item in self.yes} & {spelling(item) for item in self.no}
            if both:
                refuse(f"{both.pop()!r} stands under yes and under no")
        return self


def spelling(value: Scalar) -> Scalar:
    """The form in which spellings are compared: texts without outer blanks, in lower case."""
    return value.strip().casefold() if isinstance(value, str) else value


CurrentFrom = Annotated[CurrentNumber, BeforeValidator(_number_from_text)]
VoltageFrom = Annotated[VoltageNumber, BeforeValidator(_number_from_text)]
TemperatureFrom = Annotated[TemperatureNumber, BeforeValidator(_number_from_text)]
FlagFrom = Annotated[Flag, BeforeValidator(_flag_from_text)]


class Table(Section):
    """What one answer says of which ports. Exactly one form says where the ports are.

    ports: an expression that gives a list of objects, one per port; `port` is the expression of a port's
    number inside it (left out: the position counts). map: an expression that gives an object whose keys
    name the ports. arrays: an expression that gives the object (``@`` for the whole answer) in which every
    value is a list with one element per port; `port` may name the list of numbers. None of the three: the
    answer speaks of one port (its number is in the URL or topic).

    label: how a number is written, for example ``out{port}``.
    """

    ports: Expression | None = Field(
        default=None, description="An expression that gives a list of objects, one per port."
    )
    map: Expression | None = Field(
        default=None, description="An expression that gives an object whose keys name the ports."
    )
    arrays: Expression | None = Field(
        default=None,
        description="An expression that gives the object of lists, an element per port; @: the whole.",
    )
    port: Expression | None = Field(
        default=None,
        description="Where a port's number is, in its object or as a list; left out: the position counts.",
    )
    label: Template | None = Field(
        default=None, description="How a number is written, for example out{port}."
    )
    current: CurrentFrom | None = Field(default=None, description="The current, with its unit: draw_ma | mA.")
    power: FlagFrom | None = Field(default=None, description="Whether the port has power.")
    tripped: FlagFrom | None = Field(default=None, description="Whether its fuse is open.")
    voltage: VoltageFrom | None = Field(default=None, description="Its voltage, with its unit.")
    temperature: TemperatureFrom | None = Field(default=None, description="Its temperature, with its unit.")

    @property
    def single(self) -> bool:
        """Whether one answer speaks of one port."""
        return self.ports is None and self.map is None and self.arrays is None

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        forms = [name for name in ("ports", "map", "arrays") if getattr(self, name) is not None]
        if len(forms) > 1:
            refuse(f"{' and '.join(forms)} exclude each other: say where the ports are in one way")
        if self.port is not None and forms not in (["ports"], ["arrays"]):
            refuse("'port' goes with 'ports' or 'arrays'; the keys of a map are the numbers already")
        if self.label is not None and (self.label.count("{port}") != 1 or "{power}" in self.label):
            refuse("a label has {port} once, where the number stands: out{port}")
        if self.ports is not None and self.port is None and splits_positions(without_star(self.ports)):
            refuse(
                "without 'port' the position is the number, but this expression leaves elements out; "
                "name the list alone, or give 'port'"
            )
        if self.arrays is not None:
            for name in ("port", *FIELDS):
                source = getattr(getattr(self, name), "source", getattr(self, name))
                if isinstance(source, str) and splits_positions(source):
                    refuse(
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
