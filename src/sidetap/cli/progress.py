"""Progress of long work on a recording: on stderr, on a terminal only."""

from collections.abc import Iterable, Iterator
from typing import TypeVar

from rich.console import Console
from rich.progress import Progress

from sidetap.line import Batch, Chunk
from sidetap.line.recording import Recording

_LONG_WORK = 1 << 20  # bytes of line, from which on progress is worth showing

T = TypeVar("T", Chunk, Batch)


def watched(recording: Recording) -> Iterator[Chunk]:
    """Yield the chunks of a recording, showing how far they are."""
    return _watched(recording, recording.chunks)


def watched_batches(recording: Recording) -> Iterator[Batch]:
    """Yield the chunks of a recording, many at once, showing how far they are."""
    return _watched(recording, recording.batches)


def _watched(recording: Recording, pieces: Iterable[T]) -> Iterator[T]:
    console = Console(stderr=True)
    if not console.is_terminal or recording.byte_count < _LONG_WORK:
        yield from pieces
        return
    with Progress(console=console, transient=True) as bar:
        task = bar.add_task("reading", total=recording.byte_count)
        for piece in pieces:
            yield piece
            bar.advance(task, len(piece.data))
