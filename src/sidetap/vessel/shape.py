"""What every shape can do, and what it says about a level that is none of its own.

The shapes give formulas; the checks of the arguments are here, once.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from enum import StrEnum

_NEAR_M = 1e-10  # a Newton step as small as this is the last: it leaves an error of the order of its square


class Side(StrEnum):
    """Where a level or a volume outside a shape lies."""

    BELOW = "below"
    ABOVE = "above"
    NOWHERE = "nowhere"  # not a number


class OutOfShape(ValueError):
    """A level or a volume that the shape doesn't have; side tells where it lies."""

    def __init__(self, value: float, unit: str, low: float, high: float) -> None:
        self.side = Side.BELOW if value < low else Side.ABOVE if value > high else Side.NOWHERE
        super().__init__(f"{value} {unit} is outside {low}..{high} {unit}")


class Vessel(ABC):
    """A shape whose volume grows with every level between bottom_m and top_m, both included.

    All levels are in m above the vessel's datum, all volumes in m³. Outside bottom_m..top_m, and for NaN, every
    function raises OutOfShape.
    """

    __slots__ = ()

    @property
    def bottom_m(self) -> float:
        """The lowest level that has a volume."""
        return 0.0

    @property
    @abstractmethod
    def top_m(self) -> float:
        """The highest level that has a volume."""

    def volume_m3(self, level_m: float) -> float:
        """Return the volume up to level_m, in m³."""
        self._require(level_m, "m", self.bottom_m, self.top_m)
        return self._volume(level_m)

    def area_m2(self, level_m: float) -> float:
        """Return the area of the liquid's surface at level_m, in m²: the derivative of the volume."""
        self._require(level_m, "m", self.bottom_m, self.top_m)
        return self._area(level_m)

    def level_m(self, volume_m3: float) -> float:
        """Return the level at which the vessel holds volume_m3, in m: the inverse of ``volume_m3``.

        Good to 1e-9 m, except beside a place where the surface shrinks to nothing (a closing top, the rim under a
        bottom that bulges in): there the last digit of a volume is worth more than that.
        """
        low, high = self.bottom_m, self.top_m
        empty, full = self._volume(low), self._volume(high)
        self._require(volume_m3, "m3", empty, full)
        if volume_m3 in (empty, full):
            return low if volume_m3 == empty else high
        return self._level(volume_m3)

    @abstractmethod
    def _volume(self, level_m: float) -> float: ...

    @abstractmethod
    def _area(self, level_m: float) -> float: ...

    def _level(self, volume_m3: float) -> float:
        """Step by Newton's rule inside a bracket; halve it where a step would leave it or the steps don't shrink."""
        low, high = self.bottom_m, self.top_m
        level, step = (low + high) / 2, high - low
        while low < level < high:
            excess, area = self._volume(level) - volume_m3, self._area(level)
            if abs(excess) < _NEAR_M * area:
                return min(max(level - excess / area, low), high)
            if excess > 0:
                high = level
            else:
                low = level
            last, step = step, -excess / area if area else 0.0
            if not low < level + step < high or abs(step) > abs(last) / 2:
                step = (low + high) / 2 - level
            level += step
        return level

    @staticmethod
    def _require(value: float, unit: str, low: float, high: float) -> None:
        if not low <= value <= high:  # never so for NaN
            raise OutOfShape(value, unit, low, high)
