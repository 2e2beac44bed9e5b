"""The load arithmetic of one port: its fuse, its chip's supply, its copper."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from rules.electrics.chips import Chip, Expected, expected_currents
from rules.electrics.findings import Finding, Level, Rule, above, amps, duration, finding
from rules.electrics.fuses import BladeFuse, ElectronicFuse, FusePart, ResettableFuse
from rules.electrics.rating import CONTINUOUS_RULE, continuous_limit_a, most_percent, most_pixels
from rules.electrics.wiring import AMPACITY_SOURCE, Wiring, enough, lowest
from rules.plan import PortPlan, SupplyPlan

ALLOWED_DROP = 0.10
NEAR_DROP = 0.05

EXPECTED_RULE = Rule("expected current = pixels x (idle + brightness limit x all channels)", "chip table")
ELECTRONIC_SOURCE = (
    "published electronic fuse terminals (infosys.beckhoff.com: EP92x4 curve, EL922x prewarning)"
)
PREWARN_RULE = Rule("load below the fuse's prewarning", ELECTRONIC_SOURCE)
PTC_RULE = Rule(
    "load no more than the hold current at the ambient temperature",
    "polymer fuse data sheets at 23 °C; derating with temperature from memory",
)
BLADE_RULE = Rule("blade fuse no larger than the port's rating", "common practice; local codes decide")
AMPACITY_RULE = Rule("fuse no larger than the thinnest wire behind it may carry", AMPACITY_SOURCE)
DROP_RULE = Rule(
    "no more than 10 % lost on the way to any pixel, and no less than the chip works with",
    "common practice; copper by IEC 60028, ASTM B258, IEC 60228",
)
COLOUR_RULE = Rule(
    "no more than 5 % lost where colours should be even",
    "common practice; 5 % is also the informational note of NEC 210.19 (from memory)",
)


def _rating_rule(part: FusePart | None) -> Rule:
    source = "rating as configured"
    if isinstance(part, BladeFuse):
        source = "ISO 8820-3 / SAE J1284, from memory"
    elif isinstance(part, ElectronicFuse):
        source = ELECTRONIC_SOURCE
    return Rule("load no more than the rating of the fuse", source)


@dataclass(frozen=True, slots=True)
class PortLoad:
    """What one port is expected to draw, and how that was reckoned.

    expected: None where it is not known; volts: of its supply, else of its chip [V], or None;
    how: the arithmetic as a clause.
    """

    port: PortPlan
    chip: Chip | None
    volts: float | None
    expected: Expected | None
    how: str

    @property
    def full_a(self) -> float | None:
        """Current with everything a show may light [A]; None where it is not known."""
        return None if self.expected is None else self.expected.full_a


def port_load(port: PortPlan, supply: SupplyPlan | None, chips: Mapping[str, Chip]) -> PortLoad:
    """The expected load of `port`: a configured current counts before one from pixels and chip."""
    chip = chips.get(port.chip) if port.chip else None
    volts = supply.volts_v if supply else chip.volts_v if chip else None
    told_a = port.expected_a
    if chip is None or port.chip is None or port.pixels is None or volts is None:
        if told_a is None:
            return PortLoad(port, chip, volts, None, "")
        return PortLoad(
            port, chip, volts, Expected(port.idle_a, told_a, told_a), f"{amps(told_a)} as configured"
        )
    expected = expected_currents(port.pixels, port.chip, port.brightness, volts, chips)
    if told_a is not None:
        how = f"{amps(told_a)} as configured (all white would be {amps(expected.full_a)})"
        told = Expected(expected.dark_a, min(expected.typical_a, told_a), told_a)
        return PortLoad(port, chip, volts, told, how)
    idle_a = chip.idle_at_a(volts)
    idle = "" if idle_a is None else f"{idle_a * 1000:.2f} mA idle + "
    limit = "" if port.brightness == 1 else f" x {port.brightness * 100:.3g} %"
    white = f"{sum(chip.channel_a) * 1000:.3g} mA white{limit}"
    how = f"{port.pixels} pixels x ({idle}{white}) = {amps(expected.full_a)}"
    return PortLoad(port, chip, volts, expected, how)


def check_port(
    load: PortLoad, supply: SupplyPlan | None, *, continuous: bool, chips: Mapping[str, Chip]
) -> Iterator[Finding]:
    """Findings about one port; `continuous`: it is powered for three hours or more in one piece."""
    port, expected = load.port, load.expected
    if port.chip is not None and load.chip is None:
        yield finding(
            Level.NOTE,
            port.id,
            EXPECTED_RULE,
            text=f"{port.name} names the chip {port.chip!r}, which is not in the table.",
            arithmetic=f"known are {', '.join(sorted(chips))}",
            remedy="use one of the known names, or add the chip with its currents",
        )
    if load.chip is not None and supply is not None:
        yield from _chip_on_supply(port, load.chip, supply)
    if expected is None:
        pixels = "not told" if port.pixels is None else port.pixels
        yield finding(
            Level.NOTE,
            port.id,
            EXPECTED_RULE,
            text=f"What {port.name} draws is not known: its load can't be checked.",
            arithmetic=f"pixels: {pixels}, chip: {port.chip or 'not told'}",
            remedy="tell its pixels and chip, or its expected current",
        )
        return
    if port.rating_a is None:
        yield finding(
            Level.NOTE,
            port.id,
            _rating_rule(port.fuse_part),
            text=f"{port.name} has no rating: its fuse can't be checked.",
            arithmetic=load.how,
            remedy="tell the port's rating",
        )
    else:
        yield from _fuse(load, expected, port.rating_a, continuous=continuous, chips=chips)
    if port.wiring is not None:
        yield from _ampacity(port, port.wiring)
        yield from _voltage(load, expected, port.wiring)


def _chip_on_supply(port: PortPlan, chip: Chip, supply: SupplyPlan) -> Iterator[Finding]:
    if chip.least_v <= supply.volts_v <= chip.most_v:
        return
    high = supply.volts_v > chip.most_v
    side, fate = ("above", "would be destroyed") if high else ("below", "would not work")
    yield finding(
        Level.OVER,
        port.id,
        Rule("supply within the chip's range", chip.source),
        text=f"{port.name}: {port.chip} pixels on {supply.volts_v:g} V from {supply.id} {fate}.",
        arithmetic=f"{supply.volts_v:g} V is {side} {chip.least_v:g} to {chip.most_v:g} V",
        remedy=f"a supply of {chip.volts_v:g} V, or another chip",
    )


def _fuse(
    load: PortLoad, expected: Expected, rating_a: float, *, continuous: bool, chips: Mapping[str, Chip]
) -> Iterator[Finding]:
    port, part, full_a = load.port, load.port.fuse_part, expected.full_a
    limit_a = continuous_limit_a(rating_a)
    remedy = _fitting(load, limit_a if continuous else rating_a, chips)
    if above(full_a, rating_a):
        yield finding(
            Level.OVER,
            port.id,
            _rating_rule(part),
            text=f"All white on {port.name} passes the rating of its fuse{_opens(part, full_a, rating_a)}.",
            arithmetic=f"{load.how} > {amps(rating_a)}",
            remedy=remedy,
        )
    elif continuous and above(full_a, limit_a):
        ordinary = above(expected.typical_a, limit_a)
        content = "ordinary content" if ordinary else "a scene that stays white"
        judged_a = expected.typical_a if ordinary else full_a
        yield finding(
            Level.OVER if ordinary else Level.NEAR,
            port.id,
            CONTINUOUS_RULE,
            text=f"{port.name} has power for three hours or more; {content} draws over 80 % of its rating.",
            arithmetic=f"{amps(rating_a)} / 1.25 = {amps(limit_a)} < {amps(judged_a)} ({load.how})",
            remedy=remedy,
        )
    elif isinstance(part, ElectronicFuse) and above(full_a, rating_a * part.prewarn_pct / 100):
        warns_a = rating_a * part.prewarn_pct / 100
        yield finding(
            Level.NEAR,
            port.id,
            PREWARN_RULE,
            text=f"All white on {port.name} reaches the prewarning of its fuse.",
            arithmetic=f"{load.how} > {part.prewarn_pct:g} % x {amps(rating_a)} = {amps(warns_a)}",
            remedy=_fitting(load, warns_a, chips),
        )
    if isinstance(part, ResettableFuse) and above(full_a, part.hold_now_a):
        certain = full_a >= part.trip_now_a
        outcome = "it will open" if certain else "whether it opens is not defined"
        yield finding(
            Level.OVER,
            port.id,
            PTC_RULE,
            text=f"All white on {port.name} is more than its resettable fuse holds at {part.ambient_c:g} °C; "
            f"{outcome}.",
            arithmetic=f"{load.how} > {amps(part.hold_a)} x {part.derating:.2f} = {amps(part.hold_now_a)} "
            f"(opens for certain at {amps(part.trip_now_a)})",
            remedy=_fitting(load, part.hold_now_a, chips),
        )
    if isinstance(part, BladeFuse) and part.rating_a > rating_a:
        yield finding(
            Level.OVER,
            port.id,
            BLADE_RULE,
            text=f"The blade fuse of {port.name} is larger than what the port may carry.",
            arithmetic=f"{amps(part.rating_a)} > {amps(rating_a)}",
            remedy=f"a blade fuse of no more than {amps(rating_a)}",
        )


def _opens(part: FusePart | None, current_a: float, rating_a: float) -> str:
    """When the fuse opens, as the end of a sentence; empty where its curve does not say."""
    if isinstance(part, ElectronicFuse):
        within_s = part.opens_within_s(current_a, rating_a)
        return "" if math.isinf(within_s) else f"; it opens within {duration(within_s)}"
    row = part.melts(current_a) if isinstance(part, BladeFuse) else None
    if row is None:
        return ""
    if math.isinf(row.at_most_s):
        return f"; it may melt after {duration(row.at_least_s)}"
    return f"; it melts between {duration(row.at_least_s)} and {duration(row.at_most_s)}"


def _fitting(load: PortLoad, limit_a: float, chips: Mapping[str, Chip]) -> str:
    """Fewer pixels or a lower brightness that would fit `limit_a`."""
    port, chip, volts = load.port, load.chip, load.volts
    if chip is None or volts is None or port.chip is None or not port.pixels or not port.brightness:
        return ""
    ways = []
    count = most_pixels(limit_a, port.chip, port.brightness, volts, chips)
    if 0 < count < port.pixels:
        ways.append(f"no more than {count} pixels")
    percent = most_percent(limit_a, port.pixels, chip, volts)
    if 0 < percent < port.brightness * 100:
        ways.append(f"a brightness limit of {percent} %")
    return ", or ".join(ways)


def _ampacity(port: PortPlan, wiring: Wiring) -> Iterator[Finding]:
    conductors = [wiring.cable.conductor, *(injection.cable.conductor for injection in wiring.injections)]
    conductors += [wiring.string] if wiring.string else []
    thinnest = min(conductors, key=lambda conductor: conductor.ampacity_a)
    if port.rating_a is None or port.rating_a <= thinnest.ampacity_a:
        return
    yield finding(
        Level.OVER,
        port.id,
        AMPACITY_RULE,
        text=f"A short on {port.name} could heat its {thinnest.name} wire before the fuse opens.",
        arithmetic=f"fuse {amps(port.rating_a)} > {amps(thinnest.ampacity_a)} for {thinnest.name}",
        remedy=f"a fuse of no more than {amps(thinnest.ampacity_a)}, or thicker wire",
    )


def _voltage(load: PortLoad, expected: Expected, wiring: Wiring) -> Iterator[Finding]:
    port, chip, volts = load.port, load.chip, load.volts
    if volts is None or port.pixels == 0:
        return
    pixels = port.pixels or 1
    beyond = [injection.pixel for injection in wiring.injections if not 1 <= injection.pixel <= pixels]
    if beyond:
        yield finding(
            Level.OVER,
            port.id,
            DROP_RULE,
            text=f"{port.name} has power injected at pixel {beyond[0]}, which it does not have.",
            arithmetic=f"pixels 1 to {pixels}",
            remedy="correct the injection or the count of pixels",
        )
        return
    least_v = volts * (1 - ALLOWED_DROP)
    if chip is not None and chip.least_v <= volts:
        least_v = max(least_v, chip.least_v)
    worst = lowest(wiring, pixels, expected.full_a / pixels)
    cable = wiring.cable
    arithmetic = (
        f"{cable.length_m:g} m of {cable.conductor.name} out and back = {cable.loop_ohm:.3f} Ω; "
        f"at {amps(expected.full_a)} {volts:g} V - {worst.drop_v:.2f} V ({worst.drop_v / volts * 100:.1f} %) "
        f"= {max(0.0, volts - worst.drop_v):.2f} V at pixel {worst.pixel}"
    )
    if not wiring.step_ohm:
        arithmetic += ", the string's own wire not counted"
    if volts - worst.drop_v < least_v:
        idle_a = min((chip.idle_at_a(volts) or 0.0) if chip else 0.0, expected.full_a / pixels)
        lit_a = (expected.full_a / pixels - idle_a) / port.brightness if port.brightness else 0.0
        ways = enough(wiring, pixels, idle_a, lit_a, brightness=port.brightness, allowed_v=volts - least_v)
        yield finding(
            Level.OVER,
            port.id,
            DROP_RULE,
            text=f"The farthest pixels of {port.name} get too little voltage when all are white.",
            arithmetic=f"{arithmetic} < {least_v:.2f} V",
            remedy="; or ".join(ways) or "no single step is enough: split the string over more ports",
        )
    elif worst.drop_v > volts * NEAR_DROP:
        yield finding(
            Level.NEAR,
            port.id,
            COLOUR_RULE,
            text=f"White may look tinted at the far end of {port.name}.",
            arithmetic=arithmetic,
        )
    else:
        yield finding(
            Level.NOTE,
            port.id,
            DROP_RULE,
            text=f"The farthest pixel of {port.name} gets enough voltage when all are white.",
            arithmetic=arithmetic,
        )
