"""One reading against one port's limits: the verdict on each condition, before any delay.

A verdict is true, false, or missing (None) where what was said does not carry one.
Between a limit and its deadband the verdict stays what is raised.
"""

from collections.abc import Mapping
from typing import Final, NamedTuple

from rules.plan import Limit
from rules.ports import Abilities, Condition, Reading

_C = Condition
_INF: Final = float("inf")
_BEGUN_S: Final = 1e-9
"""A first dark sample: how long it was dark before is not known."""
_TRACE_S: Final = 1.0
"""Less darkness than this [s] is forgotten when something is lit."""

ZERO_A: Final = 0.05
"""A current below zero by no more than this [A] is noise of an unloaded sensor and counts as 0 A."""
PLAUSIBLE_TIMES_RATING: Final = 10.0
"""No port carries this many times its rating: a short-circuit begins near 6 times (a maker's rule of thumb),
and a fuse opens long before."""
PLAUSIBLE_MOST_A: Final = 60.0
"""The most a port of unknown rating can carry [A]; below 65.535 A, which is a small negative current read as
an unsigned 16-bit number of milliamperes."""
PLAUSIBLE_V: Final = (-1.0, 100.0)
PLAUSIBLE_C: Final = (-60.0, 200.0)
STUCK_ON_A: Final = 0.05
"""A port that is off passes less than this [A]."""
NO_LOAD_A: Final = 0.01
"""A powered port with anything on it draws more than this [A] (100 dark pixels: about 0.2 A)."""
CONTINUOUS_FRACTION: Final = 0.8
"""A continuous load may take 80 % of the rating: the 125 % rule of NEC 210.20(A), turned round."""
UNDERCURRENT_LEARNED: Final = 0.95
"""Part of a string is dark below this fraction of its learned idle current."""
UNDERCURRENT_COMPUTED: Final = 0.6
"""The same, of an idle current that was only computed: datasheets say little about single strings."""
UNDERCURRENT_LEAST_A: Final = 0.010
"""The floor lies at least this far [A] below the idle current: more than one step of a coarse converter (a
10-bit sense output of a high-side switch: 8 mA), so that rounding to the next step is no dark tail."""
LEAKAGE_FRACTION: Final = 0.25
LEAKAGE_LEAST_A: Final = 0.03
LEAKAGE_SPREADS: Final = 1.5
"""Idle current has risen when its lowest value lies above the baseline by the largest of these."""
OVERTEMPERATURE_C: Final = 70.0
UNDERVOLTAGE_FRACTION: Final = 0.9
QUIET_FRACTION: Final = 1.1
"""Above this many times the idle current something is lit, which says nothing about a dark part."""


class Facts(NamedTuple):
    """What the rules know of a port besides its reading. Make a new one only when something changed.

    wanted: the verdict's power (None: nothing decided yet); off_given_s: until when the last OFF, by whatever
    rule, may have acted [monotonic s]; on_given: an ON was given since power was wanted; rating_a,
    idle_a (nothing lit), spread_a (how far idle moments scatter) [A];
    learned: whether idle_a was learned on this port or only computed; nominal_v: the supply's voltage [V];
    gap_s: a break between readings longer than this [s] interrupts every delay.
    """

    wanted: bool | None = None
    off_given_s: float = float("-inf")
    on_given: bool = True
    rating_a: float | None = None
    idle_a: float | None = None
    spread_a: float = 0.0
    learned: bool = False
    nominal_v: float | None = None
    abilities: Abilities = Abilities()
    gap_s: float = 5.0


class Verdict(NamedTuple):
    """Whether a condition is true, the value it was judged by and the limit, in the condition's own unit."""

    true: bool
    measured: float | None
    limit: float | None


class Bands(NamedTuple):
    """What lies between these bounds changes nothing while nothing is raised and no delay runs.

    low_a, high_a: current [A]; low_v: voltage [V]; high_c: temperature [degree Celsius]; leak_a: leakage
    limit [A]; leak_delay_s: its on-delay [s]; floor_a: idle floor [A], 0 if none.
    """

    low_a: float
    leak_a: float
    high_a: float
    leak_delay_s: float
    floor_a: float
    low_v: float
    high_c: float


