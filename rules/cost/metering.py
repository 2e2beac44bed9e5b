"""What readings add up to: energy, what being off has saved, and the idle current a port has of its own."""

import math
from collections.abc import Mapping
from types import MappingProxyType

from rules.cost.energy import at_wall_wh
from rules.cost.tariff import Tariff, Used
from rules.door import CountersLoaded, EnergyLoaded, Publish, Record, Remark
from rules.faults import baseline, conditions, detect
from rules.faults.baseline import Baseline, Drift, Learning
from rules.ports import Condition, Reading
from rules.power import preshow
from rules.shows.schedule import Phase
from rules.state import PortState
from rules.step import Step

TELL_ON_S = 60.0
TELL_OFF_S = 900.0
"""A counter is told and recorded this often [s], with power and without."""


def measure(step: Step, port: PortState, reading: Reading, current_a: float | None) -> None:
    """Count a reading; `current_a` is its current if a port can have it. What readings change is touched."""
    now_s = step.now.monotonic_s
    meter = port.meter
    was_powered = meter.powered
    meter.add(
        reading if current_a is not None or reading.current_a is None else reading._replace(current_a=None)
    )
    if current_a is not None and port.seen_power is True and not reading.tripped:
        port.flowing_a = current_a
        preshow.saw(step, port, current_a)
        if port.most_a is None or current_a > port.most_a:
            port.most_a = current_a
        port.learning = baseline.watch(
            port.learning, reading.measured_s, current_a, healthy=not port.detector.active
        )
    if now_s >= port.energy_next_s or (meter.powered and not was_powered):
        # Where power has just come on, what is counted from now on belongs to another show.
        tell_energy(step, port)


def tell_energy(step: Step, port: PortState) -> None:
    """Publish and record the counters of a port; nothing while they are withheld."""
    now_s = step.now.monotonic_s
    step.touch(port)
    port.energy_next_s = now_s + (TELL_ON_S if port.seen_power else TELL_OFF_S)
    if step.plan.tariff is not None:
        _charge(step, port, step.plan.tariff)
    show, port.energy_show = port.energy_show, _show(step, port)
    energy_wh = port.meter.energy_wh
    if energy_wh is None:
        return
    told = (energy_wh, port.meter.saved_wh, port.meter.powered_s)
    if told == port.energy_told:
        return
    if told[:1] != port.energy_told[:1]:
        step.effects.append(Publish(port.target, "energy", energy_wh / 1000.0))
    port.energy_told = told
    _record(step, port, told, show)
    if now_s >= step.site.energy_next_s:
        step.site.energy_next_s = now_s + TELL_ON_S
        tell_site_energy(step)


def _record(step: Step, port: PortState, counted: tuple[float, float, float], show: str) -> None:
    """Counters for the history: energy and saved energy [Wh], powered time [s], and of which show."""
    energy_wh, saved_wh, powered_s = counted
    data = {"energy_wh": energy_wh, "saved_wh": saved_wh, "powered_s": powered_s, "show": show}
    step.effects.append(Record("energy", step.now.utc, port.target, data))


def _show(step: Step, port: PortState) -> str:
    running = [
        show.plan.name
        for show in (step.site.shows[name] for name in port.shows)
        if show.phase is not Phase.IDLE
    ]
    return min(running, default="")


def tell_site_energy(step: Step) -> None:
    """The site's counters: what it cost, and the sums as long as every port's is known.

    The sums are of what was told of the ports, as it is shown: more than that may be lost in a crash, and the
    site's counters would fall. Ports that left the plan stay in them.
    """
    if step.plan.tariff is not None:
        _tell_cost(step, step.plan.tariff)
    energy_kwh = saved_kwh = 0.0
    for gone_wh, gone_saved_wh, _ in step.site.gone_wh.values():
        energy_kwh += _shown_kwh(gone_wh)
        saved_kwh += _shown_kwh(gone_saved_wh)
    for port in step.site.ports.values():
        if port.meter.energy_wh is None:
            return
        own_wh, saved_wh, *_ = port.energy_told or (port.meter.energy_wh, port.meter.saved_wh)
        energy_kwh += _shown_kwh(own_wh)
        saved_kwh += _shown_kwh(saved_wh)
    step.tell(step.site, "energy", energy_kwh)
    step.tell(step.site, "saved", saved_kwh)


def _shown_kwh(energy_wh: float) -> float:
    """A counter as it is published [kWh]: to the watt-hour, to the milliwatt-hour below 1 kWh."""
    return round(energy_wh / 1000.0, 3 if energy_wh >= 1000.0 else 6)


def load_energy(step: Step, event: EnergyLoaded) -> None:
    """A counter from the store or the broker: counting goes on from the highest that is known."""
    site = step.site
    port = site.ports.get(event.port)
    counted = (event.energy_wh, event.saved_wh, event.powered_s)
    if port is not None:
        step.touch(port)
        port.meter.start(*counted)
        tell_energy(step, port)
    elif all(math.isfinite(value) and value >= 0.0 for value in counted):
        known = site.gone_wh.get(event.port, counted)
        most_wh, most_saved_wh, most_s = map(max, known, counted)
        site.gone_wh = MappingProxyType({**site.gone_wh, event.port: (most_wh, most_saved_wh, most_s)})


def leave(step: Step, port: PortState) -> None:
    """A port leaves the plan, which is still in force: its counters are recorded and stay in the site's."""
    if step.plan.tariff is not None:
        step.touch(port)
        _charge(step, port, step.plan.tariff)
    meter, site = port.meter, step.site
    if meter.energy_wh is None:
        return
    counted = (meter.energy_wh, meter.saved_wh, meter.powered_s)
    site.gone_wh = MappingProxyType({**site.gone_wh, port.plan.id: counted})
    _record(step, port, counted, port.energy_show)


