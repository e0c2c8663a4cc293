"""Many chunks of a line at once, as columns: what the offline runner takes. Chunks <-> arrays, nothing more."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidetap.line.chunk import GOOD, Chunk


@dataclass(frozen=True, slots=True, eq=False)
class Batch:
    """Consecutive chunks. data: their bytes, joined, uint8. ends: where each chunk ends in data, int64 [chunks].

    t_ns: when each chunk was delivered, int64 [chunks]; None where a recording has no times.
    flags: the letter of each byte as in `Chunk.flags`, uint8 [bytes]; None when all bytes are good.
    """

    data: NDArray[np.uint8]
    ends: NDArray[np.int64]
    t_ns: NDArray[np.int64] | None = None
    flags: NDArray[np.uint8] | None = None

    @classmethod
    def of(cls, chunks: Sequence[Chunk]) -> "Batch":
        """Return the batch of chunks; of a recording all of them have a time, or none."""
        data = np.frombuffer(b"".join(chunk.data for chunk in chunks), dtype=np.uint8)
        ends = np.cumsum([len(chunk.data) for chunk in chunks], dtype=np.int64)
        times = [chunk.t_ns for chunk in chunks if chunk.t_ns is not None]
        t_ns = np.array(times, dtype=np.int64) if times and len(times) == len(chunks) else None
        flags = None
        if any(chunk.flags is not None for chunk in chunks):
            letters = "".join(GOOD * len(chunk.data) if chunk.flags is None else chunk.flags for chunk in chunks)
            flags = np.frombuffer(letters.encode(), dtype=np.uint8)
        return cls(data, ends, t_ns, flags)

    def chunks(self) -> Iterator[Chunk]:
        """Yield the chunks, in order of arrival."""
        start = 0
        for place, end in enumerate(self.ends.tolist()):
            t_ns = None if self.t_ns is None else int(self.t_ns[place])
            letters = None if self.flags is None else self.flags[start:end].tobytes().decode()
            if letters is not None and not letters.strip(GOOD):
                letters = None
            yield Chunk(t_ns, self.data[start:end].tobytes(), letters)
            start = end
