"""Codes for "no value": what made-up devices send while an instrument has nothing to say.

A device has one habit for it. The codes are those met in practice (common practice, no source): not-a-numbers,
infinities, the greatest float, -999, -9999, all ones, the ends of the signed numbers, impossible or all-nine digits.
"""

import struct
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from registers.apart_columns import Column
from registers.apart_words import raw


def _single(value: float) -> int:
    return int.from_bytes(struct.pack(">f", value), "big")


def _double(value: float) -> int:
    return int.from_bytes(struct.pack(">d", value), "big")


# pattern, and what it would mean as a number (NaN: none)
_NONE = float("nan")
_CODES: dict[str, tuple[tuple[int, float], ...]] = {
    "float32": (
        (0x7FC00000, _NONE),
        (0x7FC00000, _NONE),
        (0xFFC00000, _NONE),
        (0x7FFFFFFF, _NONE),
        (0xFFFFFFFF, _NONE),
        (0x7FA00000, _NONE),
        (0x7F800001, _NONE),
        (0x7F800000, _NONE),
        (0xFF800000, _NONE),
        (0x7F7FFFFF, 3.4028234663852886e38),
        (_single(-999.0), -999.0),
        (_single(-9999.0), -9999.0),
    ),
    "float64": (
        (0x7FF8000000000000, _NONE),
        (0x7FF0000000000000, _NONE),
        (0xFFFFFFFFFFFFFFFF, _NONE),
        (0x7FEFFFFFFFFFFFFF, 1.7976931348623157e308),
        (_double(-999.0), -999.0),
        (_double(-9999.0), -9999.0),
    ),
    "uint16": ((0xFFFF, 65535), (0xFFFF, 65535), (0x8000, 32768), (0x7FFF, 32767), (9999, 9999)),
    "int16": (
        (0x8000, -32768),
        (0x8000, -32768),
        (0x7FFF, 32767),
        (0xFFFF, -1),
        (0xFC19, -999),
        (0xD8F1, -9999),
    ),
    "uint32": ((0xFFFFFFFF, 2**32 - 1), (0x7FFFFFFF, 2**31 - 1), (0x80000000, 2**31)),
    "int32": (
        (0x80000000, -(2**31)),
        (0x7FFFFFFF, 2**31 - 1),
        (0xFFFFFFFF, -1),
        (0xFFFFFC19, -999),
        (0xFFFFD8F1, -9999),
    ),
    "bcd16": ((0xFFFF, _NONE), (0x9999, 9999)),
    "mod10k32": ((0xFFFFFFFF, _NONE), (0x270F270F, 99_999_999)),
}


def with_faults(random: np.random.Generator, columns: list[Column]) -> list[Column]:
    """Return the columns with bursts of codes in all measured ones at once, or in one of them."""
    measured = [n for n, column in enumerate(columns) if column.analog]
    if not measured:
        return columns
    answers = len(columns[0].words)
    bad = np.zeros(answers, dtype=np.bool_)
    longest = max(3.0, answers * random.choice([0.01, 0.03, 0.1]))
    for _ in range(int(random.integers(1, 6))):
        first = int(random.integers(answers))
        bad[first : first + 1 + int(min(random.exponential(longest / 3), longest))] = True
    hit = measured if random.random() < 0.6 else [measured[int(random.integers(len(measured)))]]
    habit = random.integers(1 << 30)  # one habit: the same encoding takes the same code
    return [_hit(column, bad, int(habit)) if n in hit else column for n, column in enumerate(columns)]


def _hit(column: Column, bad: NDArray[np.bool_], habit: int) -> Column:
    kind = column.encoding.split("-")[0]
    least, greatest = float(column.truth.min()), float(column.truth.max())
    free = [code for code, means in _CODES[kind] if not least <= means <= greatest]
    if not free:
        return column
    words, truth = column.words.copy(), column.truth.copy()
    words[bad] = raw(column.encoding, free[habit % len(free)])
    truth[bad] = np.nan
    return replace(column, words=words, truth=truth)
