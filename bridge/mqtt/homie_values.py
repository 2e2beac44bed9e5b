"""Payloads of the Homie convention, version 5: what a value looks like on the wire, and back.

Grammars: Homie 5, "Payloads" (homieiot/convention, CC-BY 4.0). Pure functions; nothing is guessed: a payload
outside a property's grammar is refused with a sentence that says what would be right.
"""

import json
import math
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, NoReturn

from bridge.errors import PermanentError

EMPTY_STRING = b"\0"
"""An empty string value: zero bytes would delete the topic."""

_INT64_MIN, _INT64_MAX = -(2**63), 2**63 - 1
_INTEGER = re.compile(r"-?[0-9]{1,19}")
_FLOAT = re.compile(r"-?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE]-?[0-9]+)?")
_DURATION = re.compile(r"PT(?=[0-9])(?:[0-9]+H)?(?:[0-9]+M)?(?:[0-9]+(?:\.[0-9]+)?S)?")
_LARGEST_FLOAT = 1e15


class HomieError(PermanentError):
    """A value, a plan or a retained state does not fit the convention. `subject`: topic or device."""


class RefusedPayloadError(HomieError):
    """A payload from outside is not in the property's grammar; the text says what would be right."""


class Datatype(StrEnum):
    """Homie datatypes that are used here."""

    INTEGER = "integer"
    FLOAT = "float"
    BOOLEAN = "boolean"
    STRING = "string"
    ENUM = "enum"
    DATETIME = "datetime"
    DURATION = "duration"
    JSON = "json"


@dataclass(frozen=True, slots=True)
class Property:
    """One property as its description tells it. `format` as the convention writes it, "" for none.

    target: it has a `$target`; measurement: its quality of service is configured with the measurements.
    """

    id: str
    name: str
    datatype: Datatype
    format: str = ""
    unit: str = ""
    settable: bool = False
    retained: bool = True
    target: bool = False
    measurement: bool = False

    def description(self) -> dict[str, Any]:
        """Its part of the `$description`; what equals the convention's default is left out."""
        told: dict[str, Any] = {"name": self.name, "datatype": self.datatype.value}
        if self.format:
            told["format"] = self.format
        if self.unit:
            told["unit"] = self.unit
        if self.settable:
            told["settable"] = True
        if not self.retained:
            told["retained"] = False
        return told


# ---------------------------------------------------------------- values to payloads


def encode(spec: Property, value: object) -> bytes:
    """The payload of `value` for the property `spec`.

    Booleans, integers, floats and strings are Python's; enum and json as declared; a datetime is an aware one
    or ISO 8601 text; a duration is seconds or ``PT…`` text. Raises HomieError for anything else.
    """
    try:
        return _ENCODERS[spec.datatype](spec, value)
    except (TypeError, ValueError) as error:
        raise HomieError(
            f"{value!r} is no {spec.datatype.value} for the property {spec.id}: {error}", subject=spec.id
        ) from error


def encode_float(value: float) -> bytes:
    """A float with three decimals, six below 1, no exponent, no trailing zeros. Raises ValueError."""
    if not -_LARGEST_FLOAT < value < _LARGEST_FLOAT:  # False for NaN, too
        raise ValueError("it is not a finite number below 1e15")
    text = b"%.3f" % value if value >= 1.0 or value <= -1.0 else b"%.6f" % value
    text = text.rstrip(b"0").rstrip(b".")
    return b"0" if text in (b"-0", b"") else text


def _encode_float(_spec: Property, value: object) -> bytes:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise TypeError("it must be a number")
    return encode_float(value)


def _encode_boolean(_spec: Property, value: object) -> bytes:
    if not isinstance(value, bool):
        raise TypeError("it must be True or False")
    return b"true" if value else b"false"


def _encode_integer(_spec: Property, value: object) -> bytes:
    if isinstance(value, bool) or not isinstance(value, int):
        raise TypeError("it must be a whole number")
    if not _INT64_MIN <= value <= _INT64_MAX:
        raise ValueError("it needs more than 64 bits")
    return b"%d" % value


def _encode_string(_spec: Property, value: object) -> bytes:
    if not isinstance(value, str):
        raise TypeError("it must be text")
    return value.removeprefix("\ufeff").encode() or EMPTY_STRING


def _encode_enum(spec: Property, value: object) -> bytes:
    if value not in spec.format.split(","):
        raise ValueError(f"it must be one of {spec.format}")
    return str(value).encode()


def _encode_datetime(_spec: Property, value: object) -> bytes:
    instant = datetime.fromisoformat(value) if isinstance(value, str) else value
    if not isinstance(instant, datetime):
        raise TypeError("it must be an instant")
    if instant.tzinfo is None:
        raise ValueError("it has no time zone")
    return instant.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ").encode()


def _encode_duration(_spec: Property, value: object) -> bytes:
    if isinstance(value, str):
        if not _DURATION.fullmatch(value):
            raise ValueError("it must look like PT1H30M0S")
        return value.encode()
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise TypeError("it must be seconds")
    if not math.isfinite(value) or value < 0:
        raise ValueError("it must be seconds, not negative")
    minutes, seconds = divmod(round(value), 60)
    hours, minutes = divmod(minutes, 60)
    parts = ((hours, "H"), (minutes, "M"), (seconds, "S"))
    return ("PT" + ("".join(f"{number}{unit}" for number, unit in parts if number) or "0S")).encode()


