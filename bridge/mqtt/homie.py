"""The site as a tree of Homie devices (convention version 5), and everything said in it. Pure.

Root device: the site. Its children: controllers and props (what people hang). A controller's children: its
ports. So each description stays small, alerts sit on what they speak of, and two sites on one broker do not
collide. Names and meanings of the properties are the project's design; the convention decides the rest.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from bridge.mqtt.homie_properties import CONTROLLER, OPTIONAL, PROP, port_properties, site_properties
from bridge.mqtt.homie_values import HomieError, Property, RefusedPayloadError, decode, encode
from bridge.mqtt.publication import Publication
from rules.door import Alert, Answer, Asked, Effect, Presence, Publish, Remark, Verb
from rules.plan import SitePlan
from rules.ports import Mode, PortId, Target, TargetKind, controller_of, number_of

VERSION = "5.0"
DESCRIPTION_LIMIT_BYTES = 8_000
"""A port's, prop's or controller's description stays below: embedded brokers drop documents above 20 kB."""

COMMAND_LIMIT_BYTES = 1_000
"""No name, code or word is longer; an answer repeats what was asked, and goes into a log."""


@dataclass(frozen=True, slots=True)
class Device:
    """One Homie device of the tree: its single node has the kind as its id."""

    id: str
    target: Target
    name: str
    properties: Mapping[str, Property]
    parent: str | None = None
    children: tuple[str, ...] = ()

    @property
    def node(self) -> str:
        """The node's id: `site`, `controller`, `port` or `prop`."""
        return self.target.kind.value


@dataclass(frozen=True, slots=True)
class Refusal:
    """A command that changes nothing, with the sentence for `last-answer` (None: no device to answer on)."""

    target: Target
    text: str
    topic: str


