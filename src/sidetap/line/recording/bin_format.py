"""Recordings as bare bytes: no times, no settings, no flags; nothing in them can be torn."""

from collections.abc import Iterator
from typing import BinaryIO

from sidetap.line.chunk import Chunk
from sidetap.line.recording.model import Format
from sidetap.line.settings import Settings

_PIECE = 1 << 16  # bytes


class _Scan:
    def __init__(self, file: BinaryIO, place: str) -> None:
        self.settings: Settings | None = None
        self.truncated = False
        self._file = file

    def __iter__(self) -> Iterator[Chunk]:
        while data := self._file.read(_PIECE):
            yield Chunk(None, data)


BIN = Format("bin", ".bin", (), _Scan)
