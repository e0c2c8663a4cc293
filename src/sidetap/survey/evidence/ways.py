"""The ways to read neighbouring registers as one value, as whole numbers that a histogram of changes can take.

Registers in; numbers, and which of them are codes for "no value", out. Floats become whole numbers in which one step
is the next float, so that one law does for all. Codes for "no value" (all ones, the ends of a range, -999 and such):
common practice, no source; not-a-number and infinity: IEEE 754.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from sidetap.survey.evidence.codelength import Ints
from sidetap.survey.evidence.tally import Flags, Numbers, Tally

ORDERS = ("high-word-first", "low-word-first", "high-word-first-swapped", "low-word-first-swapped")
DECIMALS = range(4)

_FAR_COUNTS, _FAR_ULPS, _FAR_DOUBLE = 32, 1 << 20, 1 << 47  # so far from the last value, a code is a code
_LEAST, _MOST = 1e-12, 1e9  # sizes of a sensible float, 0 apart
_LEAST_BITS, _MOST_BITS = (int(np.array(v, dtype=np.float32).view(np.uint32)) for v in (_LEAST, _MOST))
_GREATEST_BITS = 0x7F7F_FFFF  # of the greatest float32; beyond it infinity and what is no number
_MOST_ODD = 1000  # rows: a reading that fails so often is none
_SHORTEST = 2.0**-22  # of a float32: this close to a short decimal, it is that decimal
_WIDEST_DECIMAL = 2**20
_DOUBLE_BASE = 0x3D00 << 48  # below every sensible double but 0: what is left of them changes within 64 bits

_FIXED_STEPS = 2.0**20  # steps of FIXED in 1: a float32 of 8 to 16 has just those
_FIXED_EXPONENT, _WHOLE_FLOAT = 127 + 3, 32
_LAST_DIGIT = 4  # bits: by how little a float misses its decimal
_DIGITS_FULL = 9999
_DIGITS = np.array([int(f"{w:04x}") if f"{w:04x}".isdecimal() else -1 for w in range(1 << 16)])


@dataclass(frozen=True, slots=True)
class _Codes:
    """Codes of one width. heads: whether any starts with each highest word [65536], to pass by most numbers fast."""

    numbers: Ints
    shift: int
    heads: Flags

    @classmethod
    def of(cls, numbers: Sequence[int], shift: int) -> "_Codes":
        heads = np.zeros(1 << 16, dtype=np.bool_)
        heads[[n >> shift & 0xFFFF for n in numbers]] = True
        return cls(np.array(numbers, dtype=np.int64), shift, heads)


_WORD_CODES = _Codes.of((0xFFFF, 0x8000, 0x7FFF, 0x10000 - 999, 0x10000 - 9999, 9999), 0)
_WIDE_CODES = _Codes.of((0xFFFF_FFFF, 0x8000_0000, 0x7FFF_FFFF, 0x1_0000_0000 - 999, 0x1_0000_0000 - 9999), 16)
_FLOAT_CODES = _Codes.of(
    [int(np.float32(v).view(np.uint32)) for v in (-999, -9999, 9999, -999.9, -9999.9, 999.9, -99999)], 16
)
_DOUBLE_CODES = _Codes.of([int(np.float64(v).view(np.int64)) for v in (-999, -9999, 9999, -99999)], 48)


class Way(StrEnum):
    """What neighbouring registers are read as."""

    WORD = "word"  # uint16 and int16 alike: their changes are the same
    SWAPPED_WORD = "swapped-word"  # half of a longer value
    BCD = "bcd16"
    WHOLE = "whole"  # uint32 and int32 alike
    FLOAT = "float32"
    FIXED = "fixed"  # a float32 in steps of its value: one that crosses zero takes even steps there
    DECIMAL = "decimal"  # a float32 that always is a short decimal
    MODULO = "mod10k32"
    DOUBLE = "float64"


_WAY_OF = {"uint16": Way.WORD, "int16": Way.WORD, "uint32": Way.WHOLE, "int32": Way.WHOLE}


@dataclass(frozen=True, slots=True)
class Reading:
    """One way with its order. decimals: of DECIMAL only."""

    way: Way
    order: str = ""
    decimals: int = 0

    @property
    def width(self) -> int:
        """How many registers."""
        return {Way.WORD: 1, Way.SWAPPED_WORD: 1, Way.BCD: 1, Way.DOUBLE: 4}.get(self.way, 2)


READINGS: tuple[Reading, ...] = (
    Reading(Way.WORD),
    Reading(Way.SWAPPED_WORD),
    Reading(Way.BCD),
    *(Reading(way, order) for way in (Way.WHOLE, Way.FLOAT, Way.FIXED, Way.MODULO) for order in ORDERS),
    *(Reading(Way.DECIMAL, order, decimals) for order in ORDERS for decimals in DECIMALS),
    *(Reading(Way.DOUBLE, order) for order in ORDERS[:2]),
)

IN_STEPS = (Way.FLOAT, Way.FIXED, Way.DOUBLE)
# readings of two registers and more that stand or fall together
TOGETHER: tuple[tuple[Reading, ...], ...] = (
    *(
        tuple(r for r in READINGS if r.order == order and r.way in (Way.FLOAT, Way.FIXED, Way.DECIMAL))
        for order in ORDERS
    ),
    *((r,) for r in READINGS if r.way in (Way.WHOLE, Way.MODULO, Way.DOUBLE)),
)


class Rows:
    """Some rows of a block, as numbers [rows, registers], plain and with the bytes of every register exchanged."""

    def __init__(self, words: NDArray[np.uint16]) -> None:
        self.plain = words.astype(np.int64)
        self.swapped = words.byteswap().astype(np.int64)

    def ordered(self, order: str, which: Ints, width: int) -> list[Ints]:
        """Return the registers of values that start at `which`, highest word first."""
        source = self.swapped if order.endswith("swapped") else self.plain
        parts = [source[:, which + place] for place in range(width)]
        return parts if order.startswith("high") else parts[::-1]


@dataclass(frozen=True, slots=True)
class Read:
    """Registers read one way. unknown: where there is no value and no known code either; broken: not this way."""

    numbers: Numbers
    unknown: Flags | None = None
    broken: Flags | None = None


def read(reading: Reading, rows: Rows, which: Ints) -> Read:
    """Return the values that start at registers `which`, read one way."""
    words = rows.ordered(reading.order or ORDERS[0], which, reading.width)
    match reading.way:
        case Way.WORD:
            return Read(Numbers(words[0], _among(words[0], _WORD_CODES), None, _FAR_COUNTS, 16))
        case Way.SWAPPED_WORD:
            return Read(Numbers(rows.swapped[:, which], None, None, _FAR_COUNTS, 16))
        case Way.BCD:
            digits = _DIGITS[words[0]]
            none = digits < 0
            numbers = Numbers(digits, digits == _DIGITS_FULL, none, _FAR_COUNTS, None)
            return Read(numbers, broken=none & (words[0] != 0xFFFF))
        case Way.MODULO:
            high, low = words
            none = (high > 9999) | (low > 9999)
            value = high * 10_000 + low
            numbers = Numbers(value, value == _DIGITS_FULL, none, _FAR_COUNTS, None)
            return Read(numbers, broken=none & ((high != 0xFFFF) | (low != 0xFFFF)))
        case Way.WHOLE:
            value = words[0] << 16 | words[1]
            return Read(Numbers(value, _among(value, _WIDE_CODES), None, _FAR_COUNTS, 32))
        case Way.FLOAT:
            return _floats(words[0] << 16 | words[1])
        case Way.FIXED:
            return _fixed(words[0] << 16 | words[1])
        case Way.DECIMAL:
            return _decimals(words[0] << 16 | words[1], reading.decimals)
        case Way.DOUBLE:
            return _doubles(words[0] << 48 | words[1] << 32 | words[2] << 16 | words[3])


def _floats(bits: Ints) -> Read:
    size = bits & 0x7FFF_FFFF
    none = (size < _LEAST_BITS) & (bits != 0) | (size >= _MOST_BITS)  # -0.0 is a lone flag more often than a value
    numbers = Numbers(np.where(bits >> 31, -size, size), _among(bits, _FLOAT_CODES), none, _FAR_ULPS, None)
    return Read(numbers, unknown=none & (size < _GREATEST_BITS))


def _fixed(bits: Ints) -> Read:
    floats = _floats(bits)
    size = bits & 0x7FFF_FFFF
    passed = _passed(floats.numbers)
    with np.errstate(invalid="ignore", over="ignore"):
        steps = bits.astype(np.uint32).view(np.float32).astype(np.float64) * _FIXED_STEPS
    steps = np.where(passed, 0.0, steps)
    finer = np.where(size == 0, 0, np.clip(_FIXED_EXPONENT - (size >> 23), 0, _WHOLE_FLOAT))
    return Read(Numbers(np.rint(steps).astype(np.int64), None, passed, _FAR_COUNTS, None, (finer, bits)))


def _passed(numbers: Numbers) -> Flags:
    """Return where a float holds no value or looks like a code for that."""
    passed = np.zeros(numbers.values.shape, dtype=np.bool_)
    for which in (numbers.none, numbers.codes):
        passed = passed if which is None else passed | which
    return passed


def _decimals(bits: Ints, decimals: int) -> Read:
    floats = _floats(bits)
    passed = _passed(floats.numbers)
    with np.errstate(invalid="ignore", over="ignore"):
        scaled = bits.astype(np.uint32).view(np.float32).astype(np.float64) * 10.0**decimals
    scaled = np.where(passed, 0.0, scaled)
    whole = np.rint(scaled)
    near = (np.abs(scaled - whole) <= np.abs(scaled) * _SHORTEST) & (np.abs(scaled) < _WIDEST_DECIMAL)
    exact = (whole / 10.0**decimals).astype(np.float32).view(np.uint32)
    finer = np.where(passed | (exact == bits), 0, _LAST_DIGIT)
    numbers = Numbers(whole.astype(np.int64), None, passed, _FAR_COUNTS, None, (finer, bits))
    return Read(numbers, floats.unknown, broken=~near)


def _doubles(bits: Ints) -> Read:
    value = np.abs(bits.view(np.float64))
    with np.errstate(invalid="ignore"):
        none = ~((value >= _LEAST) & (value < _MOST) | (value == 0))
    size = np.where(none, 0, np.maximum((bits & 0x7FFF_FFFF_FFFF_FFFF) - _DOUBLE_BASE, 0))
    numbers = Numbers(np.where(bits < 0, -size, size), _among(bits, _DOUBLE_CODES), none, _FAR_DOUBLE, None)
    return Read(numbers, unknown=none & np.isfinite(value))


def count(reading: Reading, tally: Tally, rows: Rows, which: Ints, weights: Ints) -> None:
    """Add rows to a tally for the series `which`; series that can't be read so are given up."""
    found = read(reading, rows, which)
    if found.broken is not None and found.broken.any():
        dead = found.broken.any(axis=0)
        tally.alive[which[dead]] = False
        which = which[~dead]
        if not len(which):
            return
        found = read(reading, rows, which)
    if found.unknown is not None and found.unknown.any():
        tally.odd[which] += found.unknown.sum(axis=0)
        tally.alive[which[tally.odd[which] > _MOST_ODD]] = False
    tally.add(which, found.numbers, weights)


