"""Counts over time, for records of any length: times and lanes in, a table [lanes, spans of time] out.

How it works. Spans begin at whole multiples of their width, and the width is the smallest of a ladder whose spans
cover the record with no more than `MOST_SPANS`. Each width divides the next, so when the record outgrows one, its
spans are folded together, and the table is the same however the record came in.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidetap.quantity import NS_PER_S

MOST_SPANS = 1500
_LADDER_S = (1, 5, 15, 60, 300, 900, 3600, 21_600, 86_400)

Table = NDArray[np.int64]


def _width_ns(step: int) -> int:
    beyond = max(0, step - len(_LADDER_S) + 1)
    return _LADDER_S[min(step, len(_LADDER_S) - 1)] * (1 << 2 * beyond) * NS_PER_S


@dataclass(frozen=True, slots=True)
class Spans:
    """Spans of time in a row: the first one begins at start_ns, each lasts width_ns."""

    start_ns: int
    width_ns: int
    number: int

    @property
    def first(self) -> int:
        """The first one's place, counted from time 0; a start itself may lie beyond what 64 bits hold."""
        return self.start_ns // self.width_ns


class Calendar:
    """The time a record covers so far."""

    def __init__(self) -> None:
        self._low_ns: int | None = None
        self._high_ns = 0
        self._step = 0

    def cover(self, t_ns: NDArray[np.int64]) -> None:
        """Take in times, in any order."""
        if not len(t_ns):
            return
        low, high = int(t_ns.min()), int(t_ns.max())
        self._low_ns, self._high_ns = (
            (low, high) if self._low_ns is None else (min(low, self._low_ns), max(high, self._high_ns))
        )
        while self.spans().number > MOST_SPANS:
            self._step += 1

    @property
    def ends_ns(self) -> tuple[int, int] | None:
        """The earliest and the latest time; None without any."""
        return None if self._low_ns is None else (self._low_ns, self._high_ns)

    def spans(self) -> Spans:
        """Return the spans that cover the record."""
        width = _width_ns(self._step)
        if self._low_ns is None:
            return Spans(0, width, 0)
        first = self._low_ns // width
        return Spans(first * width, width, self._high_ns // width - first + 1)


class Tally:
    """Counts by lane and time. A lane is added when it is first counted in."""

    def __init__(self, calendar: Calendar) -> None:
        self._calendar = calendar
        self._spans = calendar.spans()
        self._table: Table = np.zeros((0, 0), dtype=np.int64)

    def add(
        self, lanes: NDArray[np.int64], t_ns: NDArray[np.int64], weights: NDArray[np.int64] | None = None
    ) -> None:
        """Count each item (or its weight) in its lane, at its time, which the calendar covers."""
        if not len(lanes):
            return
        self._fit(int(lanes.max()) + 1)
        column = t_ns // self._spans.width_ns - self._spans.first
        self._table += _summed(lanes * self._spans.number + column, weights, len(self._table), self._spans.number)

    def table(self, lanes: int) -> Table:
        """Return the counts of so many lanes, by the calendar's spans."""
        self._fit(lanes)
        return self._table[:lanes].copy()

    def _fit(self, lanes: int) -> None:
        spans, own = self._calendar.spans(), self._spans
        rows = max(lanes, len(self._table))
        if spans == own and rows == len(self._table):
            return
        table = np.zeros((rows, spans.number), dtype=np.int64)
        if self._table.size:
            column = (own.first + np.arange(own.number)) // (spans.width_ns // own.width_ns) - spans.first
            places = np.arange(len(self._table))[:, None] * spans.number + column
            table = _summed(places.ravel(), self._table.ravel(), rows, spans.number)
        self._table, self._spans = table, spans


def _summed(places: NDArray[np.int64], weights: NDArray[np.int64] | None, rows: int, columns: int) -> Table:
    """Return the sums of weights (or how many there are) by place in a table; exact below 2**53."""
    sums = np.bincount(places, weights, minlength=rows * columns)
    return sums.astype(np.int64).reshape(rows, columns)
