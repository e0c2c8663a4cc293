"""How fast a level changes, from good samples of the last minutes; with its uncertainty, or None.

Good levels with their times come in, a slope goes out. It owns no clock and knows no volumes.

Theory of operation. Transmitters are coarse (steps of 1 mm, once a second), now and then one value is far off, and
liquids slosh. So five polls are gathered to one point, the median of their times and of their levels, which a lone
wrong value doesn't move; and a straight line is laid through the last points, two minutes of them at a poll a second,
by least squares. The scatter about the line gives the slope's uncertainty (NIST/SEMATECH e-Handbook, 4.1.4.1), wider
by Student's factor for few points (JCGM 100:2008, table G.2). To that comes what rounding to whole steps can hide: a
level that stands still between two steps looks perfectly still.

The line starts anew where the level can't be expected to go on as before: when the draw changes, after a gap, after
an answer that said no. Where somebody else changes the flow, scatter and uncertainty grow until the line is past it.
"""

from __future__ import annotations

from collections import deque
from math import hypot, sqrt
from operator import mul

from sidetap.quantity import NS_PER_S

POLLS_A_POINT = 5
POINTS = 24
FEWEST_POINTS = 4
# Student's t for 95.45 % by degrees of freedom 1, 2 ... (JCGM 100:2008, table G.2, from memory; tested with scipy)
_STUDENT: tuple[float, ...] = (13.97, 4.53, 3.31, 2.87, 2.65, 2.52, 2.43, 2.37, 2.32, 2.28, 2.25, 2.23, 2.21, 2.20)
_STUDENT += (2.18, 2.17, 2.16, 2.15, 2.14, 2.13, 2.13, 2.12)
# Two ends of a line, each rounded to a step: uniform within it (JCGM 100:2008, 4.3.7), so sqrt(2 / 12) of it, twice
_ROUNDING = 2 * sqrt(2 / 12)


class Trend:
    """The last points of one level. step_m: what the level changes by when the register changes by one; 0: finely.

    slope: in m/s with its uncertainty at k = 2; None while too few points are there.
    """

    def __init__(self, poll_ns: int, step_m: float) -> None:
        self.slope: tuple[float, float] | None = None
        self._point_ns = POLLS_A_POINT * poll_ns
        self._step_m = step_m
        self._points: deque[tuple[int, float]] = deque(maxlen=POINTS)
        self._gathered: list[tuple[int, float]] = []

    def restart(self) -> None:
        """Forget everything: the level can't be expected to go on as it did."""
        self.slope = None
        self._points.clear()
        self._gathered.clear()

    def see(self, t_ns: int, level_m: float) -> tuple[int, float] | None:
        """Take a good level and return the point that is done with it, if one is.

        When times run backwards everything is forgotten.
        """
        gathered, point = self._gathered, None
        if gathered and t_ns < gathered[-1][0]:
            self.restart()
        if gathered and t_ns - gathered[0][0] >= self._point_ns:
            middle = len(gathered) // 2
            point = gathered[middle][0], sorted(level for _, level in gathered)[middle]
            self._points.append(point)
            gathered.clear()
            self.slope = self._line()
        gathered.append((t_ns, level_m))
        return point

    def _line(self) -> tuple[float, float] | None:
        count = len(self._points)
        if count < FEWEST_POINTS:
            return None
        first_ns, first_m = self._points[0]
        seconds = [(t_ns - first_ns) / NS_PER_S for t_ns, _ in self._points]
        metres = [level_m - first_m for _, level_m in self._points]
        s, m = sum(seconds), sum(metres)
        square = sum(map(mul, seconds, seconds)) - s * s / count
        slope = (sum(map(mul, seconds, metres)) - s * m / count) / square
        rest = max(0.0, sum(map(mul, metres, metres)) - m * m / count - slope * slope * square)
        scatter = _STUDENT[count - 3] * sqrt(rest / (count - 2) / square)
        return slope, hypot(scatter, _ROUNDING * self._step_m / seconds[-1])
