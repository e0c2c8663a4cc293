"""Recordings as text: rows ``time_s,hex[,flags]``, one per chunk as the adapter delivered it.

UTF-8 with or without BOM, LF or CRLF; a first line ``# settings 19200 8E1`` may say how the recording was made.
"""

import re
from collections.abc import Iterable, Iterator
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import BinaryIO

from sidetap.errors import BadInput
from sidetap.line.chunk import Chunk
from sidetap.line.recording.beside import written_beside
from sidetap.line.recording.model import Format
from sidetap.line.settings import Settings
from sidetap.quantity import NS_PER_S

_BOM = b"\xef\xbb\xbf"
_SETTINGS = "# settings "
_HEADERS = (["time_s", "hex"], ["time_s", "hex", "flags"])
_FLAGS = re.compile(r"[.pfb]*")
_HEX = re.compile(r"(?:[0-9A-Fa-f]{2})+")
_LONGEST_LINE = 1 << 20  # bytes; a chunk is a few hundred
_PLAIN_TIME = re.compile(r"([+-]?)([0-9]{1,10})(?:\.([0-9]{0,9}))?")  # as nearly all are written; quick to read
_LONGEST_TIME = 40  # characters


class _Scan:
    def __init__(self, file: BinaryIO, place: str) -> None:
        self.settings: Settings | None = None
        self.truncated = False
        self._file = file
        self._place = place

    def __iter__(self) -> Iterator[Chunk]:
        lines = self._lines()
        columns, number = self._header(lines)
        problem: BadInput | None = None
        for number, line in lines:
            if problem is not None:
                raise problem  # a row that can't be read, and it was not the last
            try:
                yield _row(line, columns)
            except ValueError as error:
                problem = BadInput(
                    f"{self._place}:{number}", str(error), f"Write rows like {'0.016,0b0300640003442e'}"
                )
        self.truncated = problem is not None

    def _lines(self) -> Iterator[tuple[int, str]]:
        number = 0
        while line := self._file.readline(_LONGEST_LINE):
            number += 1
            if number == 1:
                line = line.removeprefix(_BOM)
            if len(line) == _LONGEST_LINE and not line.endswith(b"\n"):
                raise BadInput(f"{self._place}:{number}", "the line is over 1 MiB long", "Write one chunk per row.")
            try:
                text = line.decode("utf-8").rstrip("\r\n")
            except UnicodeDecodeError:
                raise BadInput(
                    f"{self._place}:{number}", "this is no UTF-8 text", "Save the recording as UTF-8."
                ) from None
            if text:
                yield number, text

    def _header(self, lines: Iterator[tuple[int, str]]) -> tuple[int, int]:
        number, line = next(lines, (1, ""))
        if line.startswith(_SETTINGS):
            try:
                self.settings = Settings.parse(line.removeprefix(_SETTINGS))
            except ValueError as error:
                raise BadInput(f"{self._place}:{number}", str(error), "Correct the line or delete it.") from None
            number, line = next(lines, (number + 1, ""))
        names = [name.strip() for name in line.split(",")]
        if names not in _HEADERS:
            raise BadInput(
                f"{self._place}:{number}",
                f"the header is {line[:40]!r}, not time_s,hex or time_s,hex,flags",
                "Give a recording of the line's bytes.",
            )
        return len(names), number


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
    return Chunk(_time_ns(fields[0].strip()), data, flags if flags.strip(".") else None)


def _time_ns(text: str) -> int:
    plain = _PLAIN_TIME.fullmatch(text)
    if plain is not None:
        sign, whole, rest = plain.groups(default="")
        t_ns = int(whole) * NS_PER_S + int(rest.ljust(9, "0"))
        t_ns = -t_ns if sign == "-" else t_ns
    else:
        try:
            seconds = Decimal(text) if len(text) <= _LONGEST_TIME else Decimal("NaN")
        except InvalidOperation:
            seconds = Decimal("NaN")
        if not seconds.is_finite() or seconds.adjusted() > 10:
            raise ValueError(f"{text[:40]!r} is no time in seconds")
        t_ns = int((seconds * NS_PER_S).to_integral_value())
    if t_ns.bit_length() > 63:
        raise ValueError(f"{text!r} s is too far away: it does not fit 64 bits in nanoseconds")
    return t_ns


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
