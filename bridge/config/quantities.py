"""Quantities as people write them, with their unit: ``2 s``, ``350 mA``, ``10 m``; in base units inside.

Each name here is a pydantic type: a model field annotated ``Current`` takes ``350 mA`` from the file and
holds ``0.35``. A bare number is refused where a unit is needed, because 350 may be milliamperes or a
disaster. Units follow SI (a space before the unit is usual and optional); feet are allowed for cables.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import PydanticCustomError, core_schema

_NUMBER = r"[0-9]+(?:\.[0-9]+)?"
_LONGEST = 64  # characters of a quantity; more is a mistake and not worth reading


@dataclass(frozen=True, slots=True, eq=False)  # typing needs it hashable: one object per kind
class Quantity:
    """How one kind of quantity is written, for use in ``Annotated[float, Quantity(...)]``.

    kind: its name in messages (``a current``); units: unit → factor to the base unit (a text, so that
    350 mA is exactly 0.35); examples: right ones, the first of which show up in messages; base: the unit
    values are written back in; parts: several numbers may follow each other (``1 h 30 min``), largest
    unit first; signed: may be negative; least, most: bounds in the base unit, inclusive; zero: may be 0.
    """

    kind: str
    units: Mapping[str, str]
    examples: tuple[str, ...]
    base: str
    parts: bool = False
    signed: bool = False
    zero: bool = True
    least: float | None = None
    most: float | None = None

    def parse(self, value: object) -> float:
        """The value in the base unit. Raises ValueError with a sentence that says what would be right."""
        right = f"write {self.kind} with its unit, for example {' or '.join(self.examples[:2])}"
        if isinstance(value, bool) or not isinstance(value, int | float | str):
            message = f"this is not {self.kind}; {right}"
            raise ValueError(message)  # noqa: TRY004 - a caller handles one kind of refusal
        # A number without unit becomes text and is refused as such.
        text = value.strip() if isinstance(value, str) else f"{value:g}"
        sign = r"[-+]?" if self.signed else ""
        if len(text) > _LONGEST:
            raise ValueError(f"this is not {self.kind}; {right}")
        if re.fullmatch(rf"[-+]?{_NUMBER}", text):
            raise ValueError(f"{text} has no unit; {right}")
        pieces = re.findall(rf"({sign}{_NUMBER})\s*([^\W\d_]+|%|°C|°)\s*", text)
        if not pieces or not re.fullmatch(rf"(?:{sign}{_NUMBER}\s*(?:[^\W\d_]+|%|°C|°)\s*)+", text):
            if not self.signed and re.fullmatch(rf"-{_NUMBER}\s*[^\W\d]*", text):
                raise ValueError(f"{self.kind} can't be negative here; {right}")
            raise ValueError(f"this is not {self.kind}; {right}")
        return self._sum(pieces, right)

    def _sum(self, pieces: list[tuple[str, str]], right: str) -> float:
        """Add up the pieces; their units must be known and get smaller."""
        if len(pieces) > 1 and not self.parts:
            raise ValueError(f"{self.kind} is one number with one unit; {right}")
        total, last = Decimal(0), None
        for number, unit in pieces:
            if unit not in self.units:
                known = " or ".join(self.units)
                raise ValueError(f"{unit} is no unit of {self.kind}; write {known}")
            factor = Decimal(self.units[unit])
            if last is not None and factor >= last:
                raise ValueError(f"the units of {self.kind} get smaller from left to right; {right}")
            last = factor
            total += Decimal(number) * factor
        return self._bounded(float(total))

    def _bounded(self, number: float) -> float:
        """`number` if it is inside the bounds."""
        if number == 0 and not self.zero:
            raise ValueError(f"{self.kind} of zero makes no sense here; write more than 0 {self.base}")
        if self.least is not None and number < self.least:
            raise ValueError(f"{self.kind} is too small here; write at least {self.format(self.least)}")
        if self.most is not None and number > self.most:
            raise ValueError(f"{self.kind} is too large here; write at most {self.format(self.most)}")
        return number

    def format(self, number: float) -> str:
        """`number` (base unit) as one would write it in the file."""
        written = (Decimal(repr(number)) / Decimal(self.units[self.base])).normalize()
        return f"{written:f} {self.base}"

    @property
    def pattern(self) -> str:
        """A regular expression (ECMA 262) for editors; looser than `parse`."""
        sign = "[-+]?" if self.signed else ""
        units = "|".join(re.escape(unit) for unit in sorted(self.units, key=len, reverse=True))
        piece = rf"{sign}{_NUMBER} ?({units})"
        return f"^{piece}( ?{piece})*$" if self.parts else f"^{piece}$"

    def __get_pydantic_core_schema__(
        self, _source: object, _handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        """Validate with `parse`; written back with `format`."""
        return core_schema.no_info_plain_validator_function(
            self._validate,
            serialization=core_schema.plain_serializer_function_ser_schema(self.format, when_used="json"),
        )

    def __get_pydantic_json_schema__(
        self, _schema: core_schema.CoreSchema, _handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        """A string with the pattern of its units."""
        return {"type": "string", "pattern": self.pattern, "examples": list(self.examples)}

    def _validate(self, value: object) -> float:
        try:
            return self.parse(value)
        except ValueError as error:
            # The sentence must not be read as a template, hence the context.
            raise PydanticCustomError("quantity", "{sentence}", {"sentence": str(error)}) from None


_SECONDS = {"ms": "0.001", "s": "1", "min": "60", "h": "3600", "d": "86400"}
_METRES = {"cm": "0.01", "m": "1", "ft": "0.3048", "in": "0.0254"}

DURATION = Quantity("a duration", _SECONDS, ("2 s", "10 min", "1 h 30 min"), "s", parts=True)
CURRENT = Quantity("a current", {"mA": "0.001", "A": "1"}, ("4 A", "350 mA"), "A", zero=False)
VOLTAGE = Quantity("a voltage", {"mV": "0.001", "V": "1"}, ("12 V", "5 V"), "V", zero=False)
LENGTH = Quantity("a length", _METRES, ("10 m", "30 ft"), "m")
FRACTION = Quantity("a share", {"%": "0.01"}, ("30 %", "5 %"), "%", most=1.0)
TEMPERATURE = Quantity("a temperature", {"°C": "1"}, ("70 °C", "-20 °C"), "°C", signed=True, least=-273.15)

Duration = Annotated[float, DURATION]
"""Seconds, 0 or more."""
Interval = Annotated[float, Quantity("a duration", _SECONDS, ("2 s", "10 min"), "s", parts=True, zero=False)]
"""Seconds, more than 0."""
Current = Annotated[float, CURRENT]
"""Amperes, more than 0."""
Voltage = Annotated[float, VOLTAGE]
"""Volts, more than 0."""
Length = Annotated[float, LENGTH]
"""Metres, 0 or more; feet are 0.3048 m exactly."""
Fraction = Annotated[float, FRACTION]
"""A share of a whole, 0 to 1, written in percent."""
Temperature = Annotated[float, TEMPERATURE]
"""Degrees Celsius."""
