"""How a controller is reached: the ``reach:`` part of the file. `kind` says which way.

`http` polls an HTTP face, `mqtt` listens to a controller that publishes by itself, `hwmon` reads and writes
files of the Linux kernel. What an answer means is told by `bridge.config.mapping`.
"""

from typing import Annotated

from pydantic import Field

from bridge.config.reach_http import HttpReach
from bridge.config.reach_hwmon import HwmonPort, HwmonReach
from bridge.config.reach_mqtt import MqttReach
from rules.ports import Abilities

__all__ = ["HttpReach", "HwmonReach", "MqttReach", "Reach", "abilities"]

Reach = Annotated[HttpReach | MqttReach | HwmonReach, Field(discriminator="kind")]
"""Any way to reach a controller."""


def abilities(reach: HttpReach | MqttReach | HwmonReach, number: int) -> Abilities:
    """What port `number` can do by this mapping."""
    part: HttpReach | MqttReach | HwmonPort | None = (
        reach.ports.get(number) if isinstance(reach, HwmonReach) else reach
    )
    if part is None:
        return Abilities(switch=False, readback=False, trip=False, current=False)
    told = part.told
    return Abilities(
        switch=part.switch is not None,
        readback="power" in told,
        trip="tripped" in told,
        current="current" in told,
        clear=part.clear is not None,
        voltage="voltage" in told,
        temperature="temperature" in told,
    )
