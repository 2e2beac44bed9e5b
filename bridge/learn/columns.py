"""What a column of an answer can be: a port's number, a current, a yes-or-no. Pure.

A column is one value per port. It is judged by the words of its name, by its unit and by whether a port can
have such values.
"""

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, Literal

Role = Literal["port", "current", "power", "tripped", "voltage", "temperature"]
Form = Literal["ports", "map", "arrays", "single"]
CURRENT_UNITS = ("A", "mA", "µA", "uA")
Json = Any

# ---------------------------------------------------------------- words and units


def _set(text: str) -> frozenset[str]:
    return frozenset(text.split())


_WORDS: Mapping[Role, frozenset[str]] = {
    "port": _set("id port ports n no nr num number index idx channel ch output out slot line circuit"),
    "current": _set(
        "current curr amps amp ampere amperes milliamps milliamp ma ua a draw load i amperage adc raw "
        "sense isense iout imon consumption"
    ),
    "power": _set(
        "power powered on live enabled enable state status switch switched relay contact active up is "
        "energized energised closed output out hot pwr feed supply contactor en ena sw running off disabled "
        "dead"
    ),
    "tripped": _set(
        "trip tripped fuse blown breaker fault faulted overload overcurrent oc protector guard error alarm "
        "latched short efuse protection err flt cutoff"
    ),
    "voltage": _set("voltage volts volt v mv feed supply bus vin vout"),
    "temperature": _set("temperature temp deg celsius c degc warmth heat fahrenheit f"),
}
_OTHERWISE = _set(
    "max min limit rating rated peak average avg mean energy wh kwh joule joules used total count uptime "
    "watts watt w pct percent ratio version firmware rssi signal age seconds "
    "time since tick setpoint threshold target name factor offset bank"
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
_KNOWN = frozenset().union(
    *_WORDS.values(), _OTHERWISE, _UNIT_WORDS, _set("ok good open opened measured now present blown")
)
_LONGEST_WORD, _LONGEST_PART = 40, 12
_MEASURE = re.compile(r"\s*[-+]?\d+(?:\.\d+)?\s*([^\d\s]{1,2})\s*")

_TRIP_WORDS = _set("tripped trip blown fault faulted overload shorted short latched overcurrent")
_ON_WORDS = _set("on powered closed enabled active live up energized energised true yes 1")
_OFF_WORDS = _set("off unpowered open disabled inactive dead down idle deenergized false no 0")


_WELL_WORDS = _set("ok good healthy closed intact normal whole fine well clear none")
_OPEN_WORDS = _set("open opened")
_TRIP_SAID = _set(
    "trip tripped blown fault faulted overload overcurrent error alarm latched short open opened oc"
)
_DEAD = _set("off disabled dead")
_MOST_A = 40.0
"""No port of this trade has more [A]: a larger number counts something smaller."""
LARGEST = 1e9
"""A number from here on, in whatever unit, is no measured value of a port; nor is NaN."""
_LEAST_SURE_A = 0.1
"""Fractions below this [A] may as well be milliamperes of nothing."""

_OPPOSITES: Mapping[str, str] = {
    "powered": "unpowered", "closed": "open", "enabled": "disabled", "on": "off", "active": "inactive",
    "up": "down", "yes": "no", "true": "false", "energized": "deenergized", "live": "dead", "1": "0",
}  # fmt: skip


def words_of(name: str) -> list[str]:
    """The lower-case words of a key: ``fuseOpen``, ``fuse-open`` and ``fuseopen`` are fuse, open."""
    plain = name.replace("mA", "Ma").replace("mV", "Mv").replace("µA", "Ua")  # units keep together
    found = [word.lower() for word in re.findall(r"[A-Z]+(?![a-z])|[A-Z]?[a-zµ]+|\d+", plain)]
    return [part for word in found for part in _parted(word)]


def _parted(word: str) -> list[str]:
    """A word that is known ones written together (``fuseopen``, ``ison``), in parts; any other as it is."""
    if word in _KNOWN or not 4 <= len(word) <= _LONGEST_WORD:
        return [word]
    if word.startswith("is") and word[2:] in _KNOWN:
        return ["is", word[2:]]
    if word.endswith("a") and _KNOWN.issuperset(begin := _parted(word[:-1])):
        return [*begin, "a"]
    best: list[list[str] | None] = [[], *[None] * len(word)]  # the fewest parts of each beginning
    for end in range(2, len(word) + 1):
        for start in range(max(0, end - _LONGEST_PART), end - 1):
            before = best[start]
            if before is not None and word[start:end] in _KNOWN:
                found = best[end]
                if found is None or len(before) + 1 < len(found):
                    best[end] = [*before, word[start:end]]
    parts = best[-1]
    return parts if parts and max(map(len, parts)) > 3 else [word]


def step(path: str, key: str) -> str:
    """JMESPath one key deeper; keys that are no identifiers are quoted, as JSON quotes a text."""
    name = (
        key
        if re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", key)
        else json.dumps(key, ensure_ascii=not key.isprintable())
    )
    return f"{path}.{name}" if path else name


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
    later: list[dict[str, list[Json]]] = field(default_factory=list)
    """The columns again, of answers to the same question asked later."""
    unit_said: str = ""
    """The unit of current the answer states once for all its ports."""

    def moves(self, expression: str) -> bool:
        """Whether the column changed between the answers."""
        first = self.columns[expression]
        return any(columns.get(expression, first) != first for columns in self.later)

    def only_rises(self, expression: str) -> bool:
        """Whether what changed in it only grew, from each answer to the next: a counter, not a current."""
        series = [self.columns[expression], *(one.get(expression, []) for one in self.later)]
        if len(series) < 3 or len({len(one) for one in series}) > 1:
            return False
        rows = [row for row in zip(*series, strict=True) if len({*map(repr, row)}) > 1]
        return bool(rows) and all(
            isinstance(a, int | float) and isinstance(b, int | float) and a < b
            for row in rows
            for a, b in pairwise(row)
        )


def _can_be_label(text: str | None) -> bool:
    """Whether a name around its number can be written into a mapping, where braces mean something else."""
    return text is None or (text.isprintable() and text.count("{") == text.count("}") == 1)


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
        if (at and found != label) or not _can_be_label(found):
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
    unit_open: bool = False
    """Only its size speaks for the unit."""
    shared: bool = False
    """One word tells power and trip alike: the column may have both roles."""


def candidates(role: Role, container: Container) -> list[Candidate]:
    """The columns of `container` that may be `role`, the likeliest first."""
    found = []
    for expression, values in container.columns.items():
        if role == "port" and container.moves(expression):
            continue
        seen = [values, *(columns.get(expression, []) for columns in container.later)]
        said = [value for one in seen for value in one if value is not None]
        if role == "port":
            said = [value for value in values if value is not None]
        if not said:
            continue
        words = [word for part in expression.split(".") for word in words_of(part)]
        candidate = _of_role(role, expression, words, said, container)
        if candidate is not None:
            found.append(candidate)
    return sorted(found, key=lambda one: -one.score)


def says_something(name: str) -> bool:
    """Whether a name has a word of any role, and none that makes it something else."""
    words = set(words_of(name))
    return not words & _OTHERWISE and any(words & known for known in _WORDS.values())


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
        units = [parts[1] for value in values if (parts := _MEASURE.fullmatch(value))]
        if len(units) != len(values) or {_TEXT_UNITS.get(unit) for unit in units} != {role}:
            return None
        mapping = {"from": expression, "unit": units[0], "text": True}
        return Candidate(
            expression, mapping, 0.8 + name / 5, f"texts with their unit, for example {values[0]!r}"
        )
    numbers = [value for value in values if isinstance(value, int | float) and not isinstance(value, bool)]
    if len(numbers) != len(values) or not all(-LARGEST < number < LARGEST for number in numbers):
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
    told = told or container.unit_said or None
    # What is measured is never quite still; what only grows is a counter.
    still = -0.3 if container.only_rises(expression) else 0.05 if container.moves(expression) else 0.0
    moves = ", only grows" if still < 0 else ", changes from answer to answer" if still else ""
    if whole and 65000 < largest <= 65535:
        mapping = {"from": expression, "unit": told or "mA", "signed16": True}
        why = f"{_span(numbers)}: near 65536 is just below zero{moves}"
        return Candidate(expression, mapping, name + 0.3 + still, why, unit_open=told is None)
    if told == "A" and largest > _MOST_A:
        why = f"named {expression}, but {_span(numbers)} A is no port: mA?{moves}"
        return Candidate(expression, f"{expression} | mA", name + still + 0.1, why, unit_open=True)
    if told is not None:
        plausible = largest * {"A": 1.0, "mA": 1e-3, "µA": 1e-6, "uA": 1e-6}[told] <= _MOST_A
        why = f"named {expression}, {_span(numbers)} {told}{moves}"
        score = name + still + (0.5 if plausible else 0.1)
        # "amps" may be a name more than a unit, and zeros say nothing against milliamperes.
        open_ = told == "A" and largest == 0 and "a" not in words_of(expression) and not container.unit_said
        return Candidate(expression, f"{expression} | {told}", score, why, unit_open=open_)
    unit = "mA" if largest > _MOST_A or (whole and largest > 0) else "A"
    open_ = largest <= _MOST_A and (whole or largest < _LEAST_SURE_A)
    size = f"would be {unit} by its size" if largest > 0 else f"tells no unit, taken for {unit}"
    why = f"named {expression}; {_span(numbers)} {size}{moves}"
    score = name + still + (0.1 if open_ else 0.25)
    return Candidate(expression, f"{expression} | {unit}", score, why, unit_open=open_)


def _flag(role: Role, expression: str, words: list[str], values: list[Json], name: float) -> Candidate | None:
    """A yes-or-no: power or trip."""
    if _OTHERWISE.intersection(words):
        return None
    trip_named = bool(_WORDS["tripped"].intersection(words))
    if all(isinstance(value, bool) for value in values) or (
        all(isinstance(value, int) for value in values) and {*values} <= {0, 1}
    ):
        if not name or (role == "power" and trip_named):
            return None
        well = bool(_WELL_WORDS.intersection(words)) if role == "tripped" else bool(_DEAD.intersection(words))
        if role == "tripped" and not well and not _TRIP_SAID.intersection(words):
            # "fuse: true" alone could mean either; fuses are whole as a rule.
            well = sum(map(bool, values)) * 2 > len(values)
        if well:
            mapping: str | dict[str, Any] = {"from": expression, "yes": [False], "no": [True]}
            means = "well" if role == "tripped" else "off"
            return Candidate(expression, mapping, name + 0.2, f"named {expression}: true means {means}")
        return Candidate(expression, expression, name + 0.4, f"named {expression}, {_names(values)}")
    if not all(isinstance(value, str) for value in values):
        return None
    seen = sorted({value.strip().casefold() for value in values})
    if role == "tripped":
        return _trip_words(expression, seen, trip_named=trip_named)
    trips = [word for word in seen if word in _TRIP_WORDS]
    on, off = [word for word in seen if word in _ON_WORDS], [word for word in seen if word in _OFF_WORDS]
    if trip_named or not (on or off):
        return None
    back = {off_word: on_word for on_word, off_word in _OPPOSITES.items()}
    yes = on or [back[word] for word in off if word in back]
    no = [*(off or [_OPPOSITES[word] for word in on if word in _OPPOSITES]), *trips]
    if not yes or not no:
        return None
    mapping = {"from": expression, "yes": yes, "no": no}
    return Candidate(expression, mapping, 0.4 + name, f"says {_names(seen)}", shared=bool(trips))


def _trip_words(expression: str, seen: list[str], *, trip_named: bool) -> Candidate | None:
    """A trip told by a word: of a fuse (open, blown, ok), or of a state that also says on and off."""
    trips = [word for word in seen if word in _TRIP_WORDS or (trip_named and word in _OPEN_WORDS)]
    rest = [word for word in seen if word not in trips]
    well = [word for word in rest if word in _WELL_WORDS]
    if trip_named and rest and well == rest:
        yes = trips or (["open"] if well == ["closed"] else None)
        why = f"named {expression}, says {_names(seen)}"
        mapping = {"from": expression, "yes": yes or "other", "no": well}
        return Candidate(expression, mapping, 0.7 + 0.1 * bool(trips), why)
    known = [word for word in rest if word in _ON_WORDS or word in _OFF_WORDS or word in _WELL_WORDS]
    if not trips or known != rest:
        return None
    if not rest:
        rest = sorted(_WELL_WORDS) if trip_named else ["on", "off"]
    both = {**_OPPOSITES, **{off: on for on, off in _OPPOSITES.items()}}
    rest += [both[word] for word in rest if word in both and both[word] not in (*rest, *trips)]
    mapping = {"from": expression, "yes": trips, "no": rest}
    return Candidate(expression, mapping, 0.8, f"says {_names(seen)}", shared=not trip_named)


def _span(numbers: Sequence[float]) -> str:
    low, high = min(numbers), max(numbers)
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def _names(values: Sequence[Json]) -> str:
    seen = list(dict.fromkeys(str(value) for value in values))
    return ", ".join(seen[:4]) + (" …" if len(seen) > 4 else "")
