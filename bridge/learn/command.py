"""`duskward learn`: look at a controller, say what was found and how sure that is, write a draft.

What can't be known from looking (a unit that nothing states, the switching command) is asked: by prompts on
a terminal, else by options. What is left open is told, and the draft says so at its place.
"""

import asyncio
import json
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal, cast

from bridge.errors import AskedWronglyError, DuskwardError, PermanentError
from bridge.learn.columns import Json
from bridge.learn.draft import Said, http_yaml, hwmon_yaml, mqtt_yaml, whole_file
from bridge.learn.elsewhere import ChipsDraft, TopicsDraft, infer_chips, infer_topics
from bridge.learn.fetch import Address, HttpAsker, Login, Topics, collect, scan, topics_of
from bridge.learn.guess import NO_CURRENT, NO_TRIP, Draft, Guess, infer, infer_single
from bridge.learn.view import (
    answer_tree,
    as_data,
    chips_tree,
    console,
    readings_table,
    source_of,
    topics_tree,
)
from bridge.learn.watch import watch_files, watch_http, watch_topics
from rules.ports import Reading

_NEXT = (
    "The draft was written to {path}. Next: put it into your configuration, then: duskward check FILE --live"
)
_NEXT_WHOLE = (
    "The draft was written to {path}. Next: your own site and broker in it, then: "
    "duskward check {path} --live"
)


@dataclass(frozen=True, slots=True)
class Options:
    """All that can be said on the command line."""

    topic: str | None = None
    method: Literal["GET", "POST"] = "GET"
    body: str | None = None
    numbers: tuple[int, ...] = ()
    asks: int = 3
    gap_s: float = 1.0
    for_s: float = 8.0
    login: Login = field(default_factory=Login)
    controller: str = "controller-1"
    unit: str | None = None
    switch: Mapping[str, Any] | None = None
    clear: Mapping[str, Any] | None = None
    watch: bool = False
    watch_s: float | None = None
    out: Path | None = None
    force: bool = False
    whole: bool = False
    as_json: bool = False
    prompts: bool | None = None
    """Whether questions are asked; None: on a terminal."""

    @property
    def may_ask(self) -> bool:
        """Whether somebody is there to answer."""
        if self.prompts is not None:
            return self.prompts
        return sys.stdin.isatty() and sys.stderr.isatty() and not self.as_json


@dataclass(slots=True)
class Found:
    """What was learned of one controller."""

    target: str
    kind: str
    guesses: dict[str, Guess] = field(default_factory=dict)
    numbers: tuple[int, ...] = ()
    confidence: float = 0.0
    notes: tuple[str, ...] = ()
    write: Callable[[Said], str] = lambda _: ""
    readings: list[Reading] = field(default_factory=list)
    trouble: str = ""


def learn(targets: Sequence[str], options: Options) -> bool:
    """Learn `targets` (addresses of one controller, one topic tree, or a folder); whether ports were found.

    Raises DuskwardError kinds, each one sentence.
    """
    if options.out is not None and options.out.exists() and not options.force:
        raise PermanentError(
            f"{options.out} is there already and stays as it is; name another file, or add --force"
        )
    found = asyncio.run(_learn(targets, options, is_folder=Path(targets[0]).is_dir()))
    text = found.write(_said(options, found)) if found.numbers else ""
    if text and options.whole:
        text = whole_file(text)
    if options.as_json:
        print(json.dumps(_as_data(found, text), indent=2, ensure_ascii=False))
    elif text and options.out is None:
        print(text, end="")
    if text and options.out is not None:
        _write(options.out, text)
        console().print((_NEXT_WHOLE if options.whole else _NEXT).format(path=options.out))
    return bool(found.numbers)


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise PermanentError(
            f"{path} can't be written: {error.strerror}; name another file with --out"
        ) from error


