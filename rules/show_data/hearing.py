"""Show data that is heard: which shows it runs, and what ports should draw by it."""

from collections.abc import Iterable, Mapping

from rules.door import Expected, Heard, LearnedLoaded, Publish, Record, Remark
from rules.electrics.chips import CHIPS, Chip
from rules.faults.departures import assert_departure
from rules.plan import PortPlan, SitePlan
from rules.ports import Condition, PortId, Target, TargetKind
from rules.show_data import comparison
from rules.show_data.comparison import Comparison, Departed, Judgement, Point
from rules.show_data.levels import CurrentModel
from rules.shows import schedule
from rules.state import PortState
from rules.step import Step

DATA = "data"
"""The source of departures from show data, and the name of what is learned of it."""
_CONDITIONS = {Departed.BELOW: Condition.UNDERCURRENT, Departed.ABOVE: Condition.OVERCURRENT}


# ---------------------------------------------------------------- models


def model_of(plan: SitePlan, port: PortPlan, chips: Mapping[str, Chip] = CHIPS) -> CurrentModel | None:
    """The current model of `port`; None where its pixels, their slots or their currents are not known."""
    pixel_map = port.show_data
    if pixel_map is None or not port.pixels:
        return None
    chip = chips.get(port.chip) if port.chip else None
    supply = plan.supplies.get(port.supply) if port.supply else None
    idle_a = port.idle_a / port.pixels if port.idle_a is not None else None
    if idle_a is None and chip is not None:
        idle_a = chip.idle_at_a(chip.volts_v if supply is None else supply.volts_v)
    if chip is not None and len(chip.channel_a) >= pixel_map.channels:
        channel_a = dict(zip("RGBW", chip.channel_a, strict=False))
    elif port.expected_a is not None and pixel_map.brightness > 0.0:
        lit_a = max(0.0, port.expected_a - port.pixels * (idle_a or 0.0))
        each_a = lit_a / (port.pixels * pixel_map.channels * pixel_map.brightness)
        channel_a = dict.fromkeys("RGBW", each_a)
    else:
        return None
    return CurrentModel(pixel_map, idle_a or 0.0, channel_a)


def models(plan: SitePlan) -> dict[PortId, CurrentModel]:
    """The models of all ports that have one."""
    found = {port.id: model_of(plan, port) for port in plan.ports.values()}
    return {port: model for port, model in found.items() if model is not None}


def universes(plan: SitePlan) -> tuple[int, ...]:
    """Every universe that lights a port or runs a show, ascending."""
    found = {
        slots.universe for port in plan.ports.values() if port.show_data for slots in port.show_data.slots
    }
    return tuple(sorted(found.union(*(show.data for show in plan.shows))))


def prepare(plan: SitePlan, port: PortState) -> None:
    """Give a port its comparison, or a new one where its model changed. The port is touched already."""
    model = model_of(plan, port.plan)
    if model is None:
        port.compared = None
        return
    known = port.compared
    if known is not None and (known.dark_a, known.full_a) == (model.dark_a, model.full_a):
        return
    idle_a = port.facts.idle_a
    port.compared = comparison.fresh(model.dark_a, model.full_a, idle_a, learned=port.facts.learned)


# ---------------------------------------------------------------- what is heard


def heard(step: Step, event: Heard) -> None:
    """Universes came or fell silent: shows that follow their data do so."""
    site = step.site
    site.heard = frozenset(event.universes)
    step.tell(site, "universes", spelled(event.universes))
    changed = {
        show_id: schedule.followed(show, site.heard, step.now.monotonic_s)
        for show_id, show in site.shows.items()
        if show.plan.data
    }
    if any(show is not site.shows[show_id] for show_id, show in changed.items()):
        site.shows = {**site.shows, **changed}
        step.show_dirty = True


def spelled(numbers: Iterable[int]) -> str:
    """Universes for people: ``1 to 4, 7``."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{run[0]} to {run[-1]}" if len(run) > 1 else str(run[0]) for run in runs)


def expected(step: Step, event: Expected) -> None:
    """What levels should make a port draw, over about the last second; without points: nobody knows."""
    port = step.site.ports.get(event.port)
    if port is None or port.compared is None:
        return
    step.touch(port)
    state = port.compared
    if not event.points or port.job is not None or port.seen_power is not True:
        port.compared = comparison.interrupted(state)
        _tell(step, port, port.facts.idle_a if not event.points else None)
        return
    standing = [alarm for alarm in port.alarms.values() if alarm.active]
    points = [Point(at_s, computed_a) for at_s, computed_a in event.points]
    after, judgement = comparison.heard(state, points, healthy=not standing)
    port.compared = after
    _tell(step, port, after.expected_a(points[-1].computed_a))
    if judgement is not None:
        _judged(step, port, state, after, judgement)


def _judged(step: Step, port: PortState, before: Comparison, after: Comparison, judgement: Judgement) -> None:
    if after.misfit and not before.misfit:
        step.effects.append(
            Remark(
                "warn",
                port.target,
                f"{port.plan.name} draws {judgement.measured_a:.2f} A where its show data ask for "
                f"{(judgement.low_a + judgement.high_a) / 2:.2f} A. Nothing is judged by them "
                "until pixels, chip, brightness limit, gamma and slots in the configuration fit.",
            )
        )
    if after.departed is before.departed:
        return
    if after.departed is None:
        assert_departure(step, port, DATA, None)
        return
    middle_a = (judgement.low_a + judgement.high_a) / 2.0
    assert_departure(
        step,
        port,
        DATA,
        _CONDITIONS[after.departed],
        measured=judgement.measured_a,
        limit=judgement.limit_a(after.departed),
        detail=f"Its show data ask for {middle_a:.2f} A.",
    )


def _tell(step: Step, port: PortState, expected_a: float | None) -> None:
    """The property `expected`, by exception."""
    if expected_a is None or not port.plan.abilities.current:
        return
    told = port.published.get("expected")
    rules = step.plan.telemetry
    if isinstance(told, float):
        band_a = max(rules.band_a, rules.band_fraction * told)
        if abs(expected_a - told) < band_a:
            return
    port.published = {**port.published, "expected": expected_a}
    step.effects.append(Publish(port.target, "expected", expected_a))


def observe(port: PortState, measured_s: float, current_a: float) -> None:
    """A plausible current of a powered port, to be compared when its levels are known."""
    if port.compared is not None and port.compared.points:
        port.compared = comparison.read(port.compared, measured_s, current_a)


# ---------------------------------------------------------------- what is kept


def power_went_off(step: Step, port: PortState) -> None:
    """An evening may be over: what was learned goes to the store. The port is touched already."""
    state = port.compared
    if state is None:
        return
    port.compared = comparison.evening_over(state)
    if state.learned:
        data = {"name": DATA, "packed": comparison.pack(state)}
        step.effects.append(Record("learned", step.now.utc, port.target, data))


def restore(step: Step, port: PortState, event: LearnedLoaded) -> None:
    """What the store kept of an earlier evening. Raises RulesError where it can't be read."""
    if port.compared is not None:
        step.touch(port)
        port.compared = comparison.unpacked(port.compared, event.packed)


def forget(step: Step, port: PortState) -> None:
    """Learn anew; a person asked."""
    state = port.compared
    if state is not None:
        port.compared = comparison.fresh(state.dark_a, state.full_a, port.computed_idle_a, learned=False)
        assert_departure(step, port, DATA, None)
        step.effects.append(
            Record(
                "learned",
                step.now.utc,
                Target(TargetKind.PORT, port.plan.id),
                {"name": DATA, "packed": b""},
            )
        )
