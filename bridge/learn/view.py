"""What was found, for the person: the answer as a tree with what its parts seem to mean, and what is read."""

from collections.abc import Container, Iterable, Mapping, Sequence
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text
from rich.tree import Tree

from bridge.commands.terminal import FAULT, POWERED, QUIET
from bridge.learn.changes import Change, short
from bridge.learn.columns import Json, step
from bridge.learn.elsewhere import ChipsDraft, TopicsDraft
from bridge.learn.guess import Draft, Guess
from rules.ports import Reading, number_of

ROLES = {
    "port": "the port's number",
    "current": "the current",
    "power": "whether power is on",
    "tripped": "whether the fuse opened",
    "voltage": "the voltage",
    "temperature": "the temperature",
}
_SHOWN = 24  # values of one level
_DEEPEST = 5
_PLAIN_WIDTH = 160


def sure_words(confidence: float) -> str:
    """A confidence (0 to 1) in one word."""
    return "likely" if confidence >= 0.75 else "perhaps" if confidence >= 0.5 else "a guess"


def source_of(guess: Guess) -> str:
    """Where a guess takes its value from."""
    if isinstance(guess.mapping, dict):
        return str(guess.mapping["from"])
    return guess.mapping.split(" | ")[0]


def answer_tree(title: str, answer: Json, draft: Draft | None) -> Tree:
    """An answer as a tree; the ports are shown once, with what each of their values seems to be."""
    tree = Tree(Text(title, style="bold"), guide_style=QUIET)
    places = _places(draft)
    if draft is not None and places == {"@"}:
        _ports_branch(tree, draft, answer)
        if isinstance(answer, dict) and draft.form != "map":
            _branch(tree, answer, "", (), draft)
    elif draft is not None and not places & {path for path, _ in _paths(answer)}:
        _ports_branch(tree, draft, answer)
    else:
        _branch(tree, answer, "", places, draft)
    return tree


def _places(draft: Draft | None) -> set[str]:
    return set() if draft is None else {draft.where}


def _paths(answer: Json, path: str = "", depth: int = 0) -> Iterable[tuple[str, Json]]:
    if isinstance(answer, dict) and depth < _DEEPEST:
        for key, value in answer.items():
            yield step(path, str(key)), value
            yield from _paths(value, step(path, str(key)), depth + 1)


def _branch(
    tree: Tree, node: Json, path: str, ports_at: Container[str], draft: Draft | None, *, depth: int = 0
) -> None:
    if not isinstance(node, dict):
        tree.add(Text(_brief(node), style=QUIET))
        return
    for key, value in list(node.items())[:_SHOWN]:
        at = step(path, str(key))
        if at in ports_at and draft is not None:
            _ports_branch(tree.add(Text(str(key))), draft, value)
        elif isinstance(value, dict) and depth < _DEEPEST:
            _branch(tree.add(Text(str(key))), value, at, ports_at, draft, depth=depth + 1)
        else:
            tree.add(Text(f"{key}  ") + Text(_brief(value), style=QUIET))
    if len(node) > _SHOWN:
        tree.add(Text(f"and {len(node) - _SHOWN} more", style=QUIET))


def _brief(value: Json) -> str:
    if isinstance(value, list):
        return (
            f"{len(value)} values: {', '.join(short(one) for one in value[:4])} …" if value else "empty list"
        )
    if isinstance(value, dict):
        return f"{len(value)} values"
    return short(value)


def _ports_branch(tree: Tree, draft: Draft, rows: Json) -> None:
    """The ports found: their fields, each with its meaning."""
    counted = f"{len(draft.numbers)} ports ({_span(draft.numbers)})"
    how = {
        "ports": "a row each",
        "map": "a name each",
        "arrays": "a list per value",
        "single": "an answer each",
    }
    node = tree.add(Text(f"{counted}, {how[draft.form]}", style=f"bold {POWERED}"))
    if draft.label:
        node.add(Text(f"called {draft.label}", style=QUIET))
    taken = set()
    for role, guess in draft.guesses.items():
        taken.add(source_of(guess))
        node.add(guess_line(role, guess))
    others = [name for name in _field_names(rows, draft) if name not in taken]
    if others:
        shown = ", ".join(others[:8]) + (" …" if len(others) > 8 else "")
        node.add(Text(f"not used: {shown}", style=QUIET))


def guess_line(role: str, guess: Guess) -> Text:
    """One guess in one line: the field, what it is taken for, how sure, and why."""
    colour = FAULT if guess.unit_open or guess.confidence < 0.5 else POWERED
    text = Text(source_of(guess)) + Text(f"  {ROLES[role]}, {sure_words(guess.confidence)}", style=colour)
    unit = "; its unit must be said by you" if guess.unit_open else ""
    others = f"; or {', '.join(guess.others)}" if guess.others else ""
    return text + Text(f": {guess.why}{unit}{others}", style=QUIET)


