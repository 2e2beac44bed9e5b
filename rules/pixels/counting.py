"""Counting the pixels on a port by the current they draw: a session that asks and answers.

The session says which pixels to light (`next_probe`), is told when that is shown (`shown`) and is given
readings (`observe`) until `result` is a `Count` or a `Refusal`. It never divides a total by a nominal
value: a sensor that reads 3 % high would be wrong from 17 pixels up. It finds how much current one
pixel adds from the string itself, then where along the string adding light stops adding current, and
proves the end: the last pixel answers alone, and nothing behind it does. How it searches stands in
`rules.pixels.counting_search`.

The noise, the sensor's step and offset, and how often the sensor has a new value are estimated from the
readings. What it cannot tell, it refuses with the reason, and says how many readings it would take.
"""

import math
from dataclasses import replace

from rules.errors import RulesError
from rules.pixels.counting_search import search
from rules.pixels.counting_sensor import TIME_SLACK_S, Sensor
from rules.pixels.counting_types import Ask, Cause, Count, CountSettings, Probe, Refusal, Result, Values

__all__ = ["Cause", "Count", "CountSession", "CountSettings", "Probe", "Refusal", "Result"]

_READ_MAX = 8
"""A sensor that is read faster than it refreshes may be read so many times its share."""


class CountSession:
    """One count of one port. Pure: it neither lights nor reads, it is told.

    ``probe = next_probe()``; when it differs from what is lit, light it and call ``shown(at_s)``; give
    every reading to ``observe``; repeat until ``result`` is there. Times are monotonic seconds.
    """

    def __init__(self, settings: CountSettings) -> None:
        self.settings = settings
        self.sensor = Sensor(settings.settle_s)
        self.result: Result | None = None
        self.readings = 0
        self._used = 0
        self._search = search(self.sensor, settings, lambda: self._used)
        self._ask = next(self._search)
        self._lit: tuple[range, ...] | None = None
        self._shown_s = 0.0
        self._used_s = -math.inf
        self._values: Values = []

    def next_probe(self) -> Probe:
        """What shall be lit now. The same until a reading changes it."""
        return Probe(self._ask.lit, self._ask.stage)

    def shown(self, at_s: float) -> None:
        """The pattern of `next_probe` was sent at `at_s`; readings before it do not count."""
        self._lit, self._shown_s = self._ask.lit, at_s

    def observe(self, current_a: float, measured_s: float) -> None:
        """Take a reading. Those not (yet) of the wanted pattern, or of the same sensor value, are left out.

        Raises RulesError where the current is no finite number.
        """
        if not math.isfinite(current_a):
            raise RulesError(f"a current is a finite number of amperes, not {current_a}")
        if self.result is not None:
            return
        self.readings += 1
        if current_a > self.settings.limit_a:
            self._end(
                Refusal(
                    Cause.LIMIT,
                    f"{current_a:.2f} A is above the limit of this count, {self.settings.limit_a:.2f} A",
                    None,
                    self.readings,
                )
            )
        elif (
            self._used > self.settings.max_readings or self.readings > _READ_MAX * self.settings.max_readings
        ):
            self._end(
                Refusal(
                    Cause.OUT_OF_READINGS,
                    f"no clear answer after {self.settings.max_readings} readings",
                    2 * self.settings.max_readings,
                    self.readings,
                )
            )
        elif self._counts(measured_s):
            self._used_s = measured_s
            self._used += 1
            self._values.append((measured_s - self._shown_s, current_a))
            if len(self._values) >= self._ask.readings:
                self._step()

    def _counts(self, measured_s: float) -> bool:
        if self._lit != self._ask.lit or measured_s < self._shown_s:
            return False
        if self._ask.raw:
            return True
        if measured_s - self._shown_s < self.sensor.settle_s - TIME_SLACK_S:
            return False
        refresh_s = self.sensor.refresh_s or 0.0
        return measured_s - self._used_s >= refresh_s - TIME_SLACK_S

    def _step(self) -> None:
        values, self._values = self._values, []
        if not self._ask.raw:
            self.sensor.note([value for _, value in values])
        try:
            self._ask = self._search.send(values)
        except StopIteration as done:
            self._end(replace(done.value, readings=self.readings))

    def _end(self, result: Result) -> None:
        self.result = result
        self._ask = Ask((), 1, "done")
        self._search.close()
