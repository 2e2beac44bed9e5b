"""One module per way to reach a controller, one contract (`base`); `create` picks the module."""

import time
from collections.abc import Callable, Mapping

from bridge.config.reach import HttpReach
from bridge.controllers.base import Controller
from rules.ports import Abilities


def create(
    controller_id: str,
    reach: HttpReach,
    ports: Mapping[int, Abilities],
    *,
    clock: Callable[[], float] = time.monotonic,
) -> Controller:
    """The driver for `reach`. Call it on the event loop.

    Raises PermanentError when a secret or TLS file can't be read.
    """
    from bridge.controllers.http import HttpController  # noqa: PLC0415 - aiohttp only where it is used

    return HttpController(controller_id, reach, ports, clock=clock)
