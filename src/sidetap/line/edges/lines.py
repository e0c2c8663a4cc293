"""A text file -> its numbered lines, with bounds that a hostile file can't pass."""

from collections.abc import Iterator
from typing import BinaryIO

from sidetap.errors import BadInput

BOM = b"\xef\xbb\xbf"
_LONGEST_LINE = 1 << 20  # bytes; a line of a capture has some tens


def numbered_lines(file: BinaryIO, place: str) -> Iterator[tuple[int, str]]:
    """Yield the lines that are not empty, without their ends, counted from 1; BadInput for what is no such text."""
    number = 0
    while line := file.readline(_LONGEST_LINE):
        number += 1
        if number == 1:
            line = line.removeprefix(BOM)
        if len(line) == _LONGEST_LINE and not line.endswith(b"\n"):
            raise BadInput(f"{place}:{number}", "the line is over 1 MiB long", "Give a capture of edges.")
        try:
            text = line.decode("utf-8").rstrip("\r\n")
        except UnicodeDecodeError:
            raise BadInput(f"{place}:{number}", "this is no UTF-8 text", "Save the capture as UTF-8.") from None
        if text:
            yield number, text
