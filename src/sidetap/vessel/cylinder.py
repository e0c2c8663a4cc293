"""Round vessels, upright and lying. Closed forms; the derivations are school geometry and stand beside them."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sidetap.vessel.shape import Vessel


@dataclass(frozen=True, slots=True)
class VerticalCylinder(Vessel):
    """An upright cylinder with a flat bottom; the datum is its floor.

    A 120 in vessel holds 4895.9886 gal at 100 in (Dan Jones, "Calculating Tank Volume"):

    >>> round(VerticalCylinder(diameter_m=120 * 0.0254, height_m=100 * 0.0254).volume_m3(2.54) / 0.003785411784, 4)
    4895.9886
    """

    diameter_m: float
    height_m: float

    @property
    def top_m(self) -> float:
        """The height of the shell."""
        return self.height_m

    def _volume(self, level_m: float) -> float:
        return self._area(level_m) * level_m

    def _area(self, level_m: float) -> float:
        return math.pi * self.diameter_m**2 / 4


@dataclass(frozen=True, slots=True)
class HorizontalCylinder(Vessel):
    """A level, lying cylinder of length_m with two equal heads; the datum is its lowest line.

    The heads are half ellipsoids of head_depth_m along the axis: 0 is flat, a quarter of the diameter is the 2:1
    head. length_m is that of the straight part.

    A 108 in vessel, 156 in long, with ellipsoidal heads 42 in deep, holds 2380.9565 gal at 36 in (same source):

    >>> vessel = HorizontalCylinder(diameter_m=108 * 0.0254, length_m=156 * 0.0254, head_depth_m=42 * 0.0254)
    >>> round(vessel.volume_m3(36 * 0.0254) / 0.003785411784, 4)
    2380.9565
    """

    diameter_m: float
    length_m: float
    head_depth_m: float = 0.0

    @property
    def top_m(self) -> float:
        """The diameter."""
        return self.diameter_m

    def _volume(self, level_m: float) -> float:
        radius = self.diameter_m / 2
        # Half the angle that the surface cuts out of the circle. asin of the root keeps its digits near the floor,
        # where acos of a number near 1 loses them.
        half_angle = 2 * math.asin(math.sqrt(level_m / self.diameter_m))
        segment = radius**2 * (half_angle - math.sin(half_angle) * math.cos(half_angle))
        # Both heads together are an ellipsoid: the cap of a sphere, stretched along the axis by depth / radius.
        cap = math.pi * level_m**2 * (radius - level_m / 3)
        return segment * self.length_m + cap * self.head_depth_m / radius

    def _area(self, level_m: float) -> float:
        half_width_squared = level_m * (self.diameter_m - level_m)
        straight = 2 * math.sqrt(half_width_squared) * self.length_m
        return straight + math.pi * half_width_squared * self.head_depth_m / (self.diameter_m / 2)
