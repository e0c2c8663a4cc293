"""The ends of cylinders as an engineer names them; fitted to a cylinder's radius they become a ``Head``.

Every end may be turned inward, so that it bulges into the vessel: a cone-up floor is ``Cone(depth, inward=True)``.
An end by itself refuses sizes that fit no cylinder, ``fitted`` those that don't fit this one.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass

from sidetap.vessel.heads import CapHead, ConeHead, EllipsoidHead, FlatHead, Head
from sidetap.vessel.sizes import ImpossibleSize, metres, require_size
from sidetap.vessel.torisphere import TorisphereHead


class End(ABC):
    """What closes a cylinder; inward: bulging into the vessel instead of out of it."""

    __slots__ = ()
    inward: bool

    @abstractmethod
    def fitted(self, radius_m: float) -> Head:
        """Return the end on a cylinder of radius_m; ImpossibleSize when it doesn't fit."""


@dataclass(frozen=True, slots=True)
class Flat(End):
    """A plate across the cylinder."""

    inward: bool = False

    def fitted(self, radius_m: float) -> Head:
        """Return the plate."""
        return FlatHead(radius_m)


FLAT = Flat()


@dataclass(frozen=True, slots=True)
class Cone(End):
    """A cone of depth_m along the axis, cut off by a plate or an outlet of outlet_diameter_m; 0 is a point."""

    depth_m: float
    outlet_diameter_m: float = 0.0
    inward: bool = False

    def __post_init__(self) -> None:
        require_size("depth_m", self.depth_m)
        require_size("outlet_diameter_m", self.outlet_diameter_m, zero=True)

    def fitted(self, radius_m: float) -> Head:
        """Return the cone; its outlet must be narrower than the cylinder."""
        if 2 * radius_m - self.outlet_diameter_m < 0.001 * radius_m:
            raise ImpossibleSize(
                "outlet_diameter_m",
                f"an outlet of {metres(self.outlet_diameter_m)} in a cylinder of {metres(2 * radius_m)}"
                " leaves no cone",
                "An outlet is narrower than its vessel; an end without a cone is flat.",
            )
        return ConeHead(radius_m, self.depth_m, self.outlet_diameter_m / 2)


@dataclass(frozen=True, slots=True)
class Dished(End):
    """A dish: the cap of a ball, depth_m deep, with an edge where it meets the cylinder."""

    depth_m: float
    inward: bool = False

    def __post_init__(self) -> None:
        require_size("depth_m", self.depth_m)

    def fitted(self, radius_m: float) -> Head:
        """Return the dish; it is at most half a ball deep."""
        if self.depth_m > radius_m:
            raise ImpossibleSize(
                "depth_m",
                f"a dish of {metres(self.depth_m)} is deeper than half a ball on this cylinder, {metres(radius_m)}",
                "What is deeper than hemispherical is ellipsoidal.",
            )
        return CapHead(radius_m, self.depth_m)


@dataclass(frozen=True, slots=True)
class Ellipsoidal(End):
    """Half an ellipsoid, depth_m deep; a quarter of the diameter is the 2:1 end."""

    depth_m: float
    inward: bool = False

    def __post_init__(self) -> None:
        require_size("depth_m", self.depth_m)

    def fitted(self, radius_m: float) -> Head:
        """Return the end; any depth fits."""
        return EllipsoidHead(radius_m, self.depth_m)


@dataclass(frozen=True, slots=True)
class Torispherical(End):
    """A crown, the cap of a ball of crown_radius_m, on a knuckle of knuckle_radius_m; both measured inside.

    Its depth follows from both and the cylinder: ``fitted(radius_m).depth_m``.
    """

    crown_radius_m: float
    knuckle_radius_m: float
    inward: bool = False

    def __post_init__(self) -> None:
        require_size("crown_radius_m", self.crown_radius_m)
        require_size("knuckle_radius_m", self.knuckle_radius_m)

    def fitted(self, radius_m: float) -> Head:
        """Return the end; the knuckle is smaller than the cylinder's radius, the crown's radius at least as large."""
        if self.knuckle_radius_m >= radius_m:
            raise ImpossibleSize(
                "knuckle_radius_m",
                f"a knuckle of {metres(self.knuckle_radius_m)} is not smaller than the cylinder's radius,"
                f" {metres(radius_m)}",
                "A knuckle as large as that is hemispherical.",
            )
        if self.crown_radius_m < radius_m:
            raise ImpossibleSize(
                "crown_radius_m",
                f"a crown of {metres(self.crown_radius_m)} is smaller than the cylinder's radius, {metres(radius_m)}",
                "A crown's radius is commonly 0.8 to 1 times the diameter.",
            )
        return TorisphereHead.of(radius_m, self.crown_radius_m, self.knuckle_radius_m)


@dataclass(frozen=True, slots=True)
class Hemispherical(End):
    """Half a ball of the cylinder's radius."""

    inward: bool = False

    def fitted(self, radius_m: float) -> Head:
        """Return the half ball."""
        return EllipsoidHead(radius_m, radius_m)


def fit(end: End, field: str, radius_m: float) -> Head:
    """Return the fitted end of the shape that has it in field, to which a refusal points."""
    try:
        return end.fitted(radius_m)
    except ImpossibleSize as refusal:
        raise refusal.inside(field) from None
