"""People's readings: a CSV of what somebody read off a display or measured with a tape -> exact numbers.

A file in, readings out, each with the row it stands in and its tolerance; what can't be used is a `BadInput` with
file and line. Nothing is converted silently: a reading keeps the unit of its name's first row.
"""

import csv
import io
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, tzinfo
from enum import StrEnum
from fractions import Fraction
from pathlib import Path

from sidetap.errors import BadInput
from sidetap.quantity import NS_PER_S, Dimension, convert, from_si, parse_quantity, unit

READING_UNITS = ("m", "cm", "mm", "ft", "in", "ft-in", "%", "gal", "L", "kPa", "bar", "psi", "C", "F")

_REQUIRED = ("name", "value", "unit")
_KNOWN = ("time_s", "time", *_REQUIRED, "device", "tolerance", "kind")
_NUMBER = re.compile(r"[+-]?(\d+)?(?:\.(\d*))?")
_LAST_TERM = re.compile(r"(?:(?:\d+\s+)?\d+/(\d+)|\d*(?:\.(\d+))?)\s*(ft|in)\s*$")
_LONGEST = 40  # characters of a number
_MOST_BYTES = 1_000_000  # a person takes fewer readings than this
_MOST_ROWS = 1000
_LONGEST_NAME = 80


class ReadingKind(StrEnum):
    """Where a reading comes from."""

    DISPLAY = "display"  # the transmitter's own display
    DIP = "dip"  # measured at the vessel


@dataclass(frozen=True, slots=True)
class PersonReading:
    """One row. row: from 1 after the header. t_ns: on the recording's clock. The rest in unit, exactly.

    unit: that of the name's first row, feet and inches told in ft. rounding: half the last digit typed. tolerance:
    as given, else the rounding. device: the row's hint, if any.
    """

    row: int
    t_ns: int
    name: str
    value: Fraction
    unit: str
    rounding: Fraction
    tolerance: Fraction
    device: int | None
    kind: ReadingKind


def read(path: Path, zone: tzinfo | None = None) -> list[PersonReading]:
    """Return the readings of a file, in its order; BadInput names file and line.

    zone: of ISO 8601 times that carry no offset; None means the local time of this computer.
    """
    rows = _rows(path)
    line, header = next(rows, (1, []))
    columns = [c.strip() for c in header]
    _check_header(path, line, columns)
    units: dict[str, str] = {}
    readings: list[PersonReading] = []
    for line, cells in rows:
        place = f"{path}:{line}"
        if len(readings) == _MOST_ROWS:
            raise BadInput(place, f"more than {_MOST_ROWS} readings", "Give fewer rows.")
        if len(cells) != len(columns):
            problem = f"{len(cells)} cells where the header has {len(columns)}"
            raise BadInput(place, problem, "Write one cell for each column.")
        row = dict(zip(columns, (c.strip() for c in cells), strict=True))
        readings.append(_reading(place, len(readings) + 1, row, units, zone))
    if not readings:
        raise BadInput(str(path), "no readings", "Write at least one row after the header.")
    return readings


def _rows(path: Path) -> Iterator[tuple[int, list[str]]]:
    if not path.is_file():
        problem = "not a file" if path.exists() else "no such file"
        raise BadInput(str(path), problem, "Give a CSV file of readings.")
    with path.open("rb") as file:
        data = file.read(_MOST_BYTES + 1)
    if len(data) > _MOST_BYTES:
        raise BadInput(str(path), f"more than {_MOST_BYTES} bytes", "Give a CSV file of readings.")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise BadInput(str(path), "not UTF-8 text", "Save it as CSV in UTF-8.") from None
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        for cells in reader:
            if any(c.strip() for c in cells):
                yield reader.line_num, cells
    except csv.Error as problem:
        raise BadInput(f"{path}:{reader.line_num}", f"not CSV: {problem}", "Check quotes and commas.") from None


def _check_header(path: Path, line: int, columns: list[str]) -> None:
    place, remedy = f"{path}:{line}", "Start with time_s,name,value,unit; device, tolerance and kind may follow."
    for column in columns:
        if column not in _KNOWN:
            raise BadInput(place, f"unknown column {column[:_LONGEST]!r}", remedy)
        if columns.count(column) > 1:
            raise BadInput(place, f"column {column!r} twice", remedy)
    for column in _REQUIRED:
        if column not in columns:
            raise BadInput(place, f"no column {column!r}", remedy)
    if ("time_s" in columns) == ("time" in columns):
        raise BadInput(place, "one of the columns time_s and time is needed", remedy)


