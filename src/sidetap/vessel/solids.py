"""Vessels that are no cylinders with ends: lying elliptical sections, boxes, balls. Level 0 is their lowest point."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sidetap.vessel.circle import segment
from sidetap.vessel.shape import Vessel
from sidetap.vessel.sizes import require_size


@dataclass(frozen=True, slots=True)
class HorizontalEllipse(Vessel):
    """A lying vessel of elliptical section with flat ends.

    Half full it holds half of π/4 × width × height × length (school geometry):

    >>> vessel = HorizontalEllipse(width_m=2.4, height_m=1.5, length_m=5.0)
    >>> math.isclose(vessel.volume_m3(0.75), math.pi / 8 * 2.4 * 1.5 * 5.0)
    True
    """

    width_m: float
    height_m: float
    length_m: float

    def __post_init__(self) -> None:
        require_size("width_m", self.width_m)
        require_size("height_m", self.height_m)
        require_size("length_m", self.length_m)

    @property
    def top_m(self) -> float:
        """The height of the section."""
        return self.height_m

    def _volume(self, level_m: float) -> float:
        # a segment of a circle, stretched sideways
        half_angle = 2 * math.asin(math.sqrt(level_m / self.height_m))
        return self.width_m * self.height_m / 4 * segment(half_angle) * self.length_m

    def _area(self, level_m: float) -> float:
        return 2 * self.width_m / self.height_m * math.sqrt(level_m * (self.height_m - level_m)) * self.length_m


@dataclass(frozen=True, slots=True)
class Box(Vessel):
    """A box, one face level.

    >>> round(Box(length_m=6.0, width_m=4.0, height_m=2.5).volume_m3(0.4), 12)
    9.6
    """

    length_m: float
    width_m: float
    height_m: float

    def __post_init__(self) -> None:
        require_size("length_m", self.length_m)
        require_size("width_m", self.width_m)
        require_size("height_m", self.height_m)

    @property
    def top_m(self) -> float:
        """The height."""
        return self.height_m

    def _volume(self, level_m: float) -> float:
        return self._area(level_m) * level_m

    def _area(self, level_m: float) -> float:
        return self.length_m * self.width_m


@dataclass(frozen=True, slots=True)
class Sphere(Vessel):
    """A ball.

    Full, it is two thirds of the cylinder around it (Archimedes, On the Sphere and Cylinder, I 34, corollary):

    >>> math.isclose(Sphere(3.0).volume_m3(3.0), 2 / 3 * math.pi / 4 * 3.0**2 * 3.0)
    True
    """

    diameter_m: float

    def __post_init__(self) -> None:
        require_size("diameter_m", self.diameter_m)

    @property
    def top_m(self) -> float:
        """The diameter."""
        return self.diameter_m

    def _volume(self, level_m: float) -> float:
        return math.pi * level_m**2 * (self.diameter_m / 2 - level_m / 3)

    def _area(self, level_m: float) -> float:
        return math.pi * level_m * (self.diameter_m - level_m)
