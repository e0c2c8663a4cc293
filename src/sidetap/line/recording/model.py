"""What every format gives: a scan over the chunks of a file, and the recording made of it."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from io import FileIO
from pathlib import Path
from typing import Protocol

from sidetap.line.batch import Batch
from sidetap.line.chunk import Chunk
from sidetap.line.settings import Settings


class Scan(Protocol):
    """One pass over a file. ``settings`` and ``truncated`` are final when the iteration has ended.

    settings: what the file says it was made with; truncated: its last block or row is torn.
    """

    settings: Settings | None
    truncated: bool

    def __iter__(self) -> Iterator[Batch]:
        """Yield the chunks, some MB at a time and never none; BadInput where the file can't be read."""
        ...


@dataclass(frozen=True, slots=True)
class Format:
    """A recording format: how its files begin (content) and are called (suffix), and how one is scanned.

    scan: takes the file, how many of its bytes are to be read, and the place that errors name.
    """

    name: str
    suffix: str
    begins: tuple[bytes, ...]
    scan: Callable[[FileIO, int, str], Scan]


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
    opener: Callable[[], Iterator[Batch]]

    @property
    def batches(self) -> Iterator[Batch]:
        """A new pass over the chunks, many at once, in order of arrival; the file is read again by pieces."""
        return self.opener()

    @property
    def chunks(self) -> Iterator[Chunk]:
        """A new pass over the chunks, one by one, in order of arrival."""
        for batch in self.opener():
            yield from batch.chunks()
