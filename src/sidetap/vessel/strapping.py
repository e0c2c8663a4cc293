"""Strapping tables: measured pairs of level and volume, linear between them, nothing outside them.

CSV text comes in, a ``Strapping`` goes out. The header names the units, ``level_m,volume_gal``: any length and any
volume of the table of units. Whole numbers and decimals are read exactly and turned into floats once.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass, field
from fractions import Fraction

from sidetap.quantity import UNITS, Dimension, to_si
from sidetap.vessel.shape import Vessel

_NUMBER = re.compile(r"[+-]?\d{1,12}(\.\d{0,12})?", re.ASCII)
MOST_ROWS = 20_000  # a table by the millimetre of a 20 m vessel


class StrappingProblem(ValueError):
    """What is wrong with a table, and where: line and column counted from 1 in characters."""

    def __init__(self, line: int, column: int, problem: str, remedy: str) -> None:
        self.line, self.column, self.problem, self.remedy = line, column, problem, remedy
        super().__init__(f"{line}:{column}: {problem}. {remedy}")


@dataclass(frozen=True, slots=True)
class StrappingRow:
    """One measured pair, and the line of its file; where it stood makes no other row of it."""

    level_m: Fraction
    volume_m3: Fraction
    _line: int = field(default=0, compare=False, repr=False)


@dataclass(frozen=True, slots=True)
class Strapping(Vessel):
    """A table of at least two rows, level and volume both rising from row to row."""

    rows: tuple[StrappingRow, ...]
    _levels: tuple[float, ...] = field(repr=False)
    _volumes: tuple[float, ...] = field(repr=False)
    _volume_unit: str = field(compare=False, repr=False)  # that of the file, for words about a row

    @staticmethod
    def of(rows: tuple[StrappingRow, ...], volume_unit: str) -> Strapping:
        """Return the table of these rows; the caller vouches that they rise."""
        levels, volumes = (
            tuple(map(float, column)) for column in zip(*((r.level_m, r.volume_m3) for r in rows), strict=True)
        )
        return Strapping(rows, levels, volumes, volume_unit)

    @property
    def bottom_m(self) -> float:
        """The level of the first row."""
        return self._levels[0]

    @property
    def top_m(self) -> float:
        """The level of the last row."""
        return self._levels[-1]

    def _volume(self, level_m: float) -> float:
        return _between(self._levels, self._volumes, level_m)

    def _level(self, volume_m3: float) -> float:
        return _between(self._volumes, self._levels, volume_m3)

    def _area(self, level_m: float) -> float:
        i = _segment(self._levels, level_m)
        return (self._volumes[i + 1] - self._volumes[i]) / (self._levels[i + 1] - self._levels[i])


def _segment(xs: tuple[float, ...], x: float) -> int:
    return min(bisect_right(xs, x), len(xs) - 1) - 1


def _between(xs: tuple[float, ...], ys: tuple[float, ...], x: float) -> float:
    i = _segment(xs, x)
    if x == xs[i + 1]:  # the last row, to its last digit
        return ys[i + 1]
    return ys[i] + (ys[i + 1] - ys[i]) * (x - xs[i]) / (xs[i + 1] - xs[i])


def parse_strapping(text: str) -> Strapping:
    """Return the table written in text; StrappingProblem for the first line that can't be used."""
    lines = text.removeprefix("\ufeff").splitlines()
    level_unit, volume_unit = _units(lines[0] if lines else "")
    rows: list[StrappingRow] = []
    for number, line in enumerate(lines[1:], 2):
        if not line.strip():
            continue
        row = _row(number, line, level_unit, volume_unit)
        if len(rows) == MOST_ROWS:
            raise StrappingProblem(number, 1, f"a table of over {MOST_ROWS} rows", "Leave out rows between.")
        if rows and row.level_m <= rows[-1].level_m:
            raise StrappingProblem(
                number, 1, "the level doesn't rise from the row before", "Sort the rows by level, each level once."
            )
        if rows and row.volume_m3 <= rows[-1].volume_m3:
            raise StrappingProblem(
                number,
                line.index(",") + 2,
                "the volume doesn't rise with the level: not monotone",
                "Compare this row and the one before with the strapping's paper.",
            )
        rows.append(row)
    if len(rows) < 2:
        raise StrappingProblem(1, 1, f"{len(rows)} rows where at least two are needed", "Add the measured rows.")
    return Strapping.of(tuple(rows), volume_unit)


def _units(header: str) -> tuple[str, str]:
    parts = [part.strip() for part in header.split(",")]
    if len(parts) == 2:
        level, volume = parts[0].removeprefix("level_"), parts[1].removeprefix("volume_")
        if (level, volume) != (parts[0], parts[1]) and _is(level, Dimension.LENGTH) and _is(volume, Dimension.VOLUME):
            return level, volume
    raise StrappingProblem(
        1,
        1,
        f"{header[:40]!r} is no header of a strapping table",
        f"Write level_UNIT,volume_UNIT, as level_m,volume_gal; levels in {_units_of(Dimension.LENGTH)},"
        f" volumes in {_units_of(Dimension.VOLUME)}.",
    )


def _units_of(dimension: Dimension) -> str:
    return " ".join(unit.name for unit in UNITS.values() if unit.dimension is dimension)


def _is(name: str, dimension: Dimension) -> bool:
    return name in UNITS and UNITS[name].dimension is dimension


def _row(number: int, line: str, level_unit: str, volume_unit: str) -> StrappingRow:
    cells = line.split(",")
    if len(cells) != 2:
        raise StrappingProblem(number, 1, f"{len(cells)} cells where a row has two", "Write LEVEL,VOLUME.")
    values: list[Fraction] = []
    column = 1
    for cell in cells:
        if _NUMBER.fullmatch(cell.strip()) is None:
            raise StrappingProblem(
                number, column, f"{cell.strip()[:40]!r} is not a number", "Write digits with a decimal point."
            )
        values.append(Fraction(cell.strip()))
        if values[-1] < 0:
            raise StrappingProblem(
                number, column, f"{cell.strip()} is below zero", "Count levels from the datum, volumes from empty."
            )
        column += len(cell) + 1
    return StrappingRow(to_si(values[0], level_unit), to_si(values[1], volume_unit), number)