_FALSE: Final = Verdict(False, None, None)
NO_BANDS: Final = Bands(_INF, _INF, -_INF, 0.0, 0.0, _INF, -_INF)
"""Nothing is known: every reading is judged."""


def plausible_current_a(current_a: float | None, rating_a: float | None) -> float | None:
    """The current [A] if a port can have it, 0 for noise below zero, None if it can't or is missing."""
    if current_a is None:
        return None
    if rating_a is not None and 0.0 <= current_a <= rating_a:
        return current_a  # as nearly always, without a look at the bounds
    if not -ZERO_A <= current_a <= most_plausible_a(rating_a):
        return None
    return max(current_a, 0.0)


def most_plausible_a(rating_a: float | None) -> float:
    """The highest current [A] a port of this rating can report."""
    if rating_a is None:
        return PLAUSIBLE_MOST_A
    return min(PLAUSIBLE_TIMES_RATING * rating_a, max(PLAUSIBLE_MOST_A, 3.0 * rating_a))


def judge(
    reading: Reading,
    facts: Facts,
    limits: Mapping[Condition, Limit],
    bands: Bands,
    raised: frozenset[Condition],
    *,
    fell: bool,
    powered: bool,
    dark_s: float,
    high_s: float,
) -> dict[Condition, Verdict | None]:
    """The verdicts of one reading; a condition that is not among them has none.

    raised: conditions that stand; fell: power fell unasked; powered: the port is taken to have power;
    dark_s: the `darkness` so far; high_s: how long every current was above the leakage limit.
    """
    power = reading.power if facts.abilities.readback else None
    tripped = reading.tripped if facts.abilities.trip else None
    said_a = reading.current_a if facts.abilities.current else None
    current_a = plausible_current_a(said_a, facts.rating_a)
    verdicts = {
        _C.FUSE_TRIP: _trip(tripped, power, current_a, facts, fell=fell),
        _C.IMPLAUSIBLE: _implausible(reading, facts, said_a),
        _C.STUCK_ON: _stuck_on(limits, facts, power, current_a),
        _C.STUCK_OFF: _stuck_off(facts, power, tripped=bool(tripped) or fell),
        _C.OVERTEMPERATURE: _above(
            raised, limits, _C.OVERTEMPERATURE, _within(reading.temperature_c, PLAUSIBLE_C), OVERTEMPERATURE_C
        ),
    }
    if facts.rating_a is not None:
        rating_a = facts.rating_a
        verdicts[_C.OVERCURRENT] = _above(raised, limits, _C.OVERCURRENT, current_a, rating_a)
        verdicts[_C.NEAR_RATING] = _above(
            raised, limits, _C.NEAR_RATING, current_a, CONTINUOUS_FRACTION, unit=rating_a
        )
    if powered:
        verdicts[_C.UNDERVOLTAGE] = _undervoltage(
            raised, limits, facts, _within(reading.voltage_v, PLAUSIBLE_V)
        )
        verdicts[_C.NO_LOAD] = _no_load(raised, limits, facts, current_a)
        verdicts[_C.UNDERCURRENT] = _undercurrent(limits, raised, bands, current_a, dark_s)
        verdicts[_C.LEAKAGE] = _leakage(raised, limits, bands, current_a, high_s)

    return verdicts


def _trip(
    tripped: bool | None, power: bool | None, current_a: float | None, facts: Facts, *, fell: bool
) -> Verdict | None:
    if tripped or fell:
        return Verdict(True, current_a, facts.rating_a)
    if tripped is None and power is None:
        return None
    return Verdict(False, current_a, facts.rating_a)


def _implausible(reading: Reading, facts: Facts, said_a: float | None) -> Verdict | None:
    most_a = most_plausible_a(facts.rating_a)
    if said_a is not None and not -ZERO_A <= said_a <= most_a:
        return Verdict(True, said_a, most_a)
    for value, bounds in ((reading.voltage_v, PLAUSIBLE_V), (reading.temperature_c, PLAUSIBLE_C)):
        if value is not None and _within(value, bounds) is None:
            return Verdict(True, value, bounds[1])
    return None if said_a is None and reading.voltage_v is None and reading.temperature_c is None else _FALSE


