"""Rows -> which poll each belongs to, found once for all who count by poll."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidetap.line import Columns

PollKey = tuple[int, int, int, int]
"""Device, function, register, count; `sidetap.line.columns.NONE` where a function has none."""

Rows = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class ByPoll:
    """The polls among some rows, and of each its rows in order."""

    keys: tuple[PollKey, ...]
    rows: tuple[Rows, ...]


def by_poll(columns: Columns, rows: Rows) -> ByPoll:
    """Sort rows by poll."""
    if not len(rows):
        return ByPoll((), ())
    parts = (columns.device, columns.function, columns.register, columns.count)
    device, function, register, count = (part[rows].astype(np.int64) + 1 for part in parts)
    packed = device << 48 | function << 36 | register << 18 | count
    order = np.argsort(packed, kind="stable")
    found, starts = np.unique(packed[order], return_index=True)
    return ByPoll(tuple(_unpacked(n) for n in found.tolist()), tuple(np.split(rows[order], starts[1:])))


def _unpacked(key: int) -> PollKey:
    return ((key >> 48) - 1, (key >> 36 & 0xFFF) - 1, (key >> 18 & 0x3FFFF) - 1, (key & 0x3FFFF) - 1)
