"""Progress of long work on a recording: on stderr, on a terminal only."""

from collections.abc import Iterator

from rich.console import Console
from rich.progress import track

from sidetap.line import Chunk
from sidetap.line.recording import Recording

_LONG_WORK = 1 << 20  # bytes of line, from which on progress is worth showing


def watched(recording: Recording) -> Iterator[Chunk]:
    """Yield the chunks of a recording, showing how far they are."""
    console = Console(stderr=True)
    if not console.is_terminal or recording.byte_count < _LONG_WORK:
        yield from recording.chunks
    else:
        yield from track(recording.chunks, "reading", total=recording.chunk_count, console=console, transient=True)
