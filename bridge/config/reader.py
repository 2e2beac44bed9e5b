"""Read YAML as version 1.2 means it, and remember the line and column of everything.

PyYAML scans and parses; what its events mean is decided here, because PyYAML resolves YAML 1.1, in which
``22:30`` is 1350 and ``no`` is false. The meaning is the core schema of YAML 1.2.2, chapter 10.3.2:
``22:30``, ``on``, ``no``, ``2025-12-24`` and ``52:54:00:12:34:56`` are text, ``010`` is ten, ``0o10`` is
eight. Refused, each with its place: duplicate keys, tags, merge keys (``<<`` is YAML 1.1), more than one
document, keys that are neither text nor whole numbers, aliases inside their own anchor, and documents
larger, deeper or, by aliases, more numerous than any site can need.
"""

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import yaml

from bridge.errors import ConfigurationError, Problem

MAX_BYTES = 1 << 20
"""A file of one mebibyte describes a site of several thousand ports."""
MAX_DEPTH = 40
"""Mappings and sequences inside each other."""
MAX_VALUES = 100_000
"""Values in the file, counting what an alias repeats each time."""

_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)  # the same events, in C where PyYAML was built so

_NULL = frozenset({"", "~", "null", "Null", "NULL"})
_BOOLEANS = {"true": True, "True": True, "TRUE": True, "false": False, "False": False, "FALSE": False}
_INTEGER = re.compile(r"[-+]?[0-9]+")
_OCTAL = re.compile(r"0o([0-7]+)")
_HEXADECIMAL = re.compile(r"0x([0-9a-fA-F]+)")
_FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?")
_SPECIAL = re.compile(r"[-+]?(?:\.inf|\.Inf|\.INF)|\.nan|\.NaN|\.NAN")
_NAME = re.compile(r"[\w-]{1,40}")
_LONGEST_NUMBER = 40  # characters; a longer run of digits is no number of this trade


@dataclass(frozen=True, slots=True)
class Place:
    """Where something stands, counted from 1."""

    line: int
    column: int


@dataclass(slots=True)
class Node:
    """A value with its place. `value` is a scalar, ``dict[key, Node]`` or ``list[Node]``.

    keys: places of the keys of a mapping; weight: values in it, aliases counted each time; height: levels
    in it.
    """

    value: Any
    place: Place
    keys: dict[Any, Place] = field(default_factory=dict)
    weight: int = 1
    height: int = 1

    def get(self, key: object) -> "Node | None":
        """The value under a key or index, None where there is none."""
        if isinstance(self.value, dict):
            found: Node | None = self.value.get(key)
            return found
        if isinstance(self.value, list) and isinstance(key, int) and 0 <= key < len(self.value):
            item: Node = self.value[key]
            return item
        return None

    def items(self) -> Iterator[tuple[Any, "Node"]]:
        """The entries of a mapping; nothing for any other value."""
        return iter(self.value.items() if isinstance(self.value, dict) else ())

    def entries(self) -> Iterator["Node"]:
        """The entries of a sequence; nothing for any other value."""
        return iter(self.value if isinstance(self.value, list) else ())


Tell = Callable[[Node, str, str, str], None]
"""Takes the node it is about, the path of keys, what is wrong, what would be right."""


def read(text: str, file: str = "") -> tuple[Node, list[Problem]]:
    """The document's tree, and what is wrong that still left a tree (duplicate keys, tags …).

    Raises ConfigurationError where there is no tree: not YAML, empty, too large or too deep.
    """
    if len(text) > MAX_BYTES:
        raise ConfigurationError([_problem(file, None, "the file is too large", _limits())])
    composer = _Composer(file)
    try:
        root = composer.document(text)
    except yaml.MarkedYAMLError as error:
        failure = _not_yaml(error, text, file)
    except yaml.reader.ReaderError as error:
        line = text.count("\n", 0, error.position) + 1
        column = error.position - text.rfind("\n", 0, error.position)
        what = "a control character that YAML does not allow"
        failure = _problem(
            file, Place(line, column), what, "delete it or write it as an escape in double quotes"
        )
    except _TooMuchError as error:
        failure = error.problem
    else:
        return root, composer.problems
    # Raised out here, so that the library's error with its excerpt of the file is not attached.
    raise ConfigurationError(sorted([*composer.problems, failure], key=lambda one: (one.line, one.column)))


