"""When what is said: order at a connect, changes of structure, what has to go. Pure.

Order and removal follow the Homie convention (version 5), "Device lifecycle": a description changes only
while its device is not `ready`; a child is complete before its parent names it; a device that goes loses its
`$state` first, then the rest.
"""

import json
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from bridge.mqtt.homie import Tree, described
from bridge.mqtt.homie_values import HomieError
from bridge.mqtt.publication import Publication

_GONE = frozenset({b"lost", b"disconnected", b"sleeping"})


def arrange(tree: Tree, retained: Mapping[str, bytes]) -> Iterator[tuple[str, bytes]]:
    """All retained topics in the order to say them on a connect (`bridge.mqtt.link.Link`'s `arrange`).

    First the root's `init`, then alerts and lost devices, so that bad news does not wait behind thousands of
    values; then each device with its description and values between `init` and its own state; the root is
    last, because its `ready` says that everything is there.
    """
    states: dict[str, tuple[str, bytes]] = {}
    alerts: list[tuple[str, bytes]] = []
    other: dict[str, tuple[list[tuple[str, bytes]], list[tuple[str, bytes]]]] = {}
    for topic, payload in retained.items():
        device, _, rest = topic.removeprefix(f"{tree.base}/").partition("/")
        if device not in tree.devices or not topic.startswith(tree.base):
            device = ""
        elif rest == "$state":
            states[device] = (topic, payload)
            continue
        elif rest.startswith("$alert/"):
            alerts.append((topic, payload))
            continue
        # The description comes before the values that need it.
        of_device = other.setdefault(device, ([], []))
        of_device[rest != "$description"].append((topic, payload))
    root = states.pop(tree.root, None)
    if root is not None:
        yield root[0], b"init"
    yield from alerts
    gone = {device for device, (_, payload) in states.items() if payload in _GONE}
    yield from (states[device] for device in gone)
    for device in reversed(tree.devices):
        state = states.get(device)
        if state is not None and device not in gone:
            yield state[0], b"init"
        for part in other.pop(device, ()):
            yield from part
        if state is not None and device not in gone:
            yield state
    for parts in other.values():
        for part in parts:
            yield from part
    if root is not None:
        yield root


def announce(
    tree: Tree, descriptions: Mapping[str, Mapping[str, Any]], before: Mapping[str, Mapping[str, Any]]
) -> list[Publication]:
    """Say what is new or changed in the structure: children before the parents that name them.

    before: descriptions already said (or held by the broker). Changed devices stay `init`; `Tree.state` makes
    them `ready` once their values are out. [] where nothing changed.
    """
    said = []
    for device in reversed(tree.devices):
        told = descriptions[device]
        if before.get(device) != told:
            said.append(tree.state(device, "init"))
            said.append(Publication(f"{tree.base}/{device}/$description", described(told), True, 1))
    if said:
        said.insert(0, tree.state(tree.root, "init"))
    return said


def read_descriptions(tree: Tree, retained: Mapping[str, bytes]) -> dict[str, dict[str, Any]]:
    """The descriptions among retained topics, by device id; what is no JSON object is left out."""
    found = {}
    for topic, payload in retained.items():
        if topic.startswith(tree.base) and topic.endswith("/$description"):
            try:
                told = json.loads(payload)
            except ValueError:
                continue
            if isinstance(told, dict):
                found[topic.split("/")[2]] = told
    return found


def refuse_foreign(tree: Tree, found: Mapping[str, Mapping[str, Any]]) -> None:
    """Raise HomieError if a device id of ours is already somebody else's: it says another root.

    found: descriptions the broker holds, from `read_descriptions`.
    """
    for device in tree.devices:
        told = found.get(device)
        if told is None:
            continue
        root = told.get("root")
        if root == (None if device == tree.root else tree.root):
            continue
        belongs = f"is a part of {root}" if root is not None else "stands on its own"
        raise HomieError(
            f"the broker already has a device {device}, and it {belongs}: choose another id, or clear the "
            f"retained topics below {tree.base}/{device}",
            subject=device,
        )


def ghosts(tree: Tree, found: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """Devices of this site the broker still holds and the plan has no more, parents before children."""
    ours = {device for device, told in found.items() if told.get("root") == tree.root}
    gone = ours.difference(tree.devices)
    return sorted(gone, key=lambda device: (found[device].get("parent") in gone, device))


def removal(
    tree: Tree, gone: Iterable[str], found: Mapping[str, Mapping[str, Any]], retained: Iterable[str]
) -> list[Publication]:
    """Take devices away: first every `$state`, then whatever else is retained below them.

    To be said after the parents' descriptions no longer name them (`announce`). retained: topics the broker
    is known to hold; what the device's own description names is cleared as well, as a broker may not have
    handed out all.
    """
    devices = list(gone)
    topics = dict.fromkeys(f"{tree.base}/{device}/$state" for device in devices)
    known = list(retained)
    for device in devices:
        base = f"{tree.base}/{device}/"
        topics.update(dict.fromkeys(topic for topic in known if topic.startswith(base)))
        for node, told in found.get(device, {}).get("nodes", {}).items():
            for prop, spec in told.get("properties", {}).items():
                if spec.get("retained", True):
                    topics[f"{base}{node}/{prop}"] = None
                    if spec.get("settable"):
                        topics[f"{base}{node}/{prop}/$target"] = None
        topics[f"{base}$description"] = None
    return [Publication(topic, b"", True, 1) for topic in topics]


def leftovers(tree: Tree, retained: Iterable[str]) -> list[Publication]:
    """Take away what the broker holds below devices of ours that the plan does not describe any more.

    Alerts are left: the rules know which of them still stand (`stale_alerts`). Commands are left: they are
    not ours.
    """
    described_topics = {tree.state_topic}
    for device in tree.devices.values():
        base = f"{tree.base}/{device.id}"
        described_topics |= {f"{base}/$state", f"{base}/$description"}
        for prop in device.properties.values():
            if prop.retained:
                described_topics.add(f"{base}/{device.node}/{prop.id}")
            if prop.target:
                described_topics.add(f"{base}/{device.node}/{prop.id}/$target")
    return [
        Publication(topic, b"", True, 1)
        for topic in retained
        if _ours(tree, topic)
        and "/$alert/" not in topic
        and not topic.endswith("/set")
        and topic not in described_topics
    ]


def stale_alerts(tree: Tree, retained: Iterable[str], standing: Mapping[str, bytes]) -> list[Publication]:
    """Take away alerts the broker still holds and that stand no more. standing: what the link says now."""
    return [
        Publication(topic, b"", True, 1)
        for topic in retained
        if _ours(tree, topic) and "/$alert/" in topic and topic not in standing
    ]


def _ours(tree: Tree, topic: str) -> bool:
    return topic.startswith(f"{tree.base}/") and topic.split("/")[2] in tree.devices