async def _learn(targets: Sequence[str], options: Options, *, is_folder: bool) -> Found:
    first = targets[0]
    if first.startswith(("http://", "https://")):
        return await _learn_http(targets, options)
    if len(targets) > 1:
        raise AskedWronglyError(
            "several targets are several addresses of one HTTP controller; learn others one by one"
        )
    if first.startswith(("mqtt://", "mqtts://")):
        return await _learn_topics(first, options)
    if first == "hwmon" or is_folder:
        return await _learn_files(Path("/sys" if first == "hwmon" else first), options)
    raise AskedWronglyError(
        f"{first} is nothing to learn from; give an address (http://10.0.5.20/status), a topic tree "
        "(mqtt://mqtt.lan/yard), hwmon, or a folder laid out like /sys"
    )


# ---------------------------------------------------------------- HTTP


async def _learn_http(targets: Sequence[str], options: Options) -> Found:
    body = _json_of(options.body, "--body") if options.body is not None else None
    method = "POST" if options.body is not None else options.method
    if any("{port}" in target for target in targets) and not options.numbers:
        raise AskedWronglyError(
            "an address with {port} needs the ports' numbers; add for example --numbers 1-8"
        )
    addresses = [
        Address(target, method, body, options.numbers if "{port}" in target else ()) for target in targets
    ]
    asker = HttpAsker(addresses, options.login)
    try:
        rounds = [await asker.ask()]
        for _ in range(options.asks - 1):
            await asyncio.sleep(options.gap_s)
            rounds.append(await asker.ask())
        if options.watch:
            drafts = _drafts(addresses, rounds)
            rounds += await watch_http(asker, rounds[-1], drafts, options.watch_s)
    finally:
        await asker.close()
    return await _found_http(addresses, rounds, options)


def _drafts(addresses: Sequence[Address], rounds: Sequence[Sequence[Json]]) -> list[Draft | None]:
    """The likeliest draft of each address."""
    found: list[Draft | None] = []
    for place, address in enumerate(addresses):
        answers = [answers[place] for answers in rounds]
        if address.single:
            found.append(infer_single(answers[0], answers[1:]))
        else:
            found.append(next(iter(infer(answers[0], answers[1:])), None))
    return found


async def _found_http(
    addresses: Sequence[Address], rounds: Sequence[Sequence[Json]], options: Options
) -> Found:
    drafts = _drafts(addresses, rounds)
    found = Found(" ".join(address.url for address in addresses), "http")
    talk = None if options.as_json else console()
    for address, answer, draft in zip(addresses, rounds[-1], drafts, strict=True):
        if talk:
            talk.print(answer_tree(f"{address.method} {address.url}", answer, draft))
    parts = [(a, d) for a, d in zip(addresses, drafts, strict=True) if d is not None]
    if not parts:
        found.notes = ("nothing here looks like ports: a list, object or lists with a value for each port",)
        if talk:
            talk.print(f"Nothing found: {found.notes[0]}. Is there a second address with the ports in it?")
        return found
    for role, note in (("current", NO_CURRENT), ("tripped", NO_TRIP)):
        if any(role in draft.guesses for _, draft in parts):
            parts = [(address, _without(draft, note)) for address, draft in parts]
    settled = [(address, _with_unit(draft, options, found)) for address, draft in parts]
    for _, draft in settled:
        found.guesses = dict(draft.guesses) | found.guesses
    found.numbers = tuple(sorted({number for _, draft in settled for number in draft.numbers}))
    found.confidence = max(draft.confidence for _, draft in settled)
    found.notes += tuple(dict.fromkeys(note for _, draft in settled for note in draft.notes))
    triples = [(address.url, address.method, draft) for address, draft in settled]
    more: dict[str, Any] = {}
    if options.body is not None:
        more["json"] = addresses[0].body
    more |= {"auth": options.login.auth} if options.login.auth else {}
    more |= {"tls": options.login.tls} if options.login.tls else {}
    found.write = lambda said: http_yaml(options.controller, triples, replace(said, more=more))
    await _prove(found, talk)
    return found


def _without(draft: Draft, note: str) -> Draft:
    return replace(draft, notes=tuple(one for one in draft.notes if one != note))


