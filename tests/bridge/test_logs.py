"""Log events are an interface: stable dotted names, found in the sources themselves."""

import ast
import io
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest
import structlog

from bridge import logs

ROOT = Path(__file__).parents[2]
LEVELS = {"debug", "info", "warning", "error", "exception", "critical", "log"}
NAME = re.compile(r"[a-z0-9]+(_[a-z0-9]+)*\.[a-z0-9]+(_[a-z0-9]+)*")


class Call(NamedTuple):
    """One call of a logger: where, at which levels, the names it may log, and its keys."""

    file: str
    line: int
    levels: tuple[str, ...]
    names: tuple[str, ...]
    keys: tuple[str, ...]


def _names(node: ast.expr) -> tuple[str, ...]:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return (node.value,)
    if isinstance(node, ast.IfExp):
        return (*_names(node.body), *_names(node.orelse))
    return ()


def _is_logger(node: ast.expr) -> bool:
    return isinstance(node, ast.Name) and node.id in {"log", "_log", "logger"}


def calls() -> Iterator[Call]:
    """Every call of a structlog logger in bridge/ (rules/ logs nothing)."""
    for file in sorted((ROOT / "bridge").rglob("*.py")):
        text = file.read_text()
        if "structlog" not in text:
            continue
        for node in ast.walk(ast.parse(text)):
            if not isinstance(node, ast.Call):
                continue
            if isinstance(node.func, ast.Attribute) and _is_logger(node.func.value):
                level, arguments = node.func.attr, node.args
            elif _is_logger(node.func):  # a level chosen before: log = _log.info if ... else _log.warning
                level, arguments = "by outcome", node.args
            else:
                continue
            if level == "log":
                level, arguments = "by outcome", arguments[1:]
            keys = tuple(keyword.arg or "**" for keyword in node.keywords)
            names = _names(arguments[0]) if arguments else ()
            yield Call(str(file.relative_to(ROOT)), node.lineno, (level,), names, keys)


def table() -> list[str]:
    """All events as rows of the table for people: name, levels, keys, files."""
    found: dict[str, list[Call]] = {}
    for call in calls():
        for name in call.names:
            found.setdefault(name, []).append(call)
    rows = []
    for name, places in sorted(found.items()):
        levels = sorted({level for call in places for level in call.levels})
        keys = sorted({key for call in places for key in call.keys if key != "**"})
        files = sorted({call.file for call in places})
        rows.append(f"| `{name}` | {', '.join(levels)} | {', '.join(keys)} | {', '.join(files)} |")
    return rows


def test_the_table_for_people_is_true() -> None:
    """DEVELOPERS.md lists every log event with its levels, keys and files, and no other."""
    lines = (ROOT / "DEVELOPERS.md").read_text().splitlines()
    head = lines.index("| event | level | keys | from |")
    end = lines.index("", head)
    assert lines[head + 2 : end] == table()


def test_every_event_is_a_dotted_name() -> None:
    """Each log call names its event as a constant of two words with a dot, lower case, underscores inside."""
    found = list(calls())
    assert len(found) > 40
    for call in found:
        assert call.names, f"{call.file}:{call.line} logs a name that is not written there"
        for name in call.names:
            assert NAME.fullmatch(name), f"{call.file}:{call.line}: {name}"


def test_no_key_takes_a_secret() -> None:
    """No log call has a key for what must never be logged."""
    for call in calls():
        assert not set(call.keys) & {"password", "token", "secret", "headers", "authorization"}, call


def test_rules_log_nothing() -> None:
    """The rules decide; what they find is told as an effect."""
    for file in (ROOT / "rules").rglob("*.py"):
        assert "structlog" not in file.read_text(), file


@pytest.fixture
def restored() -> Iterator[None]:
    """Logging as it was before."""
    yield
    structlog.reset_defaults()


@pytest.mark.parametrize("level", sorted(logs.LEVELS))
def test_json_lines_and_levels(restored: None, level: str) -> None:
    """As JSON each line is one object with event, level and UTC time; less than the level is not logged."""
    stream = io.StringIO()
    logs.configure(level=level, json=True, stream=stream)
    log = structlog.get_logger()
    for name in ("debug", "info", "warning", "error"):
        getattr(log, name)("test.said", text="zwölf\nvolt")
    lines = [json.loads(line) for line in stream.getvalue().splitlines()]
    wanted = [
        name for name in ("debug", "info", "warning", "error") if logs.LEVELS[name] >= logs.LEVELS[level]
    ]
    assert [line["level"] for line in lines] == wanted
    for line in lines:
        assert line["event"] == "test.said"
        assert line["text"] == "zwölf\nvolt"
        assert line["timestamp"].endswith("Z")


def test_an_exception_stays_on_one_line(restored: None) -> None:
    """A traceback is a value inside the JSON object, not lines of its own."""
    stream = io.StringIO()
    logs.configure(json=True, stream=stream)
    try:
        json.loads("{\n")
    except ValueError:
        structlog.get_logger().exception("test.failed")
    (line,) = stream.getvalue().splitlines()
    assert "JSONDecodeError" in json.loads(line)["exception"]
