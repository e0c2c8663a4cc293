"""Histograms of how series of whole numbers change, updated as they grow.

Portions of series in, counts out. A value that is no value (a fault code) is passed over: the next change counts from
the last good value before it. State is one row of numbers a series, however long it is.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidetap.survey.evidence.codelength import SYMBOLS, Floats, Ints, counted_bits, symbols, wrapped

Flags = NDArray[np.bool_]

_HOW = 1.0  # bits: whether changes are told, or changes of changes
_BURST = 8.0  # bits: that a series has faults at all


@dataclass(frozen=True, slots=True)
class Numbers:
    """Rows of series side by side [rows, series].

    codes: where a number is a code for "no value" if it lies further than `far` from the last value; none: where it
    is no value at all; None for nowhere. bits: width of unsigned numbers whose changes go the short way round.
    """

    values: Ints
    codes: Flags | None
    none: Flags | None
    far: int
    bits: int | None

    def apart(self, changes: Ints) -> Ints:
        """Return changes taken the short way round where there is one."""
        return changes if self.bits is None else wrapped(changes, self.bits)

    def faults(self, last: Ints, seen: Flags) -> Flags | None:
        """Return where there is no value; None for nowhere. last: the value before, where seen."""
        codes = self.codes if self.codes is not None and self.codes.any() else None
        none = self.none if self.none is not None and self.none.any() else None
        if codes is None:
            return none
        apart = codes if none is None else codes | none
        values, known = held(self.values, ~apart, last, seen)
        far = codes & ((np.abs(self.apart(self.values - values)) > self.far) | ~known)
        return far if none is None else far | none


class Tally:
    """Counts of many series side by side.

    alive: whether a series is still worth counting [series]; whoever gives the numbers says when not. faults: answers
    without a value. bursts: how often a series went from values to faults or back. odd: rows whose fault is no known
    code, as whoever gives the numbers says. wraps: changes whose short way round leads through the end of the range.
    """

    def __init__(self, series: int) -> None:
        self.alive = np.ones(series, dtype=np.bool_)
        self.faults = np.zeros(series, dtype=np.int64)
        self.bursts = np.zeros(series, dtype=np.int64)
        self.odd = np.zeros(series, dtype=np.int64)
        self.wraps = np.zeros(series, dtype=np.int64)
        self.changes = np.zeros((series, SYMBOLS), dtype=np.int64)
        self.bends = np.zeros((series, SYMBOLS), dtype=np.int64)
        self._seen = np.zeros(series, dtype=np.bool_)
        self._faulty = np.zeros(series, dtype=np.bool_)
        self._last = np.zeros(series, dtype=np.int64)
        self._change = np.zeros(series, dtype=np.int64)

    def add(self, which: Ints, read: "Numbers", weights: Ints) -> None:
        """Take in the next rows of some series; weights: how many answers each row stands for."""
        last, seen = self._last[which], self._seen[which]
        bad = read.faults(last, seen)
        if bad is None:
            self.bursts[which] += self._faulty[which]
            self._faulty[which] = False
            values = read.values
            seen = np.ones(len(which), dtype=np.bool_)
        else:
            values, known = held(read.values, ~bad, last, seen)
            self._note(which, bad, weights)
            seen = known[-1]
        first = np.where(self._seen[which], last, values[0])
        straight = np.diff(values, axis=0, prepend=first[None])
        change = read.apart(straight)
        if change is not straight:
            self.wraps[which] += (change != straight).sum(axis=0)
        bend = np.diff(change, axis=0, prepend=self._change[which][None])
        _count(self.changes, which, change)
        _count(self.bends, which, bend)
        self._last[which], self._seen[which], self._change[which] = values[-1], seen, change[-1]

    def stay(self, which: Ints, rows: int, answers: int) -> None:
        """Take in rows in which some series stay as they are."""
        self.changes[which, 0] += rows
        self.bends[which, symbols(-self._change[which])] += 1
        self.bends[which, 0] += rows - 1
        self._change[which] = 0
        self.repeat(which, answers)

    def repeat(self, which: Ints | slice, answers: int) -> None:
        """Take in answers that repeat the one before in all of the block."""
        self.faults[which] += answers * self._faulty[which]

    def _note(self, which: Ints, bad: Flags, weights: Ints) -> None:
        before = np.concatenate([self._faulty[which][None], bad[:-1]])
        self.bursts[which] += (bad != before).sum(axis=0)
        self.faults[which] += weights @ bad
        self._faulty[which] = bad[-1]

    def change_bits(self, rows: int) -> Floats:
        """Return what the changes of each series cost, faults included; rows: how many there were."""
        bits = np.minimum(counted_bits(self.changes), counted_bits(self.bends) + _HOW)
        faults = self.bursts * np.log2(rows + 1) + _BURST * (self.bursts > 0)
        return np.asarray(bits + faults, dtype=np.float64)


def held(numbers: Ints, good: Flags, last: Ints, seen: Flags) -> tuple[Ints, Flags]:
    """Return the numbers with the last good one in place of others, and where there is one already.

    Before the first good one of a series stands that one.
    """
    rows = np.arange(len(numbers))[:, None]
    place = np.maximum.accumulate(np.where(good, rows, -1), axis=0)
    start = np.where(seen, last, np.take_along_axis(numbers, good.argmax(axis=0)[None], axis=0)[0])
    held = np.where(place >= 0, np.take_along_axis(numbers, np.maximum(place, 0), axis=0), start)
    return held, (place >= 0) | seen


def _count(counts: Ints, which: Ints, values: Ints) -> None:
    own = symbols(values) + np.arange(len(which)) * SYMBOLS
    counts[which] += np.bincount(own.ravel(), minlength=len(which) * SYMBOLS).reshape(len(which), SYMBOLS)
