"""Times and amounts -> places on an axis. Times count from the record's start."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor, log10

from sidetap.quantity import NS_PER_S
from sidetap.survey.words import elapsed

_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10_800, 21_600, 43_200)
_DAY_S = 86_400
_MOST_TICKS = 9


@dataclass(frozen=True, slots=True)
class TimeAxis:
    """The record's time, from start_ns on its clock, over so many px from left on."""

    start_ns: int
    end_ns: int
    left: float
    width: float

    def x(self, t_ns: int) -> float:
        """Return the place of a time."""
        return self.left + (t_ns - self.start_ns) / max(self.end_ns - self.start_ns, 1) * self.width

    def ticks(self, most: int = _MOST_TICKS) -> list[tuple[float, str]]:
        """Return places and words of about so many ticks at most."""
        length_s = (self.end_ns - self.start_ns) / NS_PER_S
        steps = [*_STEPS_S, *(_DAY_S * 2**n for n in range(30))]
        step = next((s for s in steps if length_s / s <= most), steps[-1])
        return [
            (self.x(self.start_ns + n * step * NS_PER_S), elapsed(n * step)) for n in range(int(length_s // step) + 1)
        ]


def round_numbers(low: float, high: float, most: int) -> Sequence[float]:
    """Return the round numbers from low to high, about so many: multiples of 1, 2 or 5 times a power of ten.

    >>> round_numbers(-4.6, 31, 5)
    (0, 10, 20, 30)
    """
    least = (high - low) / most
    power = 10.0 ** floor(log10(least)) if least > 0 else 1.0
    step = next(power * digit for digit in (1, 2, 5, 10) if power * digit >= least)
    return tuple(n * step if step < 1 else round(n * step) for n in range(ceil(low / step), floor(high / step) + 1))
