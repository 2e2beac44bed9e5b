"""Who wants a port on, who forbids it: first match wins, and every verdict has a reason in words.

The order, gravest first:

1. any hold (port, prop, controller, site, weather), and the delay after its release → off
2. tripped, in dead time, or locked out → off
3. off by hand → off; on by hand, until it expires → on
4. a test job → as the job says
5. a running show that needs the port, from its lead to its run-on → on
6. resting power from the configuration

Hold, trip, lockout and off by hand on one feed of a prop count for all its feeds, so that a conductor
is never alive from its other end.
"""

from enum import StrEnum
from typing import NamedTuple

from rules.ports import Mode
from rules.safety import JOURNAL_HOLDER


class Rule(StrEnum):
    """Which line of the order decided."""

    LEAVING = "leaving"
    STOPPING = "stopping"
    HOLD = "hold"
    RELEASED = "released"
    LOCKOUT = "lockout"
    TRIP = "trip"
    HAND = "hand"
    JOB = "job"
    SHOW = "show"
    RESTING = "resting"
    NOTHING = "nothing"


SAFETY_RULES = frozenset({Rule.HOLD, Rule.TRIP, Rule.LOCKOUT, Rule.LEAVING, Rule.STOPPING})
"""Rules whose off is always sent, also to a controller that does not answer, and repeated until proven."""


class Verdict(NamedTuple):
    """Power or not, by which rule, and why in one plain sentence."""

    power: bool
    rule: Rule
    reason: str


class ShowCall(NamedTuple):
    """A show that needs the port now: its name, and until when in local words (``22:30``)."""

    name: str
    until: str
    leading: bool = False
    by_hand: bool = False
    """A person started it: it asks for power whatever the clock says."""


class Facts(NamedTuple):
    """All that is known about who wants what of one port. Texts are for people, times are local."""

    leaving: bool = False
    stopping: bool = False
    holders: tuple[str, ...] = ()
    released_until: str = ""
    """When the delay after a release ends; empty where there is none."""
    lockout: str | None = None
    trip: str | None = None
    hand: Mode = Mode.AUTO
    hand_until: str = ""
    off_by_hand_at: str | None = None
    job: tuple[str, bool] | None = None
    shows: tuple[ShowCall, ...] = ()
    clock_trusted: bool = True
    resting: bool = False
    next_show: str | None = None


def _and(words: tuple[str, ...]) -> str:
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]


def decide(facts: Facts) -> Verdict:
    """The verdict on one port.

    A show whose times come from an untrusted clock asks for nothing.
    """
    if facts.leaving:
        return Verdict(False, Rule.LEAVING, "Off: it leaves the configuration.")
    if facts.stopping:
        return Verdict(False, Rule.STOPPING, "Off: duskward is stopping.")
    if facts.holders:
        lost = "; confirm it once nobody works on a string" if JOURNAL_HOLDER in facts.holders else ""
        return Verdict(False, Rule.HOLD, f"Off: held by {_and(facts.holders)}{lost}.")
    if facts.released_until:
        return Verdict(
            False,
            Rule.RELEASED,
            f"Off: just released from a hold; power may return at {facts.released_until}.",
        )
    if facts.lockout:
        return Verdict(False, Rule.LOCKOUT, f"Off: {facts.lockout}")
    if facts.trip:
        return Verdict(False, Rule.TRIP, f"Off: {facts.trip}")
    if facts.hand is Mode.OFF:
        return Verdict(False, Rule.HAND, "Off by hand, until set to auto.")
    if facts.off_by_hand_at:
        return Verdict(
            False, Rule.HAND, f"Off: {facts.off_by_hand_at}, a feed of the same prop, is off by hand."
        )
    if facts.hand is Mode.ON:
        return Verdict(True, Rule.HAND, f"On by hand until {facts.hand_until}.")
    if facts.job:
        name, power = facts.job
        return Verdict(power, Rule.JOB, f"{'On' if power else 'Off'} for {name}.")
    calls = facts.shows if facts.clock_trusted else tuple(call for call in facts.shows if call.by_hand)
    if calls:
        return Verdict(True, Rule.SHOW, _show_reason(calls))
    if facts.resting:
        return Verdict(True, Rule.RESTING, "On: it rests powered.")
    if facts.shows:
        return Verdict(False, Rule.NOTHING, "Off: a show should run, but the clock is not synchronised yet.")
    if facts.next_show:
        return Verdict(False, Rule.NOTHING, f"Off: no show needs it. Next: {facts.next_show}.")
    return Verdict(False, Rule.NOTHING, "Off: no show needs it.")


def _show_reason(shows: tuple[ShowCall, ...]) -> str:
    leading = [call for call in shows if call.leading]
    running = [call for call in shows if not call.leading]
    if running:
        parts = tuple(f"{call.name} until {call.until}" for call in running)
        return f"On for {_and(parts)}."
    return f"On: warming up for {_and(tuple(call.name for call in leading))}."
