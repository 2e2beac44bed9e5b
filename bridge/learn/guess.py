"""Guess the mapping of a controller from what it answers: where the ports are, which number is the current.

Pure inference over JSON answers, MQTT messages and names of kernel files; whoever calls fetches them. A guess
is a draft for a person to check, never a decision: each carries its confidence and its reason in words, and
what else it could be. Nothing here knows any maker's controller; it goes by the words of the trade, by units,
and by what values a port can have.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from bridge.config.mapping import LONGEST_EXPRESSION
from bridge.learn.columns import (
    CURRENT_UNITS,
    LARGEST,
    Container,
    Form,
    Json,
    Role,
    candidates,
    numbered_names,
    says_something,
    step,
    words_of,
)

NO_TRIP = (
    "nothing seen here says that a fuse opened; if a state has a word for it, write it down: "
    "tripped: {from: state, yes: [tripped], no: [on, off]}"
)
NO_CURRENT = "no current was found here"
_DEEPEST = 6  # levels of an answer that are looked at
_MOST = 256  # elements of a container that are looked at
_SURE, _GUESS = 0.6, 0.3
_WEIGHTS: Mapping[Role, float] = {
    "current": 0.4, "power": 0.25, "tripped": 0.2, "port": 0.05, "voltage": 0.05, "temperature": 0.05,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Guess:
    """One field: its mapping as in the file, how sure (0 to 1), why, and other fields it could be."""

    role: Role
    mapping: str | dict[str, Any]
    confidence: float
    why: str
    others: tuple[str, ...] = ()
    unit_open: bool = False
    """Nothing but its size speaks for the unit: a person must say it."""


@dataclass(frozen=True, slots=True)
class Draft:
    """One way to read an answer. `numbers`: the ports found; `notes`: what the person should look at."""

    form: Form
    where: str
    label: str | None
    numbers: tuple[int, ...]
    counts_from: Literal[0, 1]
    guesses: Mapping[Role, Guess]
    confidence: float
    notes: tuple[str, ...] = ()

    @property
    def mapping(self) -> dict[str, Any]:
        """The draft as keys of ``reach:``."""
        found: dict[str, Any] = {} if self.form == "single" else {self.form: self.where}
        if self.label is not None:
            found["label"] = self.label
        if self.counts_from == 0:
            found["counts_from"] = 0
        found.update({role: guess.mapping for role, guess in self.guesses.items()})
        return found


# ---------------------------------------------------------------- containers


def _containers(answer: Json, path: str = "", depth: int = 0) -> Iterator[Container]:
    """All places of an answer where ports may be."""
    if depth > _DEEPEST:
        return
    if isinstance(answer, dict):
        yield from _maps(answer, path)
        lists = dict(_columns(answer))
        for length in dict.fromkeys(len(value) for value in lists.values()):
            made = Container("arrays", path or "@", [str(n) for n in range(1, length + 1)])
            made.columns = {key: value for key, value in lists.items() if len(value) == length}
            made.beside = {
                key: value
                for key, value in answer.items()
                if isinstance(value, int | float) and -LARGEST < value < LARGEST
            }
            yield made
        if len(answer) > 1:
            yield from _inner(list(answer.values()), f"{path}.*" if path else "*")
        for key, value in list(answer.items())[:_MOST]:
            yield from _containers(value, step(path, key), depth + 1)
    elif isinstance(answer, list) and answer:
        rows = [row for row in answer[:_MOST] if isinstance(row, dict)]
        if len(rows) == len(answer[:_MOST]):
            yield _rows(path or "@", rows)
        yield from _inner(answer[:_MOST], f"{path}[]" if path else "[]", listed=True)


def _maps(answer: Mapping[str, Json], path: str) -> Iterator[Container]:
    """Objects whose keys name the ports, other keys beside them; banks of such objects; flat keys."""
    spelled: dict[str, dict[str, Json]] = {}
    for key, value in answer.items():
        if re.search(r"\d", key):
            spelled.setdefault(re.sub(r"\d{1,6}", "#", key, count=1), {})[key] = value
    for named in spelled.values():
        rows = {key: {} if value is None else value for key, value in named.items()}
        if any(rows.values()) and all(isinstance(row, dict) for row in rows.values()):
            yield _filled(Container("map", path or "@", list(rows)), list(rows.values()))
    banks = {key: value for key, value in answer.items() if isinstance(value, dict) and value}
    inner = [key for bank in banks.values() for key in bank]
    if len(banks) > 1 and len(set(inner)) == len(inner) and numbered_names(inner) is not None:
        rows_of_banks = [row for bank in banks.values() for row in bank.values()]
        if all(isinstance(row, dict) for row in rows_of_banks):
            where = f"merge({', '.join(step(path, key) for key in banks)})"
            yield _filled(Container("map", where, inner), rows_of_banks)
    flat = _flat(answer, path)
    if flat is not None:
        yield flat


def _flat(answer: Mapping[str, Json], path: str) -> Container | None:
    """Ports spelled into the keys of one object: ``port1_ma``, ``port1_on``, ``port2_ma`` ..."""
    fields: dict[tuple[str, str], dict[int, str]] = {}
    for key, value in answer.items():
        found = re.fullmatch(r"(\D*)(\d{1,4})(\D*)", key)
        if found is not None and not isinstance(value, dict | list) and says_something(found[1] + found[3]):
            fields.setdefault((found[1], found[3]), {})[int(found[2])] = key
    if not fields:
        return None
    numbers = max((sorted(keys) for keys in fields.values()), key=len)
    whole = {name: keys for name, keys in fields.items() if sorted(keys) == numbers}
    if len(numbers) < 2 or numbers[-1] > 4096:
        return None
    # The words of the field alone, where that tells them apart: port1_ma and port2_ma are ma.
    names = [
        (end if [e for _, e in whole].count(end) == 1 else start + end).strip("_-. ") for start, end in whole
    ]
    if len(set(names)) < len(names) or not all(names) or "port" in names:
        return None
    rows: list[dict[str, Json]] = []
    parts = []
    for number in numbers:
        keys = [keys[number] for keys in whole.values()]
        rows.append({"port": number} | {name: answer[key] for name, key in zip(names, keys, strict=True)})
        cells = [f"{step('', name)}: {step('', key)}" for name, key in zip(names, keys, strict=True)]
        parts.append("{" + ", ".join([f"port: `{number}`", *cells]) + "}")
    where = f"[{', '.join(parts)}]"
    where = f"{path}.{where}" if path else where
    return _rows(where, rows) if len(where) <= LONGEST_EXPRESSION else None


def _columns(answer: Mapping[str, Json], path: str = "", depth: int = 0) -> Iterator[tuple[str, list[Json]]]:
    """Plain lists in an object and the objects in it: they may be columns of one table."""
    for key, value in answer.items():
        if isinstance(value, list) and value and not any(isinstance(cell, dict | list) for cell in value):
            yield step(path, key), value
        elif isinstance(value, dict) and depth < 2:
            yield from _columns(value, step(path, key), depth + 1)


def _inner(banks: Sequence[Json], path: str, *, listed: bool = False) -> Iterator[Container]:
    """Banks that hold lists of rows: directly, or under the same key in each."""
    if all(isinstance(bank, list) for bank in banks):
        flat = [row for bank in banks for row in bank]
        if flat and all(isinstance(row, dict) for row in flat):
            yield _rows(path if listed else f"{path}[]", flat)
        return
    if not all(isinstance(bank, dict) for bank in banks):
        return
    for key, first in banks[0].items():
        parts = [bank.get(key) for bank in banks]
        if isinstance(first, list) and all(isinstance(part, list) for part in parts):
            flat = [row for part in parts for row in part]
            if flat and all(isinstance(row, dict) for row in flat):
                yield _rows(f"{path}.{step('', key)}[]", flat)
        elif isinstance(first, dict) and not listed and all(isinstance(part, dict) for part in parts):
            yield from _inner(parts, f"{path}.{step('', key)}[]", listed=True)


def _rows(where: str, rows: Sequence[Mapping[str, Json]]) -> Container:
    return _filled(Container("ports", where, [str(n) for n in range(1, len(rows) + 1)]), rows)


def _filled(container: Container, rows: Sequence[Mapping[str, Json]]) -> Container:
    """`container` with a column for each value its rows have, nested objects included."""
    names: dict[str, tuple[str, ...]] = {}

    def name(row: Mapping[str, Json], keys: tuple[str, ...], path: str) -> None:
        for key, value in row.items():
            if isinstance(value, dict) and len(keys) < 2:
                name(value, (*keys, key), step(path, key))
            elif not isinstance(value, dict | list):
                names.setdefault(step(path, key), (*keys, key))

    for row in rows[:_MOST]:
        name(row, (), "")
    for expression, keys in names.items():
        container.columns[expression] = [_dig(row, keys) for row in rows[:_MOST]]
    return container


def _dig(row: Json, keys: tuple[str, ...]) -> Json:
    for key in keys:
        row = row.get(key) if isinstance(row, dict) else None
    return row


# ---------------------------------------------------------------- drafts


def infer(answer: Json, later: Sequence[Json] = ()) -> list[Draft]:
    """Ways to read `answer`, the likeliest first; an empty list when nothing in it looks like ports.

    later: answers to the same question, asked again: what changes meanwhile, and which words are used.
    """
    containers = list(_containers(answer))
    for again in later:
        same = {(one.form, one.where): one for one in _containers(again)}
        for container in containers:
            other = same.get((container.form, container.where))
            if other is not None and other.keys == container.keys:
                container.later.append(other.columns)
    drafts = [
        draft for container in containers if (draft := _draft(container, _unit_said(answer))) is not None
    ]
    return sorted(drafts, key=lambda draft: (-round(draft.confidence, 3), -len(draft.numbers)))


def infer_single(rows: Mapping[int, Json], later: Sequence[Mapping[int, Json]] = ()) -> Draft | None:
    """The draft for answers that speak of one port each, by port number; None when they tell nothing."""
    made = _filled_single(rows)
    if made is None:
        return None
    for again in later:
        other = _filled_single(again)
        if other is not None and other.keys == made.keys:
            made.later.append(other.columns)
    return _draft(made, "", tuple(rows))


def _filled_single(rows: Mapping[int, Json]) -> Container | None:
    if not rows or not all(isinstance(row, dict) for row in rows.values()):
        return None
    return _filled(Container("single", "@", [str(number) for number in rows]), list(rows.values()))


def _unit_said(answer: Json, depth: int = 0) -> str:
    """The unit of current that the answer states once for all: ``{"unit": "mA", ...}``."""
    if isinstance(answer, dict) and depth < 3:
        for key, value in answer.items():
            if value in CURRENT_UNITS and {"unit", "units"} & set(words_of(key)):
                return str(value)
            if said := _unit_said(value, depth + 1):
                return said
    return ""


def _draft(container: Container, unit_said: str, single: tuple[int, ...] = ()) -> Draft | None:
    guesses: dict[Role, Guess] = {}
    notes: list[str] = []
    label: str | None = None
    numbers = list(single) or ([int(key) for key in container.keys] if container.form != "map" else [])
    if container.form == "map":
        numbered = numbered_names(container.keys)
        if numbered is None:
            return None
        label, numbers = numbered
    elif container.form != "single":
        ids = candidates("port", container)
        if ids and ids[0].score >= _SURE:
            best = ids[0]
            numbered = numbered_names(
                [value for value in container.columns[best.expression] if value is not None]
            )
            assert numbered is not None  # it was, to become a candidate
            label, numbers = numbered
            guesses["port"] = Guess("port", best.expression, min(best.score, 1.0), best.why)
        elif "[]" in container.where or "*" in container.where:
            return None  # without numbers, positions in nested banks mean nothing
        else:
            notes.append(
                "the position is taken for the port's number: nothing in the answer numbers the ports"
            )
    container.unit_said = unit_said
    taken = {guess.mapping for guess in guesses.values() if isinstance(guess.mapping, str)}
    for role in ("current", "tripped", "power", "voltage", "temperature"):
        found = [one for one in candidates(role, container) if one.expression not in taken]
        if not found or found[0].score < _GUESS:
            continue
        best = found[0]
        others = tuple(one.expression for one in found[1:4] if one.score > best.score - 0.3)
        sure = round(min(best.score, 1.0), 2)
        guesses[role] = Guess(role, best.mapping, sure, best.why, others, best.unit_open)
        if role in ("current", "voltage", "temperature") or not best.shared:
            taken.add(best.expression)
    told = [guess for role, guess in guesses.items() if role != "port"]
    if not told:
        return None
    order: tuple[Role, ...] = ("port", "current", "power", "tripped", "voltage", "temperature")
    if guesses.get("current") is None:
        notes.append(NO_CURRENT)
    if "tripped" not in guesses and "power" in guesses:
        notes.append(NO_TRIP)
    confidence = sum(_WEIGHTS[role] * guess.confidence for role, guess in guesses.items())
    if container.form in ("map", "single"):
        confidence += _WEIGHTS["port"]
    first = min(numbers)
    return Draft(
        container.form,
        container.where,
        label,
        tuple(number + (first == 0) for number in numbers),
        0 if first == 0 else 1,
        {role: guesses[role] for role in order if role in guesses},
        round(min(confidence, 1.0), 3),
        tuple(notes),
    )