def come_back(step: Step, port: PortState) -> None:
    """A port of an earlier plan is back: it counts on, and the site counts it as its port again."""
    site, port_id = step.site, port.plan.id
    counted = site.gone_wh.get(port_id)
    if counted is not None:
        port.meter.start(*counted)
        site.gone_wh = MappingProxyType({name: one for name, one in site.gone_wh.items() if name != port_id})


# ---------------------------------------------------------------- what it costs


def cost_counters(tariff: Tariff) -> Mapping[str, str]:
    """The site's counters of money in the tariff's currency: property → name of the counter.

    Another currency is another counter: sums of two would mean nothing.
    """
    return {name: f"{name} {tariff.currency}".strip() for name in ("cost", "saved-cost")}


def _charge(step: Step, port: PortState, tariff: Tariff) -> None:
    """Add what a port took and saved since the last time to the site's cost, each at its own time's price."""
    since_utc, energy_wh, saved_wh = port.charged
    now_utc, meter = step.now.utc, port.meter
    port.charged = (now_utc, meter.counted_wh, meter.counted_saved_wh)
    efficiency = step.plan.efficiency_of(port.plan)
    counters = None
    parts = (meter.counted_wh - energy_wh, meter.counted_saved_wh - saved_wh)
    for name, part_wh in zip(cost_counters(tariff).values(), parts, strict=True):
        if part_wh > 0.0:
            counters = counters or dict(step.site.counters)
            cost = tariff.cost([Used(since_utc or now_utc, now_utc, at_wall_wh(part_wh, efficiency))])
            counters[name] = counters.get(name, 0.0) + cost
    if counters is not None:
        step.site.counters = MappingProxyType(counters)


def _tell_cost(step: Step, tariff: Tariff) -> None:
    site = step.site
    for name, counter in cost_counters(tariff).items():
        if not (site.counters_whole or counter in site.counters_loaded):
            continue
        value = site.counters.get(counter, 0.0)
        before = site.published.get(name)
        step.tell(site, name, round(value, 4))
        if before != site.published[name]:
            data = {"name": counter, "value": value}
            step.effects.append(Record("counter", step.now.utc, site.target, data))


def confirm_counters(step: Step) -> bool:
    """A person lets costs that nobody knows begin with this process; whether there were any."""
    site, tariff = step.site, step.plan.tariff
    known, site.counters_whole = site.counters_whole, True
    if known or tariff is None or site.counters_loaded.issuperset(cost_counters(tariff).values()):
        return False
    tell_site_energy(step)
    return True


def load_counters(step: Step, event: CountersLoaded) -> None:
    """Counters of the site go on from what is known of them; what was counted meanwhile is added."""
    site = step.site
    counters = dict(site.counters)
    for name, value in event.values.items():
        counted = counters.get(name, 0.0)
        # A late source tells of a total, which already holds what the earlier one knew.
        counters[name] = max(counted, value) if name in site.counters_loaded else counted + value
    site.counters = MappingProxyType(counters)
    site.counters_loaded |= event.values.keys()
    site.counters_whole = site.counters_whole or event.whole
    tell_site_energy(step)


def learned(step: Step, port: PortState, idle_a: float, spread_a: float) -> None:
    """A baseline from the store: it is believed, and learning goes on from it. One of 0 A was forgotten."""
    if idle_a <= 0.0:
        return
    step.touch(port)
    port.baseline = baseline.from_store(idle_a, spread_a)
    believe(step, port, idle_a, spread_a)


def believe(step: Step, port: PortState, idle_a: float, spread_a: float) -> None:
    """Judge the port by this idle current from now on."""
    port.facts = port.facts._replace(idle_a=idle_a, spread_a=spread_a, learned=True)
    if port.facts.nominal_v is not None:
        port.meter.idle_w = idle_a * port.facts.nominal_v
    step.tell(port, "expected", idle_a)


def power_went_off(step: Step, port: PortState) -> None:
    """An evening of the port may be over: what it taught. The port is touched already."""
    tell_energy(step, port)
    after, port.learning, taken, drift = baseline.evening_ended(
        port.baseline, port.learning, port.computed_idle_a
    )
    if drift is not Drift.NONE:
        word = "risen" if drift is Drift.RISEN else "fallen"
        text = f"{port.plan.name}: its current with nothing lit has slowly {word} over the evenings."
        step.effects.append(Remark("warn", port.target, text))
    if after is port.baseline:
        return
    port.baseline = after
    idle_a = after.idle_a
    if taken is baseline.Taken.LEARNED and idle_a is not None:
        believe(step, port, idle_a, after.spread_a)
        data = {"idle_a": idle_a, "spread_a": after.spread_a}
        step.effects.append(Record("baseline", step.now.utc, port.target, data))


def relearn(step: Step, port: PortState) -> None:
    """Forget what was learned, in the store too: a person asked, or the plan names another string."""
    step.touch(port)
    if port.baseline.evenings_a:
        data = {"idle_a": 0.0, "spread_a": 0.0}
        step.effects.append(Record("baseline", step.now.utc, port.target, data))
    port.baseline, port.learning = Baseline(), Learning()
    port.facts = port.facts._replace(idle_a=port.computed_idle_a, spread_a=0.0, learned=False)
    port.meter.idle_w = None
    for condition in (Condition.UNDERCURRENT, Condition.LEAKAGE):
        port.detector = detect.forget(port.detector, condition)
        if condition not in port.departures.values():
            conditions.return_(step, port, condition)
