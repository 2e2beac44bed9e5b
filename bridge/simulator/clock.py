"""Clocks a simulated site can run on: any callable that returns seconds will do."""

import time
from collections.abc import Callable

from bridge.errors import PermanentError


class ManualClock:
    """Stands still until it is moved; the clock of tests."""

    def __init__(self, start_s: float = 0.0) -> None:
        self.now_s = start_s

    def __call__(self) -> float:
        """Seconds."""
        return self.now_s

    def advance(self, seconds: float) -> None:
        """Move forward by `seconds`; raises ValueError when they are negative."""
        if seconds < 0.0:
            raise ValueError(f"a site can't live backwards: advance by {seconds:g} s")
        self.now_s += seconds


class SpeedClock:
    """Runs `speed` times as fast as the clock it stands on; the speed can change at any moment."""

    def __init__(self, speed: float = 1.0, base: Callable[[], float] = time.monotonic) -> None:
        self._base = base
        self._from_base_s = base()
        self._from_s = self._from_base_s
        self._speed = 0.0
        self.speed = speed

    def __call__(self) -> float:
        """Seconds; equal to the base clock's as long as the speed was always 1."""
        return self._from_s + (self._base() - self._from_base_s) * self._speed

    @property
    def speed(self) -> float:
        """Simulated seconds per second of the base clock."""
        return self._speed

    @speed.setter
    def speed(self, speed: float) -> None:
        """Change the speed from this moment on; raises PermanentError below 0 and above a million."""
        if not 0.0 <= speed <= 1e6:
            raise PermanentError(f"speed is {speed:g}, it must be 0 to 1000000", subject="clock")
        now_s, base_s = self(), self._base()
        self._from_s, self._from_base_s, self._speed = now_s, base_s, speed
