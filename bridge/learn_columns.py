"""What a column of an answer can be: a port's number, a current, a yes-or-no. Pure.

A column is one value per port. It is judged by the words of its name, by its unit and by whether a port can
have such values.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

Role = Literal["port", "current", "power", "tripped", "voltage", "temperature"]
Form = Literal["ports", "map", "arrays"]
Json = Any

# ---------------------------------------------------------------- words and units


def _set(text: str) -> frozenset[str]:
    return frozenset(text.split())


_WORDS: Mapping[Role, frozenset[str]] = {
    "port": _set("id port ports n no nr num number index idx channel ch output out slot line circuit"),
    "current": _set(
        "current curr amps amp ampere amperes milliamps milliamp ma ua a draw load i amperage adc raw"
    ),
    "power": _set(
        "power powered on live enabled enable state status switch switched relay contact active up is "
        "energized energised closed"
    ),
    "tripped": _set(
        "trip tripped fuse blown breaker fault faulted overload overcurrent oc protector guard error alarm "
        "latched short"
    ),
    "voltage": _set("voltage volts volt v mv feed supply bus vin vout"),
    "temperature": _set("temperature temp deg celsius c degc warmth heat fahrenheit f"),
}
_OTHERWISE = _set(
    "max min limit rating rated peak average avg mean energy wh kwh joule joules used total count uptime "
    "watts watt w time since tick setpoint threshold target name factor offset bank"
)
"""Words that make a number something else than the present value."""

_UNIT_WORDS: Mapping[str, tuple[Role, str]] = {
    "ma": ("current", "mA"), "milliamps": ("current", "mA"), "milliamp": ("current", "mA"),
    "ua": ("current", "µA"), "amps": ("current", "A"), "amp": ("current", "A"), "ampere": ("current", "A"),
    "amperes": ("current", "A"), "a": ("current", "A"), "v": ("voltage", "V"), "volts": ("voltage", "V"),
    "volt": ("voltage", "V"), "mv": ("voltage", "mV"), "c": ("temperature", "°C"),
    "celsius": ("temperature", "°C"), "degc": ("temperature", "°C"), "f": ("temperature", "°F"),
    "fahrenheit": ("temperature", "°F"),
}  # fmt: skip
_TEXT_UNITS: Mapping[str, Role] = {
    "A": "current", "mA": "current", "µA": "current", "uA": "current", "V": "voltage", "mV": "voltage",
    "C": "temperature", "°C": "temperature", "F": "temperature", "°F": "temperature", "K": "temperature",
}  # fmt: skip
_MEASURE = re.compile(r"\s*[-+]?\d+(?:\.\d+)?\s*([^\d\s]{1,2})\s*")

_TRIP_WORDS = _set("tripped trip blown fault faulted overload shorted short latched overcurrent")
_ON_WORDS = _set("on powered closed enabled active live up energized energised true yes 1")
_OFF_WORDS = _set("off unpowered open disabled inactive dead down idle deenergized false no 0")


_OPPOSITES: Mapping[str, str] = {
    "powered": "unpowered", "closed": "open", "enabled": "disabled", "on": "off", "active": "inactive",
    "up": "down", "yes": "no", "true": "false",
}  # fmt: skip


def words_of(name: str) -> list[str]:
    """The lower-case words of a key: ``fuseOpen``, ``fuse_open`` and ``fuse-open`` are fuse, open."""
    return [word.lower() for word in re.findall(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+", name)]


@dataclass(slots=True)
class Container:
    """Where ports may be: one row (a value per field) per port."""

    form: Form
    where: str
    keys: list[str]
    """How the container names its rows: keys of a map, else positions from 1."""
    columns: dict[str, list[Json]] = field(default_factory=dict)
    """expression → its values, row by row."""
    beside: dict[str, Json] = field(default_factory=dict)


def numbered_names(names: Sequence[Json]) -> tuple[str | None, list[int]] | None:
    """The label (None for bare numbers) and numbers, if all names are numbers in one spelling."""
    label: str | None = None
    numbers: list[int] = []
    for at, name in enumerate(names):
        if isinstance(name, int) and not isinstance(name, bool):
            found, number = None, name
        elif isinstance(name, str) and (parts := re.fullmatch(r"(\D*)(\d{1,6})(\D*)", name)):
            found = f"{parts[1]}{{port}}{parts[3]}" if parts[1] or parts[3] else None
            number = int(parts[2])
        else:
            return None
        if at and found != label:
            return None
        label = found
        numbers.append(number)
    if not numbers or len(set(numbers)) != len(numbers) or min(numbers) < 0 or max(numbers) > 4096:
        return None
    return label, numbers


# ---------------------------------------------------------------- judging


@dataclass(frozen=True, slots=True)
class Candidate:
    """A column that may have a role."""

    expression: str
    mapping: str | dict[str, Any]
    score: float
    why: str


def candidates(role: Role, container: Container) -> list[Candidate]:
    """The columns of `container` that may be `role`, the likeliest first."""
    found = []
    for expression, values in container.columns.items():
        said = [value for value in values if value is not None]
        if not said:
            continue
        words = [word for part in expression.split(".") for word in words_of(part)]
        candidate = _of_role(role, expression, words, said, container)
        if candidate is not None:
            found.append(candidate)
    return sorted(found, key=lambda one: -one.score)


def _of_role(
    role: Role, expression: str, words: list[str], values: list[Json], container: Container
) -> Candidate | None:
    hit = sorted(_WORDS[role].intersection(words), key=words.index)
    name = 0.5 if hit else 0.0
    if role in ("current", "voltage", "temperature"):
        return _measured(role, expression, words, values, container)
    if role == "port":
        numbered = numbered_names(values)
        if numbered is None or not all(isinstance(value, int | str) for value in values):
            return None
        numbers = numbered[1]
        consecutive = sorted(numbers) == list(range(min(numbers), min(numbers) + len(numbers)))
        score = name + (0.4 if consecutive and min(numbers) <= 1 else 0.1)
        if not name and _OTHERWISE.intersection(words):
            return None
        return Candidate(expression, expression, score, f"{_names(values)}: all different, in order")
    return _flag(role, expression, words, values, name)


def _measured(
    role: Role, expression: str, words: list[str], values: list[Json], container: Container
) -> Candidate | None:
    """A number in a unit of `role`."""
    name = 0.5 if _WORDS[role].intersection(words) else 0.0
    if _OTHERWISE.intersection(words):
        return None
    if all(isinstance(value, str) for value in values):
        units = {parts[1] for value in values if (parts := _MEASURE.fullmatch(value))}
        if len(units) != 1 or not all(_MEASURE.fullmatch(value) for value in values):
            return None
        unit = units.pop()
        if _TEXT_UNITS.get(unit) != role:
            return None
        mapping = {"from": expression, "unit": unit, "text": True}
        return Candidate(
            expression, mapping, 0.8 + name / 5, f"texts with their unit, for example {values[0]!r}"
        )
    numbers = [value for value in values if isinstance(value, int | float) and not isinstance(value, bool)]
    if len(numbers) != len(values):
        return None
    largest = max(abs(number) for number in numbers)
    told = next((unit for word in reversed(words) if (found := _UNIT_WORDS.get(word)) and found[0] == role
                 for unit in (found[1],)), None)  # fmt: skip
    if told is None and not name:
        return None
    whole = all(isinstance(number, int) for number in numbers)
    if role == "current":
        return _current(expression, numbers, told, name, container, whole=whole)
    if role == "voltage":
        unit = told or ("mV" if whole and largest > 1000 else "V")
        plausible = largest / (1000 if unit == "mV" else 1) <= 60
    else:
        unit, plausible = told or "°C", largest <= 300
    why = f"named {expression}, {_span(numbers)} {unit}"
    return Candidate(
        expression, f"{expression} | {unit}", name + (0.3 if told else 0.1) + 0.2 * plausible, why
    )


def _current(
    expression: str,
    numbers: list[float],
    told: str | None,
    name: float,
    container: Container,
    *,
    whole: bool,
) -> Candidate:
    """A current: its unit from its name, from factor and offset beside it, or from its size."""
    scale = next(
        (key for key in container.beside if {"factor", "scale", "gain", "lsb"} & set(words_of(key))), None
    )
    zero = next((key for key in container.beside if {"offset", "zero", "bias"} & set(words_of(key))), None)
    if scale is not None and told is None and whole:
        factor = float(container.beside[scale])
        counts = float(container.beside[zero]) if zero is not None else 0.0
        mapping = {"from": expression, "factor": factor, "offset": counts * factor, "unit": "A"}
        why = (
            f"raw counts ({_span(numbers)}); {scale}"
            + (f" and {zero}" if zero else "")
            + " stand beside them"
        )
        return Candidate(expression, mapping, name + 0.2, why)
    largest = max(abs(number) for number in numbers)
    if whole and largest > 65000 and all(number <= 65535 for number in numbers):
        mapping = {"from": expression, "unit": told or "mA", "signed16": True}
        return Candidate(expression, mapping, name + 0.3, f"{_span(numbers)}: near 65536 is just below zero")
    if told is not None:
        plausible = largest * {"A": 1.0, "mA": 1e-3, "µA": 1e-6}[told] <= 40
        why = f"named {expression}, {_span(numbers)} {told}"
        return Candidate(expression, f"{expression} | {told}", name + (0.5 if plausible else 0.1), why)
    unit = "mA" if largest > 40 or (whole and largest > 0) else "A"
    why = f"named {expression}; {_span(numbers)} would be {unit} by its size"
    return Candidate(expression, f"{expression} | {unit}", name + 0.1, why)


def _flag(role: Role, expression: str, words: list[str], values: list[Json], name: float) -> Candidate | None:
    """A yes-or-no: power or trip."""
    trip_named = bool(_WORDS["tripped"].intersection(words))
    if all(isinstance(value, bool) for value in values) or (
        all(isinstance(value, int) for value in values) and {*values} <= {0, 1}
    ):
        if not name or (role == "power" and trip_named):
            return None
        inverted = role == "tripped" and bool({"ok", "good", "healthy", "closed"}.intersection(words))
        if inverted:
            mapping: str | dict[str, Any] = {"from": expression, "yes": [False], "no": [True]}
            return Candidate(expression, mapping, name + 0.2, f"named {expression}: true means well")
        return Candidate(expression, expression, name + 0.4, f"named {expression}, {_names(values)}")
    if not all(isinstance(value, str) for value in values):
        return None
    seen = sorted({value.strip().casefold() for value in values})
    trips = [word for word in seen if word in _TRIP_WORDS]
    on, off = [word for word in seen if word in _ON_WORDS], [word for word in seen if word in _OFF_WORDS]
    if role == "tripped":
        if trip_named and not trips:  # a guard or fuse is well while it is closed
            yes, no = ["open"], ["closed"]
            if not set(seen) <= {"open", "closed"}:
                return None
            return Candidate(
                expression,
                {"from": expression, "yes": yes, "no": no},
                0.7,
                f"named {expression}, says {_names(seen)}",
            )
        if not trips and not (on or off):
            return None
        if not trips and not name:
            return None
        mapping = {"from": expression, "yes": trips or ["tripped"], "no": [w for w in seen if w not in trips]}
        return Candidate(
            expression, mapping, 0.5 + 0.3 * bool(trips), f"one word for the state: {_names(seen)}"
        )
    if trip_named or not (on or off):
        return None
    back = {off_word: on_word for on_word, off_word in _OPPOSITES.items()}
    yes = on or [back[word] for word in off if word in back]
    no = [*(off or [_OPPOSITES[word] for word in on if word in _OPPOSITES]), *trips]
    if not yes or not no:
        return None
    return Candidate(
        expression,
        {"from": expression, "yes": yes, "no": no},
        0.4 + name,
        f"one word for the state: {_names(seen)}",
    )


def _span(numbers: Sequence[float]) -> str:
    low, high = min(numbers), max(numbers)
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def _names(values: Sequence[Json]) -> str:
    seen = list(dict.fromkeys(str(value) for value in values))
    return ", ".join(seen[:4]) + (" …" if len(seen) > 4 else "")
