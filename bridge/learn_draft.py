"""Write a guessed mapping as YAML for a person: every line says why it is there, and what to check."""

import json
from collections.abc import Mapping, Sequence
from typing import Any

from bridge.learn import Draft, Guess
from bridge.learn_elsewhere import ChipsDraft, TopicsDraft

_TITLES = {
    "port": "the port's number",
    "current": "the current",
    "power": "whether power is on",
    "tripped": "whether the fuse opened",
    "voltage": "the voltage",
    "temperature": "the temperature",
}
_HEAD = (
    "A draft from what was answered, not a fact. Compare each line with the controller before a port",
    "is switched by it: switch one port that you can see, and watch that one.",
)


def http_yaml(controller: str, parts: Sequence[tuple[str, str, Draft]]) -> str:
    """A ``controllers:`` section for an HTTP face.

    parts: (url, method, draft) of each address that was asked, the main one first.
    """
    url, method, main = parts[0]
    lines = [*_comments(_HEAD), "controllers:", f"  {_scalar(controller)}:", "    reach:", "      kind: http"]
    lines += _part(url, method, main, "      ")
    if main.counts_from == 0:
        lines.append("      counts_from: 0")
    if len(parts) > 1:
        lines.append("      also:")
        for more_url, more_method, draft in parts[1:]:
            part = _part(more_url, more_method, draft, "          ")
            part[_first(part)] = "        - " + part[_first(part)].lstrip()
            lines += part
    lines += [
        "      # How a port is switched can't be seen from an answer: look it up, and take the # away.",
        '      # switch: {method: POST, url: "http://.../{port}", json: {power: "{power}"}}',
    ]  # fmt: skip
    numbers = sorted({number for _, _, draft in parts for number in draft.numbers})
    return "\n".join([*lines, *_ports(numbers)]) + "\n"


def mqtt_yaml(controller: str, host: str, draft: TopicsDraft) -> str:
    """A ``controllers:`` section for a controller that publishes by itself."""
    lines = [*_comments(_HEAD), "controllers:", f"  {_scalar(controller)}:", "    reach:", "      kind: mqtt"]
    lines += [f"      broker: {{host: {_scalar(host)}}}", *_comments(draft.notes, "      "), "      topics:"]
    why = {id(guess.mapping): guess for guess in draft.guesses}
    for topic in draft.topics:
        for at, (key, value) in enumerate(topic.items()):
            guess = why.get(id(value))
            lines += _reason(guess, "          ") if guess else []
            lines.append(f"        {'- ' if at == 0 else '  '}{key}: {_scalar(value)}")
    lines.append('      # switch: {topic: "...{port}...", payload: "{power}"}')
    return "\n".join([*lines, *_ports(draft.numbers)]) + "\n"


def hwmon_yaml(controller: str, draft: ChipsDraft) -> str:
    """A ``controllers:`` section for sensors of this machine."""
    lines = [
        *_comments(_HEAD),
        "controllers:",
        f"  {_scalar(controller)}:",
        "    reach:",
        "      kind: hwmon",
    ]
    lines += [*_comments(draft.notes, "      "), "      ports:"]
    lines += [f"        {number}: {_scalar(port)}" for number, port in draft.ports.items()]
    return "\n".join([*lines, *_ports(tuple(draft.ports))]) + "\n"


def _part(url: str, method: str, draft: Draft, indent: str) -> list[str]:
    """One address with its mapping."""
    lines = [f"{indent}url: {_scalar(url)}"]
    if method != "GET":
        lines += [f"{indent}method: {method}", f"{indent}json: {{}}"]
    lines += _comments(draft.notes, indent)
    for key, value in draft.mapping.items():
        if key == "counts_from":  # said once, for all addresses
            continue
        guess = draft.guesses.get(key)  # type: ignore[call-overload] # other keys are no roles, and give None
        lines += _reason(guess, indent) if guess else []
        lines.append(f"{indent}{key}: {_scalar(value)}")
    return lines


def _first(lines: Sequence[str]) -> int:
    """The first line that is no comment."""
    return next(at for at, line in enumerate(lines) if not line.lstrip().startswith("#"))


def _reason(guess: Guess, indent: str) -> list[str]:
    """Why this is thought, how sure, and what else it could be."""
    sure = "likely" if guess.confidence >= 0.75 else "perhaps" if guess.confidence >= 0.5 else "a guess"
    text = f"{_TITLES[guess.role]}, {sure}: {guess.why}"
    others = f"; or {', '.join(guess.others)}" if guess.others else ""
    return _comments((text + others,), indent)


def _comments(texts: Sequence[str], indent: str = "") -> list[str]:
    return [f"{indent}# {_printable(' '.join(text.split()))}" for text in texts]


def _ports(numbers: Sequence[int]) -> list[str]:
    """The ports that were found; which of them are ours is for the person to say."""
    lines = ["    ports:  # keep those that are yours: others are never switched"]
    return [*lines, *(f"      {number}: {{name: Port {number}}}" for number in numbers)]


def _scalar(value: Any) -> str:  # noqa: ANN401 - any JSON value
    """A value in YAML's flow form. JSON texts are YAML texts, and are read the same everywhere."""
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{key}: {_scalar(part)}" for key, part in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_scalar(part) for part in value) + "]"
    if isinstance(value, float):
        return f"{value:.6g}"
    return _printable(json.dumps(value, ensure_ascii=False))


def _printable(text: str) -> str:
    """What a controller said may hold characters that no YAML file may: they are written as escapes."""
    return "".join(
        character
        if character.isprintable()
        else f"\\u{ord(character):04x}"
        if ord(character) <= 0xFFFF
        else f"\\U{ord(character):08x}"
        for character in text
    )
