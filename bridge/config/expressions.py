"""Expressions (JMESPath) and templates of a mapping: checked when the file is read, fast when used.

A mapping is data from the person's file. Nothing in it can run code, open files or reach the network:
JMESPath has no such functions, and templates know two words that are replaced by plain text.
"""

import re
import warnings
from collections.abc import Callable
from typing import Any

Getter = Callable[[Any], Any]
"""Takes an answer (or a part of it), gives the value found or None."""

_WORD = re.compile(r"\{([A-Za-z_][A-Za-z0-9_]*)\}")
_DEEPEST = 100
"""Levels of an expression that are read; evaluating one takes several calls for each."""
PLACEHOLDERS = frozenset({"port", "power"})


def compile_expression(text: str) -> Getter:
    """A function that evaluates the JMESPath expression `text`; a value that is not there gives None.

    Plain keys and dotted keys bypass the interpreter. Raises ValueError with what would be right.
    """
    parsed = _parse(text)
    keys = _plain_keys(parsed.parsed)
    if keys is not None:
        return _by_keys(keys)
    from jmespath.exceptions import JMESPathError  # noqa: PLC0415 - kept out of start-up

    search = parsed.search

    def evaluate(answer: Any) -> Any:  # noqa: ANN401 - JSON
        try:
            return search(answer)
        # A function on a value of the wrong type is "not said"; so is arithmetic on what can't be counted.
        except (JMESPathError, TypeError, ValueError, ArithmeticError, RecursionError):
            return None

    return evaluate


def check_flag_expression(text: str) -> None:
    """Refuse comparisons and negation: they turn a value that is not there into a false or true.

    Raises ValueError with what would be right.
    """
    if _invents(_parse(text).parsed):
        raise ValueError(
            f"in {text} a missing value would read as true or false; name the value alone and list its "
            "spellings: {from: state, yes: [tripped], no: [closed]}"
        )


def splits_positions(text: str) -> bool:
    """Whether the expression leaves out nulls or filters, so that positions no longer count ports."""
    return _has(_parse(text).parsed, {"projection", "filter_projection", "value_projection", "flatten"})


def without_star(text: str) -> str:
    """``outputs[*]`` → ``outputs``: who walks the elements one by one keeps the place of a null."""
    text = text.strip()
    return text[:-3] if text.endswith("[*]") and len(text) > 3 else text


def _parse(text: str) -> Any:  # noqa: ANN401 - the library's parse result is untyped
    import jmespath  # noqa: PLC0415 - kept out of start-up
    from jmespath.exceptions import JMESPathError  # noqa: PLC0415

    try:
        with warnings.catch_warnings():
            # A literal that is no JSON is read as text by the library, and by no other one.
            warnings.simplefilter("error", PendingDeprecationWarning)
            parsed = jmespath.compile(text)
    except PendingDeprecationWarning:
        raise ValueError(f"{text!r}: what stands between ` and ` is no JSON; write a text as '...'") from None
    except (JMESPathError, ValueError, RecursionError) as error:
        quoted = re.sub(
            r"(?<![\w\"'`-])[A-Za-z0-9_]+(?:-[A-Za-z0-9_]+)+(?![\w\"'`-])", lambda m: f'"{m[0]}"', text
        )
        if quoted != text:
            try:
                jmespath.compile(quoted)
            except (JMESPathError, ValueError, RecursionError):
                pass
            else:
                raise ValueError(
                    f"a key with a hyphen needs double quotes inside the expression; write '{quoted}'"
                ) from None
        first = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise ValueError(f"{text!r} is no JMESPath expression: {first}") from None
    if _deeper(parsed.parsed, _DEEPEST):
        raise ValueError(f"{text!r} has more than {_DEEPEST} parts inside each other; write it simpler")
    return parsed


def _deeper(node: Any, levels: int) -> bool:  # noqa: ANN401 - the library's tree is untyped
    """Whether an expression has more than so many levels. Without recursion: all else here recurses."""
    row = [node]
    for _ in range(levels):
        row = [child for one in row for child in one["children"] if isinstance(child, dict)]
        if not row:
            return False
    return True


def _plain_keys(node: dict[str, Any]) -> tuple[str, ...] | None:
    """The keys of ``a`` or ``a.b.c``; () for ``@``; None for anything more."""
    kind = node["type"]
    if kind == "current":
        return ()
    if kind == "field":
        return (node["value"],)
    if kind == "subexpression":
        parts = [_plain_keys(child) for child in node["children"]]
        if all(part is not None for part in parts):
            return tuple(key for part in parts if part for key in part)
    return None


def _by_keys(keys: tuple[str, ...]) -> Getter:
    """A getter that walks objects by key."""
    if not keys:
        return lambda answer: answer
    if len(keys) == 1:
        key = keys[0]
        return lambda answer: answer.get(key) if type(answer) is dict else None

    def walk(answer: Any) -> Any:  # noqa: ANN401 - JSON
        for key in keys:
            if type(answer) is not dict:
                return None
            answer = answer.get(key)
        return answer

    return walk


def _invents(node: dict[str, Any]) -> bool:
    """Whether a comparison or negation decides the result (inside a filter it only chooses)."""
    if node["type"] in {"comparator", "not_expression"}:
        return True
    children = node["children"]
    if node["type"] == "filter_projection":
        children = children[:2]  # the third is the filter's condition
    return any(_invents(child) for child in children if isinstance(child, dict))


def _has(node: dict[str, Any], kinds: set[str]) -> bool:
    return node["type"] in kinds or any(
        _has(child, kinds) for child in node["children"] if isinstance(child, dict)
    )


def check_template(text: str) -> None:
    """Refuse words in braces that are never replaced. Raises ValueError with the words that are."""
    for word in _WORD.findall(text):
        if word not in PLACEHOLDERS:
            raise ValueError(f"{{{word}}} is never replaced; {{port}} and {{power}} are")


def fill(text: str, port: str, power: str) -> str:
    """`text` with ``{port}`` and ``{power}`` replaced; nothing else happens to it."""
    return text.replace("{port}", port).replace("{power}", power)


def fill_json(node: Any, port: int, power: Any) -> Any:  # noqa: ANN401 - JSON
    """A JSON value with its placeholders replaced, in keys too.

    A text that is nothing but ``"{power}"`` becomes `power` in its own type, ``"{port}"`` the integer.
    """
    if isinstance(node, str):
        if node == "{power}":
            return power
        if node == "{port}":
            return port
        return fill(node, str(port), spell(power))
    if isinstance(node, dict):
        return {
            fill(key, str(port), spell(power)): fill_json(part, port, power) for key, part in node.items()
        }
    if isinstance(node, list):
        return [fill_json(part, port, power) for part in node]
    return node


def spell(power: Any) -> str:  # noqa: ANN401 - any JSON scalar
    """A power value inside a text, as JSON spells booleans."""
    if isinstance(power, bool):
        return "true" if power else "false"
    return str(power)
