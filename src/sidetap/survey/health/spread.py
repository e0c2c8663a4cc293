"""Durations as they come -> how they are spread, in memory that does not grow with their number."""

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_NS_PER_US = 1000
_DIGITS = 11  # binary: a class is at most 1/1024 of what is in it


@dataclass(frozen=True, slots=True)
class Spread:
    """Durations in classes. classes: from the shortest, (duration in µs, how many); good to 1 µs and 0.1 %."""

    classes: tuple[tuple[int, int], ...]

    @property
    def number(self) -> int:
        """How many durations."""
        return sum(number for _, number in self.classes)

    @property
    def mean_us(self) -> float | None:
        """Their mean; None of none."""
        number = self.number
        return sum(us * n for us, n in self.classes) / number if number else None

    def quantile_us(self, share: float) -> int | None:
        """Return the duration that this share of them does not exceed; None of none."""
        left = share * self.number
        for us, number in self.classes:
            left -= number
            if left <= 0:
                return us
        return None


class Spreading:
    """Gathers a `Spread`."""

    __slots__ = ("_counts",)

    def __init__(self) -> None:
        self._counts: Counter[int] = Counter()

    def add(self, durations_ns: NDArray[np.int64]) -> None:
        """Take durations in ns; they may be negative, where times of delivery make them so."""
        us = durations_ns // _NS_PER_US
        size = np.abs(us)
        spare = np.maximum(np.frexp(size.astype(np.float64))[1] - _DIGITS, 0)
        values, numbers = np.unique(np.sign(us) * (size >> spare << spare), return_counts=True)
        for value, number in zip(values.tolist(), numbers.tolist(), strict=True):
            self._counts[value] += number

    def spread(self) -> Spread:
        """Return what has been gathered."""
        return Spread(tuple(sorted(self._counts.items())))
