"""A vessel's levels over time -> stretches in which its content changed evenly, each with its flow and uncertainty.

Theory of operation. Five seconds of levels are gathered to one point, their median, which a lone wrong value doesn't
move, and each point becomes a volume. The course is then cut into straight pieces so that the squared distances, in
units of the level's own scatter, plus a price for every cut are least. That is found exactly, by going through the
points once and keeping the best way to each ("optimal partitioning", Jackson et al. 2005, from memory), in blocks of
four hours so that the work grows with the length of the record and not with its square. A cut lies where the lines on
both its sides meet, which tells it much better than the points do.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import groupby, pairwise

import numpy as np
from numpy.typing import NDArray

from sidetap.hindsight.levels import Series
from sidetap.quantity import NS_PER_S
from sidetap.site.model import Vessel

POINT_NS = 5 * NS_PER_S
GAP_NS = 60 * NS_PER_S  # over so long without a level nothing is said of the course
FEWEST = 3  # points of a stretch
BLOCK = 2880  # points: four hours
CUT_PRICE = 40.0  # in squared scatters: a cut that explains less than so many is noise (tried on the made yard)
LEAST_SCATTER_M = 0.0005  # no level of this trade is told more finely than it sloshes (common practice, no source)
WIDER = 2.0  # points beside each other err alike: liquid sloshes and digits step; so uncertainties are taken wider

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Stretch:
    """From start_ns to end_ns the content changed by flow_m3_per_s, below 0 while it fell; flow_u at k = 2.

    volume_m3: of the content at its start, by the line laid through it. begins_in, ends_in: whether its start and
    its end were seen; else the record or a gap cuts it off there.
    """

    start_ns: int
    end_ns: int
    flow_m3_per_s: float
    flow_u_m3_per_s: float
    volume_m3: float
    begins_in: bool = True
    ends_in: bool = True

    @property
    def seconds(self) -> float:
        """How long it lasts."""
        return (self.end_ns - self.start_ns) / NS_PER_S

    def volume_at(self, t_ns: float) -> float:
        """Return the content at a moment by the stretch's line."""
        return self.volume_m3 + self.flow_m3_per_s * (t_ns - self.start_ns) / NS_PER_S


def stretches(vessel: Vessel, series: Series) -> list[list[Stretch]]:
    """Return the course of a vessel as runs of stretches that touch; between two runs its level wasn't told."""
    times, volumes, weights = _points(vessel, series)
    if not len(times):
        return []
    gaps = np.flatnonzero(np.diff(times) > GAP_NS) + 1
    runs = []
    for part in np.split(np.arange(len(times)), gaps):
        run: list[Stretch] = []
        for first in range(0, len(part), BLOCK):
            block = part[first : first + BLOCK]
            if len(block) >= FEWEST:
                run += _cut(times[block], volumes[block], weights[block])
        if run:
            runs.append(_joined(run))
    return runs


def _points(vessel: Vessel, series: Series) -> tuple[NDArray[np.int64], Floats, Floats]:
    """Return times in ns, volumes in m³, and weights: one over the square of each volume's scatter."""
    shape = vessel.geometry
    points = [_middle(list(part)) for _, part in groupby(_samples(series), lambda sample: sample[0] // POINT_NS)]
    times = np.array([t_ns for t_ns, _ in points], dtype=np.int64)
    levels = np.array([level_01mm for _, level_01mm in points], dtype=np.float64) / 10_000
    inside = np.clip(levels, shape.bottom_m, shape.top_m)  # a level rounded down may lie a hair under the lowest
    volumes = np.array([shape.volume_m3(float(at)) for at in inside])
    areas = np.array([shape.area_m2(float(at)) for at in inside])
    bends = np.abs(np.diff(levels, 2))
    # the scatter of single points, from how far each is off the middle of its neighbours; robust against real bends
    scatter_m = max(LEAST_SCATTER_M, 1.4826 * float(np.median(bends)) / 6**0.5 if len(bends) else 0.0)
    return times, volumes, 1 / (scatter_m * np.maximum(areas, 1e-3)) ** 2


def _samples(series: Series) -> Iterator[tuple[int, int]]:
    return zip(series.good_ns, series.level_01mm, strict=True)


def _middle(part: list[tuple[int, int]]) -> tuple[int, int]:
    """Return the median of times and the median of levels."""
    middle = len(part) // 2
    return part[middle][0], sorted(level_01mm for _, level_01mm in part)[middle]


def _cut(times: NDArray[np.int64], volumes: Floats, weights: Floats) -> list[Stretch]:
    """Return the straight pieces of one block."""
    count = len(times)
    t, v = (times - times[0]) / NS_PER_S, volumes - volumes.mean()
    sums = [np.concatenate(([0.0], np.cumsum(weights * term))) for term in (1.0, t, t * t, v, t * v, v * v)]
    best = np.full(count + 1, np.inf)
    best[0] = -CUT_PRICE
    came_from = np.zeros(count + 1, dtype=np.int64)
    for end in range(FEWEST, count + 1):
        starts = np.arange(0, end - FEWEST + 1)
        w, wt, wtt, wv, wtv, wvv = (each[end] - each[starts] for each in sums)
        sxx, sxy, syy = wtt - wt * wt / w, wtv - wt * wv / w, wvv - wv * wv / w
        costs = best[starts] + np.maximum(0.0, syy - sxy * sxy / sxx) + CUT_PRICE
        least = int(np.argmin(costs))
        best[end], came_from[end] = costs[least], least
    ends = [count]
    while ends[-1] > 0:
        ends.append(int(came_from[ends[-1]]))
    pieces = []
    for first, last in pairwise(reversed(ends)):
        w, wt, wtt, wv, wtv, _ = (each[last] - each[first] for each in sums)
        sxx = wtt - wt * wt / w
        flow = (wtv - wt * wv / w) / sxx
        start = (wv - flow * wt) / w + flow * t[first] + volumes.mean()
        begin_ns, end_ns = int(times[first]), int(times[last - 1])
        pieces.append(Stretch(begin_ns, end_ns, float(flow), WIDER * 2 / float(sxx) ** 0.5, float(start)))
    return pieces


def _joined(pieces: list[Stretch]) -> list[Stretch]:
    """Return pieces that touch each other, each cut where the lines on both its sides meet."""
    joined = [pieces[0]]
    for piece in pieces[1:]:
        before = joined[-1]
        at_ns = meeting_ns(before, piece)
        joined[-1] = replace(before, end_ns=at_ns)
        joined.append(replace(piece, start_ns=at_ns, volume_m3=piece.volume_at(at_ns)))
    joined[0] = replace(joined[0], begins_in=False)
    joined[-1] = replace(joined[-1], ends_in=False)
    return joined


def meeting_ns(before: Stretch, after: Stretch) -> int:
    """Return when the lines of two stretches meet, or the middle between them where that says nothing."""
    middle_ns = (before.end_ns + after.start_ns) // 2
    steeper = after.flow_m3_per_s - before.flow_m3_per_s
    if abs(steeper) <= before.flow_u_m3_per_s + after.flow_u_m3_per_s:
        return middle_ns
    off_s = (before.volume_at(middle_ns) - after.volume_at(middle_ns)) / steeper
    near = abs(off_s) * NS_PER_S <= 4 * POINT_NS
    return middle_ns + int(off_s * NS_PER_S) if near else middle_ns
