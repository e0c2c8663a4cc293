"""A file replaced by a new text: what it was is kept beside it, the new one appears whole."""

import os
import shutil
from itertools import count
from pathlib import Path

from sidetap.line.recording.beside import written_beside


def replace_keeping(path: Path, data: bytes, name: str) -> Path:
    """Write data in place of a file, and return where the old one is kept: its name and this one; nothing is lost.

    Where something has that name already, a number follows.
    """
    path = path.resolve()  # a link stays a link
    old = path.read_bytes()
    for number in count(1):
        kept = path.with_name(f"{path.name}.{name}" + (f".{number}" if number > 1 else ""))
        try:
            with kept.open("xb") as file:
                file.write(old)
                file.flush()
                os.fsync(file.fileno())
        except FileExistsError:
            continue
        break
    shutil.copymode(path, kept)
    with written_beside(path) as new:
        shutil.copymode(path, new.name)
        new.write(data)
    return kept
