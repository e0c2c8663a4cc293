"""Edges as text: rows ``time_s,level``, one per change, under that header. UTF-8 with or without BOM, LF or CRLF."""

import re
from collections.abc import Iterator
from typing import BinaryIO

from sidetap.errors import BadInput
from sidetap.line.edges.lines import numbered_lines
from sidetap.line.edges.model import Gatherer
from sidetap.line.seconds import parse_time_ns
from sidetap.quantity import NS_PER_S

HEADER = b"time_s,"
_COLUMNS = ["time_s", "level"]
_ROW = re.compile(r"\s*([+-]?)([0-9]{1,10})(?:\.([0-9]{0,9}))?\s*,\s*([01])\s*")  # as nearly all rows are written
_REMEDY = "Write one row per change like 0.001250,0"


def scan(file: BinaryIO, place: str, into: Gatherer) -> bool:
    """Read a file into the gatherer and return whether its last row is torn; BadInput where it can't be read."""
    lines = numbered_lines(file, place)
    _check_header(lines, place)
    problem: BadInput | None = None
    for number, line in lines:
        if problem is not None:
            raise problem  # a row that can't be read, and it was not the last
        try:
            into.add(*_row(line))
        except ValueError as error:
            problem = BadInput(f"{place}:{number}", str(error), _REMEDY)
    return problem is not None


def _check_header(lines: Iterator[tuple[int, str]], place: str) -> None:
    number, line = next(lines, (1, ""))
    if [name.strip() for name in line.split(",")] != _COLUMNS:
        raise BadInput(
            f"{place}:{number}", f"the header is {line[:40]!r}, not time_s,level", "Give a capture of edges."
        )


def _row(line: str) -> tuple[int, int]:
    plain = _ROW.fullmatch(line)
    if plain is not None:
        sign, whole, rest, level = plain.groups(default="")
        t_ns = int(whole) * NS_PER_S + int(rest.ljust(9, "0"))
        return -t_ns if sign == "-" else t_ns, int(level)
    fields = [field.strip() for field in line.split(",")]
    if len(fields) != len(_COLUMNS):
        raise ValueError(f"a row of {len(fields)} fields under a header of {len(_COLUMNS)}")
    if fields[1] not in ("0", "1"):
        raise ValueError(f"{fields[1][:40]!r} is no level; levels are 0 and 1")
    return parse_time_ns(fields[0]), int(fields[1])
