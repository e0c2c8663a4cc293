"""Octets of the messages in a table of events, mended where a bit was, in RTU and ASCII alike."""

import numpy as np
from numpy.typing import NDArray

from sidetap.line import Columns, Mode
from sidetap.line.columns import NONE

Rows = NDArray[np.int64]

_FACTORS = np.random.default_rng(1).integers(1, 2**64, 600, dtype=np.uint64) | np.uint64(1)


class Octets:
    """Looks into the bytes of one table."""

    def __init__(self, columns: Columns) -> None:
        self._columns = columns
        self._data = columns.data
        bits = np.concatenate([b[b != NONE] for b in (columns.request_bit, columns.response_bit)])
        if len(bits):
            self._data = columns.data.copy()
            np.bitwise_xor.at(self._data, bits // 8, (1 << bits % 8).astype(np.uint8))

    def at(self, starts: Rows, place: int) -> NDArray[np.int32]:
        """Return the octet at a place (0: the address) of each message, given where it starts in data."""
        if self._columns.mode is Mode.RTU:
            return self._data[starts + place].astype(np.int32)
        high, low = (_digit(self._data[starts + 1 + 2 * place + n]) for n in (0, 1))
        return high << 4 | low

    def word(self, starts: Rows, place: int) -> NDArray[np.int32]:
        """Return the 16-bit number at a place of each message, high byte first."""
        return self.at(starts, place) << 8 | self.at(starts, place + 1)

    def size(self, octets: int) -> int:
        """Return how many bytes of data a message of so many octets (address and PDU) takes, check included."""
        return octets + 2 if self._columns.mode is Mode.RTU else 2 * octets + 5

    def marks(self, rows: Rows) -> NDArray[np.uint64]:
        """Return a number for the request of each row, the same for the same bytes only (but for 1 in 10^18)."""
        spans = self._columns.request[rows]
        lengths = spans[:, 1] - spans[:, 0]
        marks = np.empty(len(rows), dtype=np.uint64)
        for length in np.unique(lengths):
            own = np.flatnonzero(lengths == length)
            octets = self._data[spans[own, 0][:, None] + np.arange(length)].astype(np.uint64)
            marks[own] = (octets * _FACTORS[:length]).sum(axis=1, dtype=np.uint64) * _FACTORS[0] | np.uint64(1)
        return marks


def _digit(letter: NDArray[np.uint8]) -> NDArray[np.int32]:
    wide = letter.astype(np.int32)
    return np.where(wide > ord("9"), (wide & 0x4F) - 0x37, wide - ord("0"))
