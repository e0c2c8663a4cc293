"""A file's bytes in big pieces: what a scan looks at now, and where in the file that is. Looks into nothing.

A scan reads ``buffer[at:end]``, moves ``at`` on, and calls ``refill`` when what it needs is not all there.
"""

from io import FileIO

import numpy as np

PIECE = 1 << 22  # bytes read at once
LARGE = 1 << 22  # bytes of file, from which on loading compiled code is quicker than reading without it


class Window:
    """The part of a file that is in memory.

    file: at its start. size: no byte after it is read, however the file grows meanwhile: two passes see the same.
    longest: a whole item of the file (a row, a block) of so many bytes fits.
    """

    def __init__(self, file: FileIO, size: int, longest: int) -> None:
        self.large = size >= LARGE
        self.buffer = bytearray(min(size, longest + PIECE))
        self.octets = np.frombuffer(self.buffer, dtype=np.uint8)
        self.at = 0
        self.end = 0
        self._file = file
        self._left = size
        self._start = 0

    @property
    def offset(self) -> int:
        """Where in the file ``at`` is."""
        return self._start + self.at

    def refill(self) -> bool:
        """Drop what lies before ``at``, which becomes 0, and read on; False at the end of the file."""
        view = memoryview(self.buffer)
        kept = self.end - self.at
        view[:kept] = view[self.at : self.end]
        self._start, self.at, self.end = self.offset, 0, kept
        got = self._file.readinto(view[kept : kept + min(self._left, PIECE)])
        self._left = self._left - got if got else 0
        self.end += got
        return got > 0

    def holds(self, count: int) -> bool:
        """Whether so many bytes follow ``at``, read on if need be; count must not be over ``longest``."""
        while self.end - self.at < count:
            if not self.refill():
                return False
        return True
