"""What systemd is told (sd_notify(3)): ready, stopping, alive, and one line of status.

The watchdog is fed only while the engine really steps, and the event loop runs to say so; whether the broker
or a controller answers is another matter and never a reason to be restarted. Where no service manager
listens, all of it is silent.
"""

import asyncio
import os
import socket
from collections.abc import Callable, Mapping

import structlog

_log = structlog.get_logger()

LONGEST_S = 10.0
"""The status line is looked at this often [s] where no watchdog runs."""
IDLE_LIMIT_S = 5.0
"""An engine that has not stepped for this long [s] is stuck: it steps every second, whatever happens."""
SHARE = 0.4
"""The watchdog is fed after this share of its time; sd_watchdog_enabled(3) recommends half of it."""


class Notifier:
    """Sends datagrams to ``$NOTIFY_SOCKET``.

    watchdog_s: what ``$WATCHDOG_USEC`` grants this process between two words [s]; None without a watchdog.
    """

    def __init__(self, environ: Mapping[str, str] | None = None) -> None:
        environ = os.environ if environ is None else environ
        address = environ.get("NOTIFY_SOCKET", "")
        # A leading @ stands for the NUL of the abstract namespace (unix(7)).
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._failed = False
        self.watchdog_s: float | None = None
        meant_for = environ.get("WATCHDOG_PID", "")
        if meant_for in ("", str(os.getpid())):
            microseconds = environ.get("WATCHDOG_USEC", "")
            if microseconds.isdecimal() and int(microseconds) > 0:
                self.watchdog_s = int(microseconds) / 1e6

    def tell(self, **words: str | int) -> None:
        """Tell assignments, as ``tell(READY=1)``; never waits. What can't be sent is logged once."""
        if not self._address:
            return
        text = "\n".join(f"{name}={' '.join(str(word).split())}" for name, word in words.items())
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
                sender.setblocking(False)
                sender.sendto(text.encode(), self._address)
        except OSError as error:
            if not self._failed:
                _log.warning("watchdog.unheard", detail=error.strerror or str(error))
            self._failed = True
        else:
            self._failed = False


async def attend(notifier: Notifier, idle_s: Callable[[], float], status: Callable[[], str]) -> None:
    """Say READY, then feed the watchdog for ever, as long as the engine steps; keep the status line true.

    idle_s: how long ago the engine's last step was completed [s]; status: one line for people.
    """
    told = status()
    notifier.tell(READY=1, STATUS=told)
    period_s = LONGEST_S
    if notifier.watchdog_s is not None:
        period_s = min(period_s, SHARE * notifier.watchdog_s)
    while True:
        await asyncio.sleep(period_s)
        if idle_s() > IDLE_LIMIT_S:
            _log.error("watchdog.withheld", idle_s=round(idle_s(), 1))
            continue
        words: dict[str, str | int] = {} if notifier.watchdog_s is None else {"WATCHDOG": 1}
        line = status()
        if line != told:
            words["STATUS"] = told = line
        if words:
            notifier.tell(**words)
