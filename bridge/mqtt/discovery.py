"""Discovery documents: how a dashboard finds the site without anybody writing a line. Pure.

The device-wide document of the MQTT discovery convention that home-automation platforms share:
``<prefix>/device/<device>/config``, one per Homie device (site, controller, port, prop), each with all its
components. They point at the Homie topics: there is no second set of state topics. Keys, classes and units
are the convention's own, as its documentation lists them.
"""

import json
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from bridge.mqtt.documents import Documents, written
from bridge.mqtt.homie import Device, Tree
from bridge.mqtt.publication import Publication
from rules.ports import PortId, TargetKind

ORIGIN = "duskward"
DOCUMENT_LIMIT_BYTES = 16_000
"""A document stays below: some embedded brokers drop what is above 20 kB."""
NO_SHOW = "No show"
"""The option of the site's show selector that ends what runs."""

_READY = "{{ 'online' if value == 'ready' else 'offline' }}"
# Homie writes an empty string as one zero byte; a state holds at most 255 characters.
_TEXT = "{{ value.strip('\\x00')[:255] or 'none' }}"
_FAULTY = "{{ 'OFF' if value == 'none' else 'ON' }}"
_MESSAGE = "{{ (value_json.values() | map(attribute='message') | list + ['none'])[0][:255] }}"
_HOLDERS = "{{ (value_json | map(attribute='holder') | unique | join(', '))[:255] or 'nobody' }}"
_SECONDS = "{{ (value | as_timedelta).total_seconds() | int }}"
# An empty payload says that nothing is known now: a platform that is not told keeps the last value.
_KNOWN = "{{ value or 'None' }}"
_EMPTIED = "{{ '' }}"

Component = dict[str, Any]


class Discovery:
    """The documents of one site. prefix: first segment of the discovery topics; version: of the program."""

    def __init__(self, tree: Tree, *, prefix: str = "homeassistant", version: str = "") -> None:
        self.tree = tree
        self.prefix = prefix
        self._version = version

    # -------------------------------------------------------- topics

    @property
    def survey_filter(self) -> str:
        """All documents a broker may hold, ours and others'."""
        return f"{self.prefix}/device/+/config"

    def topic(self, device: str) -> str:
        """Where the document of a device stands."""
        return f"{self.prefix}/device/{device}/config"

    # -------------------------------------------------------- documents

    def documents(
        self, before: Mapping[str, Mapping[str, Any]] | None = None
    ) -> Iterator[tuple[str, dict[str, Any]]]:
        """Device id and document of every device, parents first; one at a time, as they are large.

        before: the documents said before (`ours`). A component that is no more is named once more with its
        platform alone, which takes it away; the next run leaves it out.
        """
        for device in self.tree.devices.values():
            yield device.id, self._document(device, (before or {}).get(device.id, {}))

    def _document(self, device: Device, before: Mapping[str, Any]) -> dict[str, Any]:
        components = {key: component for key, component in self._components(device) if component}
        was = before.get("components")
        gone = {
            key: {"platform": component["platform"]}
            for key, component in (was.items() if isinstance(was, dict) else ())
            if key not in components and isinstance(component, dict) and set(component) > {"platform"}
        }
        about: dict[str, Any] = {
            "identifiers": [device.id],
            "name": _name(self.tree, device),
            "manufacturer": ORIGIN,
            "model": _model(self.tree, device),
        }
        if device.parent is not None:
            about["via_device"] = device.parent
        return {
            "device": about,
            "origin": {"name": ORIGIN, **({"sw_version": self._version} if self._version else {})},
            "availability": [
                {"topic": f"{self.tree.base}/{one}/$state", "value_template": _READY}
                for one in _needed(self.tree, device)
            ],
            "availability_mode": "all",
            "components": {**components, **gone},
        }

    def _components(self, device: Device) -> Iterator[tuple[str, Component]]:
        make = _Maker(self.tree, device)
        match device.target.kind:
            case TargetKind.PORT:
                yield from _port(make, self.tree)
            case TargetKind.CONTROLLER:
                yield from _controller(make, self.tree)
            case TargetKind.PROP:
                yield from _prop(make)
            case TargetKind.SITE:
                yield from _site(make, self.tree)

    # -------------------------------------------------------- saying and taking away

    def ours(self, found: Mapping[str, bytes]) -> Documents:
        """Documents of this site among retained topics, by device id."""
        return Documents(found, self._topics(found), self._is_ours)

    def foreign(self, found: Mapping[str, bytes]) -> list[str]:
        """Devices of ours under whose id somebody else's document stands: it is left alone."""
        ids = ((device, topic) for device, topic in self._topics(found) if device in self.tree.devices)
        return list(Documents(found, ids, lambda document: _origin(document) != ORIGIN))

    def _is_ours(self, document: Mapping[str, Any]) -> bool:
        return _origin(document) == ORIGIN and _first_topic(document) == self.tree.state_topic

    def _topics(self, found: Iterable[str]) -> Iterator[tuple[str, str]]:
        """Device id and topic of all documents, ours and others'."""
        for topic in found:
            parts = topic.split("/")
            if len(parts) == 4 and f"{parts[0]}/{parts[1]}/{parts[3]}" == f"{self.prefix}/device/config":
                yield parts[2], topic

    def say(self, documents: Iterable[tuple[str, Mapping[str, Any]]]) -> Iterator[Publication]:
        """Documents as publications, one at a time."""
        for device, document in documents:
            yield Publication(self.topic(device), written(document), True, 1)

    def remove(self, devices: Iterable[str]) -> list[Publication]:
        """Take the documents of devices away, and so the devices from the platform."""
        return [Publication(self.topic(device), b"", True, 1) for device in devices]


