"""Round vessels, upright and lying, with any ends. The circle's share is here, the ends' share in their heads."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from sidetap.vessel.circle import segment
from sidetap.vessel.ends import FLAT, End, fit
from sidetap.vessel.heads import Head
from sidetap.vessel.shape import Vessel
from sidetap.vessel.sizes import ImpossibleSize, metres, require_size


@dataclass(frozen=True, slots=True)
class VerticalCylinder(Vessel):
    """An upright cylinder; height_m is that of the straight shell.

    Level 0 is the lowest point that liquid reaches: the tip or outlet of a bottom that points down, the rim of one
    that bulges in. The top is the highest: the tip of a top that points up, else the upper rim.

    A 120 in vessel holds 4895.9886 gal at 100 in, one of 132 in over a cone of 33 in 250.6746 gal at 24 in (Dan
    Jones, "Calculating Tank Volume"):

    >>> from sidetap.vessel import Cone
    >>> inch, gallon = 0.0254, 0.003785411784
    >>> round(VerticalCylinder(120 * inch, 100 * inch).volume_m3(100 * inch) / gallon, 4)
    4895.9886
    >>> round(VerticalCylinder(132 * inch, 100 * inch, Cone(33 * inch)).volume_m3(24 * inch) / gallon, 4)
    250.6746
    """

    diameter_m: float
    height_m: float
    bottom: End = FLAT
    top: End = FLAT
    _below: Head = field(init=False, repr=False, compare=False)
    _above: Head = field(init=False, repr=False, compare=False)
    _shell_m: float = field(init=False, repr=False, compare=False)  # level of the lower rim
    _top_m: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        require_size("diameter_m", self.diameter_m)
        require_size("height_m", self.height_m, zero=True)
        below = fit(self.bottom, "bottom", self.diameter_m / 2)
        above = fit(self.top, "top", self.diameter_m / 2)
        shell = 0.0 if self.bottom.inward else below.depth_m
        # fsum: 0.6 m + 6 m + 0.6 m are 7.2 m, and not one rounding less
        top = math.fsum((shell, self.height_m, 0.0 if self.top.inward else above.depth_m))
        inside = (below.depth_m if self.bottom.inward else 0.0) + (above.depth_m if self.top.inward else 0.0)
        if inside > self.height_m:
            raise ImpossibleSize(
                "height_m",
                f"ends that reach {metres(inside)} into the vessel don't fit a shell of {metres(self.height_m)}",
                "Turn an end outward, or correct its depth or the shell's height.",
            )
        if top == 0:
            raise ImpossibleSize("height_m", "a shell without height between flat ends", "Give the shell's height.")
        for name, value in (("_below", below), ("_above", above), ("_shell_m", shell), ("_top_m", top)):
            object.__setattr__(self, name, value)

    @property
    def top_m(self) -> float:
        """The highest point."""
        return self._top_m

    def _volume(self, level_m: float) -> float:
        below, above, circle = self._below, self._above, math.pi * self.diameter_m**2 / 4
        if level_m < self._shell_m:
            return below.from_tip_m3(level_m)
        in_shell = min(level_m - self._shell_m, self.height_m)
        if not self.bottom.inward:
            volume = below.full_m3 + circle * in_shell
        elif in_shell < below.depth_m:
            volume = below.beside_m3(in_shell)
        else:
            volume = below.beside_m3(below.depth_m) + circle * (in_shell - below.depth_m)
        if self.top.inward:
            reach = in_shell - (self.height_m - above.depth_m)
            return volume - above.from_tip_m3(min(reach, above.depth_m)) if reach > 0 else volume
        over = level_m - self._shell_m - self.height_m
        if over > 0:
            over = min(over, above.depth_m)
            volume += circle * over - above.beside_m3(over)
        return volume

    def _area(self, level_m: float) -> float:
        below, above, circle = self._below, self._above, math.pi * self.diameter_m**2 / 4
        if level_m < self._shell_m:
            return below.disc_m2(level_m)
        over = level_m - self._shell_m - self.height_m
        if over > 0 and not self.top.inward:
            return above.disc_m2(max(above.depth_m - over, 0.0))
        area, in_shell = circle, min(level_m - self._shell_m, self.height_m)
        if self.bottom.inward and in_shell < below.depth_m:
            area -= below.disc_m2(below.depth_m - in_shell)
        reach = in_shell - (self.height_m - above.depth_m)
        if self.top.inward and reach > 0:
            area -= above.disc_m2(min(reach, above.depth_m))
        return area


@dataclass(frozen=True, slots=True)
class HorizontalCylinder(Vessel):
    """A level, lying cylinder with two equal heads; length_m is that of the straight part, level 0 its lowest line.

    A 108 in vessel, 156 in long, with ellipsoidal heads 42 in deep, holds 2380.9565 gal at 36 in (Dan Jones,
    "Calculating Tank Volume"):

    >>> from sidetap.vessel import Ellipsoidal
    >>> inch = 0.0254
    >>> vessel = HorizontalCylinder(108 * inch, 156 * inch, Ellipsoidal(42 * inch))
    >>> round(vessel.volume_m3(36 * inch) / 0.003785411784, 4)
    2380.9565
    """

    diameter_m: float
    length_m: float
    heads: End = FLAT
    _head: Head = field(init=False, repr=False, compare=False)
    _full_m3: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        require_size("diameter_m", self.diameter_m)
        require_size("length_m", self.length_m)
        head = fit(self.heads, "heads", self.diameter_m / 2)
        if self.heads.inward and 2 * head.depth_m > self.length_m:
            raise ImpossibleSize(
                "length_m",
                f"two heads that each reach {metres(head.depth_m)} into the vessel don't fit {metres(self.length_m)}",
                "Turn the heads outward, or correct their depth or the straight length.",
            )
        both = -2 * head.full_m3 if self.heads.inward else 2 * head.full_m3
        object.__setattr__(self, "_head", head)
        object.__setattr__(self, "_full_m3", math.pi * self.diameter_m**2 / 4 * self.length_m + both)

    @property
    def top_m(self) -> float:
        """The diameter."""
        return self.diameter_m

    def _volume(self, level_m: float) -> float:
        empty = self.diameter_m - level_m
        return self._lower(level_m) if level_m < empty else self._full_m3 - self._lower(empty)

    def _lower(self, height_m: float) -> float:
        """Return the volume up to a height that is at most the axis."""
        half_angle = 2 * math.asin(math.sqrt(height_m / self.diameter_m))
        straight = self.diameter_m**2 / 4 * segment(half_angle) * self.length_m
        both = 2 * self._head.below_m3(height_m)
        # max: within the last digit, near the lowest line, two nothings may differ either way
        return max(straight - both if self.heads.inward else straight + both, 0.0)

    def _area(self, level_m: float) -> float:
        height = min(level_m, self.diameter_m - level_m)
        straight = 2 * math.sqrt(height * (self.diameter_m - height)) * self.length_m
        both = 2 * self._head.section_m2(height)
        return straight - both if self.heads.inward else straight + both
