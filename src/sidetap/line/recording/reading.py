"""A path -> a Recording: which format it is, whether all of it can be read, what there is to know beforehand."""

import os
import stat
from collections.abc import Iterator
from io import FileIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sidetap.errors import BadInput
from sidetap.line.batch import Batch
from sidetap.line.recording.bin_format import BIN
from sidetap.line.recording.csv_format import CSV
from sidetap.line.recording.model import ClockStep, Format, Recording
from sidetap.line.recording.pcapng_format import PCAPNG

FORMATS: tuple[Format, ...] = (PCAPNG, CSV, BIN)
STEPS_KEPT = 1000
_LONGEST_BEGIN = max(len(begin) for known in FORMATS for begin in known.begins)


def read(path: Path) -> Recording:
    """Read a recording through once and return it; BadInput says what is wrong with it, and where.

    Told apart by content, then by suffix. Nothing is kept: ``Recording.batches`` reads the file again, and as much of
    it as there was at first, so that a file that still grows is the same recording in every pass.
    """
    with _open(path) as file:
        size = os.fstat(file.fileno()).st_size
        known = _format(path, file)
        scan = known.scan(file, size, str(path))
        chunks = octets = 0
        steps: list[ClockStep] = []
        last_ns: int | None = None
        for batch in scan:
            if batch.t_ns is not None:
                steps += _steps(batch.t_ns, last_ns, chunks, STEPS_KEPT - len(steps))
                last_ns = int(batch.t_ns[-1])
            chunks += len(batch.ends)
            octets += len(batch.data)
        if octets == 0:
            raise BadInput(str(path), "the recording holds not one byte of the line", "Record again.")

    def again() -> Iterator[Batch]:
        with _open(path) as reopened:
            yield from known.scan(reopened, size, str(path))

    return Recording(path, known.name, scan.settings, scan.truncated, tuple(steps), chunks, octets, again)


def _steps(t_ns: NDArray[np.int64], last_ns: int | None, number: int, most: int) -> list[ClockStep]:
    """Return the first steps back among the times of chunks from that number on; last_ns: of the one before."""
    before = np.concatenate([t_ns[:1] if last_ns is None else np.array([last_ns], dtype=np.int64), t_ns[:-1]])
    places = np.flatnonzero(t_ns < before)[:most].tolist()
    return [ClockStep(number + place, int(before[place]), int(t_ns[place])) for place in places]


def _open(path: Path) -> FileIO:
    """Open a plain file. The look before the open matters: opening a serial port would raise its DTR and RTS."""
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise BadInput(str(path), "this is no plain file", "Give the path of a recording.")
        return path.open("rb", buffering=0)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise BadInput(str(path), f"the file can't be opened: {reason}", "Give the path of a recording.") from None


def _format(path: Path, file: FileIO) -> Format:
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