def _among(numbers: Ints, codes: "_Codes") -> Flags | None:
    """Return which numbers are among the codes; None for none."""
    head: Flags = codes.heads[numbers >> codes.shift & 0xFFFF]
    if not head.any():
        return None
    return head if codes.shift == 0 else head & np.isin(numbers, codes.numbers)


def value_of(reading: Reading, numbers: Ints) -> NDArray[np.float64]:
    """Return the values that numbers of one way stand for."""
    if reading.way is Way.FLOAT:
        bits = np.where(numbers < 0, 0x8000_0000 - numbers, numbers)
        return bits.astype(np.uint32).view(np.float32).astype(np.float64)
    if reading.way is Way.DOUBLE:
        size = np.where(numbers == 0, 0, np.abs(numbers) + _DOUBLE_BASE)
        return np.asarray(size.view(np.float64) * np.sign(numbers))
    return numbers.astype(np.float64)


def fault_codes(encoding: str, words: NDArray[np.uint16]) -> Flags:
    """Return which answers [answers, width] hold a code for "no value" under an encoding, by the rules of counting.

    All of them codes, and they are values after all: a setting of 9999.
    """
    kind, _, order = encoding.partition("-")
    nowhere = np.zeros(len(words), dtype=np.bool_)
    if kind in ("text", "bits16") or not len(words):
        return nowhere
    way = _WAY_OF.get(kind)
    numbers = read(Reading(Way(kind) if way is None else way, order), Rows(words), np.array([0])).numbers
    faults = numbers.faults(np.zeros(1, dtype=np.int64), np.zeros(1, dtype=np.bool_))
    return nowhere if faults is None or faults.all() else faults[:, 0]
