"""What every format gives: a scan over the chunks of a file, and the recording made of it."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import BinaryIO, Protocol

from sidetap.line.batch import Batch
from sidetap.line.chunk import Chunk
from sidetap.line.settings import Settings

_CHUNKS_AT_ONCE = 65_536


class Scan(Protocol):
    """One pass over a file. ``settings`` and ``truncated`` are final when the iteration has ended.

    settings: what the file says it was made with; truncated: its last block or row is torn.
    """

    settings: Settings | None
    truncated: bool

    def __iter__(self) -> Iterator[Chunk]:
        """Yield the chunks; BadInput where the file can't be read."""
        ...


@dataclass(frozen=True, slots=True)
class Format:
    """A recording format: how its files begin (content) and are called (suffix), and how one is scanned."""

    name: str
    suffix: str
    begins: tuple[bytes, ...]
    scan: Callable[[BinaryIO, str], Scan]


@dataclass(frozen=True, slots=True)
class ClockStep:
    """Times that ran backwards: the chunk of that number (from 0) came, by its time, before the one before it."""

    chunk: int
    before_ns: int
    after_ns: int


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording that was read through once and found good.

    clock_stepped: the first STEPS_KEPT of them. byte_count: bytes of the line, not of the file.
    """

    path: Path
    format: str
    settings: Settings | None
    truncated: bool
    clock_stepped: tuple[ClockStep, ...]
    chunk_count: int
    byte_count: int
    opener: Callable[[], Iterator[Chunk]]

    @property
    def chunks(self) -> Iterator[Chunk]:
        """A new pass over the chunks, in order of arrival; the file is read again, so memory stays small."""
        return self.opener()

    @property
    def batches(self) -> Iterator[Batch]:
        """A new pass over the chunks, many at once, in order of arrival."""
        chunks = self.opener()
        while taken := list(islice(chunks, _CHUNKS_AT_ONCE)):
            yield Batch.of(taken)
