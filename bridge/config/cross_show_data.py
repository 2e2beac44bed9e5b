"""Show data against the rest of the file: slots that meet, targets that are not there, shows that wait."""

from collections.abc import Collection, Iterator
from typing import Any

from bridge.config.base import near_miss
from bridge.config.reader import Node, Place, Tell
from rules.errors import RulesError
from rules.ports import PortId
from rules.show_data.e131 import UNIVERSE_MAX
from rules.show_data.levels import PixelMap, SlotRange, overlaps

_NOTHING = Node(None, Place(1, 1))
_COUNTS = ("universe", "channel", "group", "null_pixels", "pixels")


def _at(node: Node, key: str) -> Node:
    return node.get(key) or _NOTHING


def check_show_data(root: Node, controllers: Collection[str], tell: Tell) -> None:
    """Tell ports that read the same slots unasked, and what names things that are not there."""
    _overlaps(root, tell)
    send = _at(_at(root, "e131"), "send")
    for name, node in _at(send, "to").items():
        if controllers and str(name) not in controllers:
            right = near_miss(str(name), controllers)
            tell(node, f"e131.send.to.{name}", f"there is no controller {name}", right)
    listens = _at(_at(_at(root, "e131"), "listen"), "enabled").value is True
    for index, show in enumerate(_at(root, "shows").entries()):
        data = show.get("data")
        if data is None:
            continue
        path = f"shows.{index}.data"
        if not listens:
            right = "write e131: {listen: {enabled: true}}, or leave data out"
            tell(data, path, "this show waits for data, and nothing is listened to", right)
        elif data.value == "needs" and not any(_at(port, "show_data").items() for port, _, _ in _ports(root)):
            right = "write show_data: {universe: 1} on its ports, or name the universes"
            tell(data, path, "no port of this file has a universe to wait for", right)


def _ports(root: Node) -> Iterator[tuple[Node, str, Node]]:
    """Every port's node, its id and the defaults of its controller."""
    for name, controller in _at(root, "controllers").items():
        for number, port in _at(controller, "ports").items():
            yield port, f"{name}/{number}", _at(controller, "every_port")


def _overlaps(root: Node, tell: Tell) -> None:
    maps: dict[PortId, tuple[PixelMap, Node, bool]] = {}
    for port, name, shared in _ports(root):
        node = port.get("show_data")
        if node is None or not isinstance(node.value, dict):
            continue
        path = f"controllers.{name.replace('/', '.ports.')}.show_data"
        values = _values(port, shared)
        try:
            made = PixelMap(PortId(name), values["universe"], values.pop("pixels"), **_rest(values))
        except RulesError as error:
            if "its slots run" in str(error) and values["universe"] in range(1, UNIVERSE_MAX + 1):
                tell(_at(node, "universe"), path, str(error), "begin in a lower universe, or lower pixels")
            continue
        except (KeyError, TypeError):
            continue  # the models tell of a wrong type
        maps[made.port] = (made, node, values.get("shared") is True)
    for pair in overlaps(made for made, _, _ in maps.values()):
        (_, _, meant), (_, node, meant_too) = maps[pair.first], maps[pair.second]
        if meant or meant_too:
            continue
        path = f"controllers.{pair.second.replace('/', '.ports.')}.show_data"
        right = "begin behind it, or write shared: true where both shall show the same"
        place = node.get("universe") or node
        tell(place, path, f"{pair.second} reads {_slots(pair.ranges[0])} of {pair.first} too", right)


def _rest(values: dict[str, Any]) -> dict[str, Any]:
    names = {
        "channel": "start_channel",
        "colours": "colour_order",
        "group": "group",
        "null_pixels": "null_pixels",
        "split_pixels": "split_pixels",
    }
    return {names[key]: value for key, value in values.items() if key in names}


def _values(port: Node, shared: Node) -> dict[str, Any]:
    """What is written for a port and its controller, values only."""
    found: dict[str, Any] = {}
    for part in (shared, port):
        found |= {str(key): node.value for key, node in _at(part, "show_data").items()}
    pixels = [part.get("pixels") for part in (port, shared)]
    written = [node.value for node in pixels if node is not None]
    found["pixels"] = written[0] if written else found.get("capacity", 0)
    if any(not isinstance(found.get(key, 0), int) for key in _COUNTS):
        return {}
    return found


def _slots(slots: SlotRange) -> str:
    return f"slots {slots.first} to {slots.last} of universe {slots.universe}"