def _with_unit(draft: Draft, options: Options, found: Found) -> Draft:
    """The draft with the unit a person said, by option or when asked; as it is where nobody can be asked."""
    guess = draft.guesses.get("current")
    if guess is None or not (guess.unit_open or options.unit):
        return draft
    unit = options.unit
    if unit is None and options.may_ask:
        from bridge.learn.questions import ask_unit  # noqa: PLC0415 - only where somebody is there

        unit = ask_unit(source_of(guess), guess.why)
    if unit is None:
        found.notes += ("nothing states the unit of the current; say it with --unit mA or --unit A",)
        return draft
    mapping = (
        guess.mapping | {"unit": unit} if isinstance(guess.mapping, dict) else f"{source_of(guess)} | {unit}"
    )
    said = replace(guess, mapping=mapping, why=f"{guess.why}; its unit was said by a person", unit_open=False)
    return replace(draft, guesses={**draft.guesses, "current": said})


# ---------------------------------------------------------------- MQTT and files


async def _learn_topics(target: str, options: Options) -> Found:
    topics = topics_of(target, options.topic)
    found = Found(target, "mqtt")
    talk = None if options.as_json else console()
    if talk:
        talk.print(f"Listening to {topics.filter} on {topics.host}:{topics.port} for {options.for_s:g} s …")
    stages = await collect(topics, options.login, options.for_s)
    if options.watch:
        stages.append(await watch_topics(topics, options.login, stages[-1], options.watch_s))
    messages = stages[-1]
    draft = infer_topics(messages, stages[:-1])
    if talk:
        talk.print(topics_tree(f"{topics.filter} on {topics.host}", messages, draft))
    if draft is None:
        what = "no message came" if not messages else "no topics differ in a port's number only"
        found.notes = (f"{what}; is the prefix right, and does the controller publish by itself?",)
        if talk:
            talk.print(f"Nothing found: {found.notes[0]}")
        return found
    draft = _topics_with_unit(draft, options, found)
    found.guesses = {guess.role: guess for guess in reversed(draft.guesses)}
    found.numbers, found.confidence, found.notes = draft.numbers, draft.confidence, draft.notes + found.notes
    more = _broker_more(topics, options.login)
    found.write = lambda said: mqtt_yaml(options.controller, topics.host, draft, replace(said, more=more))
    await _prove(found, talk)
    return found


def _broker_more(topics: Topics, login: Login) -> dict[str, Any]:
    more: dict[str, Any] = {} if topics.port in (1883, 8883) else {"port": topics.port}
    more |= login.auth
    return more | ({"tls": login.tls} if topics.tls else {})


def _topics_with_unit(draft: TopicsDraft, options: Options, found: Found) -> TopicsDraft:
    """As `_with_unit`, for topics."""
    guesses = list(draft.guesses)
    topics = [dict(topic) for topic in draft.topics]
    for place, guess in enumerate(guesses):
        if guess.role != "current" or not (guess.unit_open or options.unit):
            continue
        single = Draft("ports", "@", None, draft.numbers, 1, {"current": guess}, guess.confidence)
        said = _with_unit(single, options, found).guesses["current"]
        for topic in topics:
            if topic.get("current") is guess.mapping:
                topic["current"] = said.mapping
        guesses[place] = said
    return replace(draft, guesses=tuple(guesses), topics=tuple(topics))


async def _learn_files(root: Path, options: Options) -> Found:
    found = Found(str(root), "hwmon")
    talk = None if options.as_json else console()
    files = await scan(root)
    if options.watch:
        await watch_files(root, files, options.watch_s)
    draft: ChipsDraft | None = infer_chips(files)
    if talk:
        talk.print(chips_tree(f"sensors below {root}", files, draft))
    if draft is None:
        found.notes = ("no chip here measures a current (curr1_input); is its kernel module loaded?",)
        if talk:
            talk.print(f"Nothing found: {found.notes[0]}")
        return found
    found.numbers, found.confidence, found.notes = tuple(draft.ports), draft.confidence, draft.notes
    shown_root = "" if str(root) == "/sys" else str(root)
    found.write = lambda _: hwmon_yaml(options.controller, draft, shown_root)
    await _prove(found, talk)
    return found


