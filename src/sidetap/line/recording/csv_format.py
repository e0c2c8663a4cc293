"""Recordings as text: rows ``time_s,hex[,flags]``, one per chunk as the adapter delivered it.

UTF-8 with or without BOM, LF or CRLF; a first line ``# settings 19200 8E1`` may say how the recording was made.
"""

import re
from collections.abc import Callable, Iterable, Iterator
from io import FileIO
from pathlib import Path

import numpy as np

from sidetap.errors import BadInput
from sidetap.line.batch import Batch
from sidetap.line.chunk import Chunk
from sidetap.line.recording.beside import written_beside
from sidetap.line.recording.gathering import Gathering
from sidetap.line.recording.model import Format
from sidetap.line.recording.window import Window
from sidetap.line.seconds import parse_time_ns
from sidetap.line.settings import Settings
from sidetap.quantity import NS_PER_S

_BOM = b"\xef\xbb\xbf"
_SETTINGS = "# settings "
_HEADERS = (["time_s", "hex"], ["time_s", "hex", "flags"])
_FLAGS = re.compile(r"[.pfb]*")
_HEX = re.compile(r"(?:[0-9A-Fa-f]{2})+")
_LINE_ENDS = re.compile(rb"[\r\n]*")
_LONGEST_LINE = 1 << 20  # bytes; a chunk is a few hundred
_SHORTEST_ROW = 5  # bytes, its line end included


class _Scan:
    """Takes rows one by one; in a large file the compiled walk goes ahead over what is plain."""

    def __init__(self, file: FileIO, size: int, place: str) -> None:
        self.settings: Settings | None = None
        self.truncated = False
        self._place = place
        self._window = Window(file, size, _LONGEST_LINE)
        self._number = 0  # of the latest line
        self._gathered = Gathering()

    def __iter__(self) -> Iterator[Batch]:
        columns = self._header()
        walk = self._walker(columns) if self._window.large else None
        problem: BadInput | None = None
        any_row = False
        while (line := self._line()) is not None:
            if problem is not None:
                raise problem  # a row that can't be read, and it was not the last
            try:
                self._gathered.put(_row(line, columns))
            except ValueError as error:
                problem = self._bad(str(error), "Write rows like 0.016,0b0300640003442e")
            else:
                any_row = True
                if walk is not None:
                    walk()
            if self._gathered.full:
                yield self._gathered.take()
        if problem is not None and not any_row:
            raise problem  # no row at all: rather another file than one with a torn end
        self.truncated = problem is not None
        if len(self._gathered):
            yield self._gathered.take()

    def _walker(self, columns: int) -> Callable[[], None]:
        from sidetap.line.recording.csv_walk import walk_rows  # loading numba takes longer than a small file

        window = self._window
        room = len(window.buffer)
        data, flags = np.empty(room // 2, dtype=np.uint8), np.empty(room // 2, dtype=np.uint8)
        ends, t_ns = (np.empty(room // _SHORTEST_ROW, dtype=np.int64) for _ in range(2))

        def walk() -> None:
            whole = window.buffer.rfind(b"\n", window.at, window.end) + 1
            if not whole:
                return
            place = window.octets, window.at, whole, columns, _LONGEST_LINE
            window.at, lines, rows, size, flagged = walk_rows(*place, data, ends, t_ns, flags)
            self._number += lines
            if rows:
                self._gathered.put_many(data[:size], ends[:rows], t_ns[:rows], flags[:size] if flagged else None)

        return walk

    def _bad(self, problem: str, remedy: str) -> BadInput:
        return BadInput(f"{self._place}:{max(self._number, 1)}", problem, remedy)

    def _line(self) -> str | None:
        """Return the next line that is not empty, without its end; None at the end of the file."""
        window = self._window
        while self._skipped_empty_lines():
            self._number += 1
            end = window.buffer.find(b"\n", window.at, window.end) + 1
            if not end:
                window.holds(_LONGEST_LINE + 1)
                end = window.buffer.find(b"\n", window.at, window.end) + 1 or window.end
            if end - window.at > _LONGEST_LINE:
                raise self._bad("the line is over 1 MiB long", "Write one chunk per row.")
            line = bytes(window.buffer[window.at : end])
            window.at = end
            if self._number == 1:
                line = line.removeprefix(_BOM)
            try:
                text = line.decode("utf-8").rstrip("\r\n")
            except UnicodeDecodeError:
                raise self._bad("this is no UTF-8 text", "Save the recording as UTF-8.") from None
            if text:
                return text
        return None

    def _skipped_empty_lines(self) -> bool:
        """Skip them, many at once since a file may hold nothing else; False when the file ended."""
        window = self._window
        while window.holds(1):
            ends = _LINE_ENDS.match(window.buffer, window.at, window.end)
            end = window.buffer.rfind(b"\n", window.at, ends.end()) + 1 if ends is not None else 0
            if not end:
                return True
            self._number += window.buffer.count(b"\n", window.at, end)
            window.at = end
        return False

    def _header(self) -> int:
        """Take the lines before the rows and return how many columns there are."""
        line = self._line() or ""
        if line.startswith(_SETTINGS):
            try:
                self.settings = Settings.parse(line.removeprefix(_SETTINGS))
            except ValueError as error:
                raise self._bad(str(error), "Correct the line or delete it.") from None
            line = self._line() or ""
        names = [name.strip() for name in line.split(",")]
        if names not in _HEADERS:
            problem = f"the header is {line[:40]!r}, not time_s,hex or time_s,hex,flags"
            raise self._bad(problem, "Give a recording of the line's bytes.")
        return len(names)


def _row(line: str, columns: int) -> Chunk:
    fields = line.split(",")
    if len(fields) != columns:
        raise ValueError(f"a row of {len(fields)} fields under a header of {columns}")
    data_hex = fields[1].strip()
    if _HEX.fullmatch(data_hex) is None:
        raise ValueError(f"{data_hex[:40]!r} is no row of whole bytes in hex")
    data = bytes.fromhex(data_hex)
    flags = fields[2].strip() if columns == 3 else ""
    if flags and (len(flags) != len(data) or _FLAGS.fullmatch(flags) is None):
        raise ValueError(f"{flags[:40]!r} is not one of the letters . p f b for each of {len(data)} bytes")
    t_ns = parse_time_ns(fields[0].strip())
    if t_ns.bit_length() > 63:
        raise ValueError(f"{fields[0].strip()!r} s is too far away: it does not fit 64 bits in nanoseconds")
    return Chunk(t_ns, data, flags if flags.strip(".") else None)


def write_csv(path: Path, chunks: Iterable[Chunk], settings: Settings | None = None) -> None:
    """Write a recording as csv; the file appears whole under its name or not at all.

    ValueError for a chunk without a time: csv has no way to say so.
    """
    with written_beside(path) as file:
        if settings is not None:
            file.write(f"{_SETTINGS}{settings}\n".encode())
        file.write(b"time_s,hex,flags\n")
        for chunk in chunks:
            if chunk.t_ns is None:
                raise ValueError("a csv recording needs the time of every chunk")
            file.write(f"{_seconds(chunk.t_ns)},{chunk.data.hex()},{chunk.flags or ''}\n".encode())


def _seconds(t_ns: int) -> str:
    whole, rest = divmod(abs(t_ns), NS_PER_S)
    return f"{'-' if t_ns < 0 else ''}{whole}.{rest:09d}"


CSV = Format("csv", ".csv", (b"time_s,", _BOM + b"time_s,", _SETTINGS.encode(), _BOM + _SETTINGS.encode()), _Scan)
