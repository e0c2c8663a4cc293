"""A path -> the edges in it: which format it is, and what is wrong with it, and where."""

import stat
from pathlib import Path
from typing import BinaryIO

from sidetap.errors import BadInput
from sidetap.line.edges import csv_format, vcd_format
from sidetap.line.edges.lines import BOM
from sidetap.line.edges.model import Edges, Gatherer

_SCANS = {"csv": csv_format.scan, "vcd": vcd_format.scan}
_REMEDY = "Give the path of a capture of edges."


def read(path: Path) -> Edges:
    """Read a capture of edges, .csv or .vcd, told apart by content, then by suffix; BadInput says what is wrong."""
    gatherer = Gatherer()
    with _open(path) as file:
        kind = _kind(path, file)
        truncated = _SCANS[kind](file, str(path), gatherer)
    if gatherer.first_level is None:
        raise BadInput(str(path), "the capture holds not one edge", "Capture again while the line is in use.")
    return gatherer.edges(path, kind, truncated)


def _open(path: Path) -> BinaryIO:
    """Open a plain file. The look before the open matters: opening a serial port would raise its DTR and RTS."""
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise BadInput(str(path), "this is no plain file", _REMEDY)
        return path.open("rb")
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise BadInput(str(path), f"the file can't be opened: {reason}", _REMEDY) from None


def _kind(path: Path, file: BinaryIO) -> str:
    head = file.read(64).removeprefix(BOM)
    file.seek(0)
    if head.startswith(csv_format.HEADER):
        return "csv"
    if head.lstrip().startswith(b"$"):
        return "vcd"
    kind = path.suffix.lower().removeprefix(".")
    if kind not in _SCANS:
        raise BadInput(str(path), "this is no capture of edges of a known form", "Give one of .csv .vcd.")
    return kind
