"""Shapes made of shapes: parts on top of each other, and a datum that is not the lowest point."""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass, field
from itertools import accumulate

from sidetap.vessel.shape import Vessel
from sidetap.vessel.sizes import MOST_M, ImpossibleSize, metres


@dataclass(frozen=True, slots=True)
class Stack(Vessel):
    """Parts from below upwards, each part's lowest point on the top of the one under it; level 0 is the lowest point.

    Where two parts meet, area_m2 is that of the upper one.

    >>> from sidetap.vessel import Box
    >>> Stack((Box(1.0, 1.0, 2.0), Box(3.0, 1.0, 1.0))).volume_m3(2.5)
    3.5
    """

    parts: tuple[Vessel, ...]
    _floors_m: tuple[float, ...] = field(init=False, repr=False, compare=False)  # the level where each part begins
    _under_m3: tuple[float, ...] = field(init=False, repr=False, compare=False)  # the volume there

    def __post_init__(self) -> None:
        if not self.parts:
            raise ImpossibleSize("parts", "a stack without parts", "Name at least one part.")
        for n, part in enumerate(self.parts):
            if part.volume_m3(part.bottom_m) != 0:
                raise ImpossibleSize(
                    f"parts.{n}",
                    "a table that begins with liquid below it can't be a part of a stack",
                    "Use the table for the whole vessel, or shapes for all parts.",
                )
        heights = [part.top_m - part.bottom_m for part in self.parts]
        full = (part.volume_m3(part.top_m) for part in self.parts)
        floors = tuple(math.fsum(heights[:n]) for n in range(len(heights) + 1))
        object.__setattr__(self, "_floors_m", floors)
        object.__setattr__(self, "_under_m3", tuple(accumulate(full, initial=0.0)))

    @property
    def top_m(self) -> float:
        """The top of the uppermost part."""
        return self._floors_m[-1]

    def _volume(self, level_m: float) -> float:
        n, within = self._part(level_m)
        return self._under_m3[n] + self.parts[n]._volume(within)

    def _area(self, level_m: float) -> float:
        n, within = self._part(level_m)
        return self.parts[n]._area(within)

    def _part(self, level_m: float) -> tuple[int, float]:
        """Return the part in which a level lies, and the level in that part's own count."""
        n = min(bisect_right(self._floors_m, level_m), len(self.parts)) - 1
        part = self.parts[n]
        # min: sums of heights are rounded, and a part has no level above its own top
        return n, min(part.bottom_m + (level_m - self._floors_m[n]), part.top_m)


@dataclass(frozen=True, slots=True)
class Shifted(Vessel):
    """A shape whose levels count from a datum datum_m above its own level 0; below the datum levels are negative.

    The volume is still all that lies below the level, what lies below the datum included. For a table, datum_m says
    how far above the table's zero the datum lies.

    >>> from sidetap.vessel import Box
    >>> pit = Shifted(Box(2.0, 1.0, 3.0), datum_m=0.5)
    >>> pit.bottom_m, pit.volume_m3(0.0), pit.top_m
    (-0.5, 1.0, 2.5)
    """

    shape: Vessel
    datum_m: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.datum_m) and abs(self.datum_m) <= MOST_M):
            raise ImpossibleSize("datum_m", f"{metres(self.datum_m)} is no place for a datum", "Measure it again.")
        if self.datum_m >= self.shape.top_m:
            raise ImpossibleSize(
                "datum_m",
                f"a datum {metres(self.datum_m)} up is not below the top, {metres(self.shape.top_m)}",
                "Measure the datum from the lowest point of the shape.",
            )

    @property
    def bottom_m(self) -> float:
        """The shape's lowest level."""
        return self.shape.bottom_m - self.datum_m

    @property
    def top_m(self) -> float:
        """The shape's highest level."""
        return self.shape.top_m - self.datum_m

    def _volume(self, level_m: float) -> float:
        return self.shape._volume(self._own(level_m))

    def _area(self, level_m: float) -> float:
        return self.shape._area(self._own(level_m))

    def _own(self, level_m: float) -> float:
        """Return the level in the shape's own count; sums are rounded, and the shape ends where it ends."""
        return min(max(level_m + self.datum_m, self.shape.bottom_m), self.shape.top_m)