def _reading(
    place: str, number: int, row: dict[str, str], units: dict[str, str], zone: tzinfo | None
) -> PersonReading:
    name, typed_unit = row["name"], row["unit"]
    if not name or len(name) > _LONGEST_NAME:
        raise BadInput(place, "no name, or too long a one", f"Name the vessel in 1 to {_LONGEST_NAME} characters.")
    if typed_unit not in READING_UNITS:
        raise BadInput(place, f"unknown unit {typed_unit[:_LONGEST]!r}", f"Units are {' '.join(READING_UNITS)}.")
    own = "ft" if typed_unit == "ft-in" else typed_unit
    value, half_digit = _value(place, row["value"], typed_unit)
    tolerance = _tolerance(place, row.get("tolerance", ""), own, half_digit)
    target = units.setdefault(name, own)
    if unit(own).dimension is not unit(target).dimension:
        problem = f"{name!r} is in {own} here and in {target} above"
        raise BadInput(place, problem, "Give one name readings of one quantity.")
    ratio = unit(own).factor / unit(target).factor
    return PersonReading(
        number,
        _time_ns(place, row, zone),
        name,
        convert(value, own, target),
        target,
        half_digit * ratio,
        tolerance * ratio,
        _device(place, row.get("device", "")),
        _kind(place, row.get("kind", "")),
    )


def _value(place: str, text: str, typed_unit: str) -> tuple[Fraction, Fraction]:
    """Return the number and half of its last digit, in typed_unit (in ft for ft-in)."""
    if "ft" in text or "in" in text:
        if unit(typed_unit.split("-")[0]).dimension is not Dimension.LENGTH:
            raise BadInput(place, f"{text[:_LONGEST]!r} is no {typed_unit}", "Write a plain number.")
        target = "ft" if typed_unit == "ft-in" else typed_unit
        value = _or_bad(place, lambda: parse_quantity(text, Dimension.LENGTH))
        last = _LAST_TERM.search(text)
        if last is None:
            raise BadInput(place, f"{text[:_LONGEST]!r} can't be read", "Write it like 11 ft 5 in.")
        below, decimals, term = last.groups()
        step = Fraction(1, int(below)) if below else Fraction(1, 10 ** len(decimals or ""))
        return from_si(value, target), step * unit(term).factor / unit(target).factor / 2
    match = _NUMBER.fullmatch(text) if len(text) <= _LONGEST else None
    if match is None or not (match[1] or match[2]):
        raise BadInput(place, f"{text[:_LONGEST]!r} is no number", "Write the value like 3.480, or 11 ft 5 in.")
    return Fraction(text.rstrip(".")), Fraction(1, 2 * 10 ** len(match[2] or ""))


def _tolerance(place: str, text: str, own: str, half_digit: Fraction) -> Fraction:
    if not text:
        return half_digit
    match = _NUMBER.fullmatch(text) if len(text) <= _LONGEST else None
    if match is None or not (match[1] or match[2]) or Fraction(text.rstrip(".")) <= 0:
        raise BadInput(place, f"{text[:_LONGEST]!r} is no tolerance", f"Write a number over 0, in {own}.")
    return Fraction(text.rstrip("."))


def _time_ns(place: str, row: dict[str, str], zone: tzinfo | None) -> int:
    if "time_s" in row:
        text = row["time_s"]
        match = _NUMBER.fullmatch(text) if len(text) <= _LONGEST else None
        if match is None or not (match[1] or match[2]) or len(match[1] or "") > 11:
            raise BadInput(place, f"{text[:_LONGEST]!r} is no time", "Write seconds on the recording's clock.")
        return round(Fraction(text.rstrip(".")) * NS_PER_S)
    text = row["time"]
    try:
        moment = datetime.fromisoformat(text)
        if moment.tzinfo is None:
            moment = moment.replace(tzinfo=zone) if zone is not None else moment.astimezone()
        whole = int(moment.replace(microsecond=0).timestamp())
    except (ValueError, OverflowError, OSError):
        raise BadInput(place, f"{text[:_LONGEST]!r} is no time", "Write it like 2026-03-11T09:05:00.") from None
    return whole * NS_PER_S + moment.microsecond * 1000


def _device(place: str, text: str) -> int | None:
    if not text:
        return None
    if not (text.isascii() and text.isdigit() and len(text) <= 3 and 1 <= int(text) <= 247):
        raise BadInput(place, f"{text[:_LONGEST]!r} is no device", "Write its address, 1 to 247, or nothing.")
    return int(text)


def _kind(place: str, text: str) -> ReadingKind:
    try:
        return ReadingKind(text or "display")
    except ValueError:
        raise BadInput(place, f"{text[:_LONGEST]!r} is no kind of reading", "Write display or dip.") from None


def _or_bad(place: str, parse: Callable[[], Fraction]) -> Fraction:
    try:
        return parse()
    except ValueError as problem:
        raise BadInput(place, str(problem), "Write it like 11 ft 5 in.") from None
