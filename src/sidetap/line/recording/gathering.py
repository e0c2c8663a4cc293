"""Chunks one by one, or many at once -> batches. What every scan puts its chunks into."""

from array import array

import numpy as np
from numpy.typing import NDArray

from sidetap.line.batch import Batch
from sidetap.line.chunk import GOOD, Chunk

_FULL_BYTES = 1 << 21
_FULL_CHUNKS = 1 << 17


class Gathering:
    """What was put in since the last ``take``. All chunks must have a time, or none."""

    def __init__(self) -> None:
        self._data = bytearray()
        self._ends = array("q")
        self._times = array("q")
        self._flags: bytearray | None = None

    @property
    def full(self) -> bool:
        """Whether there is enough for a batch."""
        return len(self._data) >= _FULL_BYTES or len(self._ends) >= _FULL_CHUNKS

    def __len__(self) -> int:
        return len(self._ends)

    def put(self, chunk: Chunk) -> None:
        """Put in a chunk."""
        if chunk.flags is not None:
            self._flag(chunk.flags.encode())
        elif self._flags is not None:
            self._flag(GOOD.encode() * len(chunk.data))
        self._data += chunk.data
        self._ends.append(len(self._data))
        if chunk.t_ns is not None:
            self._times.append(chunk.t_ns)

    def put_many(
        self,
        data: NDArray[np.uint8],
        ends: NDArray[np.int64],
        t_ns: NDArray[np.int64] | None,
        flags: NDArray[np.uint8] | None,
    ) -> None:
        """Put in many chunks, as in a `Batch`; the arrays are copied."""
        if flags is not None:
            self._flag(flags.tobytes())
        elif self._flags is not None:
            self._flag(GOOD.encode() * len(data))
        self._ends.frombytes((ends + len(self._data)).tobytes())
        self._data += data.data
        if t_ns is not None:
            self._times.frombytes(t_ns.tobytes())

    def take(self) -> Batch:
        """Return all that was put in, and be empty."""
        batch = Batch(
            np.frombuffer(self._data, dtype=np.uint8),
            np.frombuffer(self._ends, dtype=np.int64),
            np.frombuffer(self._times, dtype=np.int64) if self._times else None,
            None if self._flags is None else np.frombuffer(self._flags, dtype=np.uint8),
        )
        self.__init__()  # type: ignore[misc]  # empty again, as made
        return batch

    def _flag(self, letters: bytes) -> None:
        """Put in the letters of bytes that come next; all before without one were good."""
        if self._flags is None:
            self._flags = bytearray(GOOD.encode() * len(self._data))
        self._flags += letters
