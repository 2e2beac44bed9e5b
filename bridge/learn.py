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

from bridge.learn_columns import Container, Form, Json, Role, candidates, numbered_names

_DEEPEST = 6  # levels of an answer that are looked at
_MOST = 256  # elements of a container that are looked at
_SURE, _GUESS = 0.6, 0.3


@dataclass(frozen=True, slots=True)
class Guess:
    """One field: its mapping as in the file, how sure (0 to 1), why, and other fields it could be."""

    role: Role
    mapping: str | dict[str, Any]
    confidence: float
    why: str
    others: tuple[str, ...] = ()


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
        found: dict[str, Any] = {self.form: self.where}
        if self.label is not None:
            found["label"] = self.label
        if self.counts_from == 0:
            found["counts_from"] = 0
        found.update({role: guess.mapping for role, guess in self.guesses.items()})
        return found


# ---------------------------------------------------------------- containers


def _step(path: str, key: str) -> str:
    """JMESPath one key deeper; keys that are no identifiers are quoted."""
    name = (
        key if re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", key) else '"' + re.sub(r'(["\\])', r"\\\1", key) + '"'
    )
    return f"{path}.{name}" if path else name


def _containers(answer: Json, path: str = "", depth: int = 0) -> Iterator[Container]:
    """All places of an answer where ports may be."""
    if depth > _DEEPEST:
        return
    if isinstance(answer, dict):
        rows = {key: value for key, value in answer.items() if isinstance(value, dict)}
        if rows and len(rows) == len(answer) and (len(rows) > 1 or numbered_names(list(rows)) is not None):
            yield _filled(Container("map", path or "@", list(rows)), list(rows.values()))
        lists = {
            key: value
            for key, value in answer.items()
            if isinstance(value, list) and value and not any(isinstance(cell, dict | list) for cell in value)
        }
        if lists:
            length = max(map(len, lists.values()))
            made = Container("arrays", path or "@", [str(n) for n in range(1, length + 1)])
            made.columns = {_step("", key): value for key, value in lists.items() if len(value) == length}
            made.beside = {key: value for key, value in answer.items() if isinstance(value, int | float)}
            yield made
        for key, value in list(answer.items())[:_MOST]:
            yield from _containers(value, _step(path, key), depth + 1)
    elif isinstance(answer, list) and answer:
        rows_of_list = [row for row in answer[:_MOST] if isinstance(row, dict)]
        if len(rows_of_list) == len(answer[:_MOST]):
            yield _filled(
                Container("ports", path or "@", [str(n) for n in range(1, len(rows_of_list) + 1)]),
                rows_of_list,
            )
            # Rows that hold lists of rows themselves: banks of ports.
            for key in rows_of_list[0]:
                inner = [row.get(key) for row in rows_of_list]
                parts = [
                    part for part in inner if isinstance(part, list) and part and isinstance(part[0], dict)
                ]
                if len(parts) == len(inner):
                    flat = [row for part in parts for row in part if isinstance(row, dict)]
                    nested = f"{path}[].{_step('', key)}[]" if path else f"[].{_step('', key)}[]"
                    yield _filled(Container("ports", nested, [str(n) for n in range(1, len(flat) + 1)]), flat)


def _filled(container: Container, rows: Sequence[Mapping[str, Json]]) -> Container:
    """`container` with a column for each value its rows have, nested objects included."""
    names: dict[str, tuple[str, ...]] = {}

    def name(row: Mapping[str, Json], keys: tuple[str, ...], path: str) -> None:
        for key, value in row.items():
            if isinstance(value, dict) and len(keys) < 2:
                name(value, (*keys, key), _step(path, key))
            elif not isinstance(value, dict | list):
                names.setdefault(_step(path, key), (*keys, key))

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


def infer(answer: Json) -> list[Draft]:
    """Ways to read `answer`, the likeliest first; an empty list when nothing in it looks like ports."""
    drafts = [draft for container in _containers(answer) if (draft := _draft(container)) is not None]
    return sorted(drafts, key=lambda draft: (-round(draft.confidence, 3), -len(draft.numbers)))


def _draft(container: Container) -> Draft | None:
    guesses: dict[Role, Guess] = {}
    notes: list[str] = []
    label: str | None = None
    numbers = [int(key) for key in container.keys] if container.form != "map" else []
    if container.form == "map":
        numbered = numbered_names(container.keys)
        if numbered is None:
            return None
        label, numbers = numbered
    else:
        ids = candidates("port", container)
        if ids and ids[0].score >= _SURE:
            best = ids[0]
            numbered = numbered_names(
                [value for value in container.columns[best.expression] if value is not None]
            )
            assert numbered is not None  # it was, to become a candidate
            label, numbers = numbered
            guesses["port"] = Guess("port", best.expression, min(best.score, 1.0), best.why)
        elif "[]" in container.where:
            return None  # without numbers, positions in nested banks mean nothing
        else:
            notes.append(
                "the position is taken for the port's number: nothing in the answer numbers the ports"
            )
    taken = {guess.mapping for guess in guesses.values() if isinstance(guess.mapping, str)}
    for role in ("current", "tripped", "power", "voltage", "temperature"):
        found = [one for one in candidates(role, container) if one.expression not in taken]
        if not found or found[0].score < _GUESS:
            continue
        best = found[0]
        others = tuple(one.expression for one in found[1:4] if one.score > best.score - 0.3)
        guesses[role] = Guess(role, best.mapping, round(min(best.score, 1.0), 2), best.why, others)
        if role in ("current", "voltage", "temperature"):
            taken.add(best.expression)
    told = [guess for role, guess in guesses.items() if role != "port"]
    if not told:
        return None
    order: tuple[Role, ...] = ("port", "current", "power", "tripped", "voltage", "temperature")
    if guesses.get("current") is None:
        notes.append("no current was found here")
    weight = {
        "current": 0.4,
        "power": 0.25,
        "tripped": 0.2,
        "port": 0.05,
        "voltage": 0.05,
        "temperature": 0.05,
    }
    confidence = sum(weight[role] * guess.confidence for role, guess in guesses.items())
    if container.form == "map":
        confidence += weight["port"]
    return Draft(
        container.form,
        container.where,
        label,
        tuple(number + (min(numbers) == 0) for number in numbers),
        0 if min(numbers) == 0 else 1,
        {role: guesses[role] for role in order if role in guesses},
        round(min(confidence, 1.0), 3),
        tuple(notes),
    )
