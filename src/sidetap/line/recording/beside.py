"""Files that appear whole: written beside their name, then renamed."""

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO


@contextmanager
def written_beside(path: Path) -> Iterator[BinaryIO]:
    """Open a file that takes path's name when the block ends well, and is gone when it does not."""
    beside = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        with beside.open("xb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except BaseException:
        beside.unlink(missing_ok=True)
        raise
