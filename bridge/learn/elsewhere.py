"""Guess mappings of what is no single answer: topics of an MQTT controller, files of the kernel. Pure."""

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from bridge.learn.columns import Container, Role, candidates, step
from bridge.learn.guess import NO_CURRENT, Draft, Guess, infer

_ROLES: tuple[Role, ...] = ("current", "power", "tripped", "voltage", "temperature")


@dataclass(frozen=True, slots=True)
class TopicsDraft:
    """``topics:`` of an MQTT controller, the ports they speak of, and why each was taken for what it is."""

    topics: tuple[dict[str, Any], ...]
    numbers: tuple[int, ...]
    guesses: tuple[Guess, ...]
    confidence: float
    notes: tuple[str, ...] = ()

    @property
    def mapping(self) -> dict[str, Any]:
        """The draft as keys of ``reach:``."""
        return {"topics": list(self.topics)}


def infer_topics(
    messages: Mapping[str, bytes], earlier: Sequence[Mapping[str, bytes]] = ()
) -> TopicsDraft | None:
    """Which topics speak of ports, from the newest message of each; None when none seems to.

    Topics that differ in one number only are taken for the same thing of several ports. earlier: what the
    topics said before, oldest first: what changes meanwhile, and which words are used.
    """
    groups: dict[str, dict[int, Any]] = {}
    whole: dict[str, Draft] = {}
    for topic, payload in messages.items():
        said = _payload(payload)
        before = [_payload(one[topic]) for one in earlier if topic in one]
        # One port alone in a document is that topic's port, where the topic has its number.
        alone = (
            isinstance(said, dict)
            and re.search(r"\d", topic)
            and not any(isinstance(value, list | dict) for value in said.values())
        )
        if not alone and isinstance(said, dict | list) and (drafts := infer(said, before)):
            whole[topic] = drafts[0]
            continue
        for found in re.finditer(r"\d{1,6}", topic):
            template = f"{topic[: found.start()]}{{port}}{topic[found.end() :]}"
            groups.setdefault(template, {})[int(found[0])] = said
    topics: list[dict[str, Any]] = []
    guesses: list[Guess] = []
    numbers: set[int] = set()
    notes: list[str] = []
    for template, rows in groups.items():
        if len(rows) < 2:
            continue
        looks = [_of_template(template, rows, one) for one in earlier]
        made = _per_port(template, rows, [look for look in looks if look])
        if made:
            topics.append({"topic": template} | {guess.role: guess.mapping for guess in made})
            guesses += made
            numbers |= rows.keys()
    for topic, draft in whole.items():
        topics.append({"topic": topic} | {k: v for k, v in draft.mapping.items() if k != "counts_from"})
        guesses += draft.guesses.values()
        numbers |= set(draft.numbers)
        notes += draft.notes
    if not topics:
        return None
    sure = {role: max((g.confidence for g in guesses if g.role == role), default=0.0) for role in _ROLES}
    if not sure["current"]:
        notes.append(NO_CURRENT)
    confidence = 0.5 * sure["current"] + 0.25 * sure["power"] + 0.25 * sure["tripped"]
    return TopicsDraft(
        tuple(topics), tuple(sorted(numbers)), tuple(guesses), round(confidence, 3), tuple(notes)
    )


def _of_template(template: str, rows: Mapping[int, Any], messages: Mapping[str, bytes]) -> list[Any]:
    """What the topics of `rows` said in `messages`; empty where one was silent."""
    topics = [template.replace("{port}", str(number)) for number in rows]
    return [_payload(messages[topic]) for topic in topics] if all(t in messages for t in topics) else []


def _columns(template: str, values: Sequence[Any]) -> dict[str, list[Any]]:
    """The payloads of one topic per port as columns."""
    if all(isinstance(value, dict) for value in values):
        keys = dict.fromkeys(key for value in values for key in value)
        return {step("", key): [value.get(key) for value in values] for key in keys}
    if any(isinstance(value, dict | list) for value in values):
        return {}
    # A plain payload has no name of its own: the topic's last level is it.
    levels = [re.sub(r"\{port\}", "", level) for level in template.split("/")]
    return {next((level for level in reversed(levels) if level), "value"): list(values)}


