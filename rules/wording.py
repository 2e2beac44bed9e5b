"""What people are told: a message and an advice per condition, a sentence per aftermath of a trip.

All of it is data, so that it can be reworded or translated. A text names its placeholders in braces. A clause
of a message in square brackets is left out when one of its placeholders is not known, and what stands behind
its ``|`` is said instead: ``[switched off because of {detail}|the fuse opened][ at {measured}]``. `where` is
always known.
"""

import re
from collections.abc import Collection, Mapping
from types import MappingProxyType
from typing import Final, NamedTuple

from rules.aftermath import SENTENCES, Aftermath, Decided
from rules.errors import RulesError
from rules.ports import Condition

_C = Condition


class Words(NamedTuple):
    """What is wrong, in one sentence; and what helps, in one or two."""

    message: str
    advice: str


class Wording(NamedTuple):
    """All texts: by condition, and by what was decided after a trip."""

    conditions: Mapping[Condition, Words]
    aftermaths: Mapping[Aftermath, str]


AFTER_TRIP: Final = "after-trip"
"""The section of a translation that holds the aftermaths."""
PLACEHOLDERS: Final = frozenset(
    {"where", "port", "prop", "controller", "measured", "limit", "done", "detail"}
)
"""where: port and prop, or the controller, or the site; measured, limit: with their unit; done: what the
rules did or will do; detail: what else is known."""

WORDS: Final[Mapping[Condition, Words]] = MappingProxyType(
    {
        _C.LOCKOUT: Words(
            "{where}: locked out, no power until a person resets it[ (last current {measured})].[ {done}]",
            "Do not reset until the cause is found: look for water, a crushed cable or bare wire "
            "on the whole "
            "string. Switch off at the disconnect before touching anything.",
        ),
        _C.FUSE_TRIP: Words(
            "{where}: [switched off because of {detail}|the fuse opened]"
            "[; {measured} flowed when it was last asked][, "
            "the rating is {limit}].[ {done}]",
            "Look for water in connectors, a pinched cable, or too many pixels on one port; "
            "then reset the port.",
        ),
        _C.STUCK_ON: Words(
            "{where}: switched off, but power is still there[ ({measured} flows)].[ {done}]",
            "Keep hands off this string. Cut the supply at its disconnect; the switch of the "
            "port may be welded.",
        ),
        _C.OVERCURRENT: Words(
            "{where}: draws {measured}, more than its {limit}.[ {detail}][ {done}]",
            "Take pixels off this port, lower the brightness, or look for a damaged cable.",
        ),
        _C.STUCK_OFF: Words(
            "{where}: switched on, but no power comes, and no fuse trip is reported.[ {done}]",
            "Check the supply's own fuse, the plug of the supply, and the controller's "
            "settings for this port.",
        ),
        _C.OVERTEMPERATURE: Words(
            "{where}: {measured} warm, more than {limit}.[ {done}]",
            "Give the box air and shade, or take load off it.",
        ),
        _C.UNDERVOLTAGE: Words(
            "{where}: only {measured}, less than {limit}.[ {done}]",
            "Look at the supply's load and its screws; a long thin cable also loses voltage.",
        ),
        _C.LEAKAGE: Words(
            "{where}: never draws less than {measured} any more (limit {limit}): maybe water in a connector."
            "[ {done}]",
            "Dry and seal the connectors of this string before it trips. If the string or the "
            "show was changed on "
            "purpose, let the port learn its idle current anew.",
        ),
        _C.UNDERCURRENT: Words(
            "{where}: part of the string seems dark: it draws {measured}, expected at least "
            "{limit}.[ {detail}][ {done}]",
            "Look along the string for where it goes dark: the fault is at that pixel or the one "
            "before it. If "
            "pixels were taken off on purpose, let the port learn its idle current anew.",
        ),
        _C.NO_LOAD: Words(
            "{where}: has power, but nothing draws current.[ {done}]",
            "The string is unplugged, or its first wire is broken. Check the plug first.",
        ),
        _C.IMPLAUSIBLE: Words(
            "{where}: the controller reports {measured}, which can't be; the value is not used.[ {done}]",
            "Check the unit in the mapping (milliampere taken for ampere?) and the sensor.",
        ),
        _C.NO_DATA: Words(
            "{where}: no answer; what its ports do is not known.[ {detail}][ {done}]",
            "Check the controller's power and network.",
        ),
        _C.NEAR_RATING: Words(
            "{where}: draws {measured} for a long time; it may draw {limit} without a break.[ {done}]",
            "Fuses and connectors wear at this load: lower the brightness or move pixels to another port.",
        ),
        _C.OVER_BUDGET: Words(
            "{where}: more power is asked for than supplies should give for hours.[ {detail}][ {done}]",
            "Lower the brightness, or feed some ports from another supply.",
        ),
        _C.ALARM_FLOOD: Words(
            "{where}: more than ten alarms in ten minutes.[ {detail}][ {done}]",
            "Look for what they share: a supply, a box, a cable, rain. Each port's own alert stands as well.",
        ),
        _C.JOURNAL_FAULT: Words(
            "{where}: holds, lockouts and trips are not safe on disk.[ {detail}][ {done}]",
            "Free disk space or replace the storage; until then nothing is switched on that "
            "needs it written. After a loss: see who works where, then confirm.",
        ),
        _C.STORE_FAULT: Words(
            "{where}: history and energy can't be written to disk.[ {detail}][ {done}]",
            "Free disk space or replace the storage. Safety is not affected.",
        ),
        _C.STANDBY_FAULT: Words(
            "{where}: the other process of the pair could not take over as it should.[ {detail}][ {done}]",
            "Look at the other machine: power, network, disk, and the same configuration file as here.",
        ),
        _C.CLOCK_UNTRUSTED: Words(
            "{where}: the clock is not set, so no schedule switches anything on.[ {detail}][ {done}]",
            "Check the network time of this machine.",
        ),
        _C.CALENDAR_FAULT: Words(
            "{where}: a calendar can't be used; the dates known before still hold.[ {detail}][ {done}]",
            "Open the calendar file and correct what is named here.",
        ),
        _C.DUPLICATE_SITE: Words(
            "{where}: another process uses this site's name, and this one stands back.[ {detail}][ {done}]",
            "Give each site its own id, or stop the other process.",
        ),
        _C.INTERNAL_FAULT: Words(
            "{where}: a fault in the rules themselves: switching off goes on, nothing new is switched on."
            "[ {detail}][ {done}]",
            "Keep the log and the recording, report them, and restart.",
        ),
    }
)

