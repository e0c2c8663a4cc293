"""Rows by the number of the group they belong to: their order, where each group lies, and the median of each."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

_SLAB = 1 << 18  # rows worked on at once, so that what is made of them stays small beside the table

Places = NDArray[np.integer]


def by_number(numbers: NDArray[np.integer]) -> Places:
    """Return the places of rows in order of their group's number (0 or more); within a group the order stays."""
    few = len(numbers) == 0 or int(numbers.max()) < 1 << 16
    # numpy sorts 16-bit numbers by counting: ten times as fast
    order = np.argsort(numbers.astype(np.uint16) if few else numbers, kind="stable")
    return order.astype(np.int32)  # half the memory; no table has more rows


def bounds(ordered: NDArray[np.integer], groups: int) -> Places:
    """Return where each of so many groups starts among ordered numbers, and where the last one ends."""
    return np.asarray(np.searchsorted(ordered, np.arange(groups + 1)), dtype=np.int64)


def slabs(numbers: NDArray[np.integer], groups: int) -> Iterator[Places]:
    """Yield the places of rows group by group, as `by_number` has them, some groups at once and each in one slab."""
    order = by_number(numbers)
    ends = bounds(numbers[order], groups)
    start = 0
    for group in range(1, groups + 1):
        if ends[group] - start >= _SLAB or (group == groups and ends[group] > start):
            yield order[start : ends[group]]
            start = int(ends[group])


def medians(
    values: NDArray[np.float64], ordered: NDArray[np.integer], groups: int, fewest: int
) -> NDArray[np.float64]:
    """Return the median of each group's values, given their groups in order; NaN for fewer than so many values."""
    found = np.full(groups, np.nan)
    ends = bounds(ordered, groups)
    for group in np.flatnonzero(np.diff(ends) >= max(fewest, 1)).tolist():
        found[group] = np.median(values[ends[group] : ends[group + 1]])
    return found
