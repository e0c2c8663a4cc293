"""Levels by the million -> volumes, for histories. Apart from the rest, since it is the only part that needs numpy.

Any shape becomes, once, a table of polynomials made from its own volume_m3 and area_m2, so that a shape has one
formula and not two. The height is cut into equal cells; in each, the quintic through volume and area at both ends and
the middle stands for the shape. Where it misses (walls that close like a root, the rim of an end) the cell is cut
again, until it doesn't: a tree that is flat nearly everywhere and deep at a few levels. A miss is looked for where
such a polynomial errs most, and a tenth of what is promised makes a cell be cut. The promise: 1e-9 of the volume, or
1e-14 of the full vessel where that is more (the last drops). Bottom and top are exact. Strapping tables are linear
already; only their rows are found faster.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sidetap.vessel.compound import Shifted
from sidetap.vessel.shape import Side, Vessel
from sidetap.vessel.strapping import Strapping

Floats: TypeAlias = NDArray[np.float64]
_Point: TypeAlias = tuple[float, float]  # value and slope
SIDES: tuple[Side | None, ...] = (None, Side.BELOW, Side.ABOVE, Side.NOWHERE)
_BELOW, _ABOVE, _NOWHERE = 1, 2, 3

_CELLS = 512
_PARTS = 32  # of a cell that is cut again
_DEEPEST = 8
_MOST_CELLS = 30_000  # a stack of twenty lying cylinders needs 10,000
_MISS = 1e-10  # of the volume; a tenth of what is promised
_LAST_DROPS = 1e-15  # of the full vessel
_ERRS_MOST = 0.289  # from a cell's middle: there x² (x² - 1/4)², the error of such a quintic, is greatest
_LEAST_BUCKETS = 4096
_BLOCK = 1 << 14  # levels at a time, so that what is worked on stays near the processor


@dataclass(frozen=True, slots=True)
class Volumes:
    """The volumes of many levels: volume_m3 is NaN where side isn't 0, and only there; SIDES[side] says where."""

    volume_m3: Floats
    side: NDArray[np.int8]


def volumes(shape: Vessel, levels_m: ArrayLike) -> Volumes:
    """Return the volume at every level, in m above the datum, in the order they come in."""
    levels = np.asarray(levels_m, dtype=np.float64)
    flat, low, high, rule = levels.ravel(), shape.bottom_m, shape.top_m, _rule(shape)
    volume, side = np.empty(flat.shape), np.zeros(flat.shape, dtype=np.int8)
    for start in range(0, len(flat), _BLOCK):
        block = slice(start, start + _BLOCK)
        some = flat[block]
        inside = (some > low) & (some < high)
        if inside.all():
            volume[block] = rule(some)
            continue
        volume[block] = np.where(inside, rule(np.where(inside, some, (low + high) / 2)), np.nan)
        volume[block][some == low], volume[block][some == high] = shape.volume_m3(low), shape.volume_m3(high)
        side[block] = np.select((some < low, some > high, np.isnan(some)), (_BELOW, _ABOVE, _NOWHERE))
    return Volumes(volume.reshape(levels.shape), side.reshape(levels.shape))


def _rule(shape: Vessel) -> Callable[[Floats], Floats]:
    """Return what turns levels into volumes, all of them between bottom and top."""
    if isinstance(shape, Shifted):
        inner, datum, low, high = _rule(shape.shape), shape.datum_m, shape.shape.bottom_m, shape.shape.top_m
        return lambda levels: inner(np.minimum(np.maximum(levels + datum, low), high))  # sums are rounded
    if isinstance(shape, Strapping):
        return _Linear.of(np.array(shape._levels), np.array(shape._volumes)).volumes
    return _table(shape).volumes


@dataclass(frozen=True, slots=True)
class _Linear:
    """A strapping table, and for each of many equal buckets of its height the last row surely not above it."""

    row_levels: Floats
    row_volumes: Floats
    slopes: Floats
    next_levels: Floats  # nothing after the last but one: it goes on to the top
    buckets_per_m: float
    first: NDArray[np.intp]

    @staticmethod
    def of(xs: Floats, ys: Floats) -> _Linear:
        """Make the buckets of a table."""
        buckets = max(_LEAST_BUCKETS, 4 * len(xs))
        per_m = buckets / (xs[-1] - xs[0])
        edges = xs[0] + (np.arange(buckets + 1) - 1e-6) / per_m  # a little low, since which bucket is rounded
        first = np.clip(np.searchsorted(xs, edges, side="right") - 1, 0, len(xs) - 2)
        return _Linear(xs, ys, np.diff(ys) / np.diff(xs), np.append(xs[1:-1], np.inf), per_m, first)

    def volumes(self, levels: Floats) -> Floats:
        """Return the volumes of levels between first and last row: a step up or two, a search for the rest."""
        xs = self.row_levels
        row = self.first.take(((levels - xs[0]) * self.buckets_per_m).astype(np.intp))
        row += levels >= self.next_levels.take(row)
        above = np.flatnonzero(levels >= self.next_levels.take(row))
        row[above] += 1
        above = above[levels.take(above) >= self.next_levels.take(row.take(above))]
        row[above] = np.minimum(np.searchsorted(xs, levels.take(above), side="right") - 1, len(xs) - 2)
        volume: Floats = self.row_volumes.take(row)
        volume += self.slopes.take(row) * (levels - xs.take(row))
        return volume


