"""When what is said: order at a connect, changes of structure, what has to go. Pure.

Order and removal follow the Homie convention (version 5), "Device lifecycle": a description changes only
while its device is not `ready`; a child is complete before its parent names it; a device that goes loses its
`$state` first, then the rest.
"""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from bridge.mqtt.documents import Documents, written
from bridge.mqtt.homie import Tree
from bridge.mqtt.homie_values import HomieError
from bridge.mqtt.publication import Publication
from bridge.mqtt.retained import Retained

_ALERT = "/$alert/"
_GONE = frozenset({b"lost", b"disconnected", b"sleeping"})


def arrange(tree: Tree, retained: Retained) -> Iterator[tuple[str, bytes | None]]:
    """All retained topics in the order to say them on a connect (`bridge.mqtt.link.Link`'s `arrange`).

    First the root's `init`, then alerts and lost devices, so that bad news does not wait behind thousands of
    values; then each device with its description and values between `init` and its own state; the root after
    all devices, because its `ready` says that everything is there. What is not Homie comes last. A payload
    that is not given is the one that stands when its turn comes.
    """
    base = f"{tree.base}/"
    root = f"{base}{tree.root}/$state"
    if root in retained:
        yield root, b"init"
    alerts = [topic for topic in retained if _ALERT in topic and _ours(tree, topic)]
    yield from ((topic, None) for topic in alerts)
    gone = {device for device in tree.devices if retained.get(f"{base}{device}/$state") in _GONE}
    gone.discard(tree.root)
    yield from ((f"{base}{device}/$state", None) for device in gone)
    for device in reversed(tree.devices):
        state, description = f"{base}{device}/$state", f"{base}{device}/$description"
        said = [topic for topic in retained.of(device) if topic.startswith(base) and _ALERT not in topic]
        between = device not in gone and device != tree.root and state in retained
        if between:
            yield state, b"init"
        # The description comes before the values that need it.
        if description in retained:
            yield description, None
        yield from ((topic, None) for topic in said if topic not in (state, description))
        if between:
            yield state, None
    if root in retained:
        yield root, None
    yield from [(topic, None) for topic in retained if not _ours(tree, topic)]


def announce(
    tree: Tree, descriptions: Mapping[str, Mapping[str, Any]], before: Mapping[str, Mapping[str, Any]]
) -> Iterator[Publication]:
    """Say what is new or changed in the structure: children before the parents that name them.

    before: descriptions already said (or held by the broker). Changed devices stay `init`; `Tree.state` makes
    them `ready` once their values are out. Nothing where nothing changed.
    """
    said = False
    for device in reversed(tree.devices):
        told = descriptions[device]
        if before.get(device) != told:
            if not said:
                yield tree.state(tree.root, "init")
                said = True
            yield tree.state(device, "init")
            yield from described(tree, {device: told})


def described(tree: Tree, descriptions: Mapping[str, Mapping[str, Any]]) -> Iterator[Publication]:
    """Descriptions as publications."""
    for device, told in descriptions.items():
        yield Publication(f"{tree.base}/{device}/$description", written(told), True, 1)


def read_descriptions(tree: Tree, retained: Mapping[str, bytes]) -> Documents:
    """The descriptions among retained topics, by device id; what is no JSON object is left out."""
    return Documents(
        retained,
        (
            (topic.split("/")[2], topic)
            for topic in retained
            if topic.startswith(f"{tree.base}/") and topic.endswith("/$description")
        ),
    )


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
    known: dict[str, list[str]] = {device: [] for device in devices}
    for topic in retained:
        if topic.startswith(f"{tree.base}/"):
            below = known.get(topic.split("/", 3)[2])
            if below is not None:
                below.append(topic)
    for device in devices:
        topics.update(dict.fromkeys(known[device]))
        topics.update(dict.fromkeys(_values(tree, device, found.get(device, {}))))
        topics[f"{tree.base}/{device}/$description"] = None
    return [Publication(topic, b"", True, 1) for topic in topics]


def outlived(
    tree: Tree, descriptions: Mapping[str, Mapping[str, Any]], before: Mapping[str, Mapping[str, Any]]
) -> list[Publication]:
    """Take away the values of properties that a device had before and has no more."""
    gone: list[str] = []
    for device, told in descriptions.items():
        was = before.get(device)
        if was is not None and was != told:
            now = set(_values(tree, device, told))
            gone += (topic for topic in _values(tree, device, was) if topic not in now)
    return [Publication(topic, b"", True, 1) for topic in gone]


def _values(tree: Tree, device: str, description: Mapping[str, Any]) -> Iterator[str]:
    """The topics on which a device retains values, by its description, which may be anybody's."""
    for node, told in _members(description, "nodes"):
        for prop, spec in _members(told, "properties"):
            if spec.get("retained", True):
                topic = f"{tree.base}/{device}/{node}/{prop}"
                yield topic
                if spec.get("settable"):
                    yield f"{topic}/$target"


def _members(document: Mapping[str, Any], key: str) -> Iterator[tuple[str, dict[str, Any]]]:
    members = document.get(key)
    if isinstance(members, dict):
        yield from ((name, member) for name, member in members.items() if isinstance(member, dict))


def stale_alerts(tree: Tree, retained: Iterable[str], standing: Mapping[str, bytes]) -> list[Publication]:
    """Take away alerts the broker still holds and that stand no more. standing: what the link says now."""
    return [
        Publication(topic, b"", True, 1)
        for topic in retained
        if _ours(tree, topic) and _ALERT in topic and topic not in standing
    ]


def _ours(tree: Tree, topic: str) -> bool:
    return topic.startswith(f"{tree.base}/") and topic.split("/")[2] in tree.devices
