"""Write a guessed mapping as YAML for a person: every line says why it is there, and what to check."""

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from bridge.learn.elsewhere import ChipsDraft, TopicsDraft
from bridge.learn.guess import Draft, Guess

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


@dataclass(frozen=True, slots=True)
class Said:
    """What a person said that no answer tells: keys of ``reach:``, such as switch, clear, auth, tls."""

    switch: Mapping[str, Any] | None = None
    clear: Mapping[str, Any] | None = None
    more: Mapping[str, Any] = field(default_factory=dict)


def http_yaml(controller: str, parts: Sequence[tuple[str, str, Draft]], said: Said | None = None) -> str:
    """A ``controllers:`` section for an HTTP face.

    parts: (url, method, draft) of each address that was asked, the main one first.
    """
    url, method, main = parts[0]
    said = said or Said()
    lines = [*_comments(_HEAD), "controllers:", f"  {_key(controller)}:", "    reach:", "      kind: http"]
    lines += _part(url, method, main, "      ", said.more.get("json"))
    if main.counts_from == 0:
        lines.append("      counts_from: 0")
    if len(parts) > 1:
        lines.append("      also:")
        for more_url, more_method, draft in parts[1:]:
            part = _part(more_url, more_method, draft, "          ", said.more.get("json"))
            part[_first(part)] = "        - " + part[_first(part)].lstrip()
            lines += part
    lines += [f"      {key}: {_scalar(value)}" for key, value in said.more.items() if key != "json"]
    lines += _sends(said, '{method: POST, url: "http://.../{port}", json: {power: "{power}"}}')
    numbers = sorted({number for _, _, draft in parts for number in draft.numbers})
    return "\n".join([*lines, *_ports(numbers)]) + "\n"


def _sends(said: Said, example: str) -> list[str]:
    """The switching commands, or how one would look."""
    if said.switch is None:
        return [
            "      # How a port is switched can't be seen from an answer: look it up, and take the # away.",
            f"      # switch: {example}",
        ]
    lines = ["      # As you said; prove it on one port that you can see: duskward learn --try FILE PORT"]
    lines.append(f"      switch: {_scalar(said.switch)}")
    if said.clear is not None:
        lines.append(f"      clear: {_scalar(said.clear)}")
    return lines


def mqtt_yaml(controller: str, host: str, draft: TopicsDraft, said: Said | None = None) -> str:
    """A ``controllers:`` section for a controller that publishes by itself."""
    said = said or Said()
    broker = {"host": host, **said.more}
    lines = [*_comments(_HEAD), "controllers:", f"  {_key(controller)}:", "    reach:", "      kind: mqtt"]
    lines += [
        "      # The site's own broker? Then leave this line out.",
        f"      broker: {_scalar(broker)}",
        *_comments(draft.notes, "      "),
        "      topics:",
    ]
    why = {id(guess.mapping): guess for guess in draft.guesses}
    for topic in draft.topics:
        for at, (key, value) in enumerate(topic.items()):
            guess = why.get(id(value))
            lines += _reason(guess, "          ") if guess else []
            lines.append(f"        {'- ' if at == 0 else '  '}{key}: {_scalar(value)}")
    lines += _sends(said, '{topic: "...{port}...", payload: "{power}"}')
    return "\n".join([*lines, *_ports(draft.numbers)]) + "\n"


def hwmon_yaml(controller: str, draft: ChipsDraft, root: str = "") -> str:
    """A ``controllers:`` section for sensors of this machine; `root` where it is not ``/sys``."""
    lines = [
        *_comments(_HEAD),
        "controllers:",
        f"  {_key(controller)}:",
        "    reach:",
        "      kind: hwmon",
    ]
    if root:
        lines.append(f"      root: {_scalar(root)}")
    lines += [*_comments(draft.notes, "      "), "      ports:"]
    lines += [f"        {number}: {_scalar(port)}" for number, port in draft.ports.items()]
    return "\n".join([*lines, *_ports(tuple(draft.ports))]) + "\n"


def whole_file(section: str) -> str:
    """`section` with all else that a first file needs; the made-up parts are marked."""
    return (
        "# A first file: put your own place and broker here.\n"
        "site:\n"
        "  id: my-site               # all topics begin with it\n"
        "  name: My site\n"
        "  timezone: Europe/Dublin   # yours, as IANA names it\n"
        "  latitude: 53.35           # degrees north; for sunset\n"
        "  longitude: -6.26          # degrees east\n"
        "broker: {host: 127.0.0.1}   # your MQTT broker\n"
        f"{section}"
    )


def _part(url: str, method: str, draft: Draft, indent: str, body: Any) -> list[str]:  # noqa: ANN401 - JSON
    """One address with its mapping."""
    lines = [f"{indent}url: {_scalar(url)}"]
    if method != "GET":
        lines += [f"{indent}method: {method}", f"{indent}json: {_scalar({} if body is None else body)}"]
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


def _key(key: Any) -> str:  # noqa: ANN401 - a text or a number
    """A key; quoted unless it is a plain word, which YAML 1.2 reads as it stands."""
    plain = isinstance(key, int) or re.fullmatch(r"[a-z_][a-z0-9_-]*", key)
    return str(key) if plain and key not in ("true", "false", "null") else _printable(json.dumps(key))


def _scalar(value: Any) -> str:  # noqa: ANN401 - any JSON value
    """A value in YAML's flow form. JSON texts are YAML texts, and are read the same everywhere."""
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_key(key)}: {_scalar(part)}" for key, part in value.items()) + "}"
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
