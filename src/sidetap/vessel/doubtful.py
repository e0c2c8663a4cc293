"""Rows of a strapping table that rise as they must and still look like a slip of the pen.

A wrong volume in one row makes the piece below it too steep and the piece above it too flat, or the other way round,
while the table without that row runs smoothly. Real vessels don't do that: a cone, a kink, a coil or a manway bends
the table one way, or in one piece. Only such rows are named, and only when they are off by more than rounding and by
more than anybody could have read wrong; two slips side by side, and one in the first or last row, are not seen.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction

from sidetap.quantity import from_si
from sidetap.vessel.strapping import Strapping, StrappingRow

# common practice, no source: strapping tables are good to some per mil, tapes and dips to a few mm
_LEAST_M = 0.005  # what a row must be off, in the level it is worth
_LEAST_SHARE = 0.03  # what its two slopes must be off
_TIMES_SPREAD = 3  # what they must be off, in how much the slopes around differ among themselves
_TIMES_LAST_DIGIT = 3


@dataclass(frozen=True, slots=True)
class DoubtfulRow:
    """One row, the line of its file, and what to say about it."""

    line: int
    problem: str
    remedy: str


def doubtful_rows(table: Strapping) -> tuple[DoubtfulRow, ...]:
    """Return the rows that look wrong, from below upwards."""
    found = list(_candidates(table))
    if not found:
        return ()
    unit = table._volume_unit
    rounding = _TIMES_LAST_DIGIT * _last_digit(from_si(row.volume_m3, unit) for row in table.rows)
    return tuple(
        DoubtfulRow(
            row._line,
            f"{_number(written)} {unit} where the rows around it tell about {float(expected):.5g} {unit}",
            "Compare this row with the strapping's paper.",
        )
        for row, expected_m3 in found
        if abs((written := from_si(row.volume_m3, unit)) - (expected := from_si(Fraction(expected_m3), unit)))
        > rounding
    )


def _candidates(table: Strapping) -> Iterator[tuple[StrappingRow, float]]:
    """Yield rows between a piece too steep and one too flat, each with what the line between its neighbours tells."""
    levels, volumes = table._levels, table._volumes
    slopes = [(volumes[n + 1] - volumes[n]) / (levels[n + 1] - levels[n]) for n in range(len(levels) - 1)]
    for n in range(1, len(slopes)):  # slopes[n] leads from row n to the next
        around = slopes[max(n - 3, 0) : n - 1] + slopes[n + 1 : n + 3]
        if len(around) < 2:
            continue
        without = (volumes[n + 1] - volumes[n - 1]) / (levels[n + 1] - levels[n - 1])
        low, high = min(*around, without), max(*around, without)
        margin = max(_TIMES_SPREAD * (high - low), _LEAST_SHARE * without)
        flat, steep = sorted(slopes[n - 1 : n + 1])
        expected = volumes[n - 1] + without * (levels[n] - levels[n - 1])
        worth_m = abs(volumes[n] - expected) / without
        if flat < low - margin and steep > high + margin and worth_m > _LEAST_M:
            yield table.rows[n], expected


def _last_digit(written: Iterable[Fraction]) -> Fraction:
    """Return the power of ten, at most 1000, that all numbers are whole multiples of."""
    step = Fraction(1000)
    for number in written:
        while number % step:
            step /= 10
    return step


def _number(written: Fraction) -> str:
    return f"{float(written):.12g}"