def _origin(document: Mapping[str, Any]) -> object:
    origin = document.get("origin")
    return origin.get("name") if isinstance(origin, dict) else None


def _first_topic(document: Mapping[str, Any]) -> object:
    availability = document.get("availability")
    first = availability[0] if isinstance(availability, list) and availability else None
    return first.get("topic") if isinstance(first, dict) else None


def _needed(tree: Tree, device: Device) -> list[str]:
    """Devices that must be ready for `device` to be told as available, root first.

    A controller and a prop need the site alone: that a controller does not answer is their news.
    """
    if device.target.kind is TargetKind.PORT and device.parent is not None:
        return [tree.root, device.parent, device.id]
    return [tree.root]


def _name(tree: Tree, device: Device) -> str:
    """The device's name; a prop called like a port or a controller says which it is."""
    name = device.name.casefold()
    others = (other.name.casefold() for other in tree.devices.values() if other is not device)
    if device.target.kind is TargetKind.PROP and name in others:
        return f"{device.name} (prop)"
    return device.name


def _model(tree: Tree, device: Device) -> str:
    match device.target.kind:
        case TargetKind.PORT:
            return f"Output port {device.target.id}"
        case TargetKind.CONTROLLER:
            return f"Controller, {len(device.children)} ports"
        case TargetKind.PROP:
            return f"Prop, fed by {', '.join(tree.plan.props[device.target.id].fed_by)}"
        case TargetKind.SITE:
            return "Site"


class _Maker:
    """Makes components of one device: ids, topics, options from the Homie property."""

    def __init__(self, tree: Tree, device: Device) -> None:
        self.device = device
        self._base = f"{tree.base}/{device.id}/{device.node}"

    def has(self, prop: str) -> bool:
        """Whether the device has the property."""
        return prop in self.device.properties

    def read(
        self, platform: str, prop: str, name: str, key: str = "", /, **more: object
    ) -> tuple[str, Component]:
        """A component that shows a property."""
        key = key or prop
        return key, {
            "platform": platform,
            "unique_id": f"{self.device.id}-{key}",
            "name": name,
            "state_topic": f"{self._base}/{prop}",
            **more,
        }

    def number(self, prop: str, name: str, /, **more: object) -> tuple[str, Component]:
        """A measurement or counter, if the device has it."""
        if not self.has(prop):
            return prop, {}
        return self.read("sensor", prop, name, value_template=_KNOWN, **more)

    def enum(self, prop: str, name: str, /, **more: object) -> tuple[str, Component]:
        """A property that is one of a list of words."""
        options = self.device.properties[prop].format.split(",")
        return self.read("sensor", prop, name, device_class="enum", options=options, **more)

    def set(
        self, platform: str, prop: str, name: str, key: str = "", /, **more: object
    ) -> tuple[str, Component]:
        """A component that only sends."""
        key = key or prop
        return key, {
            "platform": platform,
            "unique_id": f"{self.device.id}-{key}",
            "name": name,
            "command_topic": self.set_topic(prop),
            "qos": 1,
            **more,
        }

    def both(
        self, platform: str, prop: str, name: str, key: str = "", /, **more: object
    ) -> tuple[str, Component]:
        """A component that shows a property and sets it; it shows what is reported, never what was wished."""
        key, component = self.read(platform, prop, name, key, **more)
        return key, {**component, "command_topic": self.set_topic(prop), "optimistic": False, "qos": 1}

    def set_topic(self, prop: str) -> str:
        """Where a property is set. Raises KeyError where it can't be."""
        if not self.device.properties[prop].settable:
            raise KeyError(prop)
        return f"{self._base}/{prop}/set"


