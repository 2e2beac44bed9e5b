"""What is decided after a trip: its codes, the figures that go with them, and the sentences people read."""

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import Final, NamedTuple


class Aftermath(StrEnum):
    """What was decided about a tripped port. The codes are the keys of a translation."""

    CLOSES_AGAIN = "closes-again"
    CLOSES_SOON = "closes-soon"
    """The same after a restart, when part of the dead time has passed."""
    CLOSES_BY_ITSELF = "closes-by-itself"
    NOT_SET_UP = "not-set-up"
    ONTO_A_SHORT = "onto-a-short"
    HELD = "held"
    BY_HAND = "by-hand"
    FEED_TRIPPED = "feed-tripped"
    NO_SHOW = "no-show"
    OVER_BUDGET = "over-budget"
    NOT_SENT = "not-sent"
    STOPPING = "stopping"
    WAITS_FOR_RESET = "waits-for-reset"
    """After a restart: why is not kept."""
    LOCKED_OUT = "locked-out"
    """After a restart: why is not kept."""
    LOCKED_AFTER_RESET = "locked-after-reset"
    LOCKED_SHORT = "locked-short"
    LOCKED_NO_SHOT_LEFT = "locked-no-shot-left"
    LOCKED_NO_POWER = "locked-no-power"
    LOCKED_SELF_RESETS = "locked-self-resets"


class Decided(NamedTuple):
    """What was decided, and the figures of its sentence; None where it has none.

    wait_s: until it closes [s]; shot, shots: this one and all there are; times, window_s: so many returns of
    a self-resetting fuse within so long [s]; supply: the one over budget.
    """

    what: Aftermath
    wait_s: float | None = None
    shot: int | None = None
    shots: int | None = None
    times: int | None = None
    window_s: float | None = None
    supply: str | None = None

    def figures(self) -> dict[str, str]:
        """The placeholders of its sentence, as text with their units."""
        found = {
            "wait": None if self.wait_s is None else f"{self.wait_s:g} s",
            "shot": self.shot,
            "shots": self.shots,
            "times": self.times,
            "window": None if self.window_s is None else f"{self.window_s / 60.0:g} min",
            "supply": self.supply,
        }
        return {name: str(value) for name, value in found.items() if value is not None}


_A = Aftermath

SENTENCES: Final[Mapping[Aftermath, str]] = MappingProxyType(
    {
        _A.CLOSES_AGAIN: "It closes again {wait} after the trip (shot {shot} of {shots}).",
        _A.CLOSES_SOON: "It closes again in {wait} (shot {shot} of {shots}).",
        _A.CLOSES_BY_ITSELF: "Its fuse opened and closes again by itself when it cools.",
        _A.NOT_SET_UP: "It stays off until a person resets it; automatic reclosing is not set up.",
        _A.ONTO_A_SHORT: "It tripped as it was switched on: a short. It stays off until a person resets it.",
        _A.HELD: "It stays off until a person resets it, because it was held.",
        _A.BY_HAND: "It stays off until a person resets it, because it was switched off by hand.",
        _A.FEED_TRIPPED: "It stays off until a person resets it, because another feed of its prop tripped.",
        _A.NO_SHOW: "It stays off until a person resets it, because no show needed it.",
        _A.OVER_BUDGET: "It stays off until a person resets it, because its supply {supply} was over budget.",
        _A.NOT_SENT: "It stays off until a person resets it, because no command reached it.",
        _A.STOPPING: "It stays off until a person resets it, because duskward was stopping.",
        _A.WAITS_FOR_RESET: "It stays off until a person resets it.",
        _A.LOCKED_OUT: "Locked out until a person resets it.",
        _A.LOCKED_AFTER_RESET: "It tripped again right after a reset. Locked out until a person resets it.",
        _A.LOCKED_SHORT: "The short is still there: it tripped as soon as power came back. "
        "Locked out until a person resets it.",
        _A.LOCKED_NO_SHOT_LEFT: "It tripped again, and no shot of reclosing is left (used: {shots}). Locked "
        "out until a person resets it.",
        _A.LOCKED_NO_POWER: "Power did not come back when it was switched on again. "
        "Locked out until a person resets it.",
        _A.LOCKED_SELF_RESETS: "Its fuse opened and closed by itself {times} times in {window}. Locked out "
        "until a person resets it.",
    }
)
"""In braces what the sentence can name: a translation may name the same, or less."""
