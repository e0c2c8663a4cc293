"""What is asked again and again on a line: polls, numbered in the order in which they first appear.

Rows of `Columns` in, the number of each one's poll out. Knows nothing about answers.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidetap.line import Columns
from sidetap.line.columns import NONE
from sidetap.line.rules import TABLE

Numbers = NDArray[np.int32]

_PLAIN_READS = (1, 2, 3, 4)  # their request is the poll and nothing else


@dataclass(frozen=True, slots=True)
class Poll:
    """The same request to the same device. table, register, count may be None."""

    device: int
    function: int
    table: str | None
    register: int | None
    count: int | None


class Polls:
    """All polls seen so far."""

    def __init__(self) -> None:
        self._keys = np.empty(0, dtype=np.int64)  # sorted
        self._numbers = np.empty(0, dtype=np.int32)
        self._polls: list[Poll] = []

    def __len__(self) -> int:
        return len(self._polls)

    def __getitem__(self, number: int) -> Poll:
        return self._polls[number]

    def all(self) -> tuple[Poll, ...]:
        """Return the polls by number."""
        return tuple(self._polls)

    def devices(self) -> NDArray[np.uint8]:
        """Return the device of each poll."""
        return np.array([poll.device for poll in self._polls], dtype=np.uint8)

    def number(self, columns: Columns, rows: NDArray[np.int64]) -> Numbers:
        """Return the number of each row's poll; new ones are numbered in order."""
        keys = key(columns.device[rows], columns.function[rows], columns.register[rows], columns.count[rows])
        numbers = self._known(keys)
        fresh = np.flatnonzero(numbers == NONE)
        if len(fresh):
            own, first = np.unique(keys[fresh], return_index=True)
            for place in np.sort(first):
                row = rows[fresh[place]]
                register, count = int(columns.register[row]), int(columns.count[row])
                function = int(columns.function[row])
                self._polls.append(
                    Poll(
                        int(columns.device[row]),
                        function,
                        None if register == NONE else TABLE[function],
                        None if register == NONE else register,
                        None if count == NONE else count,
                    )
                )
            rank = np.empty(len(own), dtype=np.int32)
            rank[np.argsort(first)] = np.arange(len(self._polls) - len(own), len(self._polls))
            all_keys = np.concatenate([self._keys, own])
            order = np.argsort(all_keys)
            self._keys, self._numbers = all_keys[order], np.concatenate([self._numbers, rank])[order]
            numbers = self._known(keys)
        return numbers

    def read(self, device: Numbers, function: Numbers, register: Numbers, count: Numbers) -> Numbers:
        """Return the number of the poll that reads so, NONE where none does."""
        numbers = self._known(key(device, function, register, count))
        return np.where(np.isin(function, _PLAIN_READS), numbers, NONE).astype(np.int32)

    def _known(self, keys: NDArray[np.int64]) -> Numbers:
        if not len(self._keys):
            return np.full(len(keys), NONE, dtype=np.int32)
        place = np.minimum(np.searchsorted(self._keys, keys), len(self._keys) - 1)
        return np.where(self._keys[place] == keys, self._numbers[place], NONE).astype(np.int32)


def key(device: Numbers, function: Numbers, register: Numbers, count: Numbers) -> NDArray[np.int64]:
    """Return one number for each request that stands for all four; register and count may be NONE."""
    packed = device.astype(np.int64) << 8 | function
    return packed << 34 | (register.astype(np.int64) - NONE) << 17 | (count.astype(np.int64) - NONE)
