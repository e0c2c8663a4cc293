"""Recordings as bare bytes: no times, no settings, no flags; nothing in them can be torn."""

from collections.abc import Iterator
from io import FileIO

import numpy as np

from sidetap.line.batch import Batch
from sidetap.line.recording.model import Format
from sidetap.line.settings import Settings

_PIECE = 1 << 22  # bytes in a batch
_CHUNK = 1 << 16  # bytes; where a chunk ends means nothing here


class _Scan:
    def __init__(self, file: FileIO, size: int, place: str) -> None:
        self.settings: Settings | None = None
        self.truncated = False
        self._file = file
        self._size = size

    def __iter__(self) -> Iterator[Batch]:
        left = self._size
        while len(data := np.fromfile(self._file, dtype=np.uint8, count=min(left, _PIECE))):
            left -= len(data)
            yield Batch(data, np.append(np.arange(_CHUNK, len(data), _CHUNK, dtype=np.int64), len(data)))


BIN = Format("bin", ".bin", (), _Scan)