def decode(content: bytes, file: str = "") -> str:
    """UTF-8 text of a file, with or without a byte-order mark. Raises ConfigurationError."""
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = content[: error.start]
        place = Place(before.count(b"\n") + 1, error.start - before.rfind(b"\n"))
    raise ConfigurationError([_problem(file, place, "this is not UTF-8", "save the file as UTF-8")])


def plain(node: Node, made: dict[int, Node]) -> object:
    """The tree as dicts, lists and scalars; `made` maps the id of each dict to its node."""
    if isinstance(node.value, dict):
        mapping = {key: plain(value, made) for key, value in node.value.items()}
        made[id(mapping)] = node
        return mapping
    if isinstance(node.value, list):
        return [plain(value, made) for value in node.value]
    return node.value


def shown(key: object) -> str:
    """A key for a message: as it is if it can be one, else a blank.

    ``{password:secret}`` without a space behind the colon is one long key in YAML.
    """
    return str(key) if _NAME.fullmatch(str(key)) else "(no name)"


def resolve(text: str) -> str | bool | int | float | None:
    """What an unquoted scalar means in the core schema of YAML 1.2 (YAML 1.2.2, 10.3.2)."""
    if text in _NULL:
        return None
    if text in _BOOLEANS:
        return _BOOLEANS[text]
    if len(text) > _LONGEST_NUMBER:
        return text
    if _INTEGER.fullmatch(text):
        return int(text)
    if octal := _OCTAL.fullmatch(text):
        return int(octal[1], 8)
    if hexadecimal := _HEXADECIMAL.fullmatch(text):
        return int(hexadecimal[1], 16)
    if _FLOAT.fullmatch(text):
        return float(text)
    if _SPECIAL.fullmatch(text):
        return float(text.lower().replace(".", ""))
    return text


class _TooMuchError(Exception):
    """The document can't be read on."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        super().__init__(str(problem))


def _limits() -> str:
    return f"at most {MAX_BYTES // 1024} KiB, {MAX_DEPTH} levels and {MAX_VALUES} values can be read"


def _problem(file: str, place: Place | None, what: str, right: str) -> Problem:
    return Problem(what, right, file, place.line if place else 1, place.column if place else 1)


def _not_yaml(error: yaml.MarkedYAMLError, text: str, file: str) -> Problem:
    """The library's words, with the place and what usually helps."""
    place, mark = Place(1, 1), error.problem_mark or error.context_mark
    if mark is not None:
        lines = text.splitlines() or [""]
        line = min(mark.line, len(lines) - 1)  # an unfinished document ends "behind" its last line
        place = Place(line + 1, mark.column + 1 if line == mark.line else len(lines[line]) + 1)
    # A tag's name is what the person wrote, and a password may begin with an exclamation mark.
    problem = str(error.problem or error.context).partition(" handle ")[0]
    if "nesting" in problem:
        return _problem(file, place, "the file is nested too deeply here", _limits())
    what = f"this is not YAML: {problem}"
    if error.context and error.problem:
        what += f" ({error.context})"
    before = (text.splitlines() or [""])[place.line - 1][: place.column]
    return _problem(file, place, what, _syntax_advice(problem, tab="\t" in before))


def _syntax_advice(problem: str, *, tab: bool) -> str:
    if tab:
        return "indent with spaces, not with tabs"
    if "mapping values are not allowed" in problem:
        return "put text that holds a colon and a space in quotes, and check the indentation"
    if "cannot start any token" in problem:
        return "put the value in quotes"
    if "expected <block end>" in problem or "could not find expected" in problem:
        return "check the indentation and the quotes of this line and the one before"
    return "check the line, and the one before it"


