"""Delivered bytes -> flags, load and how well times tell: what can be said before any frame is known.

How it works. Batches come as they were delivered. A flag tells a wrong setting by which bytes it falls on: a parity
bit follows from its byte, so what a wrongly set receiver stumbles over is, for a wrong parity, all bytes or exactly
those with an even (or an odd) number of ones. That is why flags are counted by that number.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidetap.line import Batch
from sidetap.line.chunk import BREAK, FRAMING, GOOD, PARITY
from sidetap.survey.health.calendar import Calendar, Table, Tally
from sidetap.survey.health.reread import Sample
from sidetap.survey.health.spread import Spread, Spreading

LETTERS = GOOD + PARITY + FRAMING + BREAK
_BYTES, _FLAGGED = 0, 1
_SAMPLE_BYTES = 4096
_ONES_ODD = np.array([value.bit_count() & 1 for value in range(256)], dtype=np.int64)
_LETTER = np.zeros(256, dtype=np.int64)
for _place, _letter in enumerate(LETTERS):
    _LETTER[ord(_letter)] = _place


@dataclass(frozen=True, slots=True)
class Signal:
    """The line below its frames.

    flags: [letter of LETTERS][1 if the byte has an odd number of ones], bytes; None where the record has no flags.
    values: how often each byte value came. sample: the first bytes. deliveries: from one chunk to the next.
    bytes_over_time, flagged_over_time: by the spans of the calendar.
    """

    bytes: int
    flags: tuple[tuple[int, int], ...] | None
    values: tuple[int, ...]
    sample: Sample
    deliveries: Spread
    bytes_over_time: Table
    flagged_over_time: Table

    def rate(self, letters: str) -> float | None:
        """Return the share of bytes that carry one of the flags; None where the record has no flags."""
        if self.flags is None or not self.bytes:
            return None
        return sum(sum(self.flags[LETTERS.index(letter)]) for letter in letters) / self.bytes


class Listening:
    """Gathers a `Signal`, and keeps flags until it is known which frame they fell on."""

    def __init__(self, calendar: Calendar) -> None:
        self._calendar = calendar
        self._over_time = Tally(calendar)
        self._flagged = False
        self._bad = np.zeros((len(LETTERS), 2), dtype=np.int64)  # by letter, and by whether the ones are odd
        self._values = np.zeros(256, dtype=np.int64)
        self._sample = bytearray()
        self._letters = bytearray()
        self._deliveries = Spreading()
        self._last_ns: int | None = None
        self._heard = 0
        self._pending: list[NDArray[np.int64]] = []  # places of flagged bytes, from the record's start
        self._taken = 0

    def hear(self, batch: Batch) -> None:
        """Take the next chunks of the line."""
        data, flags = batch.data, batch.flags
        self._values += np.bincount(data, minlength=256)
        room = _SAMPLE_BYTES - len(self._sample)
        if room > 0:
            self._sample += data[:room].tobytes()
            self._letters += GOOD.encode() * len(data[:room]) if flags is None else flags[:room].tobytes()
        bad = np.empty(0, dtype=np.int64)
        if flags is not None:
            self._flagged = True
            bad = np.flatnonzero(flags != ord(GOOD))
            kinds = 2 * _LETTER[flags[bad]] + _ONES_ODD[data[bad]]
            self._bad += np.bincount(kinds, minlength=2 * len(LETTERS)).reshape(-1, 2)
            self._pending.append(self._heard + bad)
        self._heard += len(data)
        if batch.t_ns is not None and len(batch.t_ns):
            self._times(batch.t_ns, np.diff(batch.ends, prepend=0), np.searchsorted(batch.ends, bad, side="right"))

    def _times(self, t_ns: NDArray[np.int64], sizes: NDArray[np.int64], bad_chunks: NDArray[np.int64]) -> None:
        self._calendar.cover(t_ns)
        self._over_time.add(np.full(len(t_ns), _BYTES), t_ns, sizes)
        self._over_time.add(np.full(len(bad_chunks), _FLAGGED), t_ns[bad_chunks])
        before = np.array([] if self._last_ns is None else [self._last_ns], dtype=np.int64)
        gaps = np.diff(np.concatenate([before, t_ns]))
        self._deliveries.add(gaps[gaps > 0])
        self._last_ns = int(t_ns[-1])

    def flagged(self, count: int) -> NDArray[np.int64]:
        """Return which of the next so many bytes of the line carry a flag; each byte is asked for once."""
        start, self._taken = self._taken, self._taken + count
        if not self._pending:
            return np.empty(0, dtype=np.int64)
        places = np.concatenate(self._pending)
        cut = int(np.searchsorted(places, self._taken))
        self._pending = [places[cut:]] if cut < len(places) else []
        return places[:cut] - start

    def signal(self) -> Signal:
        """Return what has been gathered."""
        over_time = self._over_time.table(2)
        flags = self._bad.copy()
        odd = int(self._values[_ONES_ODD == 1].sum())
        flags[0] = np.array([self._heard - odd, odd]) - self._bad.sum(axis=0)
        return Signal(
            self._heard,
            tuple((int(even), int(odd)) for even, odd in flags) if self._flagged else None,
            tuple(self._values.tolist()),
            Sample(bytes(self._sample), self._letters.decode() if self._flagged else None),
            self._deliveries.spread(),
            over_time[_BYTES],
            over_time[_FLAGGED],
        )
