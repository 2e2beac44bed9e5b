"""What changed between looks, and which changes are news. Pure.

A measured value is never still, and a counter always grows: neither is news. News is what was still and is
not, or leaves the band in which it moved so far. That is what a person looks for who toggles a port.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from bridge.learn.columns import Json, step
from bridge.learn.guess import Draft

_SETTLE_LOOKS = 3
"""So many looks show how much a value moves by itself."""
_GROWS = 3
_SHARE = 0.05
"""A number that moves by less than this share of itself is not news."""
_JITTER_SHARE = 0.25
"""A step of less than this share is told once; it may be one step of the converter."""
_NO_MEASURE = 1e300
_LONGEST = 40


@dataclass(frozen=True, slots=True)
class Change:
    """One value that is news: where, from what, to what."""

    path: str
    before: Json
    after: Json


@dataclass(slots=True)
class _Track:
    value: Json
    low: float = 0.0
    high: float = 0.0
    looks: int = 1
    grew: int = 0
    jitter: float = 0.0
    """A small step it took already: one more of that size is no news."""


@dataclass(slots=True)
class Changes:
    """Takes one look after the other."""

    _tracks: dict[str, _Track] = field(default_factory=dict)
    looks: int = 0

    def look(self, values: Mapping[str, Json]) -> list[Change]:
        """What is news since the look before, in the order of the answer; nothing at the first look."""
        news = []
        for path, value in values.items():
            track = self._tracks.get(path)
            if track is None:
                self._tracks[path] = _new(value)
                if self.looks:
                    news.append(Change(path, None, value))
            elif _is_number(value) and _is_number(track.value):
                if self._moved(track, value):
                    news.append(Change(path, track.value, value))
                    small = abs(value - track.value) <= _JITTER_SHARE * max(abs(value), abs(track.value))
                    jitter = max(track.jitter, abs(value - track.value) if small else 0.0)
                    self._tracks[path] = replace(_new(value), jitter=jitter, grew=track.grew)
                else:
                    track.value = value
            elif value != track.value and repr(value) != repr(track.value):  # no NaN equals another
                news.append(Change(path, track.value, value))
                self._tracks[path] = _new(value)
        gone = [path for path in self._tracks if path not in values]
        news += [Change(path, self._tracks.pop(path).value, None) for path in gone]
        self.looks += 1
        return news

    def _moved(self, track: _Track, value: float) -> bool:
        """Whether a number left its band; the band learns."""
        track.grew = track.grew + 1 if value > track.value else 0
        track.looks += 1
        level = max(abs(track.low), abs(track.high))
        span = max(track.high - track.low, _SHARE * level, 1.5 * track.jitter)
        inside = track.low - span <= value <= track.high + span
        if track.grew < _GROWS and not inside and track.looks > _SETTLE_LOOKS:
            return True
        track.low, track.high = min(track.low, value), max(track.high, value)
        return False


def _is_number(value: Json) -> bool:
    """Whether it can be reckoned with: JSON also allows what no float can be, and answers say NaN."""
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < _NO_MEASURE


def _new(value: Json) -> _Track:
    level = float(value) if _is_number(value) else 0.0
    return _Track(value, level, level)


def flat(answer: Json, path: str = "") -> Iterator[tuple[str, Json]]:
    """Every single value of an answer with its path."""
    if isinstance(answer, dict):
        for key, value in answer.items():
            yield from flat(value, step(path, str(key)))
    elif isinstance(answer, list):
        for place, value in enumerate(answer):
            yield from flat(value, f"{path}[{place}]")
    else:
        yield path or "@", answer


def meanings(answer: Json, draft: Draft) -> dict[str, str]:
    """What the draft takes a path for, in words: ``port 3, the current``. Only where it can be told."""
    found: dict[str, str] = {}
    sources = {
        role: guess.mapping["from"] if isinstance(guess.mapping, dict) else guess.mapping.split(" | ")[0]
        for role, guess in draft.guesses.items()
        if role != "port"
    }
    names: list[tuple[str, int]] = []
    prefix = "" if draft.where == "@" else draft.where
    numbers = list(draft.numbers)
    for place, number in enumerate(numbers):
        if draft.form == "ports":
            names.append((f"{prefix}[{place}].", number))
        elif draft.form == "map" and not prefix.startswith("merge("):
            key = (draft.label or "{port}").replace("{port}", str(number - (draft.counts_from == 0)))
            names.append((step(prefix, key) + ".", number))
    for begin, number in names:
        for role, source in sources.items():
            words = "current" if role == "current" else role
            found.setdefault(begin + source, f"port {number}, {words}")
    if draft.form == "arrays":
        for place, number in enumerate(numbers):
            for role, source in sources.items():
                at = source if not prefix else f"{prefix}.{source}"
                found[f"{at}[{place}]"] = f"port {number}, {role}"
    known = dict(flat(answer))
    return {path: words for path, words in found.items() if path in known}


def short(value: Any) -> str:  # noqa: ANN401 - JSON
    """A value as one short text."""
    if value is None:
        return "nothing"
    text = f"{value:g}" if isinstance(value, float) else str(value)
    text = " ".join(text.split())
    return text if len(text) <= _LONGEST else f"{text[: _LONGEST - 1]}…"
