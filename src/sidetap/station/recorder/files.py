"""The files of a recording: chunks and remarks in, whole blocks at the end of a growing file out.

What holds at every moment: all of a file but its last block is good, whoever ends us. A write that fails (a full
disk) is taken back to the last whole block; then the file is closed as any other. Beside each closed file its
SHA-256 appears as NAME.sha256, in the form that `sha256sum -c` reads. A file that holds no byte of the line goes.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from io import FileIO
from itertools import count
from pathlib import Path
from typing import NoReturn

from sidetap.errors import BadInput
from sidetap.line import Chunk, Settings
from sidetap.line.recording import Pair, PcapngWriter
from sidetap.quantity import NS_PER_S
from sidetap.station.ports.lost import reason_of
from sidetap.station.recorder.growing_file import GrowingFile, Kept

_AROUND_A_CHUNK = 320  # bytes of a block that are neither data nor flags, and the remark at a file's end, at most


@dataclass(frozen=True, slots=True)
class Rotation:
    """When a file is closed and another begun. None: never for that reason."""

    most_bytes: int | None = None
    longest_ns: int | None = None


class Files:
    """One file after the other, as the rotation wants it.

    path: of the file; with a rotation what their names are made of, NAME-20260311T140000Z.pcapng, the time in UTC.
    settings, pairs: stated in each file. now_ns: the clock of the chunks. clocks: says what the machine's clocks
    show, noted at the begin and the end of each file. open_new: opens a file that must not be there yet.
    BadInput of any method: something could not be kept. What was kept before is good and closed.
    """

    def __init__(
        self,
        path: Path,
        settings: Settings,
        pairs: Sequence[Pair],
        now_ns: Callable[[], int],
        clocks: Callable[[], str],
        rotation: Rotation | None = None,
        open_new: Callable[[Path], FileIO] = lambda path: FileIO(path, "xb"),
    ) -> None:
        self.kept: list[Kept] = []
        self._path = path
        self._settings = settings
        self._pairs = tuple(pairs)
        self._now_ns = now_ns
        self._clocks = clocks
        self._rotation = rotation
        self._open_new = open_new
        self._file: GrowingFile | None = None
        self._begin()

    @property
    def current(self) -> tuple[Path, int] | None:
        """The file that is being written and its size in bytes; None between two."""
        return None if self._file is None else (self._file.path, self._file.size)

    def write(self, chunk: Chunk, pair: int = 0) -> None:
        """Keep a chunk that was heard on a pair."""
        self.rotate(more=_AROUND_A_CHUNK + len(chunk.data) * (1 if chunk.flags is None else 2))
        if self._file is None:
            self._begin()
        self._do(lambda: self._writer.write(chunk, pair))
        self._chunks += 1

    def note(self, text: str, pair: int = 0) -> None:
        """Keep a remark with the present time; between two files there is nothing to remark."""
        now_ns = self._now_ns()
        self._do(lambda: self._writer.note(now_ns, text, pair))

    def sync(self) -> None:
        """Have the disk itself keep what was written."""
        self._do(lambda: None if self._file is None else self._file.sync())

    def rotate(self, more: int = 0) -> None:
        """Close the file if its time is up, or if so many bytes more would make it too large."""
        if self._file is None or self._rotation is None:
            return
        most_bytes, longest_ns = self._rotation.most_bytes, self._rotation.longest_ns
        too_large = most_bytes is not None and self._file.size + more > most_bytes
        too_old = longest_ns is not None and self._now_ns() - self._begun_ns >= longest_ns
        if too_large or too_old:
            self.close()

    def close(self) -> None:
        """Close the file, if one is open, and put its SHA-256 beside it."""
        if self._file is None:
            return
        if self._chunks:
            self.note(f"end: {self._clocks()}")
        path = self._file.path
        try:
            kept = self._put_away()
        except OSError as error:
            problem = f"the disk did not keep its end: {reason_of(error)}"
            raise BadInput(str(path), problem, "Look at the disk.") from None
        if kept is not None and kept.sha256 is None:
            raise BadInput(f"{path}.sha256", "it can't be written; the recording is good", "Make room.")

    def _begin(self) -> None:
        self._begun_ns = self._now_ns()
        self._chunks = 0
        self._file = self._open()
        comment = f"begin: {self._clocks()}"
        try:
            self._writer = PcapngWriter(self._file, self._settings, self._pairs, comment)
        except OSError as error:
            self._fail(error)

    def _open(self) -> GrowingFile:
        """Open the next file; names that are taken are passed over, but not the one that the user gave."""
        begun = datetime.fromtimestamp(self._begun_ns // NS_PER_S, UTC)
        for number in count(1):
            path = self._path
            if self._rotation is not None:
                again = "" if number == 1 else f"-{number}"
                path = path.with_stem(f"{path.stem}-{begun:%Y%m%dT%H%M%SZ}{again}")
            try:
                return GrowingFile(path, self._open_new(path))
            except FileExistsError:
                if self._rotation is None:
                    remedy = "Give a new name; recordings are not overwritten."
                    raise BadInput(str(path), "the file is there already", remedy) from None
            except OSError as error:
                problem = f"no file can be made: {reason_of(error)}"
                raise BadInput(str(path), problem, "Look at the disk and the folder's rights.") from None
        raise AssertionError("names do not end")

    def _do(self, work: Callable[[], object]) -> None:
        if self._file is None:
            return
        try:
            work()
        except OSError as error:
            self._fail(error)

    def _fail(self, error: OSError) -> NoReturn:
        """Close what there is, and say why it ends."""
        path = self._path if self._file is None else self._file.path
        try:
            kept = self._put_away()
        except OSError:
            kept = None
        if kept is None:
            rest = "of this file nothing is sure"
        elif kept.sha256 is None:
            rest = f"{kept.size:,} bytes are kept, without their SHA-256"
        else:
            rest = f"{kept.size:,} bytes are kept"
        problem = f"no more can be written: {reason_of(error)}; {rest}"
        raise BadInput(str(path), problem, "Make room, and go on under a new name.") from None

    def _put_away(self) -> Kept | None:
        """Close the file and return it; None when it held no byte of the line and is gone."""
        file, self._file = self._file, None
        if file is None:
            return None
        if not self._chunks:
            file.discard()
            return None
        kept = file.close()
        self.kept.append(kept)
        return kept
