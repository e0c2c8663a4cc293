"""A row of edges as the search sees it: thinned to a sample, freed of spikes, seen with one polarity."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidetap.line.edges.model import Edges

_MOST_EDGES = 6000  # settings are decided on so many, taken from all over a capture
_PARTS = 6
_SPIKE = 0.25  # bit times: what is shorter is no bit


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """A stretch seen with one polarity. t_ns: float64, from 0 on. first_fall: index of the first fall.

    inverted: falls were rises in the capture.
    """

    t_ns: NDArray[np.float64]
    first_fall: int
    inverted: bool


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """Edges in turn up and down. t_ns: int64, from 0 on; first_fall: index of the first fall, 0 or 1."""

    t_ns: NDArray[np.int64]
    first_fall: int

    @classmethod
    def of(cls, edges: Edges) -> "Stretch":
        """Return all edges of a capture."""
        return cls(edges.t_ns - edges.t_ns[0], edges.first_level)

    @property
    def runs_ns(self) -> NDArray[np.float64]:
        """How long each level lasted."""
        return np.diff(self.t_ns).astype(np.float64)

    @property
    def low(self) -> NDArray[np.bool_]:
        """Which runs are at level 0."""
        low: NDArray[np.bool_] = np.arange(len(self.t_ns) - 1) % 2 == self.first_fall
        return low

    def sample(self) -> "Stretch":
        """Return parts from all over the stretch in one row, each from its longest rest on."""
        if len(self.t_ns) <= _MOST_EDGES:
            return self
        length = _MOST_EDGES // _PARTS // 2 * 2
        span = len(self.t_ns) // _PARTS
        runs = np.diff(self.t_ns)
        rows: list[NDArray[np.int64]] = []
        at = 0
        for part in range(_PARTS):
            # parts begin with edges of one direction and are of even length, so levels alternate at the seams
            first = part * span + 2 - (part * span - self.first_fall) % 2
            begins = np.arange(first, (part + 1) * span - length + 1, 2)
            begin = int(begins[np.argmax(runs[begins - 1])]) if len(begins) else first
            row = self.t_ns[begin : begin + length]
            rows.append(row - row[0] + at)
            at = int(rows[-1][-1]) + int(runs[begin - 1])
        return Stretch(np.concatenate(rows), 0)

    def without_spikes(self, bit_ns: float) -> tuple["Stretch", int]:
        """Return the stretch without pulses that are too short to be a bit, and how many they were."""
        keep = np.ones(len(self.t_ns), dtype=bool)
        spikes, last = 0, -2
        for place in np.flatnonzero(np.diff(self.t_ns) < _SPIKE * bit_ns).tolist():
            if place > last + 1:
                keep[place : place + 2] = False
                last = place
                spikes += 1
        return Stretch(self.t_ns[keep], self.first_fall), spikes  # edges go in pairs, so directions stay

    def seen(self, skew_ns: float, inverted: bool) -> Line:
        """Return the stretch with one polarity, low runs shortened by skew_ns."""
        times = self.t_ns.astype(np.float64)
        times[1 - self.first_fall :: 2] -= skew_ns
        return Line(np.maximum.accumulate(times), 1 - self.first_fall if inverted else self.first_fall, inverted)
