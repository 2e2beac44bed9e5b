"""What a configuration file says of the site, as one short word: two machines compare theirs by it."""

import hashlib
import json
from pathlib import Path

from bridge.config.reader import Node, decode, read
from bridge.errors import ConfigurationError

_OWN = {
    "standby": True,
    "broker": True,
    "site": {"state_dir": True},
    "e131": {
        "listen": {"bind": True, "interface": True},
        "send": {"interface": True},
    },
}
"""What may differ from machine to machine: who it is in the pair, and how it reaches the network."""


def fingerprint(path: Path) -> str:
    """Of the file at `path`, whatever its comments, spaces and quotes; empty if it can't be read."""
    try:
        root, problems = read(decode(path.read_bytes()), "")
    except (OSError, ConfigurationError):
        return ""
    if problems:
        return ""
    text = json.dumps(_shared(root, _OWN), ensure_ascii=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _shared(node: Node, own: object) -> object:
    """What is the same on both machines."""
    if isinstance(node.value, dict):
        within = own if isinstance(own, dict) else {}
        return [
            (str(key), _shared(value, within.get(key)))
            for key, value in node.value.items()
            if within.get(key) is not True
        ]
    if isinstance(node.value, list):
        return [_shared(value, None) for value in node.value]
    return node.value
