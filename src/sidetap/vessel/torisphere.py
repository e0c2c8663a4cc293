"""The torispherical end: a crown, a cap of a large ball, on a knuckle that runs into the cylinder without an edge.

The knuckle's profile is a circle of knuckle_m whose centre runs on a ring in the plane of the rim; where it meets the
crown, both centres and the meeting point lie on one line. Upright, everything is closed. Lying, the crown is closed
and the knuckle is the sum of its circles across the axis, each cut to a segment by the level.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from sidetap.vessel.circle import segment
from sidetap.vessel.heads import CapHead, Head
from sidetap.vessel.quadrature import integral


@dataclass(frozen=True, slots=True)
class TorisphereHead(Head):
    """crown: the cap on the circle where the knuckle ends. turn: the angle [rad] from there to the rim."""

    radius_m: float
    depth_m: float
    knuckle_m: float
    turn: float
    crown: CapHead

    @staticmethod
    def of(radius_m: float, crown_m: float, knuckle_m: float) -> TorisphereHead:
        """Return the head on a circle of radius_m, knuckle_m < radius_m <= crown_m."""
        ring = radius_m - knuckle_m
        between = crown_m - knuckle_m  # the distance of the two centres
        depth = crown_m - math.sqrt((between - ring) * (between + ring))
        turn = math.acos(ring / between)
        crown = CapHead(ring + knuckle_m * math.cos(turn), depth - knuckle_m * math.sin(turn))
        return TorisphereHead(radius_m, depth, knuckle_m, turn, crown)

    def from_tip_m3(self, distance_m: float) -> float:
        """Return the crown, then the knuckle."""
        if distance_m <= self.crown.depth_m:
            return self.crown.from_tip_m3(distance_m)
        knuckle = self._knuckle_m3(self.depth_m - self.crown.depth_m) - self._knuckle_m3(self.depth_m - distance_m)
        return self.crown.full_m3 + knuckle

    def beside_m3(self, distance_m: float) -> float:
        """Return the cylinder less the body."""
        around = math.pi * self.radius_m**2 * distance_m
        if distance_m <= self.depth_m - self.crown.depth_m:
            return max(around - self._knuckle_m3(distance_m), 0.0)  # near the rim both are the same to the last digit
        return around - self.full_m3 + self.crown.from_tip_m3(self.depth_m - distance_m)

    def disc_m2(self, distance_m: float) -> float:
        """Return a circle of the crown or of the knuckle."""
        if distance_m <= self.crown.depth_m:
            return self.crown.disc_m2(distance_m)
        from_rim = self.depth_m - distance_m
        return math.pi * (self.radius_m - self.knuckle_m + math.sqrt(self.knuckle_m**2 - from_rim**2)) ** 2

    def _knuckle_m3(self, x: float) -> float:
        """Integrate π (ring + √(knuckle² - x²))² from the rim to x."""
        k, ring = self.knuckle_m, self.radius_m - self.knuckle_m
        root = math.sqrt(k**2 - x**2)
        return math.pi * ((ring**2 + k**2) * x - x**3 / 3 + ring * (x * root + k**2 * math.asin(x / k)))

    def below_m3(self, height_m: float) -> float:
        """Add the knuckle's segments, and the crown where the level reaches it."""
        u = self.radius_m - height_m
        volume = self._along_knuckle(height_m, lambda r, half: r**2 * segment(math.atan2(half, u)))
        in_crown = height_m - (self.radius_m - self.crown.radius_m)
        return volume + self.crown.below_m3(in_crown) if in_crown > 0 else volume

    def section_m2(self, height_m: float) -> float:
        """Add the knuckle's chords, and the crown where the level reaches it."""
        area = self._along_knuckle(height_m, lambda _, half: 2 * half)
        in_crown = height_m - (self.radius_m - self.crown.radius_m)
        return area + self.crown.section_m2(in_crown) if in_crown > 0 else area

    def _along_knuckle(self, height_m: float, of: Callable[[float, float], float]) -> float:
        """Integrate along the axis what a circle of radius r, cut to a chord of 2 × half, gives.

        Circles are named by the angle a that the knuckle has turned since the rim: r = ring + knuckle cos a. The
        level touches the one at ``last``, where chords end like a root; a = last × sin b makes that smooth.
        """
        k, u = self.knuckle_m, self.radius_m - height_m
        last = 2 * math.asin(math.sqrt(min(height_m / (2 * k), 1.0)))
        if last == 0:
            return 0.0

        def slope(b: float) -> float:
            a = last * math.sin(b)
            drop = 2 * k * math.sin(a / 2) ** 2
            r = self.radius_m - drop
            half = math.sqrt(max((height_m - drop) * (r + u), 0.0))
            return of(r, half) * k * math.cos(a) * last * math.cos(b)

        return integral(slope, 0.0, math.asin(min(self.turn / last, 1.0)))
