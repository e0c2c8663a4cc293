"""The segment of a circle, to the last digits also where it is a sliver."""

import math

_SMALL = 0.5  # rad; below it the difference loses digits, and the series has them all by its seventh term


def segment(half_angle: float) -> float:
    """Return the area of the segment of the unit circle that spans 2 × half_angle [rad], 0 to π: a - sin a cos a.

    Half the circle, and a sliver of 2/3 a³ (both follow from the definition):

    >>> segment(math.pi / 2) == math.pi / 2
    True
    >>> round(segment(1e-6) * 1e18, 9)
    0.666666667
    """
    if half_angle > _SMALL:
        return half_angle - math.sin(half_angle) * math.cos(half_angle)
    square = 4 * half_angle * half_angle
    series = 1.0  # of x - sin x, x = 2a: every term is the one before × -x² / (n (n + 1))
    for n in (16, 14, 12, 10, 8, 6, 4):
        series = 1 - square / (n * (n + 1)) * series
    return half_angle**3 * (2 / 3) * series