def _stuck_on(
    limits: Mapping[Condition, Limit], facts: Facts, power: bool | None, current_a: float | None
) -> Verdict | None:
    if not facts.abilities.switch or facts.wanted is None:
        return None
    if facts.wanted:
        return _FALSE
    limit_a = _level(limits, _C.STUCK_ON, STUCK_ON_A)
    if power or (current_a is not None and current_a > limit_a):
        return Verdict(True, current_a, limit_a)
    return None if power is None and current_a is None else Verdict(False, current_a, limit_a)


def _stuck_off(facts: Facts, power: bool | None, *, tripped: bool) -> Verdict | None:
    if not facts.abilities.switch or not facts.wanted or tripped or power is None:
        return None
    if not power and not facts.on_given:
        return None  # it waits for its turn, or is withheld
    return Verdict(not power, None, None)


def _above(
    raised: frozenset[Condition],
    limits: Mapping[Condition, Limit],
    condition: Condition,
    value: float | None,
    level: float,
    *,
    unit: float = 1.0,
) -> Verdict | None:
    """Above a limit; once raised, still so until below the limit less its deadband."""
    if value is None:
        return None
    limit = _level(limits, condition, level) * unit
    band = _deadband(limits, condition) * limit
    return Verdict(value >= limit - band if condition in raised else value > limit, value, limit)


def _undervoltage(
    raised: frozenset[Condition], limits: Mapping[Condition, Limit], facts: Facts, voltage_v: float | None
) -> Verdict | None:
    if voltage_v is None or facts.nominal_v is None:
        return None
    limit_v = _level(limits, _C.UNDERVOLTAGE, UNDERVOLTAGE_FRACTION) * facts.nominal_v
    band_v = _deadband(limits, _C.UNDERVOLTAGE) * limit_v
    is_low = voltage_v <= limit_v + band_v if _C.UNDERVOLTAGE in raised else voltage_v < limit_v
    return Verdict(is_low, voltage_v, limit_v)


def _no_load_a(limits: Mapping[Condition, Limit], facts: Facts) -> float:
    """The limit of `no-load` [A]; a string that draws little at rest is not "nothing"."""
    limit_a = _level(limits, _C.NO_LOAD, NO_LOAD_A)
    return limit_a if facts.idle_a is None else min(limit_a, facts.idle_a / 2)


def _no_load(
    raised: frozenset[Condition], limits: Mapping[Condition, Limit], facts: Facts, current_a: float | None
) -> Verdict | None:
    if current_a is None:
        return None
    limit_a = _no_load_a(limits, facts)
    band_a = _deadband(limits, _C.NO_LOAD) * limit_a
    is_low = current_a <= limit_a + band_a if _C.NO_LOAD in raised else current_a < limit_a
    return Verdict(is_low, current_a, limit_a)


def darkness(
    dark_s: float, current_a: float, step_s: float, facts: Facts, bands: Bands, *, raised: bool, most_s: float
) -> float:
    """How long [s] a part of the string was seen dark, less how long all of it was seen whole; 0 to `most_s`.

    Only quiet moments speak: below the floor for a dark part, from there to just above the idle current for a
    whole string, each with full weight a little away from the floor. A lit string says nothing. So dark
    moments between lit ones add up, and noise around the idle current takes away what it brings.
    """
    idle_a, floor_a = facts.idle_a, bands.floor_a
    if idle_a is None or floor_a <= 0.0:
        return 0.0
    if current_a > QUIET_FRACTION * idle_a:
        return dark_s if dark_s >= _TRACE_S else 0.0
    half_a = min((idle_a - floor_a) / 2, max(0.025 * idle_a, UNDERCURRENT_LEAST_A / 2))
    middle_a = floor_a + half_a if raised else floor_a
    weight = max(-1.0, min(1.0, (middle_a - current_a) / half_a))
    if dark_s == 0.0:
        return _BEGUN_S if weight > 0.0 else 0.0
    return max(0.0, min(most_s, dark_s + weight * step_s))


