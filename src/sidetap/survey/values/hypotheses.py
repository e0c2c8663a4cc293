"""All the ways to read the words of one poll, each with its price in bits.

A block of answers in, hypotheses out: "registers 2 and 3 are a float32, low word first". Every hypothesis codes the
same raw words over the same answers, so that the prices of a complete partition of the block can be added up and
compared. A price has two parts: what is expected before looking at any change (kind, word order, first value), and
what the changes cost. Only the second part is evidence that grows with the record.

Answers that carry a code for "no value" (all ones, a float's not-a-number) are left out of the coding for the whole
block, as long as they are few: they tell about the sensor, not about the encoding.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidetap.line import decode_array
from sidetap.survey.values.codelength import (
    Floats,
    Ints,
    flag_bits,
    float_bits,
    integer_bits,
    jump_bits,
    residual_bits,
    series_bits,
    wrapped,
)

Words = NDArray[np.uint16]

ORDERS = ("high-word-first", "low-word-first", "high-word-first-swapped", "low-word-first-swapped")
# bits a device's order costs beforehand; exchanged bytes are rarer. Common practice, no source.
ORDER_BITS = dict(zip(ORDERS, (1.3, 1.3, 3.0, 3.0), strict=True))
# bits a kind of encoding costs beforehand; set on synthetic lines, common practice, no source
KIND_BITS = {"uint16": 1.0, "int16": 3.0, "uint32": 3.5, "int32": 5.0, "float32": 2.0, "text": 4.0}

_CODED_WORDS = 1 << 21  # words coded of a whole line, so that a line of thousands of registers takes seconds
_FEWEST_CODED, _MOST_CODED = 512, 4096  # answers of a block, in _RUNS runs spread over the record
_RUNS = 8
_WRONG_SIGN = 12.0  # bits: a series that jumps through the end of its range under this sign only
_CARRY = 10.0  # bits a carry
_MOST_CARRIES = 4
_SWAPPED_INTEGER = 3.0
_DEEP_NEGATIVE = 9.0  # bits: below -10,000 all the time, seldom a quantity
_DEEP = -10_000
_WHITE = 12.0  # bits: a 16-bit register full of noise is no quantity, but the low word of one
_WHITE_FROM = 14.0  # bits a change
_HUGE_INTEGER = 6.0  # bits: over 10^8, seldom a quantity
_HUGE = 10**8
_FEWEST_STEPS = 8
_FLAGS = 2.0
_UNLIKELY_FLOAT = 30.0
_HALF_EMPTY = 12.0  # bits: a float that moves between whole numbers, yet never uses its low word
_SINGLE_ULPS = 12.0  # bits: a float that moves by its last digit only; a whole number that counts does that
_DECIMALS = 4.0  # bits: the values lie on a decimal lattice
_FEWEST_FLOATS = 0.8  # share of answers that must be numbers of a sensible size
_FAULTS_AT_MOST = 0.2  # share of answers that may be left out as fault codes


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """Words `start` to `start + width - 1` of a block are one value in this encoding (order "" for 16 bits)."""

    start: int
    width: int
    kind: str
    order: str
    prior_bits: float
    change_bits: float

    @property
    def encoding(self) -> str:
        """The name of the encoding as the contract spells it."""
        return f"{self.kind}-{self.order}" if self.order else self.kind


def coded_answers(registers: int) -> int:
    """Return how many answers of each block are coded on a line of so many registers."""
    return min(max(_CODED_WORDS // max(registers, 1), _FEWEST_CODED), _MOST_CODED)


def hypotheses(words: Words, coded_answers: int = _MOST_CODED) -> list[Hypothesis]:
    """Return every hypothesis about a block of answers [answers, registers] that its words allow."""
    coded = _spread(words[_without_faults(words)], coded_answers)
    raw = coded.astype(np.int64)
    found = _sixteen_bits(raw) + _texts(raw)
    if raw.shape[1] > 1:
        for order in ORDERS:
            found += _integers(coded, order)
            found += _floats(coded, order)
    return found


def _spread(words: Words, most: int) -> Words:
    if len(words) <= most:
        return words
    length = most // _RUNS
    starts = np.linspace(0, len(words) - length, _RUNS).astype(int)
    places = np.concatenate([np.arange(s, s + length) for s in starts])
    return np.asarray(words[places], dtype=np.uint16)


def _without_faults(words: Words) -> NDArray[np.bool_]:
    """Return which answers carry no code for "no value"; all of them when such answers are not few."""
    fault = (words == 0xFFFF) | (words == 0x7FC0) | (words == 0xC07F)
    rare = fault.mean(axis=0) <= _FAULTS_AT_MOST
    keep = ~(fault & rare).any(axis=1)
    if keep.mean() < 1 - _FAULTS_AT_MOST:
        return np.ones(len(words), dtype=np.bool_)
    return np.asarray(keep, dtype=np.bool_)


def _sixteen_bits(raw: Ints) -> list[Hypothesis]:
    first = raw[0]
    signed = np.where(raw >= 32768, raw - 65536, raw)
    changes = np.minimum(series_bits(raw, 16, wraps=True), flag_bits(raw) + _FLAGS)
    negative = np.atleast_1d((raw >= 32768).any(axis=0))
    both_halves = negative & np.atleast_1d((raw < 32768).any(axis=0))
    steps = np.diff(raw, axis=0)
    jumps = np.atleast_1d((np.abs(steps) > 32768).any(axis=0))
    # a counter that rolls over jumps too, but it never falls otherwise
    rolls = np.atleast_1d((wrapped(steps, 16) >= 0).all(axis=0))
    carried = _carries(steps)
    white = np.where(changes > _WHITE_FROM * len(steps), _WHITE, 0.0) if len(steps) > _FEWEST_STEPS else 0.0 * changes
    found = []
    for j in range(raw.shape[1]):
        price = KIND_BITS["uint16"] + float(white[j] + integer_bits(first[j : j + 1], 16)[0])
        price += _WRONG_SIGN if jumps[j] and not rolls[j] else 0.0
        price += _CARRY * float(carried[j])
        found.append(Hypothesis(j, 1, "uint16", "", price, float(changes[j])))
        if negative[j]:
            price = KIND_BITS["int16"] + float(white[j] + integer_bits(signed[0, j : j + 1], 16)[0])
            price += _CARRY * float(carried[j])
            price += _DEEP_NEGATIVE if signed[:, j].max() < _DEEP else 0.0
            price += _WRONG_SIGN if both_halves[j] and not jumps[j] else 0.0
            found.append(Hypothesis(j, 1, "int16", "", price, float(changes[j])))
    return found


def _carries(steps: Ints) -> Ints:
    """Return how often each column jumped through its end while a neighbour took the carry, four at most.

    That two registers of their own do so is a coincidence that tells more than the changes' bits can.
    """
    jumped = np.where(np.abs(steps) > 32768, -np.sign(steps), 0)
    count = np.zeros(steps.shape[1], dtype=np.int64)
    for shift in (1, -1):
        neighbour = np.roll(steps, shift, axis=1)
        neighbour[:, 0 if shift == 1 else -1] = 0
        taken = ((jumped != 0) & (neighbour == jumped)).sum(axis=0)
        # a neighbour that moves at other times as well is not the upper half of this one
        alone = ((neighbour != 0) & (jumped == 0)).sum(axis=0) == 0
        count = np.maximum(count, np.where(alone, taken, 0))
    return np.minimum(count, _MOST_CARRIES)


def _texts(raw: Ints) -> list[Hypothesis]:
    """Return runs of constant registers that hold printable characters, the last perhaps ended by a zero byte."""
    still = (raw == raw[0]).all(axis=0)
    high, low = raw[0] >> 8, raw[0] & 0xFF
    printable = still & _printable(high) & (_printable(low) | (low == 0))
    price = _character_bits(high) + _character_bits(low)
    found = []
    for start in range(raw.shape[1]):
        end = start
        while end < raw.shape[1] and printable[end] and end - start < 16:
            end += 1
            if end - start >= 2:
                bits = KIND_BITS["text"] + float(price[start:end].sum())
                found.append(Hypothesis(start, end - start, "text", "", bits, float(np.log2(len(raw)))))
    return found


def _printable(byte: Ints) -> NDArray[np.bool_]:
    return (byte >= 32) & (byte < 127)


def _character_bits(byte: Ints) -> Floats:
    usual = ((byte >= 48) & (byte < 58)) | ((byte >= 65) & (byte < 91)) | (byte == 32) | (byte == 45)
    return np.where(usual, 5.3, 7.5)


def _integers(words: Words, order: str) -> list[Hypothesis]:
    unsigned = pairs(words, f"uint32-{order}").astype(np.int64)
    signed = np.where(unsigned >= 2**31, unsigned - 2**32, unsigned)
    changes = series_bits(unsigned, 32, wraps=True)
    swapped = _SWAPPED_INTEGER if order.endswith("swapped") else 0.0
    found = []
    for kind, values in (("uint32", unsigned), ("int32", signed)):
        first = values[0]
        price = KIND_BITS[kind] + swapped + integer_bits(first, 32) + np.where(abs(first) > _HUGE, _HUGE_INTEGER, 0.0)
        found += [
            Hypothesis(j, 2, kind, order, float(price[j]), float(changes[j]))
            for j in range(values.shape[1])
            if kind == "uint32" or (values[:, j] < 0).any()
        ]
    return found


def _floats(words: Words, order: str) -> list[Hypothesis]:
    values = pairs(words, f"float32-{order}").astype(np.float64)
    size = np.abs(values)
    with np.errstate(invalid="ignore"):
        sensible = np.isfinite(values) & (size < 1e9) & ((size > 1e-12) | (size == 0))
    share = sensible.mean(axis=0)
    found = []
    columns = np.flatnonzero(share >= _FEWEST_FLOATS)
    if not len(columns):
        return []
    middle = np.array([np.median(values[sensible[:, j], j]) for j in columns])
    usual = (middle == 0) | (np.abs(middle) > 1e-7)
    columns, middle = columns[usual], middle[usual]
    if not len(columns):
        return []
    sensible = sensible[:, columns]
    filled = np.where(sensible, values[:, columns], middle)
    holes = (np.diff(sensible.astype(np.int64), axis=0) != 0).sum(axis=0) + (share[columns] < 1)

    bits = pairs(words, f"uint32-{order}").astype(np.int64)[:, columns]
    ulps = _ulps(bits)
    changes = series_bits(ulps, 32, wraps=False)
    changes = np.minimum(changes, _by_slope(filled, ulps))
    changes = np.minimum(changes, _word_by_word(words, order)[columns])
    changes = np.minimum(changes, _on_decimals(filled, holes))
    changes = np.minimum(changes, 32.0 * len(words))

    price = KIND_BITS["float32"] + float_bits(filled[0])
    extreme = np.maximum(float_bits(filled.min(axis=0)), float_bits(filled.max(axis=0))) - 23
    price += np.where(extreme > _UNLIKELY_FLOAT, _UNLIKELY_FLOAT, 0.0)
    fractions = (filled != np.rint(filled)).any(axis=0)
    half_empty = ((bits & 0xFFFF) == 0).all(axis=0) & (bits != bits[0]).any(axis=0) & fractions
    price += np.where(half_empty, _HALF_EMPTY, 0.0)
    price += np.where(np.abs(np.diff(ulps, axis=0)).max(axis=0, initial=0) == 1, _SINGLE_ULPS, 0.0)
    for position, j in enumerate(columns):
        found.append(Hypothesis(int(j), 2, "float32", order, float(price[position]), float(changes[position])))
    return found


def _ulps(bits: Ints) -> Ints:
    """Return the bits of float32s as numbers in which one step is the next float."""
    return np.where(bits >= 2**31, -(bits & 0x7FFFFFFF), bits)


def _by_slope(values: Floats, ulps: Ints) -> Floats:
    """Return the bits of floats that go on as they went, in value: in ulps a steady slope bends at powers of two."""
    if len(values) < 3:
        return np.full(values.shape[1], np.inf)
    expected = (2 * values[1:-1] - values[:-2]).astype(np.float32)
    missed = ulps[2:] - _ulps(expected.view(np.uint32).astype(np.int64))
    return residual_bits(missed, 32) + integer_bits(ulps[1] - ulps[0], 32) + 1


def _word_by_word(words: Words, order: str) -> Floats:
    """Return the bits of each pair whose high word moves smoothly while its low word is noise."""
    high_first = order.startswith("high")
    in_order = words.byteswap() if order.endswith("swapped") else words
    smooth = in_order.astype(np.int64)
    if len(smooth) < 2:
        high = np.zeros(smooth.shape[1])
    else:
        middle = np.median(smooth, axis=0).astype(np.int64)
        steps = wrapped(smooth[1:] - smooth[:-1], 16)
        from_middle = wrapped(smooth[1:] - middle, 16)
        high = np.minimum(residual_bits(steps, 16), residual_bits(from_middle, 16) + 2)
    low = jump_bits(words.astype(np.int64))
    together = high[:-1] + low[1:] if high_first else high[1:] + low[:-1]
    return together + 1


def _on_decimals(values: Floats, holes: Ints) -> Floats:
    """Return the bits of floats that are all short decimals, coded as whole numbers; a wall where they are not."""
    best = np.full(values.shape[1], np.inf)
    for decimals in range(4):
        scaled = values * 10.0**decimals
        whole = np.rint(scaled)
        near = np.abs(scaled - whole) <= np.abs(scaled) * 2.0**-22 + 1e-12
        fits = (near & (np.abs(scaled) < 2**20)).all(axis=0)
        if fits.any():
            counts = whole[:, fits].astype(np.int64)
            bits = residual_bits(counts[1:] - counts[:-1], 16) + _DECIMALS + holes[fits] * _UNLIKELY_FLOAT
            best[fits] = np.minimum(best[fits], bits)
    return best


def pairs(words: Words, encoding: str) -> NDArray[np.generic]:
    """Return every two neighbouring registers of a block decoded as one value [answers, registers - 1]."""
    answers, registers = words.shape
    side_by_side = np.stack([words[:, :-1], words[:, 1:]], axis=2).reshape(-1, 2)
    return decode_array(encoding, side_by_side).reshape(answers, registers - 1)