class Tree:
    """The devices of a plan, and the way from effects to publications and from commands to requests.

    domain: first topic segment (one segment; the convention's default is ``homie``);
    measurement_qos: 0 or 1 for measurements, 1 for all else that is retained, 0 for what is not.
    Raises HomieError where two parts of the plan would be the same device.
    """

    def __init__(self, plan: SitePlan, *, domain: str = "homie", measurement_qos: int = 1) -> None:
        self.plan = plan
        self.root = plan.id
        self.base = f"{domain}/5"
        self.devices: dict[str, Device] = {}
        self._of: dict[Target, Device] = {}
        self._told: dict[int, dict[str, Any]] = {}
        """What descriptions tell of a set of properties, by its identity: most ports share one."""
        self._measurement_qos = measurement_qos
        for device in _devices(plan):
            other = self.devices.get(device.id)
            if other is not None:
                raise HomieError(
                    f"{other.target.kind} {other.target.id} and {device.target.kind} {device.target.id} "
                    f"would be the same device {device.id}: rename one",
                    subject=device.id,
                )
            self.devices[device.id] = device
            self._of[device.target] = device
        self._ways: dict[Target, tuple[str, Mapping[str, Property]]] = {
            device.target: (f"{self.base}/{device.id}/{device.node}/", device.properties)
            for device in self.devices.values()
        }
        """Where the values of a device stand, and what they are."""

    # -------------------------------------------------------- topics

    @property
    def state_topic(self) -> str:
        """The root's ``$state``, where the will goes."""
        return f"{self.base}/{self.root}/$state"

    @property
    def filters(self) -> tuple[str, ...]:
        """What to subscribe to: all commands; `command` tells ours from other sites'."""
        return (f"{self.base}/+/+/+/set",)

    def device(self, target: Target) -> Device:
        """The device of a target. Raises HomieError if the plan has none."""
        found = self._of.get(target)
        if found is None:
            raise HomieError(f"the plan has no {target.kind} {target.id}", subject=target.id)
        return found

    def topic(self, target: Target, prop: str) -> str:
        """The value topic of a property. Raises HomieError if there is no such property."""
        way = self._ways.get(target)
        if way is None or prop not in way[1]:
            raise HomieError(f"{target.kind} {target.id} has no property {prop}", subject=target.id)
        return way[0] + prop

    def has(self, topic: str) -> bool:
        """Whether a topic is one of this tree: of a device there is, and of a property that it has."""
        parts = topic.split("/")
        if len(parts) < 4 or f"{parts[0]}/{parts[1]}" != self.base or parts[2] not in self.devices:
            return False
        device = self.devices[parts[2]]
        if parts[3].startswith("$"):
            return True
        return parts[3] == device.node and len(parts) > 4 and parts[4] in device.properties

    def state(self, device: str, state: str) -> Publication:
        """A device's ``$state``."""
        return Publication(f"{self.base}/{device}/$state", state.encode(), True, 1)

    # -------------------------------------------------------- effects

    def publications(self, effect: Effect) -> list[Publication]:
        """What an effect of the rules says on MQTT; [] for effects that say nothing.

        Raises HomieError where it names a part or property the plan has not, or a value outside its datatype.
        An answer for a part that has left says nothing.
        """
        match effect:
            case Publish():
                one = self.value(effect.target, effect.property, effect.value, as_target=effect.as_target)
                return [one] if one is not None else []
            case Alert():
                topic = f"{self.base}/{self.device(effect.target).id}/$alert/{effect.condition.value}"
                return [Publication(topic, (effect.text or "").encode(), True, 1)]
            case Answer():
                if effect.target not in self._of:
                    return []  # the part left while its answer waited for the disk
                answer = self.value(effect.target, "last-answer", effect.text)
                return [answer] if answer is not None else []
            case Presence():
                device = self.device(Target(TargetKind.CONTROLLER, effect.controller))
                state = "ready" if effect.present else "lost"
                order = (*device.children, device.id) if effect.present else (device.id, *device.children)
                return [self.state(one, state) for one in order]
            case Remark():
                topic = f"{self.base}/{self.device(effect.target).id}/$log/{effect.level}"
                return [Publication(topic, effect.text.encode(), False, 0)]
            case _:
                return []

    def value(
        self, target: Target, prop: str, value: object, *, as_target: bool = False
    ) -> Publication | None:
        """One property's value (or `$target`); None takes a retained value away.

        Returns None where the port does not report such a measurement. Raises HomieError as `publications`.
        """
        way = self._ways.get(target)
        spec = way[1].get(prop) if way is not None else None
        if way is None or spec is None:
            if target.kind is TargetKind.PORT and prop in OPTIONAL and way is not None:
                return None
            raise HomieError(f"{target.kind} {target.id} has no property {prop}", subject=target.id)
        topic = way[0] + prop
        if as_target:
            if not spec.target:
                raise HomieError(f"the property {prop} has no $target", subject=topic)
            topic += "/$target"
        payload = b"" if value is None else encode(spec, value)
        qos = (self._measurement_qos if spec.measurement else 1) if spec.retained else 0
        return Publication(topic, payload, spec.retained, qos)

    # -------------------------------------------------------- commands

    def command(self, topic: str, payload: bytes, retained: bool, request: int) -> Asked | Refusal | None:
        """What a message on a ``…/set`` topic asks for; None if no device of this site is meant."""
        parts = topic.split("/")
        if len(parts) != 6 or f"{parts[0]}/{parts[1]}" != self.base or parts[5] != "set":
            return None
        device = self.devices.get(parts[2])
        if device is None:
            return None
        target, prop = device.target, parts[4]
        spec = device.properties.get(prop) if parts[3] == device.node else None
        if spec is None or not spec.settable:
            settable = ", ".join(sorted(one.id for one in device.properties.values() if one.settable))
            return Refusal(target, f"Refused: {prop} can't be set; here can be set: {settable}.", topic)
        if retained:
            return Refusal(
                target,
                f"Refused: the message on {prop}/set is retained, so it may be old; clear it and send it "
                "without the retain flag.",
                topic,
            )
        if len(payload) > COMMAND_LIMIT_BYTES:
            text = f"{len(payload)} bytes are too long for {prop}; send at most {COMMAND_LIMIT_BYTES}."
            return Refusal(target, f"Refused: {text}", topic)
        try:
            value = decode(spec, payload)
        except RefusedPayloadError as error:
            return Refusal(target, f"Refused: {error}.", topic)
        verb, argument = _request(prop, value)
        return Asked(request, verb, target, argument)

    def refusal(self, refusal: Refusal) -> Publication:
        """The refusal as the device's `last-answer`."""
        answer = self.value(refusal.target, "last-answer", refusal.text)
        assert answer is not None
        return answer

    # -------------------------------------------------------- descriptions

    def descriptions(
        self, before: Mapping[str, Mapping[str, Any]] | None = None, *, floor: int = 1
    ) -> dict[str, dict[str, Any]]:
        """The `$description` of every device, by device id, root first.

        before: the descriptions the broker holds; one that did not change keeps its version, so it need not
        be said anew; all others get a version above it and not below `floor` (seconds of the clock, so that
        versions also rise when the broker forgot).
        """
        return {
            device.id: _versioned(self._description(device), (before or {}).get(device.id), floor)
            for device in self.devices.values()
        }

    def _description(self, device: Device) -> dict[str, Any]:
        told: dict[str, Any] = {"homie": VERSION, "version": 0, "name": device.name, "type": device.node}
        if device.parent is not None:
            told["root"] = self.root
            told["parent"] = device.parent
        told["nodes"] = {
            device.node: {
                "name": device.name,
                "type": device.node,
                "properties": self._properties_told(device.properties),
            }
        }
        if device.children:
            told["children"] = list(device.children)
        return told

    def _properties_told(self, properties: Mapping[str, Property]) -> dict[str, Any]:
        told = self._told.get(id(properties))
        if told is None:
            told = self._told[id(properties)] = {one.id: one.description() for one in properties.values()}
        return told