def _encode_json(_spec: Property, value: object) -> bytes:
    if not isinstance(value, (list, dict)):
        raise TypeError("it must be a list or an object")
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


_ENCODERS = {
    Datatype.INTEGER: _encode_integer,
    Datatype.FLOAT: _encode_float,
    Datatype.BOOLEAN: _encode_boolean,
    Datatype.STRING: _encode_string,
    Datatype.ENUM: _encode_enum,
    Datatype.DATETIME: _encode_datetime,
    Datatype.DURATION: _encode_duration,
    Datatype.JSON: _encode_json,
}


# ---------------------------------------------------------------- payloads to values


def decode(spec: Property, payload: bytes) -> object:
    """The value of a payload for the property `spec`. Raises RefusedPayloadError with what would be right."""
    if not payload:
        raise RefusedPayloadError(
            f"an empty message only clears a retained one and is no value for {spec.id}; {_right(spec)}"
        )
    try:
        text = payload.decode()
    except UnicodeDecodeError as error:
        raise RefusedPayloadError(f"the message for {spec.id} is not UTF-8 text; {_right(spec)}") from error
    if text.startswith("\ufeff"):
        raise RefusedPayloadError(f"the message for {spec.id} begins with a byte order mark; leave it out")
    try:
        return _DECODERS[spec.datatype](spec, text)
    except (ValueError, RecursionError) as error:
        shown = text if len(text) <= 60 else text[:60] + "…"
        raise RefusedPayloadError(f"{shown!r} is no value for {spec.id}; {_right(spec)}") from error


def _right(spec: Property) -> str:
    match spec.datatype:
        case Datatype.BOOLEAN:
            return "send true or false, in small letters"
        case Datatype.ENUM:
            return f"send one of: {spec.format.replace(',', ', ')}"
        case Datatype.INTEGER:
            return f"send a whole number{_bounds(spec)}"
        case Datatype.FLOAT:
            return f"send a number with a decimal point{_bounds(spec)}"
        case Datatype.DATETIME:
            return "send an instant such as 2025-12-06T17:30:00Z"
        case Datatype.DURATION:
            return "send a duration such as PT1H30M"
        case Datatype.JSON:
            return "send a JSON array or object"
        case Datatype.STRING:
            return "send text (one zero byte for an empty text)"


def _bounds(spec: Property) -> str:
    low, high, _ = _range(spec)
    return "".join(
        (f", at least {low:g}" if low is not None else "", f", at most {high:g}" if high is not None else "")
    )


def _range(spec: Property) -> tuple[float | None, float | None, float | None]:
    parts = [float(part) if part else None for part in spec.format.split(":")] if spec.format else []
    low, high, step = (*parts, None, None, None)[:3]
    return low, high, step


def _within(spec: Property, value: float) -> float:
    """Rounded to the step first, then checked against the limits (Homie 5, "Formats")."""
    low, high, step = _range(spec)
    if step:
        base = low if low is not None else high if high is not None else 0.0
        value = math.floor((value - base) / step + 0.5) * step + base
    if (low is not None and value < low) or (high is not None and value > high):
        raise ValueError("outside the limits")
    return value


def _decode_integer(spec: Property, text: str) -> int:
    if not _INTEGER.fullmatch(text) or not _INT64_MIN <= int(text) <= _INT64_MAX:
        raise ValueError("no integer")
    return int(_within(spec, int(text))) if spec.format else int(text)


def _decode_float(spec: Property, text: str) -> float:
    if not _FLOAT.fullmatch(text) or not math.isfinite(float(text)):
        raise ValueError("no float")
    return _within(spec, float(text))


def _decode_boolean(_spec: Property, text: str) -> bool:
    return text == "true" if text in ("true", "false") else _fail("no boolean")


def _decode_string(_spec: Property, text: str) -> str:
    return "" if text == "\0" else text


def _decode_enum(spec: Property, text: str) -> str:
    return text if text in spec.format.split(",") else _fail("none of the values")


def _decode_datetime(_spec: Property, text: str) -> datetime:
    instant = datetime.fromisoformat(text)
    return instant if "T" in text and instant.tzinfo is not None else _fail("no time zone")


def _decode_duration(_spec: Property, text: str) -> float:
    if not _DURATION.fullmatch(text):
        raise ValueError("no duration")
    numbers = {unit: float(number) for number, unit in re.findall(r"([0-9.]+)([HMS])", text)}
    return numbers.get("H", 0.0) * 3600 + numbers.get("M", 0.0) * 60 + numbers.get("S", 0.0)


def _decode_json(_spec: Property, text: str) -> object:
    value = json.loads(text, parse_constant=_fail)
    return value if isinstance(value, (list, dict)) else _fail("no array or object")


def _fail(reason: str) -> NoReturn:
    raise ValueError(reason)


_DECODERS = {
    Datatype.INTEGER: _decode_integer,
    Datatype.FLOAT: _decode_float,
    Datatype.BOOLEAN: _decode_boolean,
    Datatype.STRING: _decode_string,
    Datatype.ENUM: _decode_enum,
    Datatype.DATETIME: _decode_datetime,
    Datatype.DURATION: _decode_duration,
    Datatype.JSON: _decode_json,
}
