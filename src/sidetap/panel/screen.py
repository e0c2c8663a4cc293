"""A declared screen -> how many CSS pixels make a millimetre on it.

In: the diagonal from the site file ("15.6 in"). Out: the scale that every size of the page is written in, so that
"a key of 20 mm" is 20 mm on that screen. It can't know the screen that is really there: whoever mounts another one
declares it. The picture is taken to be 1920 × 1080 CSS pixels over the whole diagonal (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import hypot

from sidetap.quantity import Dimension, parse_quantity

WIDTH_PX = 1920
HEIGHT_PX = 1080


@dataclass(frozen=True, slots=True)
class Screen:
    """A 16:9 screen, by its diagonal in metres."""

    diagonal_m: Fraction

    @classmethod
    def parse(cls, text: str) -> Screen:
        """Return the screen of a diagonal with its unit, such as "15.6 in".

        Raises what `sidetap.quantity.parse_quantity` raises, and ValueError when the diagonal isn't positive.
        """
        diagonal_m = parse_quantity(text, Dimension.LENGTH)
        if diagonal_m <= 0:
            raise ValueError(f"a screen can't have a diagonal of {text}")
        return cls(diagonal_m)

    @property
    def px_per_mm(self) -> float:
        """CSS pixels per millimetre, along either side.

        >>> round(Screen.parse("15.6 in").px_per_mm, 4)
        5.5595
        """
        return hypot(WIDTH_PX, HEIGHT_PX) / float(self.diagonal_m * 1000)

    def stylesheet(self) -> str:
        """Return the stylesheet that hands the scale to the page: `calc(20 * var(--mm))` is 20 mm."""
        return f":root {{ --mm: {self.px_per_mm:.6f}px; }}\n"
