"""What only the whole file can tell: names that must exist, and names that may not meet.

Works on the tree and not on the models, so that a mistake elsewhere in the file hides nothing here. What
has a wrong type is passed over: the models tell of it. So is what names something in a section that is
missing, misspelt or broken: one mistake is told once, and not again at everything that follows from it.
"""

from collections.abc import Iterator, Mapping, Sequence

from bridge.config.base import near_miss, slug
from bridge.config.cross_show_data import check_show_data
from bridge.config.reader import Node, Place, Tell


def device_ids(
    site: str, controllers: Mapping[str, Sequence[int] | None], props: Sequence[str]
) -> Iterator[tuple[str, str]]:
    """The device ids this site publishes under, each with what it stands for in words."""
    yield site, f"the site {site}"
    for controller, numbers in controllers.items():
        yield f"{site}-{controller}", f"the controller {controller}"
        for number in numbers or ():
            yield f"{site}-{controller}-port-{number}", f"the port {controller}/{number}"
    for prop in props:
        yield f"{site}-prop-{prop}", f"the prop {prop}"


Known = dict[str, list[int] | None]
"""Ports by controller, None where its ports can't be read; empty where no controller can."""


def cross_check(root: Node, tell: Tell) -> None:
    """Tell every reference to something that is not there, and every clash of names."""
    controllers: Known = {
        str(name): _numbers(_at(node, "ports")) for name, node in _at(root, "controllers").items()
    }
    props = [str(name) for name, _ in _at(root, "props").items()]
    known = {slug(name): ports for name, ports in controllers.items()} | controllers
    _supplies(root, tell)
    _feeds(root, known, tell)
    _needs(root, known, props, tell)
    _clashes(root, controllers, props, tell)
    check_show_data(root, known, tell)


_NOTHING = Node(None, Place(1, 1))


def _at(node: Node, key: str) -> Node:
    return node.get(key) or _NOTHING


def _numbers(ports: Node) -> list[int] | None:
    """The numbers of a controller's ports, those in quotes too: the models tell of the quotes."""
    if not isinstance(ports.value, dict):
        return None
    return [int(key) for key in ports.value if isinstance(key, int) or (key.isascii() and key.isdigit())]


def _names_of(root: Node, section: str) -> list[str] | None:
    """The names in an optional section; None where they can't be known, which is told elsewhere."""
    node = root.get(section)
    if node is None:
        misspelt = any(near_miss(str(key), [section]).startswith("did") for key, _ in root.items())
        return None if misspelt else []
    return [str(name) for name in node.value] if isinstance(node.value, dict) else None


def _supplies(root: Node, tell: Tell) -> None:
    known = _names_of(root, "supplies")
    if known is None:
        return
    for controller, node in _at(root, "controllers").items():
        parts = [("every_port", _at(node, "every_port"))]
        parts += [(f"ports.{number}", port) for number, port in _at(node, "ports").items()]
        for key, part in parts:
            supply = _at(part, "supply")
            if isinstance(supply.value, str) and supply.value not in (*known, *map(slug, known)):
                path = f"controllers.{controller}.{key}.supply"
                tell(supply, path, f"there is no supply {supply.value}", near_miss(supply.value, known))


def _feeds(root: Node, controllers: Known, tell: Tell) -> None:
    owner: dict[str, str] = {}
    for prop, node in _at(root, "props").items():
        for index, entry in enumerate(_at(node, "fed_by").entries()):
            if not isinstance(entry.value, str):
                continue
            path = f"props.{prop}.fed_by.{index}"
            for port in _ports(entry, path, controllers, tell):
                if port in owner:
                    other = "twice here" if owner[port] == prop else f"in the prop {owner[port]} too"
                    right = "name it once: a hold on a prop acts on all its feeds"
                    tell(entry, path, f"the port {port} stands {other}", right)
                else:
                    owner[port] = prop


def _needs(root: Node, controllers: Known, props: list[str], tell: Tell) -> None:
    hidden = _names_of(root, "props") is None
    named = {*props, *map(slug, props)}
    for index, show in enumerate(_at(root, "shows").entries()):
        for position, entry in enumerate(_at(show, "needs").entries()):
            text = entry.value
            if not isinstance(text, str) or text in named:
                continue
            path = f"shows.{index}.needs.{position}"
            if "/" in text:
                for _ in _ports(entry, path, controllers, tell):
                    pass
            elif text in controllers:
                right = f"write {text}/* for all ports of the controller {text}"
                tell(entry, path, f"there is no prop {text}", right)
            elif not hidden:
                tell(entry, path, f"there is no prop {text}", near_miss(text, props))


def _ports(entry: Node, path: str, controllers: Known, tell: Tell) -> list[str]:
    """The ports an entry names; tells where there are none such."""
    controller, slash, number = str(entry.value).partition("/")
    if not slash:
        first = next(iter(controllers), "gable")
        tell(
            entry, path, "this names no port", f"write controller/number, for example {first}/1, or {first}/*"
        )
        return []
    if not controllers:
        return []  # that there are none is told once, at the section
    if controller not in controllers:
        tell(entry, path, f"there is no controller {controller}", near_miss(controller, controllers))
        return []
    known = controllers[controller]
    if known is None:
        return []
    if number == "*":
        return [f"{controller}/{one}" for one in known]
    if not (number.isascii() and number.isdigit() and str(int(number)) == number and int(number) in known):
        right = f"its ports are {', '.join(str(one) for one in known)}, or * for all"
        tell(entry, path, f"the controller {controller} has no port {number} in this file", right)
        return []
    return [f"{controller}/{number}"]


def _clashes(root: Node, controllers: Known, props: list[str], tell: Tell) -> None:
    site = _at(_at(root, "site"), "id")
    taken: dict[str, str] = {}
    for device, words in device_ids(str(site.value), controllers, props):
        if device in taken:
            right = f"both would be {device} in topics; rename one of them"
            tell(site, "site.id", f"{taken[device]} and {words} clash", right)
        taken[device] = words
    shows: dict[str, str] = {}
    for index, node in enumerate(_at(root, "shows").entries()):
        name = _at(node, "id") if node.get("id") else _at(node, "name")
        if not isinstance(name.value, str):
            continue
        path, show = f"shows.{index}.name", slug(name.value)
        if not show:
            right = "add an id of lower case letters, digits and hyphens to the show"
            tell(name, path, "no id for topics can be made of this name", right)
        elif show in shows:
            right = f"both would be {show} in topics; rename one, or give it an id"
            tell(name, path, f"this name and {shows[show]} clash", right)
        shows.setdefault(show, name.value)
