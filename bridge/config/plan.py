"""`Settings` → `SitePlan`: inheritance resolved, references followed, units in base units."""

from dataclasses import replace
from types import MappingProxyType
from typing import Any

from bridge.config.hardware import (
    LimitsSettings,
    PortSettings,
    PropSettings,
    ReclosingSettings,
    SupplySettings,
)
from bridge.config.reach import abilities as reach_abilities
from bridge.config.settings import Settings
from bridge.config.shows import CalendarSettings, ShowSettings
from bridge.config.site import read_wording
from rules.cost.tariff import EVERY_DAY, Band, Tariff
from rules.plan import (
    DEFAULT_LIMITS,
    SILENCE_RUN_ON_S,
    ControllerPlan,
    Limit,
    PortPlan,
    PreShow,
    PropPlan,
    Reclosing,
    ShowPlan,
    SitePlan,
    SupplyPlan,
    Telemetry,
)
from rules.ports import Condition, Fuse, PortId, port_id
from rules.show_data.levels import PixelMap
from rules.shows.calendar_types import Place
from rules.wording import WORDING

_STALE_S = 15.0
"""A reading older than this [s] is none; for controllers that are asked more seldom, three periods."""


def plan(settings: Settings) -> SitePlan:
    """The site as the rules see it. `settings` comes from `load`, so all its references hold."""
    site = settings.site
    ports: dict[PortId, PortPlan] = {}
    controllers: dict[str, ControllerPlan] = {}
    alike: dict[object, Any] = {}
    for name, controller in settings.controllers.items():
        own = {number: _shared(_port(settings, name, number), alike) for number in sorted(controller.ports)}
        ports.update((one.id, one) for one in own.values())
        controllers[name] = ControllerPlan(
            id=name,
            name=controller.name or name,
            ports=tuple(one.id for one in own.values()),
            every_s=controller.reach.every_s,
            stale_s=max(_STALE_S, 3 * controller.reach.slowest_s),
        )
    props = {name: _prop(name, prop, controllers) for name, prop in settings.props.items()}
    return SitePlan(
        id=site.id,
        name=site.name,
        place=Place(site.timezone, site.latitude_deg, site.longitude_deg),
        controllers=MappingProxyType(controllers),
        ports=MappingProxyType(ports),
        supplies=MappingProxyType({name: _supply(name, one) for name, one in settings.supplies.items()}),
        props=MappingProxyType(props),
        shows=tuple(_show(show, controllers, props, ports) for show in settings.shows),
        release_delay_s=site.release_delay_s,
        manual_on_s=site.manual_on_s,
        started_show_s=site.started_show_s,
        trust_clock=not site.require_synchronised_clock,
        hold_when_journal_lost=site.journal_lost == "hold",
        no_data_polls=site.no_data_polls,
        command_gap_s=site.command_gap_s,
        wording=WORDING if site.wording_file is None else read_wording(site.wording_file),
        pre_show=PreShow(site.pre_show_check.at, site.pre_show_check.for_s) if site.pre_show_check else None,
        telemetry=Telemetry(
            band_a=settings.measurements.band_a,
            band_fraction=settings.measurements.band_share,
            interval_s=settings.measurements.interval_s,
            heartbeat_s=settings.measurements.heartbeat_s,
        ),
        tariff=tariff(settings),
        lightable=frozenset(settings.e131.send.to) if settings.e131.send else frozenset(),
    )


def tariff(settings: Settings) -> Tariff | None:
    """What energy costs, None where no tariff is configured."""
    given = settings.tariff
    if given is None:
        return None
    bands = (
        Band(band.start, band.end, float(band.price.amount), band.weekdays or EVERY_DAY)
        for band in given.bands
    )
    price = float(given.price.amount)
    return Tariff(settings.site.timezone, price, tuple(bands), given.price.currency)


def port_settings(settings: Settings, controller: str, number: int) -> PortSettings:
    """A port's settings with what it inherits from every_port (limits and reclosing: see `plan`)."""
    owner = settings.controllers[controller]
    return PortSettings.model_construct(**{**_given(owner.every_port), **_given(owner.ports[number])})


def _given(section: Any) -> dict[str, Any]:  # noqa: ANN401 - any section, or None
    """What was written in a section, by attribute."""
    return {} if section is None else {name: getattr(section, name) for name in section.model_fields_set}


def _port(settings: Settings, controller: str, number: int) -> PortPlan:
    owner = settings.controllers[controller]
    port = port_settings(settings, controller, number)
    levels = (settings.site, owner, owner.every_port, owner.ports[number])
    title = owner.name or controller
    return PortPlan(
        id=port_id(controller, number),
        name=port.name or f"{title} {number}",
        supply=port.supply,
        rating_a=port.rating_a,
        fuse=Fuse(port.fuse or Fuse.LATCHING),
        pixels=port.pixels,
        chip=port.chip,
        brightness=1.0 if port.brightness is None else port.brightness,
        resting=port.resting == "on",
        abilities=replace(reach_abilities(owner.reach, number), **_given(port.abilities)),
        limits=_limits([level.limits for level in levels]),
        reclosing=_reclosing([level.reclosing for level in levels]),
        expected_a=port.expected_a,
        idle_a=port.idle_a,
        show_data=_show_data(settings, controller, number),
        capacity=_capacity(settings, controller, number),
        wiring=port.wiring.wiring() if port.wiring else None,
        fuse_part=port.fuse_part.part() if port.fuse_part else None,
    )