WORDING: Final = Wording(WORDS, SENTENCES)
"""Our own."""

_UNIT: Final = MappingProxyType({_C.OVERTEMPERATURE: "°C", _C.UNDERVOLTAGE: "V"})
_CLAUSE = re.compile(r"\[([^\[\]]*)\]")
_NAME = re.compile(r"\{(\w+)\}")


def message(condition: Condition, facts: Mapping[str, object], wording: Wording = WORDING) -> str:
    """The sentence for `condition`.

    facts: `port`, `prop`, `controller`, `done`, `detail` as text, `measured` and `limit` as numbers in the
    condition's own unit or as text; what is missing or None is not known.
    """
    known = {name: _text(condition, facts.get(name)) for name in PLACEHOLDERS}
    known["where"] = _where(known)
    pattern = wording.conditions[condition].message
    sentence = _CLAUSE.sub(lambda clause: _clause(clause[1], known), pattern)
    return _filled(sentence, known, needed=False)


def _clause(text: str, known: Mapping[str, str]) -> str:
    said, _, instead = text.partition("|")
    return _filled(said, known, needed=True) or instead


def advice(condition: Condition, wording: Wording = WORDING) -> str:
    """What helps."""
    return wording.conditions[condition].advice


def decided(what: Decided | None, wording: Wording = WORDING) -> str:
    """The sentence for what was decided after a trip; empty where nothing was."""
    return "" if what is None else _filled(wording.aftermaths[what.what], what.figures(), needed=False)


def wording_from(texts: Mapping[str, Mapping[str, str]]) -> Wording:
    """Wording from a translation; what it leaves out stays.

    Condition code → ``message`` and ``advice``; ``after-trip`` → a sentence by code of an aftermath. Raises
    RulesError that names every mistake: an unknown code, key or placeholder, an unclosed bracket.
    """
    wrong: list[str] = []
    words = dict(WORDS)
    for code, entry in texts.items():
        if code == AFTER_TRIP:
            continue
        if code not in Condition.__members__.values():
            wrong.append(f"{code}: no such condition")
            continue
        condition = Condition(code)
        foreign = [key for key in entry if key not in Words._fields]
        wrong += [f"{code}: no such text as {key!r}; message and advice are" for key in foreign]
        new = words[condition]._replace(**{k: v for k, v in entry.items() if k in Words._fields})
        wrong += [f"{code}: {problem}" for problem in _problems(new)]
        words[condition] = new
    sentences = dict(SENTENCES)
    for code, sentence in texts.get(AFTER_TRIP, {}).items():
        if code not in Aftermath.__members__.values():
            wrong.append(f"{AFTER_TRIP}: no such code as {code!r}; {', '.join(Aftermath)} are")
            continue
        allowed = frozenset(_NAME.findall(SENTENCES[Aftermath(code)]))
        wrong += [f"{AFTER_TRIP} {code}: {problem}" for problem in _misused(sentence, allowed)]
        sentences[Aftermath(code)] = sentence
    if wrong:
        raise RulesError("These texts can't be used: " + "; ".join(wrong) + ".")
    return Wording(MappingProxyType(words), MappingProxyType(sentences))


def _misused(text: str, allowed: Collection[str]) -> list[str]:
    """What is wrong with a text that may name what is `allowed`."""
    known = f"known are {', '.join(sorted(allowed))}" if allowed else "none is known here"
    found = [f"{{{name}}} is not known; {known}" for name in _NAME.findall(text) if name not in allowed]
    if any(mark in _NAME.sub("", text) for mark in "[]{}"):
        found.append("a bracket or brace is not closed, or nested")
    if not text.strip():
        found.append("a text is empty")
    return found


def _problems(words: Words) -> list[str]:
    found = [] if "{where}" in words.message else ["the message must name {where}"]
    found += _misused(_CLAUSE.sub(lambda clause: clause[1], words.message), PLACEHOLDERS)
    if _NAME.search(words.advice):
        found.append("an advice has no placeholders")
    if not words.advice.strip():
        found.append("a text is empty")
    return found


def _filled(text: str, known: Mapping[str, str], *, needed: bool) -> str:
    if needed and not all(known.get(name) for name in _NAME.findall(text)):
        return ""
    return _NAME.sub(lambda name: known.get(name[1]) or "an unknown value", text)


def _where(known: Mapping[str, str]) -> str:
    port, prop, controller = known["port"], known["prop"], known["controller"]
    if port:
        return f"{port} ({prop})" if prop and prop != port else port
    return controller or "The site"


def _text(condition: Condition, value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return str(value)
    unit = _UNIT.get(condition)
    if unit is not None:
        return f"{value:.3g} {unit}"
    return f"{value * 1000:.0f} mA" if abs(value) < 1.0 else f"{value:.2f}".rstrip("0").rstrip(".") + " A"