_DIAGNOSTIC: Mapping[str, Any] = {"entity_category": "diagnostic"}
_CONFIG: Mapping[str, Any] = {"entity_category": "config"}
_MEASURED: Mapping[str, Any] = {"state_class": "measurement"}
_KWH: Mapping[str, Any] = {
    "device_class": "energy",
    "state_class": "total_increasing",
    "unit_of_measurement": "kWh",
    "suggested_display_precision": 3,
}


def _switched(make: _Maker, prop: str, name: str, /, **more: object) -> tuple[str, Component]:
    return make.both(
        "switch", prop, name, payload_on="true", payload_off="false", value_template=_KNOWN, **more
    )


def _faults(make: _Maker) -> Iterator[tuple[str, Component]]:
    """What is wrong: yes or no for routines, the code, and the sentence for people."""
    yield make.read(
        "binary_sensor", "fault", "Problem", "problem", device_class="problem", value_template=_FAULTY
    )
    detailed = make.has("fault-detail")
    details = {"json_attributes_topic": make.read("sensor", "fault-detail", "")[1]["state_topic"]}
    yield make.enum("fault", "Fault", icon="mdi:alert-circle-outline", **(details if detailed else {}))
    if detailed:
        yield make.read(
            "sensor",
            "fault-detail",
            "Fault message",
            "fault-message",
            icon="mdi:message-alert-outline",
            value_template=_MESSAGE,
        )
        yield make.enum("alarm", "Alarm", icon="mdi:bell-outline", **_DIAGNOSTIC)
        yield make.set(
            "button", "acknowledge", "Acknowledge", payload_press="all", icon="mdi:bell-check-outline"
        )
        yield _line(make, "shelve", "Shelve", "fault-detail", "mdi:bell-sleep-outline")


def _line(make: _Maker, prop: str, name: str, beside: str, icon: str) -> tuple[str, Component]:
    """A line to type into. It follows another property's topic, only to be empty again afterwards."""
    key, component = make.set("text", prop, name, mode="text", min=0, max=120, icon=icon, **_CONFIG)
    follow = make.read("text", beside, name)[1]["state_topic"]
    return key, {**component, "state_topic": follow, "value_template": _EMPTIED}


def _holds(make: _Maker) -> Iterator[tuple[str, Component]]:
    yield make.read(
        "sensor",
        "hold",
        "Held by",
        "held-by",
        icon="mdi:account-hard-hat-outline",
        value_template=_HOLDERS,
        **_DIAGNOSTIC,
    )
    yield _line(make, "add-hold", "Add hold", "hold", "mdi:lock-outline")
    yield _line(make, "release", "Release hold", "hold", "mdi:lock-open-outline")


def _answer(make: _Maker) -> tuple[str, Component]:
    return make.read(
        "sensor", "last-answer", "Last answer", icon="mdi:reply-outline", value_template=_TEXT, **_DIAGNOSTIC
    )


