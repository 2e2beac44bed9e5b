"""Readings → conditions: what is wrong with a port, judged by delays, deadbands and the port's own figures.

A condition is raised when it stayed true for its whole on-delay, and returns when it stayed false for
its whole off-delay; between a limit and its deadband it stays as it is (OPC UA Part 9, annex B.1.5). "Not
said" is never off and never 0 A: no verdict rests on a missing value, no delay runs across a break in the
readings, and an impossible value counts as missing. Conditions that can only be seen under power
(`undercurrent`, `no-load`, `leakage`, `undervoltage`, `stuck-off`) stay as they are while the port is off, so
a dark string is still told in the morning and is not told anew every evening.

Pure, and on the hot path: a reading that changes nothing costs a comparison and gives back the same state.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Final, NamedTuple

from rules.faults.verdicts import (
    NO_BANDS,
    PLAUSIBLE_C,
    PLAUSIBLE_V,
    Bands,
    Facts,
    Verdict,
    bands_of,
    darkness,
    judge,
    plausible_current_a,
)
from rules.plan import Limit
from rules.ports import Condition, Now, Reading

__all__ = [
    "NO_CHANGES",
    "SUPPRESSES",
    "Change",
    "DetectorState",
    "Facts",
    "forget",
    "observe",
    "plausible_current_a",
    "suppressed_by",
]

_C = Condition


class Change(NamedTuple):
    """A condition was raised (active) or returned; `measured` and `limit` in the condition's own unit."""

    condition: Condition
    active: bool
    measured: float | None
    limit: float | None


class Running(NamedTuple):
    """A delay that runs: since when, and the last sample that kept it running [monotonic s]."""

    since_s: float
    seen_s: float


NO_CHANGES: Final[tuple[Change, ...]] = ()
_NOTHING_RUNS: Final[Mapping[Condition, Running]] = MappingProxyType({})

SUPPRESSES: Final[Mapping[Condition, frozenset[Condition]]] = MappingProxyType(
    {
        _C.LOCKOUT: frozenset({_C.NO_LOAD, _C.UNDERCURRENT, _C.STUCK_OFF, _C.UNDERVOLTAGE}),
        _C.FUSE_TRIP: frozenset({_C.NO_LOAD, _C.UNDERCURRENT, _C.STUCK_OFF, _C.UNDERVOLTAGE}),
        _C.STUCK_OFF: frozenset({_C.NO_LOAD, _C.UNDERCURRENT}),
        _C.NO_LOAD: frozenset({_C.UNDERCURRENT}),
        _C.OVERCURRENT: frozenset({_C.NEAR_RATING}),
        _C.NO_DATA: frozenset(
            {
                _C.OVERCURRENT,
                _C.STUCK_OFF,
                _C.OVERTEMPERATURE,
                _C.UNDERVOLTAGE,
                _C.LEAKAGE,
                _C.UNDERCURRENT,
                _C.NO_LOAD,
                _C.IMPLAUSIBLE,
                _C.NEAR_RATING,
            }
        ),
    }
)
"""What follows from something graver is not told besides it. `no-data` is the controller's own."""


def suppressed_by(active: Iterable[Condition]) -> frozenset[Condition]:
    """The conditions that need no telling while those in `active` stand."""
    return frozenset().union(*(SUPPRESSES[c] for c in active if c in SUPPRESSES))


@dataclass(frozen=True, slots=True)
class DetectorState:
    """What is remembered of a port between readings; `active` are the conditions that are raised."""

    active: frozenset[Condition] = frozenset()
    power: bool | None = None
    tripped: bool | None = None
    facts: Facts | None = None
    limits: Mapping[Condition, Limit] | None = None
    powered: bool | None = None
    bands: Bands = NO_BANDS
    running: Mapping[Condition, Running] = field(default_factory=lambda: _NOTHING_RUNS)
    seen_s: float = float("-inf")
    on_seen_s: float | None = None
    """Last reading that said power is on and changed something; None after one that said off."""
    fell: bool = False
    """Power fell without being asked, and has not been seen on since."""
    dark_s: float = 0.0
    """How long a part of the string was seen dark (`verdicts.darkness`)."""
    high_since_s: float | None = None
    """Since when every current was above the leakage limit."""


