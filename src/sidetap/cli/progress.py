"""Progress of long work on a recording: on stderr, on a terminal only."""

from collections.abc import Iterator

from rich.console import Console
from rich.progress import Progress

from sidetap.line import Batch, Chunk
from sidetap.line.recording import Recording

_LONG_WORK = 1 << 20  # bytes of line, from which on progress is worth showing


def watched_batches(recording: Recording) -> Iterator[Batch]:
    """Yield the chunks of a recording, many at once, showing how many of its bytes are done."""
    console = Console(stderr=True)
    if not console.is_terminal or recording.byte_count < _LONG_WORK:
        yield from recording.batches
        return
    with Progress(console=console, transient=True) as bar:
        task = bar.add_task("reading", total=recording.byte_count)
        for batch in recording.batches:
            yield batch
            bar.advance(task, len(batch.data))


def watched(recording: Recording) -> Iterator[Chunk]:
    """Yield the chunks of a recording one by one, showing how many of its bytes are done."""
    for batch in watched_batches(recording):
        yield from batch.chunks()
