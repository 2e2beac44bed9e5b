"""Whether the other process of a pair could take over as it should: fed with what is seen, and when.

A standby is needed once in a season, and a dead one looks like a living one from the sofa; so the active
process says what is wrong with it, after a time in which a restart or an edit of both files is over.
"""

from typing import NamedTuple

FAULT_S = 300.0
"""What is wrong for this long [s] is told."""


class Seen(NamedTuple):
    """What the active process sees of the other: is it silent, is its copy old, has it another file."""

    silent: bool
    behind: bool
    differs: bool


_SENTENCES = (
    "It has not been heard for {minutes} minutes: if this process ends, nobody goes on.",
    "It has not taken the newest holds and lockouts for {minutes} minutes: is its disk full?",
    "Its configuration file says something else than the one here, and it would go on by that.",
)


class Readiness:
    """Of the partner. All times are monotonic seconds."""

    def __init__(self) -> None:
        self._since_s: dict[str, float] = {}

    def reset(self) -> None:
        """We are not the active one: nothing here is ours to tell."""
        self._since_s.clear()

    def fault(self, seen: Seen, now_s: float) -> str:
        """What has been wrong for `FAULT_S` and still is, the gravest only; empty if nothing has."""
        for what, wrong in seen._asdict().items():
            if wrong:
                self._since_s.setdefault(what, now_s)
            else:
                self._since_s.pop(what, None)
        minutes = round(FAULT_S / 60.0)
        for what, sentence in zip(Seen._fields, _SENTENCES, strict=True):
            if now_s - self._since_s.get(what, now_s) >= FAULT_S:
                return sentence.format(minutes=minutes)
        return ""