def _port(make: _Maker, tree: Tree) -> Iterator[tuple[str, Component]]:
    plan = tree.plan.ports[PortId(make.device.target.id)]
    if plan.abilities.switch:
        yield _switched(make, "power", "Power", device_class="switch")
    else:
        yield make.read(
            "binary_sensor",
            "power",
            "Power",
            device_class="power",
            payload_on="true",
            payload_off="false",
            value_template=_KNOWN,
        )
    yield make.both(
        "select", "mode", "Mode", options=["auto", "on", "off"], icon="mdi:account-switch-outline"
    )
    ampere = {"device_class": "current", "unit_of_measurement": "A", "suggested_display_precision": 2}
    yield make.number("current", "Current", **ampere, **_MEASURED)
    yield make.number(
        "load", "Load", unit_of_measurement="%", suggested_display_precision=0, icon="mdi:gauge", **_MEASURED
    )
    yield make.number("energy", "Energy", **_KWH)
    yield make.number(
        "voltage",
        "Voltage",
        device_class="voltage",
        unit_of_measurement="V",
        suggested_display_precision=1,
        **_MEASURED,
    )
    yield make.number(
        "temperature", "Temperature", device_class="temperature", unit_of_measurement="°C", **_MEASURED
    )
    yield from _faults(make)
    yield make.read("sensor", "reason", "Reason", icon="mdi:information-outline", value_template=_TEXT)
    yield make.set("button", "reset", "Reset", payload_press="reset", icon="mdi:electric-switch-closed")
    yield make.number("expected", "Expected current", **ampere, **_DIAGNOSTIC)
    yield make.number("pixels", "Pixels", icon="mdi:led-strip", **_DIAGNOSTIC)
    yield make.number("shots", "Reclosing shots used", icon="mdi:counter", **_DIAGNOSTIC)
    yield make.read(
        "sensor",
        "override-left",
        "On by hand, left",
        device_class="duration",
        unit_of_measurement="s",
        value_template=_SECONDS,
        **_DIAGNOSTIC,
    )
    yield make.enum("hold-state", "Hold state", icon="mdi:shield-lock-outline", **_DIAGNOSTIC)
    yield from _holds(make)
    yield _answer(make)


def _controller(make: _Maker, tree: Tree) -> Iterator[tuple[str, Component]]:
    yield (
        "reachable",
        {
            "platform": "binary_sensor",
            "unique_id": f"{make.device.id}-reachable",
            "name": "Reachable",
            "device_class": "connectivity",
            "state_topic": f"{tree.base}/{make.device.id}/$state",
            "value_template": "{{ 'ON' if value == 'ready' else 'OFF' }}",
            **_DIAGNOSTIC,
        },
    )
    yield from _faults(make)
    yield from _holds(make)
    yield _answer(make)


def _prop(make: _Maker) -> Iterator[tuple[str, Component]]:
    yield from _faults(make)
    yield make.number("pixels", "Pixels", icon="mdi:led-strip", **_DIAGNOSTIC)
    yield from _holds(make)
    yield _answer(make)


def _site(make: _Maker, tree: Tree) -> Iterator[tuple[str, Component]]:
    names = [show.name for show in tree.plan.shows]
    listed = json.dumps(names, ensure_ascii=False)
    shown = (
        "{% set told = value.strip('\\x00') %}"
        f"{{{{ told if told in {listed} else ({listed} | select('in', told) | list + ['{NO_SHOW}'])[0] }}}}"
    )
    key, chosen = make.both(
        "select",
        "start-show",
        "Show",
        options=[NO_SHOW, *names],
        value_template=shown,
        command_template=f"{{{{ 'end' if value == '{NO_SHOW}' else value }}}}",
        icon="mdi:string-lights",
    )
    yield key, {**chosen, "state_topic": make.read("select", "show", "")[1]["state_topic"]}
    yield make.read("sensor", "next-show", "Next show", device_class="timestamp", value_template=_KNOWN)
    yield _switched(make, "weather-hold", "Weather hold", icon="mdi:weather-windy")
    yield make.number(
        "load",
        "Load",
        device_class="power",
        unit_of_measurement="W",
        suggested_display_precision=0,
        **_MEASURED,
    )
    yield make.number("energy", "Energy", **_KWH)
    yield make.number("saved", "Energy saved", **_KWH)
    if tree.plan.tariff is not None:
        money = {"device_class": "monetary", "state_class": "total", "suggested_display_precision": 2}
        currency = tree.plan.tariff.currency
        yield make.number("cost", "Cost", unit_of_measurement=currency, **money)
        yield make.number("saved-cost", "Cost saved", unit_of_measurement=currency, **money)
    yield make.number("ports-on", "Ports on", icon="mdi:power-socket", **_MEASURED)
    yield make.number("faults", "Faults", icon="mdi:alert-outline", **_MEASURED)
    yield from _faults(make)
    yield make.set(
        "button",
        "confirm",
        "Confirm after a lost journal",
        payload_press="confirm",
        icon="mdi:clipboard-check-outline",
        **_CONFIG,
    )
    yield from _holds(make)
    yield _answer(make)
