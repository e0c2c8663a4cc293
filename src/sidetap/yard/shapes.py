"""Shapes of vessels as the area of their horizontal section: volume by numerical integration. No formula of volume.

A shape is a stack of parts. In each part the height runs as a cosine, so that the root-like ends of round sections
are integrated as smoothly as a wall, and Simpson's rule adds the slices up. Lengths in m, areas in m², volumes in m³.
"""

import math
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass

_SLICES = 1500  # of a part: the error is far under 0.01 gal in every vessel of the yard

Area = Callable[[float], float]


@dataclass(frozen=True, slots=True)
class Part:
    """The part of a vessel between two levels; area_m2 takes the level above the vessel's datum."""

    bottom_m: float
    top_m: float
    area_m2: Area


class Shape:
    """Level to volume and back, for a stack of parts from the bottom up."""

    __slots__ = ("_levels_m", "_volumes_m3", "top_m")

    def __init__(self, *parts: Part) -> None:
        self._levels_m = [parts[0].bottom_m]
        self._volumes_m3 = [0.0]
        for part in parts:
            middle, half = (part.bottom_m + part.top_m) / 2, (part.top_m - part.bottom_m) / 2
            step = math.pi / _SLICES

            def slope(angle: float, part: Part = part, middle: float = middle, half: float = half) -> float:
                level = min(max(middle - half * math.cos(angle), part.bottom_m), part.top_m)
                return part.area_m2(level) * half * math.sin(angle)

            volume = self._volumes_m3[-1]
            for n in range(_SLICES):
                low, high = n * step, (n + 1) * step
                volume += (slope(low) + 4 * slope((low + high) / 2) + slope(high)) * step / 6
                self._volumes_m3.append(volume)
                self._levels_m.append(middle - half * math.cos(high))
        self.top_m = parts[-1].top_m

    @property
    def full_m3(self) -> float:
        """Volume up to the top."""
        return self._volumes_m3[-1]

    def volume_m3(self, level_m: float) -> float:
        """Return the volume below a level; below the bottom 0, above the top the full one."""
        return _between(self._levels_m, self._volumes_m3, level_m)

    def level_m(self, volume_m3: float) -> float:
        """Return the level that holds a volume; it stays between bottom and top."""
        return _between(self._volumes_m3, self._levels_m, volume_m3)


def _between(xs: list[float], ys: list[float], x: float) -> float:
    if x <= xs[0]:
        return ys[0]
    if x >= xs[-1]:
        return ys[-1]
    n = bisect_right(xs, x)
    share = (x - xs[n - 1]) / (xs[n] - xs[n - 1])
    return ys[n - 1] + share * (ys[n] - ys[n - 1])


def upright(diameter_m: float, height_m: float) -> Shape:
    """Return an upright round vessel with a flat bottom."""
    area = math.pi * diameter_m**2 / 4
    return Shape(Part(0, height_m, lambda _: area))


def box(length_m: float, width_m: float, height_m: float) -> Shape:
    """Return a box."""
    return Shape(Part(0, height_m, lambda _: length_m * width_m))


def cone_bottom(diameter_m: float, outlet_m: float, cone_m: float, straight_m: float) -> Shape:
    """Return an upright round vessel over a cone that narrows to its outlet; the level counts from the outlet."""

    def cone(level_m: float) -> float:
        return math.pi * (outlet_m + (diameter_m - outlet_m) * level_m / cone_m) ** 2 / 4

    return Shape(Part(0, cone_m, cone), Part(cone_m, cone_m + straight_m, lambda _: math.pi * diameter_m**2 / 4))


def lying_round(diameter_m: float, length_m: float) -> Shape:
    """Return a lying cylinder with 2:1 ellipsoidal heads; length_m is that of the cylinder between them.

    At half-width w both heads together are an ellipse with the half-axes w and w/2.
    """
    radius = diameter_m / 2

    def area(level_m: float) -> float:
        half_width = math.sqrt(max(radius**2 - (level_m - radius) ** 2, 0.0))
        return 2 * half_width * length_m + math.pi * half_width * half_width / 2

    return Shape(Part(0, diameter_m, area))


def lying_ellipse(width_m: float, height_m: float, length_m: float) -> Shape:
    """Return a lying vessel of elliptical section with flat ends."""

    def area(level_m: float) -> float:
        return width_m * length_m * math.sqrt(max(1 - (2 * level_m / height_m - 1) ** 2, 0.0))

    return Shape(Part(0, height_m, area))


def from_strapping(rows: list[tuple[float, float]], top_m: float) -> Shape:
    """Return a shape whose volume is linear between rows of (level, volume), from (0, 0) up and on to the top.

    A calibration says nothing outside its rows; the simulated vessel has to have some shape there as well.
    """

    def wall(area_m2: float) -> Area:
        return lambda _: area_m2

    parts: list[Part] = []
    below = (0.0, 0.0)
    slope = 0.0
    for level_m, volume_m3 in rows:
        slope = (volume_m3 - below[1]) / (level_m - below[0])
        parts.append(Part(below[0], level_m, wall(slope)))
        below = (level_m, volume_m3)
    parts.append(Part(below[0], top_m, wall(slope)))
    return Shape(*parts)