def observe(
    state: DetectorState,
    reading: Reading,
    facts: Facts,
    limits: Mapping[Condition, Limit],
    now: Now,
    *,
    unbroken: bool = True,
) -> tuple[DetectorState, tuple[Change, ...]]:
    """The state after one reading, and the conditions that were raised or returned by it.

    unbroken: the readings came without a break since the last one; after a break (an unreachable controller,
    a restart) a port found off has not tripped, and every delay begins anew. Readings older than
    `facts.gap_s`, or not newer than the last one, are left out.
    limits: the port's; give the same object while nothing changed.
    """
    at_s = reading.measured_s
    if at_s <= state.seen_s or now.monotonic_s - at_s > facts.gap_s:
        return state, NO_CHANGES
    if (
        unbroken
        and not state.running
        and not state.active
        and state.dark_s == 0.0
        and reading.power is state.power
        and reading.tripped is state.tripped
        and limits is state.limits
        and (facts is state.facts or facts == state.facts)
        and not (reading.power and (state.on_seen_s or at_s) < facts.off_given_s <= at_s)
        and _is_quiet(state.bands, reading)
    ):
        bands, since_s = state.bands, state.high_since_s
        is_high = reading.current_a is not None and reading.current_a >= bands.leak_a
        if not is_high and since_s is None:
            return state, NO_CHANGES
        if not is_high:
            return replace(state, high_since_s=None, seen_s=at_s), NO_CHANGES
        if since_s is not None and at_s - since_s < bands.leak_delay_s:
            return state, NO_CHANGES
    return _judge(state, reading, facts, limits, unbroken=unbroken)


def _is_quiet(bands: Bands, reading: Reading) -> bool:
    """Whether every value lies where nothing changes. A missing value says nothing, so changes nothing."""
    _, _, current_a, _, _, voltage_v, temperature_c = reading
    return (
        (current_a is None or bands.low_a < current_a < bands.high_a)
        and (voltage_v is None or bands.low_v < voltage_v < PLAUSIBLE_V[1])
        and (temperature_c is None or PLAUSIBLE_C[0] < temperature_c < bands.high_c)
    )


def forget(state: DetectorState, condition: Condition) -> DetectorState:
    """The state with `condition` neither raised nor on its way: after a person's reset or relearning."""
    is_dark = condition is _C.UNDERCURRENT and state.dark_s > 0.0
    fell = condition is _C.FUSE_TRIP and state.fell
    if condition not in state.active and condition not in state.running and not is_dark and not fell:
        return state
    return replace(
        state,
        active=state.active - {condition},
        running={c: r for c, r in state.running.items() if c is not condition},
        fell=state.fell and condition is not _C.FUSE_TRIP,
        dark_s=0.0 if condition is _C.UNDERCURRENT else state.dark_s,
        limits=None,
    )


