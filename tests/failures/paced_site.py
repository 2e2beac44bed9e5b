"""Run a site on a wall clock that is fast and may be stepped: ``paced_site.py CONFIG START BASE PACE FILE``.

The process is the product's own, started as `duskward run` starts it, with another clock. START: the instant
(ISO 8601) at the monotonic second BASE; FILE holds by how many seconds the clock was stepped since.
"""

import asyncio
import signal
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path

from bridge import logs
from bridge.app import App
from bridge.config import load
from rules.ports import Now


class SteppedClock:
    """A fast wall clock over the machine's monotonic seconds, moved by what a file says."""

    def __init__(self, start_utc: datetime, base_s: float, pace: float, file: Path) -> None:
        self._start_utc, self._base_s, self._pace, self._file = start_utc, base_s, pace, file
        self._looked_s, self._step_s = float("-inf"), 0.0

    def now(self) -> Now:
        """The instant on the fast, stepped clock."""
        at_s = time.monotonic()
        if at_s - self._looked_s > 0.05:
            self._looked_s = at_s
            self._step_s = float(self._file.read_text() or 0)
        passed_s = (at_s - self._base_s) * self._pace + self._step_s
        return Now(self._start_utc + timedelta(seconds=passed_s), at_s)


async def main() -> None:
    """Run until SIGTERM."""
    config, start, base_s, pace, file = sys.argv[1:]
    logs.configure(json=True)
    clock = SteppedClock(datetime.fromisoformat(start), float(base_s), float(pace), Path(file))
    app = App(load(Path(config)), file=Path(config), clock=clock)
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, app.stop)
    await app.run()


if __name__ == "__main__":
    asyncio.run(main())
