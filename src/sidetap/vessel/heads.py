"""Ends fitted to a cylinder: bodies of revolution on a circle of radius_m, and how much of them lies where.

An upright vessel asks by distance along the axis: from the tip (or outlet) towards the rim, or beside the body,
between it and the cylinder that it bulges into. A lying vessel asks by the height above the lowest point of the
circle, up to the axis only: a body is the same above its axis as below. The caller keeps arguments in their range.
Lengths in m, areas in m², volumes in m³.

All of these are integrals in closed form, worked by hand. ``torisphere.py`` has the one body that needs a quadrature.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass

from sidetap.vessel.circle import segment


class Head(ABC):
    """One end on its circle; depth_m along the axis."""

    __slots__ = ()
    radius_m: float
    depth_m: float

    @property
    def full_m3(self) -> float:
        """All of the body."""
        return self.from_tip_m3(self.depth_m)

    @abstractmethod
    def from_tip_m3(self, distance_m: float) -> float:
        """Return the volume of the body between its tip and distance_m from it, at most depth_m."""

    @abstractmethod
    def beside_m3(self, distance_m: float) -> float:
        """Return the volume around the body, inside the cylinder, between the rim and distance_m from it."""

    @abstractmethod
    def disc_m2(self, distance_m: float) -> float:
        """Return the area across the axis at distance_m from the tip: the derivative of from_tip_m3."""

    @abstractmethod
    def below_m3(self, height_m: float) -> float:
        """Return the volume of the lying body up to height_m, at most radius_m."""

    @abstractmethod
    def section_m2(self, height_m: float) -> float:
        """Return the level area through the lying body at height_m: the derivative of below_m3."""


@dataclass(frozen=True, slots=True)
class FlatHead(Head):
    """No body at all."""

    radius_m: float
    depth_m: float = 0.0

    def from_tip_m3(self, distance_m: float) -> float:
        """Return nothing."""
        return 0.0

    def beside_m3(self, distance_m: float) -> float:
        """Return nothing."""
        return 0.0

    def disc_m2(self, distance_m: float) -> float:
        """Return the circle."""
        return math.pi * self.radius_m**2

    def below_m3(self, height_m: float) -> float:
        """Return nothing."""
        return 0.0

    def section_m2(self, height_m: float) -> float:
        """Return nothing."""
        return 0.0


@dataclass(frozen=True, slots=True)
class ConeHead(Head):
    """A cone, cut off where it is outlet_m in radius."""

    radius_m: float
    depth_m: float
    outlet_m: float

    def from_tip_m3(self, distance_m: float) -> float:
        """Integrate π (outlet + slope t)²."""
        t, slope = distance_m, (self.radius_m - self.outlet_m) / self.depth_m
        return math.pi * t * (self.outlet_m**2 + self.outlet_m * slope * t + slope**2 * t**2 / 3)

    def beside_m3(self, distance_m: float) -> float:
        """Integrate π (radius² - (radius - slope x)²)."""
        x, slope = distance_m, (self.radius_m - self.outlet_m) / self.depth_m
        return math.pi * slope * x**2 * (self.radius_m - slope * x / 3)

    def disc_m2(self, distance_m: float) -> float:
        """Return a circle that grows evenly."""
        return math.pi * (self.outlet_m + (self.radius_m - self.outlet_m) * distance_m / self.depth_m) ** 2

    def below_m3(self, height_m: float) -> float:
        """Return what the pointed cone holds, less what its missing tip would."""
        slope = self.depth_m / (self.radius_m - self.outlet_m)
        volume = _cone_below_m3(self.radius_m, slope, height_m)
        inner = height_m - (self.radius_m - self.outlet_m)
        return volume - _cone_below_m3(self.outlet_m, slope, inner) if inner > 0 else volume

    def section_m2(self, height_m: float) -> float:
        """Return the same of the areas, each bounded by a hyperbola."""
        slope = self.depth_m / (self.radius_m - self.outlet_m)
        area = _cone_section_m2(self.radius_m, slope, height_m)
        inner = height_m - (self.radius_m - self.outlet_m)
        return area - _cone_section_m2(self.outlet_m, slope, inner) if inner > 0 else area


def _cone_below_m3(radius: float, slope: float, height: float) -> float:
    """Return what a lying pointed cone, slope deep per radius, holds up to a height below its axis.

    The integral over circles across the axis, each a segment: with u = radius - height and w the half-width,
    slope/3 × (radius³ acos(u / radius) - 2 radius u w + u³ arsinh(w / u)).
    """
    u, w = _from_axis(radius, height)
    cube = u**3  # before u itself it becomes zero, where arsinh has no value
    tail = cube * math.asinh(w / u) if cube else 0.0
    return slope / 3 * (radius**3 * math.atan2(w, u) - 2 * radius * u * w + tail)


def _cone_section_m2(radius: float, slope: float, height: float) -> float:
    u, w = _from_axis(radius, height)
    square = u**2
    return slope * (radius * w - (square * math.asinh(w / u) if square else 0.0))


@dataclass(frozen=True, slots=True)
class EllipsoidHead(Head):
    """Half an ellipsoid: a half ball, stretched along the axis."""

    radius_m: float
    depth_m: float

    def from_tip_m3(self, distance_m: float) -> float:
        """Return a cap of the ball, stretched."""
        t = distance_m / self.depth_m
        return math.pi * self.radius_m**2 * self.depth_m * t**2 * (1 - t / 3)

    def beside_m3(self, distance_m: float) -> float:
        """Integrate π radius² (x / depth)²."""
        return math.pi * self.radius_m**2 * self.depth_m * (distance_m / self.depth_m) ** 3 / 3

    def disc_m2(self, distance_m: float) -> float:
        """Return a circle of the ball."""
        t = distance_m / self.depth_m
        return math.pi * self.radius_m**2 * t * (2 - t)

    def below_m3(self, height_m: float) -> float:
        """Return half a cap of the ball, stretched sideways."""
        return math.pi / 2 * self.depth_m / self.radius_m * height_m**2 * (self.radius_m - height_m / 3)

    def section_m2(self, height_m: float) -> float:
        """Return half an ellipse."""
        return math.pi / 2 * self.depth_m / self.radius_m * height_m * (2 * self.radius_m - height_m)


@dataclass(frozen=True, slots=True)
class CapHead(Head):
    """A cap of a ball, at most half of it."""

    radius_m: float
    depth_m: float

    @property
    def ball_m(self) -> float:
        """The radius of the ball."""
        return (self.radius_m**2 / self.depth_m + self.depth_m) / 2

    def from_tip_m3(self, distance_m: float) -> float:
        """Return a smaller cap."""
        return math.pi * distance_m**2 * (self.ball_m - distance_m / 3)

    def beside_m3(self, distance_m: float) -> float:
        """Integrate π (radius² - r²), r² = ball² - (ball - depth + x)²."""
        return math.pi * distance_m**2 * (self.ball_m - self.depth_m + distance_m / 3)

    def disc_m2(self, distance_m: float) -> float:
        """Return a circle of the ball."""
        return math.pi * distance_m * (2 * self.ball_m - distance_m)

    def below_m3(self, height_m: float) -> float:
        """Integrate section_m2 by parts, arranged so that little cancels even in a shallow cap.

        u is the distance from the axis, w the half-width there, d that of the circle from the ball's centre.
        """
        ball, a = self.ball_m, self.depth_m
        d = ball - a
        u, w = _from_axis(self.radius_m, height_m)
        return (
            a**2 * (2 * ball + d) / 3 * math.atan2(w, u)
            + 2 / 3 * (d * u * w + ball**3 * math.atan2(u * w * a, ball * w**2 + d * u**2))
            - u * (ball**2 - u**2 / 3) * math.atan2(w, d)
        )

    def section_m2(self, height_m: float) -> float:
        """Return a segment of the circle in which the level cuts the ball."""
        d = self.ball_m - self.depth_m
        _, w = _from_axis(self.radius_m, height_m)
        return (d**2 + w**2) * segment(math.atan2(w, d))


def _from_axis(radius: float, height: float) -> tuple[float, float]:
    """Return how far below the axis a height is, and the half-width of the circle there."""
    return radius - height, math.sqrt(height * (2 * radius - height))
