"""The built-in show: what is lit, as a pure function of the time since the start."""

from bisect import bisect_right
from itertools import accumulate
from math import pi, sin

from bridge.simulator.spec import Segment


class Show:
    """Segments played round and round. No segments: nothing is ever lit."""

    def __init__(self, segments: tuple[Segment, ...]) -> None:
        self.segments = segments
        self._ends = list(accumulate(segment.length_s for segment in segments))

    def drive(self, t_s: float, place: int) -> float:
        """Mean drive (0..1 of full white) at `t_s` for the port that stands at `place` in the line."""
        if not self.segments:
            return 0.0
        at_s = t_s % self._ends[-1]
        segment = self.segments[bisect_right(self._ends, at_s)]
        if segment.look == "dark":
            return 0.0
        if segment.look == "steady":
            return segment.level
        turn = t_s / segment.period_s
        if segment.look == "chase":  # light runs from port to port
            turn += place / 8.0
        return segment.level * (0.5 + 0.5 * sin(2.0 * pi * turn))
