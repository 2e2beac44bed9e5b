"""One module per way to reach a controller, one contract (`base`); `create` picks the module."""

import time
from collections.abc import Callable, Mapping

from bridge.config.reach import HttpReach, HwmonReach, MqttReach
from bridge.controllers.base import Controller
from rules.ports import Abilities


def create(
    controller_id: str,
    reach: HttpReach | MqttReach | HwmonReach,
    ports: Mapping[int, Abilities],
    *,
    clock: Callable[[], float] = time.monotonic,
) -> Controller:
    """The driver for `reach`. Call it on the event loop.

    Raises PermanentError when a secret or a TLS file can't be read.
    """
    # Each way brings its own libraries: they are loaded only where it is used.
    if isinstance(reach, HttpReach) and reach.stream is not None:
        from bridge.controllers.stream import StreamController  # noqa: PLC0415

        return StreamController(controller_id, reach, ports, clock=clock)
    if isinstance(reach, HttpReach):
        from bridge.controllers.http import HttpController  # noqa: PLC0415

        return HttpController(controller_id, reach, ports, clock=clock)
    if isinstance(reach, HwmonReach):
        from bridge.controllers.hwmon import HwmonController  # noqa: PLC0415

        return HwmonController(controller_id, reach, ports, clock=clock)
    from bridge.controllers.mqtt import MqttController  # noqa: PLC0415

    return MqttController(controller_id, reach, ports, clock=clock)