class _Composer:
    """Events → nodes, without recursion into the library and within bounds."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.problems: list[Problem] = []
        self._anchors: dict[str, Node | None] = {}  # None: still being read
        self._count = 0

    def document(self, text: str) -> Node:
        """The one document of `text`."""
        events = iter(yaml.parse(text, Loader=_LOADER))
        root: Node | None = None
        for event in events:
            if isinstance(event, yaml.DocumentStartEvent):
                if root is not None:
                    self._refuse(
                        _place(event), "a second document begins here", "keep one document in a file"
                    )
                    break
                root = self._node(next(events), events, 1)
        if root is None or (root.value is None and root.weight == 1):
            problem = _problem(self.file, None, "the file is empty", "write at least a site and a broker")
            raise _TooMuchError(problem)
        return root

    def _node(self, event: yaml.Event, events: Iterator[yaml.Event], depth: int) -> Node:
        place = _place(event)
        self._bounds(place, depth)
        anchor, tag = getattr(event, "anchor", None), getattr(event, "tag", None)
        if isinstance(event, yaml.AliasEvent):
            return self._alias(str(anchor), place, depth)
        if anchor is not None:
            self._anchors[anchor] = None
        if tag is not None:
            right = "leave it out: the meaning follows from the key, and text can stand in quotes"
            self._refuse(place, "tags are not read", right)
        if isinstance(event, yaml.ScalarEvent):
            is_plain = event.implicit[0] and tag is None
            node = Node(resolve(event.value) if is_plain else event.value, place)
        elif isinstance(event, yaml.SequenceStartEvent):
            node = self._sequence(place, events, depth)
        else:
            node = self._mapping(place, events, depth)
        if anchor is not None:
            self._anchors[anchor] = node
        return node

    def _sequence(self, place: Place, events: Iterator[yaml.Event], depth: int) -> Node:
        node = Node([], place)
        while not isinstance(event := next(events), yaml.SequenceEndEvent):
            item = self._node(event, events, depth + 1)
            node.value.append(item)
            node.weight += item.weight
            node.height = max(node.height, item.height + 1)
        return node

    def _mapping(self, place: Place, events: Iterator[yaml.Event], depth: int) -> Node:
        node = Node({}, place)
        while not isinstance(event := next(events), yaml.MappingEndEvent):
            is_merge = isinstance(event, yaml.ScalarEvent) and event.value == "<<" and event.implicit[0]
            key = self._node(event, events, depth + 1)
            value = self._node(next(events), events, depth + 1)
            node.weight += key.weight + value.weight
            node.height = max(node.height, value.height + 1)
            if is_merge:
                right = "write what all ports of a controller share under its every_port"
                self._refuse(key.place, "merge keys (<<) are no part of YAML 1.2", right)
            elif isinstance(key.value, bool) or not isinstance(key.value, str | int):
                self._refuse(key.place, "a key must be text or a whole number", "put the key in quotes")
            elif key.value in node.value:
                first = node.keys[key.value].line
                right = f"it stands in line {first} already: keep one of them"
                self._refuse(key.place, f"duplicate key {shown(key.value)}", right)
            else:
                node.value[key.value] = value
                node.keys[key.value] = key.place
        return node

    def _alias(self, name: str, place: Place, depth: int) -> Node:
        if name not in self._anchors:
            right = "define it first; text that begins with * stands in quotes"
            problem = _problem(self.file, place, "no anchor of this name stands before this alias", right)
            raise _TooMuchError(problem)
        target = self._anchors[name]
        if target is None:
            problem = _problem(
                self.file, place, "this alias stands inside its own anchor", "write the value out"
            )
            raise _TooMuchError(problem)
        self._count += target.weight - 1
        self._bounds(place, depth + target.height - 1)
        return Node(target.value, target.place, target.keys, target.weight, target.height)

    def _bounds(self, place: Place, depth: int) -> None:
        self._count += 1
        if depth > MAX_DEPTH:
            raise _TooMuchError(_problem(self.file, place, "the file is nested too deeply here", _limits()))
        if self._count > MAX_VALUES:
            raise _TooMuchError(_problem(self.file, place, "the file holds too many values", _limits()))

    def _refuse(self, place: Place, what: str, right: str) -> None:
        self.problems.append(_problem(self.file, place, what, right))


def _place(event: yaml.Event) -> Place:
    mark = event.start_mark
    return Place(mark.line + 1, mark.column + 1) if mark else Place(1, 1)


def locate(root: Node, path: Sequence[object]) -> tuple[Place, list[str]]:
    """Where `path` stands, and its keys in words. Parts of the path that are no key of the file are skipped.

    (Validation libraries put names of union members into their paths.)
    """
    node, place, words = root, root.place, []
    for part in path:
        if (inner := node.get(part)) is None:
            continue
        place = node.keys.get(part, inner.place)
        words.append(shown(part))
        node = inner
    if not isinstance(node.value, dict | list) and words:
        place = node.place  # a scalar: point at the value, not at its key
    return place, words
