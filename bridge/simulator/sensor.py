"""What the controller's current sense makes of the true current."""

from collections.abc import Sequence
from math import floor

from bridge.simulator.spec import SensorSpec

REFERENCE_C = 25.0
"""Temperature at which the offset is the spec's [degC]."""


class Sensor:
    """One port's current sense; knows time only as the number it is given.

    A value is taken when the sensor is first asked in a refresh interval and repeated until the next.
    """

    def __init__(self, spec: SensorSpec, noise: Sequence[float], salt: int) -> None:
        self.spec = spec
        self.stuck = False
        self.drift_a = 0.0
        """What a drifting sensor has walked off so far [A]."""
        self._noise = noise
        self._salt = salt
        self._tick: int | None = None
        self._value_a = 0.0

    def read(self, t_s: float, true_a: float, temperature_c: float = REFERENCE_C) -> float:
        """The current told [A] at `t_s` seconds after the start."""
        spec = self.spec
        tick = floor(t_s / spec.refresh_s + 1e-9) if spec.refresh_s else hash(t_s)
        if tick == self._tick or (self.stuck and self._tick is not None):
            return self._value_a
        self._tick = tick
        noise = self._noise
        at = (tick * 2654435761 + self._salt) % len(noise)
        value = true_a * (1.0 + spec.gain_error) + spec.offset_a + self.drift_a + noise[at] * spec.noise_a
        value += spec.drift_a_per_hour * t_s / 3600.0 + spec.tempco_a_per_c * (temperature_c - REFERENCE_C)
        if step := spec.step_a:
            dither = ((tick * 40503 + self._salt * 7) % 1024 / 1024.0 - 0.5) if spec.dithered else 0.0
            value = round(value / step + dither) * step
        if value < 0.0 and not spec.signed:
            value = 0.0
        self._value_a = min(value, spec.full_scale_a)
        return self._value_a
