"""One message to the broker: what `bridge.mqtt.homie` makes, `bridge.mqtt.link` sends."""

from typing import NamedTuple


class Publication(NamedTuple):
    """A topic and its payload. An empty retained payload takes a retained value away."""

    topic: str
    payload: bytes
    retain: bool
    qos: int