def _shared(port: PortPlan, alike: dict[object, Any]) -> PortPlan:
    """The port with the parts of one before where they are equal: most of a thousand ports are alike."""
    return replace(
        port,
        abilities=alike.setdefault(port.abilities, port.abilities),
        limits=alike.setdefault(tuple(port.limits.items()), port.limits),
        reclosing=alike.setdefault(port.reclosing, port.reclosing),
    )


def _show_data(settings: Settings, controller: str, number: int) -> PixelMap | None:
    owner = settings.controllers[controller]
    own = owner.ports[number].show_data
    if own is None:
        return None
    port = port_settings(settings, controller, number)
    given = {**_given(owner.every_port.show_data), **_given(own)}
    return PixelMap(
        port_id(controller, number),
        own.universe,
        port.pixels or 0,
        own.channel,
        colour_order=given.get("colours", "RGB"),
        group=given.get("group", 1),
        null_pixels=given.get("null_pixels", 0),
        brightness=1.0 if port.brightness is None else port.brightness,
        gamma=given.get("gamma", 1.0),
        split_pixels=given.get("split_pixels", False),
    )


def _capacity(settings: Settings, controller: str, number: int) -> int | None:
    owner = settings.controllers[controller]
    given = {**_given(owner.every_port.show_data), **_given(owner.ports[number].show_data)}
    found: int | None = given.get("capacity", port_settings(settings, controller, number).pixels)
    return found or None


def _limits(levels: list[LimitsSettings | None]) -> MappingProxyType[Condition, Limit]:
    """From the site's to the port's: a later one counts, setting by setting."""
    limits = dict(DEFAULT_LIMITS)
    for level in levels:
        for attribute, given in _given(level).items():
            condition = Condition(attribute.replace("_", "-"))
            changes = _given(given)
            if "action" in changes:
                changes["off"] = changes.pop("action") == "off"
            limits[condition] = replace(limits[condition], **changes)
    return MappingProxyType(limits)


def _reclosing(levels: list[ReclosingSettings | None]) -> Reclosing:
    merged: dict[str, Any] = {}
    for level in levels:
        merged |= _given(level)
    if "dead_times_s" in merged:
        merged["dead_times_s"] = tuple(merged["dead_times_s"])
    return Reclosing(**merged)


def _supply(name: str, supply: SupplySettings) -> SupplyPlan:
    return SupplyPlan(
        id=name,
        volts_v=supply.volts_v,
        rating_a=supply.rating_a,
        at_once=supply.at_once,
        gap_s=supply.gap_s,
        withhold=supply.withhold,
        efficiency=supply.efficiency,
        class2=supply.class2,
    )


def _prop(name: str, prop: PropSettings, controllers: dict[str, ControllerPlan]) -> PropPlan:
    feeds = [port for entry in prop.fed_by for port in _ports(entry, controllers)]
    return PropPlan(id=name, name=prop.name or name, fed_by=tuple(feeds))


def _show(
    show: ShowSettings,
    controllers: dict[str, ControllerPlan],
    props: dict[str, PropPlan],
    known: dict[PortId, PortPlan],
) -> ShowPlan:
    needs: dict[PortId, None] = {}  # a set that keeps the person's order: ports come on in it
    for entry in show.needs:
        ports = props[entry].fed_by if entry in props else _ports(entry, controllers)
        needs.update(dict.fromkeys(ports))
    when = tuple(part.ics() if isinstance(part, CalendarSettings) else part.window() for part in show.when)
    data: dict[int, None] = {}
    if show.data == "needs":
        for port in needs:
            pixel_map = known[port].show_data
            data.update(dict.fromkeys(slots.universe for slots in pixel_map.slots) if pixel_map else {})
    elif show.data is not None:
        data.update(dict.fromkeys(show.data))
    return ShowPlan(
        id=show.id_or_slug,
        name=show.name,
        when=when,
        needs=tuple(needs),
        warm_up_s=show.warm_up_s,
        run_on_s=SILENCE_RUN_ON_S if data and "run_on_s" not in show.model_fields_set else show.run_on_s,
        data=tuple(data),
    )


def _ports(entry: str, controllers: dict[str, ControllerPlan]) -> tuple[PortId, ...]:
    controller, _, number = entry.partition("/")
    return controllers[controller].ports if number == "*" else (port_id(controller, int(number)),)
