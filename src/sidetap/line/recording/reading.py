"""A path -> a Recording: which format it is, whether all of it can be read, what there is to know beforehand."""

import stat
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from sidetap.errors import BadInput
from sidetap.line.chunk import Chunk
from sidetap.line.recording.bin_format import BIN
from sidetap.line.recording.csv_format import CSV
from sidetap.line.recording.model import ClockStep, Format, Recording
from sidetap.line.recording.pcapng_format import PCAPNG

FORMATS: tuple[Format, ...] = (PCAPNG, CSV, BIN)
STEPS_KEPT = 1000
_LONGEST_BEGIN = max(len(begin) for known in FORMATS for begin in known.begins)


def read(path: Path) -> Recording:
    """Read a recording through once and return it; BadInput says what is wrong with it, and where.

    Told apart by content, then by suffix. Chunks are not kept: ``Recording.chunks`` reads the file again.
    """
    with _open(path) as file:
        known = _format(path, file)
        scan = known.scan(file, str(path))
        chunks = size = 0
        steps: list[ClockStep] = []
        last_ns: int | None = None
        for chunk in scan:
            if last_ns is not None and chunk.t_ns is not None and chunk.t_ns < last_ns and len(steps) < STEPS_KEPT:
                steps.append(ClockStep(chunks, last_ns, chunk.t_ns))
            last_ns = chunk.t_ns
            chunks += 1
            size += len(chunk.data)
        if size == 0:
            raise BadInput(str(path), "the recording holds not one byte of the line", "Record again.")

    def again() -> Iterator[Chunk]:
        with _open(path) as reopened:
            yield from known.scan(reopened, str(path))

    return Recording(path, known.name, scan.settings, scan.truncated, tuple(steps), chunks, size, again)


def _open(path: Path) -> BinaryIO:
    """Open a plain file. The look before the open matters: opening a serial port would raise its DTR and RTS."""
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise BadInput(str(path), "this is no plain file", "Give the path of a recording.")
        return path.open("rb")
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise BadInput(str(path), f"the file can't be opened: {reason}", "Give the path of a recording.") from None


def _format(path: Path, file: BinaryIO) -> Format:
    head = file.read(_LONGEST_BEGIN)
    file.seek(0)
    for known in FORMATS:
        if head.startswith(known.begins):
            return known
    for known in FORMATS:
        if path.suffix.lower() == known.suffix:
            return known
    suffixes = " ".join(known.suffix for known in FORMATS)
    raise BadInput(str(path), "this is no recording of a known form", f"Give one of {suffixes}.")
