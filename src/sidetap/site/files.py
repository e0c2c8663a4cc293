"""Small text files of a site -> text, whatever the path turns out to be.

A directory, a device or a pipe is refused before it is opened: reading one may never end.
"""

import stat
from pathlib import Path

from sidetap.errors import BadInput

MOST_BYTES = 1_000_000  # a site of 64 vessels and 32 bays takes a quarter of it


class NotText(ValueError):
    """Bytes that are no UTF-8; line and column of the first one, from 1."""

    def __init__(self, line: int, column: int) -> None:
        self.line, self.column = line, column
        super().__init__(f"{line}:{column}: not UTF-8")


def read_small_text(path: Path, most_bytes: int = MOST_BYTES) -> str:
    """Return the text of a file without its byte-order mark, lines ended by LF.

    BadInput when the path can't be read as a file of at most most_bytes; NotText when its bytes are no UTF-8.
    """
    try:
        about = path.stat()
        if not stat.S_ISREG(about.st_mode):
            raise BadInput(str(path), "not a file", "Name a file, no directory, device or pipe.")
        if about.st_size > most_bytes:
            told = f"{about.st_size} bytes, and a file of this kind has {most_bytes} at most"
            raise BadInput(str(path), told, "Name the file that is meant.")
        with path.open("rb") as file:
            data = file.read(most_bytes)  # it may have grown since
    except (OSError, ValueError) as problem:  # ValueError: a path with a zero byte
        reason = getattr(problem, "strerror", None) or str(problem)
        raise BadInput(str(path), f"can't be read: {reason.lower()}", "Check the path and its rights.") from None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        before = data[: problem.start].decode("utf-8-sig", errors="replace")
        raise NotText(before.count("\n") + 1, len(before) - before.rfind("\n")) from None
    return text.replace("\r\n", "\n")