@lru_cache(maxsize=64)
def _table(shape: Vessel) -> _Table:
    return _Table.of(shape)


@dataclass(frozen=True, slots=True)
class _Table:
    """Cells of polynomials: row k of coefficients belongs to the k-th power of the place in a cell, -1/2 to 1/2.

    first_part[cell] is the first of the _PARTS cells that stand for a cell that was cut again, -1 otherwise.
    """

    bottom_m: float
    cells_per_m: float
    coefficients: Floats
    first_part: NDArray[np.intp]

    @staticmethod
    def of(shape: Vessel) -> _Table:
        """Make the table of a shape."""
        low, high = shape.bottom_m, shape.top_m
        cell = (high - low) / _CELLS
        builder = _Builder(shape, shape.volume_m3(high), [], [])
        builder.row(low, cell, _CELLS, float("inf"), _DEEPEST)
        return _Table(low, 1 / cell, np.array(builder.coefficients).T.copy(), np.array(builder.first_part))

    def volumes(self, levels: Floats) -> Floats:
        """Return the volumes of levels between bottom and top."""
        place = (levels - self.bottom_m) * self.cells_per_m
        cell = np.minimum(place.astype(np.intp), _CELLS - 1)
        place -= cell
        self._settle(cell, place)
        place -= 0.5
        volume: Floats = self.coefficients[-1].take(cell)
        for row in self.coefficients[-2::-1]:
            volume *= place
            volume += row.take(cell)
        return volume

    def _settle(self, cell: NDArray[np.intp], place: Floats) -> None:
        """Change cells that were cut again, and the places 0 to 1 in them, into the parts that stand for them."""
        deeper = np.flatnonzero(self.first_part.take(cell) >= 0)
        if len(deeper):
            within = place.take(deeper)
            within *= _PARTS
            part = np.minimum(within.astype(np.intp), _PARTS - 1)
            within -= part
            part += self.first_part.take(cell.take(deeper))
            self._settle(part, within)
            cell[deeper], place[deeper] = part, within


@dataclass(frozen=True, slots=True)
class _Builder:
    """The cells of a table as they come to be."""

    shape: Vessel
    full_m3: float
    coefficients: list[tuple[float, ...]]
    first_part: list[int]

    def row(self, low: float, width: float, cells: int, parents_miss: float, depth: int) -> None:
        """Add cells of a width from a level upwards, and then the parts of those that miss."""
        start = len(self.coefficients)
        edge = self._at(low, width)
        missing: list[tuple[int, float]] = []
        for n in range(cells):
            middle, next_edge = self._at(low + (n + 0.5) * width, width), self._at(low + (n + 1) * width, width)
            fit = _quintic(edge, middle, next_edge)
            miss = max(
                abs(_value(fit, place) - self._at(low + (n + 0.5 + place) * width, width)[0])
                for place in (-_ERRS_MOST, _ERRS_MOST)
            )
            self.coefficients.append(fit)
            self.first_part.append(-1)
            allowed = max(_MISS * edge[0], _LAST_DROPS * self.full_m3)
            # what cutting does not help any more is the last digit's noise
            if miss > allowed and miss < parents_miss / 4:
                missing.append((n, miss))
            edge = next_edge
        if start > _MOST_CELLS:
            raise ArithmeticError(f"no polynomials follow {self.shape}: its area isn't the slope of its volume")
        if depth:
            for n, miss in missing:
                self.first_part[start + n] = len(self.coefficients)
                self.row(low + n * width, width / _PARTS, _PARTS, miss, depth - 1)

    def _at(self, level: float, width: float) -> _Point:
        """Return the volume at a level and what the area adds over a cell; edges are rounded, the top is the top."""
        level = min(level, self.shape.top_m)
        return self.shape.volume_m3(level), self.shape.area_m2(level) * width


def _quintic(left: _Point, middle: _Point, right: _Point) -> tuple[float, ...]:
    """Return the polynomial with these values and slopes at -1/2, 0, 1/2: its even and its odd half, each solved."""
    value, slope = middle
    even, even_slope = (right[0] + left[0]) / 2 - value, (right[1] - left[1]) / 2
    odd, odd_slope = (right[0] - left[0]) / 2, (right[1] + left[1]) / 2
    return (
        value,
        slope,
        8 * even - even_slope,
        20 * odd - 8 * slope - 2 * odd_slope,
        4 * even_slope - 16 * even,
        8 * odd_slope - 48 * odd + 16 * slope,
    )


def _value(coefficients: tuple[float, ...], place: float) -> float:
    total = 0.0
    for coefficient in reversed(coefficients):
        total = total * place + coefficient
    return total
