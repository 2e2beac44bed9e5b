"""Chattering and floods: recognised, told once, summarised; nothing is lost from the alarms themselves.

Figures: chattering is active→clear 3 or more times in 1 min; a flood is more than 10 alarms in 10 min
(alarm-management practice after ISA-18.2); it ends below 5 in 10 min (from memory, same practice).
These trackers only decide what is announced one by one; the retained alert of each port stands anyway.
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from rules.ports import Now

CHATTER_TIMES: Final = 3
CHATTER_WINDOW_S: Final = 60.0
FLOOD_ABOVE: Final = 10
FLOOD_ENDS_BELOW: Final = 5
FLOOD_WINDOW_S: Final = 600.0


class Telling(StrEnum):
    """How one raised alarm is announced."""

    EACH = "each"
    """By itself."""
    BEGIN = "begin"
    """By one sentence that says what is going on (chattering, a flood); single ones stop here."""
    COUNTED = "counted"
    """Not at all: it is counted for the summary."""


@dataclass(frozen=True, slots=True)
class Chatter:
    """One alarm's returns to normal within the last minute.

    returns_s: monotonic seconds of the returns that still count; on: chattering; counted: times raised since
    it began and not told.
    """

    returns_s: tuple[float, ...] = ()
    on: bool = False
    counted: int = 0
    _last_s: float = 0.0

    def returned(self, now: Now) -> "Chatter":
        """After the condition went away."""
        kept = tuple(t for t in self.returns_s if now.monotonic_s - t < CHATTER_WINDOW_S)
        return replace(self, returns_s=(*kept, now.monotonic_s), _last_s=now.monotonic_s)

    def raised(self, now: Now) -> tuple["Chatter", Telling]:
        """After the condition became true; and how to announce it."""
        kept = tuple(t for t in self.returns_s if now.monotonic_s - t < CHATTER_WINDOW_S)
        if self.on:
            return replace(self, returns_s=kept, counted=self.counted + 1, _last_s=now.monotonic_s), (
                Telling.COUNTED
            )
        if len(kept) >= CHATTER_TIMES:
            return replace(self, returns_s=kept, on=True, counted=1, _last_s=now.monotonic_s), Telling.BEGIN
        return (self if kept == self.returns_s else replace(self, returns_s=kept)), Telling.EACH

    def passed(self, now: Now) -> tuple["Chatter", int | None]:
        """As time passes: the number counted when chattering ended (a minute without change), else None."""
        if not self.on or now.monotonic_s - self._last_s < CHATTER_WINDOW_S:
            return self, None
        return Chatter(), self.counted


@dataclass(frozen=True, slots=True)
class FloodWatch:
    """A site's alarms of the last ten minutes.

    raised_s: monotonic seconds at which alarms were raised; on: a flood; counted: alarms since it began that
    were not told one by one.
    """

    raised_s: tuple[float, ...] = ()
    on: bool = False
    counted: int = 0

    def raised(self, now: Now) -> tuple["FloodWatch", Telling]:
        """After any alarm was raised; and how to announce it."""
        kept = (*(t for t in self.raised_s if now.monotonic_s - t < FLOOD_WINDOW_S), now.monotonic_s)
        if self.on:
            return replace(self, raised_s=kept, counted=self.counted + 1), Telling.COUNTED
        if len(kept) > FLOOD_ABOVE:
            return replace(self, raised_s=kept, on=True, counted=1), Telling.BEGIN
        return replace(self, raised_s=kept), Telling.EACH

    def passed(self, now: Now) -> tuple["FloodWatch", int | None]:
        """As time passes: the number counted when the flood ended, else None."""
        if not self.on:
            return self, None
        kept = tuple(t for t in self.raised_s if now.monotonic_s - t < FLOOD_WINDOW_S)
        if len(kept) < FLOOD_ENDS_BELOW:
            return FloodWatch(kept), self.counted
        return (self if len(kept) == len(self.raised_s) else replace(self, raised_s=kept)), None
