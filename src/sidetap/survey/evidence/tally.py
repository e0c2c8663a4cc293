"""Histograms of how series of whole numbers change, updated as they grow.

Portions of series in, counts out. A value that is no value (a fault code) is passed over: the next change counts from
the last good value before it. State is one row of numbers a series, however long it is.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidetap.survey.evidence.codelength import (
    SYMBOLS,
    Floats,
    Ints,
    binary_entropy,
    bit_length,
    counted_bits,
    symbols,
    wrapped,
)

Flags = NDArray[np.bool_]

_HOW = 1.0  # bits: whether changes are told, or changes of changes
_GREATEST = np.iinfo(np.int64).max
_COARSE = 4.0  # bits: how coarse the changes are
_STRAY = 24.0  # bits: a fault that turns into another one
_BURST = 8.0  # bits: that a series has faults at all


@dataclass(frozen=True, slots=True)
class Numbers:
    """Rows of series side by side [rows, series].

    codes: where a number is a code for "no value" if it lies further than `far` from the last value; none: where it
    is no value at all; None for nowhere. bits: width of unsigned numbers whose changes go the short way round. finer:
    bits of each value that its number leaves out, and the value itself; None where numbers leave out nothing.
    """

    values: Ints
    codes: Flags | None
    none: Flags | None
    far: int
    bits: int | None
    finer: tuple[Ints, Ints] | None = None

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
    without a value. bursts: how often a series went from values to faults or back; stray: from one fault to another.
    odd: rows whose fault is no known code, as whoever gives the numbers says. wraps: changes whose short way round
    leads through the end of the range. finer: bits that the numbers of changes leave out; hidden: changes that they
    leave out wholly. first, least, most: of the values; signed_least, signed_most: of them taken as signed; all where
    `seen`.
    """

    def __init__(self, series: int) -> None:
        self.alive = np.ones(series, dtype=np.bool_)
        self.faults = np.zeros(series, dtype=np.int64)
        self.bursts = np.zeros(series, dtype=np.int64)
        self.stray = np.zeros(series, dtype=np.int64)
        self.odd = np.zeros(series, dtype=np.int64)
        self.wraps = np.zeros(series, dtype=np.int64)
        self.changes = np.zeros((series, SYMBOLS), dtype=np.int64)
        self.bends = np.zeros((series, SYMBOLS), dtype=np.int64)
        self.finer = np.zeros(series, dtype=np.int64)
        self.hidden = np.zeros(series, dtype=np.int64)
        self.first = np.zeros(series, dtype=np.int64)
        self.least, self.signed_least = (np.full(series, _GREATEST) for _ in range(2))
        self.most, self.signed_most = (np.full(series, -_GREATEST) for _ in range(2))
        self.seen = np.zeros(series, dtype=np.bool_)
        self._faulty = np.zeros(series, dtype=np.bool_)
        self._last = np.zeros(series, dtype=np.int64)
        self._whole = np.zeros(series, dtype=np.int64)
        self._raw = np.zeros(series, dtype=np.int64)
        self._change = np.zeros(series, dtype=np.int64)
        self._used = np.zeros(series, dtype=np.int64)

    def add(self, which: Ints, read: "Numbers", weights: Ints) -> None:
        """Take in the next rows of some series; weights: how many answers each row stands for."""
        last, seen = self._last[which], self.seen[which]
        bad = read.faults(last, seen)
        if bad is None:
            self.bursts[which] += self._faulty[which]
            self._faulty[which] = False
            values = read.values
            seen = np.ones(len(which), dtype=np.bool_)
        else:
            values, known = held(read.values, ~bad, last, seen)
            self._note(which, read.values, bad, weights)
            seen = known[-1]
        first = np.where(self.seen[which], last, values[0])
        straight = np.diff(values, axis=0, prepend=first[None])
        change = read.apart(straight)
        if change is not straight:
            self.wraps[which] += (change != straight).sum(axis=0)
        self._used[which] |= np.bitwise_or.reduce(change, axis=0)
        bend = np.diff(change, axis=0, prepend=self._change[which][None])
        _count(self.changes, which, change)
        _count(self.bends, which, bend)
        if read.finer is not None:
            left_out, whole = read.finer
            moved = np.diff(whole, axis=0, prepend=self._whole[which][None]) != 0
            self.finer[which] += np.where(moved, left_out, 0).sum(axis=0)
            self.hidden[which] += (moved & (change == 0)).sum(axis=0)
            self._whole[which] = whole[-1]
        self.first[which] = np.where(self.seen[which], self.first[which], first)
        self._note_ends(which[seen], values[:, seen], read.bits)
        self._last[which], self.seen[which], self._change[which] = values[-1], seen, change[-1]
        self._raw[which] = read.values[-1]

    def _note_ends(self, which: Ints, values: Ints, bits: int | None) -> None:
        least, most = values.min(axis=0), values.max(axis=0)
        self.least[which] = np.minimum(self.least[which], least)
        self.most[which] = np.maximum(self.most[which], most)
        if bits is not None:
            signed = wrapped(values, bits)
            least, most = signed.min(axis=0), signed.max(axis=0)
        self.signed_least[which] = np.minimum(self.signed_least[which], least)
        self.signed_most[which] = np.maximum(self.signed_most[which], most)

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

    def _note(self, which: Ints, numbers: Ints, bad: Flags, weights: Ints) -> None:
        before = np.concatenate([self._faulty[which][None], bad[:-1]])
        moved = np.diff(numbers, axis=0, prepend=self._raw[which][None]) != 0
        self.stray[which] += (bad & before & moved).sum(axis=0)
        self.bursts[which] += (bad != before).sum(axis=0)
        self.faults[which] += weights @ bad
        self._faulty[which] = bad[-1]

    def change_bits(self, rows: int, *, in_steps: bool = False) -> Floats:
        """Return what the changes of each series cost, faults included; rows: how many there were.

        in_steps: zeros at the end of every change alike are told once, as a converter's steps leave them in floats.
        Faults that come in several series at once have one cause, and each of them pays its share.
        """
        coarse = coarseness(self._used) if in_steps else np.zeros(len(self._used), dtype=np.int64)
        by_change = counted_bits(self.changes) - coarse * self.changes[:, 1:].sum(axis=1)
        by_bend = counted_bits(self.bends) - coarse * self.bends[:, 1:].sum(axis=1)
        bits = np.minimum(by_change, by_bend + _HOW) + _COARSE * (coarse > 0)
        hidden = binary_entropy(self.hidden, self.changes[:, 0]) + self.finer
        return np.asarray(bits + self._fault_bits(rows) + hidden, dtype=np.float64)

    def _fault_bits(self, rows: int) -> Floats:
        _, group, together = np.unique(
            np.column_stack([self.bursts, self.faults]), axis=0, return_inverse=True, return_counts=True
        )
        bits: Floats = self.bursts * np.log2(rows + 1) / together[group.reshape(-1)] + _BURST * (self.bursts > 0)
        return bits + _STRAY * self.stray


def coarseness(used: Ints) -> Ints:
    """Return how many zeros end every number whose bits were put together; 0 where there was none but 0."""
    lowest = used & -used
    return np.where(used == 0, 0, bit_length(lowest) - 1)


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