def _undercurrent(
    limits: Mapping[Condition, Limit], raised: frozenset[Condition], bands: Bands, current_a: float | None,
    dark_s: float,
) -> Verdict | None:  # fmt: skip
    """Raised and returned by `darkness` alone, which carries its delays."""
    if current_a is None or bands.floor_a <= 0.0:
        return None
    if _C.UNDERCURRENT in raised:
        return Verdict(dark_s > 0.0, current_a, bands.floor_a)
    limit = limits.get(_C.UNDERCURRENT)
    is_dark = limit is not None and dark_s > 0.0 and dark_s >= limit.on_delay_s
    return Verdict(is_dark, current_a, bands.floor_a)


def _leakage(
    raised: frozenset[Condition],
    limits: Mapping[Condition, Limit],
    bands: Bands,
    current_a: float | None,
    high_s: float,
) -> Verdict | None:
    """Raised when no current was below the limit for the whole on-delay: nothing lit ever fell to idle."""
    if current_a is None or bands.leak_a == _INF:
        return None
    if _C.LEAKAGE not in raised:
        is_high = current_a >= bands.leak_a and high_s >= bands.leak_delay_s
        return Verdict(is_high, current_a, bands.leak_a)
    band_a = _deadband(limits, _C.LEAKAGE) * bands.leak_a
    return Verdict(current_a >= bands.leak_a - band_a, current_a, bands.leak_a)


def bands_of(facts: Facts, limits: Mapping[Condition, Limit], powered: bool | None) -> Bands:
    """The bands of a port with these facts and limits, with power, without, or not known (None)."""
    most_a = most_plausible_a(facts.rating_a)
    if powered is None:
        return NO_BANDS
    high_c = min(_level(limits, _C.OVERTEMPERATURE, OVERTEMPERATURE_C), PLAUSIBLE_C[1])
    if not powered:
        off_a = min(_level(limits, _C.STUCK_ON, STUCK_ON_A), most_a)
        return Bands(-ZERO_A, _INF, off_a, 0.0, 0.0, PLAUSIBLE_V[0], high_c)
    floor_a, leak_a, high_a = 0.0, _INF, most_a
    idle_a = facts.idle_a
    if idle_a is not None:
        fraction = UNDERCURRENT_LEARNED if facts.learned else UNDERCURRENT_COMPUTED
        floor_a = min(_level(limits, _C.UNDERCURRENT, fraction) * idle_a, idle_a - UNDERCURRENT_LEAST_A)
        if facts.learned:
            rise_a = max(
                _level(limits, _C.LEAKAGE, LEAKAGE_FRACTION) * idle_a,
                LEAKAGE_LEAST_A,
                LEAKAGE_SPREADS * facts.spread_a,
            )
            leak_a = idle_a + rise_a
    if facts.rating_a is not None:
        over_a = _level(limits, _C.OVERCURRENT, facts.rating_a)
        near_a = _level(limits, _C.NEAR_RATING, CONTINUOUS_FRACTION) * facts.rating_a
        high_a = min(most_a, over_a, near_a)
    leakage = limits.get(_C.LEAKAGE)
    return Bands(
        max(floor_a, _no_load_a(limits, facts)),
        leak_a,
        high_a,
        leakage.on_delay_s if leakage is not None else 0.0,
        floor_a,
        _level(limits, _C.UNDERVOLTAGE, UNDERVOLTAGE_FRACTION) * (facts.nominal_v or 0.0),
        high_c,
    )


def _level(limits: Mapping[Condition, Limit], condition: Condition, default: float) -> float:
    limit = limits.get(condition)
    return default if limit is None or limit.level is None else limit.level


def _deadband(limits: Mapping[Condition, Limit], condition: Condition) -> float:
    limit = limits.get(condition)
    return 0.0 if limit is None else limit.deadband


def _within(value: float | None, bounds: tuple[float, float]) -> float | None:
    return value if value is not None and bounds[0] <= value <= bounds[1] else None