def _per_port(template: str, rows: Mapping[int, Any], earlier: Sequence[Sequence[Any]]) -> list[Guess]:
    """What the payloads of one topic per port say."""
    values = list(rows.values())
    container = Container("ports", template, [str(number) for number in rows])
    container.columns = _columns(template, values)
    container.later = [found for look in earlier if (found := _columns(template, look))]
    guesses = []
    for role in _ROLES:
        best = next(iter(candidates(role, container)), None)
        if best is not None and best.score >= 0.3:
            mapping = best.mapping if all(isinstance(v, dict) for v in values) else _whole(best.mapping)
            sure = round(min(best.score, 1.0), 2)
            guesses.append(Guess(role, mapping, sure, f"{template}: {best.why}", unit_open=best.unit_open))
    return guesses


def _whole(mapping: str | dict[str, Any]) -> str | dict[str, Any]:
    """The same mapping for the whole payload."""
    if isinstance(mapping, dict):
        return mapping | {"from": "@"}
    _, bar, unit = mapping.rpartition("|")
    return f"@ |{unit}" if bar else "@"


def _payload(payload: bytes) -> Any:  # noqa: ANN401 - JSON or text
    try:
        text = payload.decode("utf-8").strip()
    except UnicodeDecodeError:
        return None
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return text


@dataclass(frozen=True, slots=True)
class ChipsDraft:
    """``ports:`` of a hwmon reach: one port per current sensor that was found."""

    ports: Mapping[int, dict[str, Any]]
    confidence: float
    notes: tuple[str, ...] = ()

    @property
    def mapping(self) -> dict[str, Any]:
        """The draft as keys of ``reach:``."""
        return {"ports": dict(self.ports)}


def infer_chips(files: Mapping[str, str]) -> ChipsDraft | None:
    """Which sensors may be ports, from real paths below the root and their contents; None when none measures.

    files: for example ``devices/i2c-1/1-0040/hwmon/hwmon3/curr1_input`` → ``1500``; also ``name`` and
    ``label`` files, and writable ``state`` files whose switches are offered in a note, never assigned.
    """
    chips: dict[str, dict[str, str]] = {}
    states = []
    for path, content in sorted(files.items()):
        folder, _, file = path.rpartition("/")
        if re.search(r"/hwmon/hwmon\d+$", folder):
            chips.setdefault(folder, {})[file] = content.strip()
        elif file in {"state", "brightness", "value"}:
            states.append(path)
    ports: dict[int, dict[str, Any]] = {}
    for folder, chip in chips.items():
        label = chip.get("label")
        which = {"label": label} if label else {"device": re.sub(r"/hwmon/hwmon\d+$", "", folder)}
        for file in sorted(chip, key=lambda name: (len(name), name)):
            found = re.fullmatch(r"curr(\d+)_input", file)
            if found is None:
                continue
            port: dict[str, Any] = {"chip": which, "current": f"curr{found[1]}"}
            # ina2xx: one current, in1 is the supply; three channels: in1 to in3 are their supplies.
            if f"in{found[1]}_input" in chip:
                port["voltage"] = f"in{found[1]}"
            for alarm in (f"curr{found[1]}_crit_alarm", f"curr{found[1]}_max_alarm"):
                if alarm in chip:
                    port["tripped"] = alarm
                    break
            ports[len(ports) + 1] = port
    if not ports:
        return None
    notes = ["the order of the ports is the order of the devices: compare it with what is wired where"]
    if any("tripped" in port for port in ports.values()):
        notes.append("an alarm file tells that a limit was passed; is it the fuse? If not, leave tripped out")
    notes += [f"{path} may switch something: nothing is assigned to it" for path in states]
    return ChipsDraft(ports, 0.5, tuple(notes))