def _judge(
    state: DetectorState,
    reading: Reading,
    facts: Facts,
    limits: Mapping[Condition, Limit],
    *,
    unbroken: bool,
) -> tuple[DetectorState, tuple[Change, ...]]:
    at_s = reading.measured_s
    power = reading.power if facts.abilities.readback else None
    tripped = reading.tripped if facts.abilities.trip else None
    said_a = reading.current_a if facts.abilities.current else None
    current_a = plausible_current_a(said_a, facts.rating_a)
    fell = _fell(state, facts, power, unbroken=unbroken)
    powered = power
    if not facts.abilities.readback:
        powered = facts.wanted
    if tripped:
        powered = False

    bands = state.bands
    if powered is not state.powered or limits is not state.limits or facts != state.facts:
        bands = bands_of(facts, limits, powered)
    dark_s = _dark_s(
        state, facts, limits, bands, current_a, at_s=at_s, powered=bool(powered), unbroken=unbroken
    )
    high_since_s = None
    if powered and current_a is not None and current_a >= bands.leak_a:
        high_since_s = state.high_since_s if unbroken and state.high_since_s is not None else at_s

    verdicts = judge(
        reading,
        facts,
        limits,
        bands,
        state.active,
        fell=fell,
        powered=bool(powered),
        dark_s=dark_s,
        high_s=0.0 if high_since_s is None else at_s - high_since_s,
    )
    active, running, changes = _delays(state, verdicts, limits, at_s, facts.gap_s if unbroken else -1.0)
    return (
        DetectorState(
            active=active,
            power=reading.power,
            tripped=reading.tripped,
            facts=facts,
            limits=limits,
            powered=powered,
            bands=bands,
            running=running,
            seen_s=at_s,
            on_seen_s=at_s if power else None if power is False else state.on_seen_s,
            fell=fell,
            dark_s=dark_s,
            high_since_s=high_since_s,
        ),
        changes,
    )


def _dark_s(
    state: DetectorState,
    facts: Facts,
    limits: Mapping[Condition, Limit],
    bands: Bands,
    current_a: float | None,
    *,
    at_s: float,
    powered: bool,
    unbroken: bool,
) -> float:
    raised = _C.UNDERCURRENT in state.active
    limit = limits.get(_C.UNDERCURRENT)
    if limit is None or (not powered and not raised):
        return 0.0
    if not powered or current_a is None:
        return state.dark_s
    step_s = at_s - state.seen_s
    if not unbroken or step_s > facts.gap_s:
        step_s = 0.0
    most_s = max(limit.off_delay_s if raised else limit.on_delay_s, 1.0)
    return darkness(state.dark_s, current_a, step_s, facts, bands, raised=raised, most_s=most_s)


def _delays(
    state: DetectorState,
    verdicts: Mapping[Condition, Verdict | None],
    limits: Mapping[Condition, Limit],
    at_s: float,
    gap_s: float,
) -> tuple[frozenset[Condition], Mapping[Condition, Running], tuple[Change, ...]]:
    """Run the delays of every verdict that differs from what is raised; a missing verdict moves nothing."""
    active = state.active
    running: dict[Condition, Running] = dict(state.running)
    changes: list[Change] = []
    for condition, verdict in verdicts.items():
        is_active = condition in active
        limit = limits.get(condition)
        if limit is None or not limit.enabled:
            if is_active:
                active -= {condition}
                changes.append(Change(condition, False, None, None))
            running.pop(condition, None)
            continue
        if verdict is None:
            continue
        if verdict.true is is_active:
            running.pop(condition, None)
            continue
        delay_s = limit.off_delay_s if is_active else limit.on_delay_s
        if condition is _C.UNDERCURRENT or (condition is _C.LEAKAGE and not is_active):
            delay_s = 0.0  # `darkness` and `high_since_s` have waited already
        run = running.get(condition)
        since_s = run.since_s if run is not None and at_s - run.seen_s <= gap_s else at_s
        if at_s - since_s >= delay_s:
            running.pop(condition, None)
            active = active - {condition} if is_active else active | {condition}
            changes.append(Change(condition, not is_active, verdict.measured, verdict.limit))
        else:
            running[condition] = Running(since_s, at_s)
    return active, running or _NOTHING_RUNS, tuple(changes)


def _fell(state: DetectorState, facts: Facts, power: bool | None, *, unbroken: bool) -> bool:
    """Whether power fell from on to off though it is wanted and no OFF was given since it was seen on."""
    if power is not False:
        return state.fell and power is None
    if state.fell:
        return True
    on_s = state.on_seen_s
    return unbroken and facts.wanted is True and on_s is not None and facts.off_given_s < on_s
