"""A capture of edges: when the level of a line changed, and to what. Nothing here knows of bits or characters."""

from array import array
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sidetap.quantity import NS_PER_S

BRIDGE_NS = NS_PER_S
"""How much silence stands in for what a capture doesn't tell: a clock that stepped back, a level that was unknown."""


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """The changes of a line's level, in order.

    t_ns: when, from the first on, int64; it never falls. first_level: the level from the first time on; it changes
    at each further time. Whether the first time is a change too, a capture can't say.
    truncated: the file's last row is torn. clock_steps: how often its times ran backwards.
    """

    path: Path
    format: str
    t_ns: NDArray[np.int64]
    first_level: int
    truncated: bool
    clock_steps: int


class Gatherer:
    """Takes levels with their times as a file tells them, keeps the changes. ``add`` raises ValueError."""

    def __init__(self) -> None:
        self.clock_steps = 0
        self.first_level: int | None = None
        self._times = array("q")
        self._level: int | None = None
        self._unknown = False
        self._file_ns = 0  # the last time as the file has it
        self._offset_ns = 0  # what is added to the file's times

    def add(self, t_ns: int, level: int) -> None:
        """Take the level from t_ns on; ValueError when the times don't fit 64 bits."""
        times = self._times
        if not times:
            self._offset_ns, self.first_level = -t_ns, level
        elif t_ns < self._file_ns or self._unknown:
            self.clock_steps += t_ns < self._file_ns
            self._offset_ns = times[-1] + BRIDGE_NS - t_ns
        self._file_ns, self._unknown = t_ns, False
        if level == self._level:
            return
        at_ns = t_ns + self._offset_ns
        self._level = level
        if not times or at_ns != times[-1]:
            try:
                times.append(at_ns)
            except OverflowError:
                raise ValueError("this time is too far from the first for 64 bits in nanoseconds") from None
        elif len(times) == 1:  # a level that lasted no time was none
            self.first_level = level
        else:
            times.pop()

    def lose(self) -> None:
        """Take note that the level is unknown from here to the next one added."""
        self._unknown = self._level is not None

    def edges(self, path: Path, kind: str, truncated: bool) -> Edges:
        """Return what was gathered."""
        times = np.array(self._times, dtype=np.int64)
        return Edges(path, kind, times, self.first_level or 0, truncated, self.clock_steps)