def _field_names(rows: Json, draft: Draft) -> list[str]:
    first: Json = None
    if draft.form == "ports" and isinstance(rows, list) and rows:
        first = rows[0]
    elif draft.form in ("map", "single") and isinstance(rows, dict) and rows:
        first = next(iter(rows.values()))
    if not isinstance(first, dict):
        return []
    return [path for path, value in _paths(first) if not isinstance(value, dict | list)]


def _span(numbers: Sequence[int]) -> str:
    low, high = min(numbers), max(numbers)
    whole = len(numbers) == high - low + 1
    return f"{low} to {high}" if whole and high > low else ", ".join(map(str, numbers))


def topics_tree(title: str, messages: Mapping[str, bytes], draft: TopicsDraft | None) -> Tree:
    """A topic tree by levels, with what each topic of the ports seems to mean."""
    tree = Tree(Text(title, style="bold"), guide_style=QUIET)
    if draft is not None:
        found = tree.add(
            Text(f"{len(draft.numbers)} ports ({_span(draft.numbers)})", style=f"bold {POWERED}")
        )
        for topic in draft.topics:
            node = found.add(Text(str(topic["topic"])))
            kept = {id(value) for value in topic.values()}
            for guess in draft.guesses:
                if id(guess.mapping) in kept:
                    node.add(guess_line(guess.role, guess))
    rest = tree.add(Text(f"{len(messages)} topics heard", style=QUIET))
    for name, payload in sorted(messages.items())[:_SHOWN]:
        rest.add(Text(f"{name}  {short(payload.decode('utf-8', 'replace'))}", style=QUIET))
    if len(messages) > _SHOWN:
        rest.add(Text(f"and {len(messages) - _SHOWN} more", style=QUIET))
    return tree


def chips_tree(title: str, files: Mapping[str, str], draft: ChipsDraft | None) -> Tree:
    """Chips and their files, with the ports they may be."""
    tree = Tree(Text(title, style="bold"), guide_style=QUIET)
    folders: dict[str, dict[str, str]] = {}
    for path, content in files.items():
        folder, _, name = path.rpartition("/")
        folders.setdefault(folder, {})[name] = content
    for folder, chip in folders.items():
        node = tree.add(Text(f"{chip.get('name', '')} {folder}".strip()))
        for name, text in chip.items():
            if name != "name":
                node.add(Text(f"{name}  ") + Text(short(text), style=QUIET))
    if draft is not None:
        ports = tree.add(Text(f"{len(draft.ports)} ports", style=f"bold {POWERED}"))
        for number, files_of in draft.ports.items():
            which = next(iter(files_of["chip"].values()))
            uses = ", ".join(str(value) for key, value in files_of.items() if key != "chip")
            ports.add(Text(f"{number}  ") + Text(f"{which}: {uses}", style=QUIET))
    return tree


def readings_table(readings: Sequence[Reading]) -> Table:
    """What the draft reads at this moment."""
    table = Table(box=None, pad_edge=False, title="What this draft reads now", title_justify="left")
    for column in ("port", "power", "current", "fuse", "voltage", "temperature"):
        table.add_column(
            column, justify="right" if column in ("current", "voltage", "temperature") else "left"
        )
    for one in readings:
        table.add_row(
            str(number_of(one.port)),
            _word(one.power, "on", "off"),
            "" if one.current_a is None else f"{one.current_a + 0.0:.3f} A".replace("-0.000", "0.000"),
            _word(one.tripped, "open", "whole"),
            "" if one.voltage_v is None else f"{one.voltage_v:.2f} V",
            "" if one.temperature_c is None else f"{one.temperature_c:.1f} °C",
        )
    return table


def _word(value: bool | None, yes: str, no: str) -> str:
    return "not said" if value is None else yes if value else no


def change_line(at: str, change: Change, meaning: str) -> Text:
    """One change in one line."""
    text = Text(f"{at}  ", style=QUIET) + Text(change.path)
    text += Text(f"  {short(change.before)} → {short(change.after)}", style=FAULT)
    return text + (Text(f"  {meaning}", style=POWERED) if meaning else Text(""))


def console() -> Console:
    """Where people read: standard error, so that the draft alone goes to standard output."""
    made = Console(stderr=True, highlight=False, markup=False)
    if not made.is_terminal:
        made.width = _PLAIN_WIDTH
    return made


def as_data(guesses: Mapping[str, Guess]) -> list[dict[str, Any]]:
    """Guesses ready for JSON."""
    return [
        {
            "role": role,
            "mapping": guess.mapping,
            "confidence": guess.confidence,
            "why": guess.why,
            "others": list(guess.others),
            "unit_open": guess.unit_open,
        }
        for role, guess in guesses.items()
    ]
