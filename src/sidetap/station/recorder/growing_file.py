"""A file that is appended to: whole pieces in, a good file and its SHA-256 out, also when the disk is full."""

import contextlib
import hashlib
import os
from dataclasses import dataclass
from io import FileIO
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Kept:
    """A closed file. size: of the file, in bytes. sha256: in hex; None where no file beside it could tell it."""

    path: Path
    size: int
    sha256: str | None


class GrowingFile:
    """A write is whole, or, when it raises OSError, as if it had not been.

    file: opened for writing, without a buffer of its own, still empty.
    """

    def __init__(self, path: Path, file: FileIO) -> None:
        self.path = path
        self.size = 0
        self._file = file
        self._digest = hashlib.sha256()
        self._whole = True

    def write(self, data: bytes, /) -> int:
        """Append data, all of it."""
        rest = memoryview(data)
        try:
            while rest:
                rest = rest[self._file.write(rest) :]
        except OSError:
            self._take_back()
            raise
        self._digest.update(data)
        self.size += len(data)
        return len(data)

    def sync(self) -> None:
        """Have the disk itself keep what was written."""
        os.fsync(self._file.fileno())

    def close(self) -> Kept:
        """Close the file and put its SHA-256 beside it; OSError when the disk does not keep the file's end."""
        try:
            self.sync()
        finally:
            self._file.close()
        digest = self._digest.hexdigest() if self._whole else None
        if digest is not None and not self._put_beside(digest):
            digest = None
        return Kept(self.path, self.size, digest)

    def discard(self) -> None:
        """Close the file and remove it."""
        self._file.close()
        self.path.unlink(missing_ok=True)

    def _take_back(self) -> None:
        try:
            self._file.truncate(self.size)
            self._file.seek(self.size)
        except OSError:  # the torn block stays, and readers stop before it
            self._whole = False

    def _put_beside(self, digest: str) -> bool:
        beside = self.path.with_name(f"{self.path.name}.sha256")
        try:
            beside.write_bytes(_check_line(digest, self.path.name))
        except OSError:
            with contextlib.suppress(OSError):
                beside.unlink(missing_ok=True)
            return False
        return True


def _check_line(digest: str, name: str) -> bytes:
    """Return a line for `sha256sum -c`, which escapes some characters of names and says so by a leading backslash."""
    escaped = name.replace("\\", "\\\\").replace("\n", "\\n").replace("\r", "\\r")
    mark = "\\" if escaped != name else ""
    return os.fsencode(f"{mark}{digest}  {escaped}\n")