# ---------------------------------------------------------------- proof and questions


async def _prove(found: Found, talk: Any) -> None:  # noqa: ANN401 - a console, loaded where it is used
    """Read once by the draft, with the driver that would read it later; nothing is switched."""
    from pydantic import TypeAdapter  # noqa: PLC0415

    from bridge.config.reach import Reach, abilities  # noqa: PLC0415
    from bridge.config.reader import plain, read  # noqa: PLC0415
    from bridge.controllers import create  # noqa: PLC0415

    root, _ = read(found.write(Said()))
    (section,) = cast("dict[str, Any]", plain(root, {}))["controllers"].values()
    try:
        reach = TypeAdapter[Any](Reach).validate_python(section["reach"])
        driver = create("draft", reach, {number: abilities(reach, number) for number in found.numbers})
        try:
            found.readings = await driver.read()
        finally:
            await driver.close()
    except DuskwardError as error:
        found.trouble = str(error)
    if talk is None:
        return
    if found.trouble:
        talk.print(f"The draft could not be read back: {found.trouble}")
    else:
        talk.print(readings_table(found.readings))
    for note in found.notes:
        talk.print(f"Look at this: {note}.")


def _said(options: Options, found: Found) -> Said:
    """What the person says of switching, by options or when asked; checked as the configuration would be."""
    switch, clear = options.switch, options.clear
    if switch is None and options.may_ask and found.numbers and found.kind != "hwmon":
        from bridge.learn.questions import ask_switch  # noqa: PLC0415 - only where somebody is there

        switch = ask_switch(found.kind, lambda one: switch_problem(found.kind, one))
    problem = switch_problem(found.kind, switch) if switch is not None else ""
    problem = problem or (switch_problem(found.kind, clear, clear=True) if clear is not None else "")
    if problem:
        raise AskedWronglyError(f"the switching command is not right yet: {problem}")
    if clear is not None and switch is None:
        raise AskedWronglyError("a clear command needs a switching command beside it; add --switch-url")
    return Said(switch, clear)


def switch_problem(kind: str, send: Mapping[str, Any], *, clear: bool = False) -> str:
    """What is wrong with a switching command, in a sentence; empty if nothing is."""
    from pydantic import ValidationError  # noqa: PLC0415

    from bridge.config.reach_common import Send  # noqa: PLC0415
    from bridge.config.reach_http import HttpSend  # noqa: PLC0415
    from bridge.config.reach_mqtt import MqttSend  # noqa: PLC0415

    if kind == "hwmon":
        return "files are switched by a file; write switch: {file: PATH} in the draft"
    model: type[Send] = HttpSend if kind == "http" else MqttSend
    try:
        made = model.model_validate(dict(send))
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        return f"{where + ': ' if where else ''}{first['msg']}"
    if not clear and "{power}" not in made.text:
        return "nothing in it depends on {power}; write {power} where on and off are told apart"
    if "{port}" not in made.text:
        return "nothing in it depends on {port}; write {port} where the port's number stands"
    return ""


def _json_of(text: str, option: str) -> Json:
    try:
        return json.loads(text)
    except ValueError as error:
        raise AskedWronglyError(
            f"{option} {text!r} is no JSON: {error}; quote it for your shell, '{{}}'"
        ) from None


def _as_data(found: Found, text: str) -> dict[str, Any]:
    return {
        "target": found.target,
        "kind": found.kind,
        "ports": list(found.numbers),
        "confidence": found.confidence,
        "guesses": as_data(found.guesses),
        "notes": list(found.notes),
        "open": ["unit"] if any(guess.unit_open for guess in found.guesses.values()) else [],
        "reads": [
            {
                "port": one.port.rpartition("/")[2],
                "current_a": one.current_a,
                "power": one.power,
                "tripped": one.tripped,
                "voltage_v": one.voltage_v,
                "temperature_c": one.temperature_c,
            }
            for one in found.readings
        ],
        "trouble": found.trouble,
        "draft": text,
    }