_VERBS = {
    "mode": Verb.MODE,
    "add-hold": Verb.HOLD,
    "release": Verb.RELEASE,
    "acknowledge": Verb.ACKNOWLEDGE,
    "shelve": Verb.SHELVE,
    "reset": Verb.RESET,
    "start-show": Verb.START_SHOW,
    "confirm": Verb.CONFIRM,
    "relearn": Verb.RELEARN,
    "count": Verb.COUNT,
}


def _request(prop: str, value: object) -> tuple[Verb, str]:
    if prop == "power":
        return Verb.MODE, (Mode.ON if value else Mode.OFF).value
    if prop == "weather-hold":
        return Verb.WEATHER_HOLD, "true" if value else "false"
    verb = _VERBS[prop]
    return verb, "" if verb in (Verb.RESET, Verb.CONFIRM, Verb.RELEARN) else str(value)


def _devices(plan: SitePlan) -> Iterator[Device]:
    """The tree, root first, each parent before its children."""
    # Thousands of ports have the same few sets of properties: one object each.
    shared: dict[tuple[int, ...], dict[str, Property]] = {}
    controllers = {key: f"{plan.id}-{key}" for key in plan.controllers}
    props = {key: f"{plan.id}-prop-{key}" for key in plan.props}
    site = Target(TargetKind.SITE, plan.id)
    yield Device(
        plan.id,
        site,
        plan.name,
        _by_id(site_properties(plan), shared),
        None,
        (*controllers.values(), *props.values()),
    )
    for controller in plan.controllers.values():
        own = controllers[controller.id]
        ports = tuple(_port_device(plan, port) for port in controller.ports)
        target = Target(TargetKind.CONTROLLER, controller.id)
        yield Device(own, target, controller.name, _by_id(CONTROLLER, shared), plan.id, ports)
        for port in controller.ports:
            spec = plan.ports[port]
            target = Target(TargetKind.PORT, port)
            properties = _by_id(port_properties(spec), shared)
            yield Device(_port_device(plan, port), target, spec.name, properties, own)
    for prop in plan.props.values():
        target = Target(TargetKind.PROP, prop.id)
        yield Device(props[prop.id], target, prop.name, _by_id(PROP, shared), plan.id)


def _port_device(plan: SitePlan, port: PortId) -> str:
    return f"{plan.id}-{controller_of(port)}-port-{number_of(port)}"


def _by_id(
    properties: Iterable[Property], shared: dict[tuple[int, ...], dict[str, Property]]
) -> dict[str, Property]:
    """By id. shared: what was made before, by the identity of the properties, which it keeps alive."""
    made = {prop.id: prop for prop in properties}
    return shared.setdefault(tuple(map(id, made.values())), made)


def _versioned(told: dict[str, Any], before: Mapping[str, Any] | None, floor: int) -> dict[str, Any]:
    last = before.get("version") if before is not None else None
    if not isinstance(last, int) or isinstance(last, bool):
        return {**told, "version": floor}
    same = {**(before or {}), "version": 0} == told
    return {**told, "version": last if same else max(last + 1, floor)}
