"""All the ways to read the registers of one poll, each with its price in bits.

A block in, hypotheses out: "registers 2 and 3 are a float32, low word first". Every hypothesis codes the same raw
words over the same answers, so that the prices of a complete partition of the block can be added up and compared. A
price has two parts: what is expected before looking at any change (kind, word order, first value, range), and what
the changes cost, as `sidetap.survey.evidence` counted them over all answers. Only the second part is evidence that
grows with the record.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidetap.line import decode_array
from sidetap.survey.answers import Block
from sidetap.survey.evidence import ORDERS, Evidence, Way
from sidetap.survey.evidence.codelength import Floats, Ints, binary_entropy, float_bits, integer_bits, wrapped
from sidetap.survey.evidence.tally import Tally
from sidetap.survey.evidence.ways import DECIMALS, Reading, value_of

Words = NDArray[np.uint16]

# bits a device's order costs beforehand; exchanged bytes are rarer. Common practice, no source.
ORDER_BITS = dict(zip(ORDERS, (1.3, 1.3, 3.0, 3.0), strict=True))
# bits a kind of encoding costs beforehand; set on made-up lines, common practice, no source
KIND_BITS = {
    "uint16": 1.0,
    "int16": 3.0,
    "bits16": 3.0,
    "bcd16": 8.0,
    "uint32": 3.5,
    "int32": 5.0,
    "float32": 2.0,
    "mod10k32": 7.0,
    "float64": 6.0,
    "text": 4.0,
}

_WRONG_SIGN = 12.0  # bits: a series that jumps through the end of its range under this sign only
_CARRY = 10.0  # bits a carry
_MOST_CARRIES = 4
_SWAPPED_INTEGER = 3.0
_DEEP_NEGATIVE = 9.0  # bits: below -10,000 all the time, seldom a quantity
_NEGATIVE = 4.0  # bits: below -1,000 all the time
_DEEP, _LOW = -10_000, -1000
_WHITE = 12.0  # bits: a 16-bit register full of noise is no quantity, but the low word of one
_WHITE_FROM = 14.0  # bits a change
_HUGE_INTEGER = 10.0  # bits: over 10^8, seldom a quantity
_HUGE = 10**8
_WHITE_HALF, _WHITE_HALF_FROM = 16.0, 28.0  # the same of two registers
_GOOD = 2.0  # bits: a word that always is 1 is a status more often than anything else; common practice, no source
_LINGERING = 2.0  # bits: a number of two words, no counter, whose upper word is that
_AS_OFTEN = 0.8  # of the changes
_MOST_FAULTS = 0.5  # of the answers
_NO_UNITS = 12.0  # bits: a whole number that is always a multiple of 65536
_FEWEST_CHANGES = 8
_UNLIKELY_FLOAT = 30.0
_HALF_EMPTY = 8.0  # bits: a float that moves between whole numbers, yet never uses its low word
_SINGLE_ULPS = 12.0  # bits: a float that moves by its last digit only; a whole number that counts does that
_DECIMALS = 4.0  # bits: the values lie on a decimal lattice
_MOST_ODD = 0.2  # share of rows that may hold no float of a sensible size and no known code
_ODD = 32.0  # bits: one of those
_WORD_BY_WORD = 1.0
_FIXED = 1.0
_FINE = 24.0  # bits: a double of which only one half moves; two values of their own do that
_MOST_FINE = 0.05  # of its changes
_FINE_SYMBOLS = 2 * 32  # of changes below 2³¹
_EVEN, _LARGE_SYMBOL = 0.98, 2 * 12  # of changes of 2¹¹ and more
_MANTISSA = {"float32": 23, "float64": 52}


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


def hypotheses(block: Block) -> list[Hypothesis]:
    """Return every hypothesis about a block that its words allow."""
    priced = _Priced(block)
    found = [*priced.words(), *_texts(block.words)]
    for order in ORDERS:
        found += [*priced.integers(order), *priced.floats(order), *priced.modulo(order)]
    for order in ORDERS[:2]:
        found += priced.doubles(order)
    return found


@dataclass(frozen=True, slots=True)
class _Series:
    """Values from every register that may start one [series], NaN where there never was one.

    first: the first that is no fault code; least, most: of all that are none.
    """

    first: Floats
    least: Floats
    most: Floats

    @classmethod
    def of(cls, evidence: Evidence, reading: Reading, *, signed: bool = False) -> "_Series":
        tally = evidence.tally(reading)
        bits = 16 * reading.width
        first = wrapped(tally.first, bits) if signed else tally.first
        ends = (tally.signed_least, tally.signed_most) if signed else (tally.least, tally.most)
        told = (np.where(tally.seen, value_of(reading, np.where(tally.seen, n, 0)), np.nan) for n in (first, *ends))
        return cls(*told)


class _Priced:
    """Hypotheses about the numbers of one block."""

    def __init__(self, block: Block) -> None:
        self._words = block.words
        self._evidence: Evidence = block.evidence
        self._counters = _rising(self._evidence.tally(Reading(Way.WORD)))
        self._carries: NDArray[np.bool_] = np.any(block.words, axis=0, keepdims=True)[0]  # anything but zeros

    def words(self) -> Iterator[Hypothesis]:
        """Return the ways to read single registers."""
        evidence = self._evidence
        changes, flags = evidence.change_bits(Reading(Way.WORD)), evidence.flag_bits()
        turned = evidence.turned
        white = (changes > _WHITE_FROM * turned) & (turned > _FEWEST_CHANGES)
        # that two registers of their own pass on a carry is a coincidence that tells more than the changes' bits can;
        # a neighbour that moves at other times as well is not the upper half of this one
        carried = np.where(evidence.restless == 0, evidence.carries, 0).max(axis=0)
        both = _WHITE * white + _CARRY * np.minimum(carried, _MOST_CARRIES)
        tally = evidence.tally(Reading(Way.WORD))
        falls, rising = tally.changes[:, 1::2].sum(axis=1), self._counters
        unsigned, signed = (_Series.of(evidence, Reading(Way.WORD), signed=s) for s in (False, True))
        for j in range(evidence.registers):
            # a counter that rolls over jumps too, but it never falls otherwise
            price = KIND_BITS["uint16"] + both[j] + _integer_price(unsigned.first[j], 16)
            price += _WRONG_SIGN if tally.wraps[j] and falls[j] else 0.0
            price -= _GOOD if not turned[j] and unsigned.first[j] == 1 else 0.0
            yield Hypothesis(j, 1, "uint16", "", float(price), float(changes[j]))
            price = KIND_BITS["int16"] + both[j] + _integer_price(signed.first[j], 16)
            price += _DEEP_NEGATIVE if signed.most[j] < _DEEP else _NEGATIVE if signed.most[j] < _LOW else 0.0
            crosses = signed.least[j] < 0 <= signed.most[j]
            price += _WRONG_SIGN if crosses and (rising[j] or not tally.wraps[j]) else 0.0
            yield Hypothesis(j, 1, "int16", "", float(price), float(changes[j]))
            if turned[j]:
                price = KIND_BITS["bits16"] + _integer_price(unsigned.first[j], 16)
                yield Hypothesis(j, 1, "bits16", "", float(price), float(flags[j]))
        alive = evidence.alive(Reading(Way.BCD))
        digits, bits = _Series.of(evidence, Reading(Way.BCD)), evidence.change_bits(Reading(Way.BCD))
        for j in np.flatnonzero(alive & np.isfinite(digits.first)).tolist():
            price = KIND_BITS["bcd16"] + _integer_price(digits.first[j], 14)
            yield Hypothesis(j, 1, "bcd16", "", float(price), float(bits[j]))

    def integers(self, order: str) -> Iterator[Hypothesis]:
        """Return the whole numbers of two registers."""
        if self._evidence.registers < 2:
            return
        reading = Reading(Way.WHOLE, order)
        changes = self._evidence.change_bits(reading) + self._timing()
        alive = np.flatnonzero(self._evidence.alive(reading)).tolist()
        swapped = _SWAPPED_INTEGER if order.endswith("swapped") else 0.0
        for kind in ("uint32", "int32"):
            series = _Series.of(self._evidence, reading, signed=kind == "int32")
            tally = self._evidence.tally(reading)
            rising, turned = _rising(tally), tally.changes[:, 1:].sum(axis=1)
            white = (changes > _WHITE_HALF_FROM * turned) & (turned > _FEWEST_CHANGES)
            for j in alive:
                if kind == "int32" and not series.least[j] < 0:
                    continue
                price = KIND_BITS[kind] + swapped + _integer_price(series.first[j], 32)
                clock = rising[j] and _is_even(tally.changes[j])
                huge = max(-series.least[j], series.most[j]) > _HUGE and not clock
                price += (_HUGE_INTEGER if huge else 0.0) + (_WHITE_HALF if white[j] else 0.0)
                price += self._lingering(j, order) + self._without_units(j, order)
                yield Hypothesis(j, 2, kind, order, float(price), float(changes[j]))

    def _timing(self) -> Floats:
        """Return what it is worth that two words move at the same moments, where that is no evidence for one number.

        All values of a device may be renewed at once. In one number, the upper word moves less often than the lower.
        """
        turned, rows = self._evidence.turned, self._evidence.rows
        fewer, more = np.minimum(turned[:-1], turned[1:]), np.maximum(turned[:-1], turned[1:])
        when = binary_entropy(fewer, np.full(len(fewer), rows))
        return np.where(fewer > _AS_OFTEN * more, when, 0.0)

    def _lingering(self, j: int, order: str) -> float:
        """Return what it costs that the upper half of a number, no counter, always is 1, as a status would."""
        upper, lower = (j, j + 1) if order.startswith("high") else (j + 1, j)
        turned = self._evidence.turned
        status = not turned[upper] and self._evidence.tally(Reading(Way.WORD)).first[upper] == 1
        return _LINGERING if status and turned[lower] and not self._counters[lower] else 0.0

    def _without_units(self, j: int, order: str) -> float:
        """Return what it costs that only the upper half of a whole number ever carries anything."""
        upper, lower = (j, j + 1) if order.startswith("high") else (j + 1, j)
        return _NO_UNITS if self._carries[upper] and not self._carries[lower] else 0.0

    def modulo(self, order: str) -> Iterator[Hypothesis]:
        """Return the pairs of registers that hold four decimal digits each."""
        reading = Reading(Way.MODULO, order)
        alive = np.flatnonzero(self._evidence.alive(reading))
        if not len(alive):
            return
        changes = self._evidence.change_bits(reading) + self._timing()
        series = _Series.of(self._evidence, reading)
        swapped = _SWAPPED_INTEGER if order.endswith("swapped") else 0.0
        for j in alive[np.isfinite(series.first[alive])].tolist():
            price = KIND_BITS["mod10k32"] + swapped + _integer_price(series.first[j], 27) + self._lingering(j, order)
            yield Hypothesis(j, 2, "mod10k32", order, float(price), float(changes[j]))

    def floats(self, order: str) -> Iterator[Hypothesis]:
        """Return the floats of two registers."""
        evidence, reading = self._evidence, Reading(Way.FLOAT, order)
        alive = evidence.alive(reading)
        if not alive.any():
            return
        tally = evidence.tally(reading)
        rising = _rising(tally)
        changes = np.minimum(evidence.change_bits(reading), evidence.change_bits(Reading(Way.FIXED, order)) + _FIXED)
        faults = tally.bursts * np.log2(evidence.rows + 1)
        for decimals in DECIMALS:
            bits = evidence.change_bits(Reading(Way.DECIMAL, order, decimals))
            changes = np.minimum(changes, bits + _DECIMALS)
        changes = np.minimum(changes + self._timing(), self._word_by_word(order))
        changes = changes + _ODD * tally.odd
        carries = self._carries
        for j, price in self._float_prices(reading, alive & (tally.odd <= _MOST_ODD * evidence.rows)):
            low, high = (j + 1, j) if order.startswith("high") else (j, j + 1)
            empty = not carries[low] and evidence.turned[high] and self._has_fractions(j, order)
            price += _HALF_EMPTY if empty else 0.0
            ulps = tally.changes[j]
            single = ulps[2:4].any() and not ulps[4:].any()
            # a clock read in the wrong order takes large even steps; a float that counts energy rises by last digits
            clock = rising[j] and _is_even(ulps) and not ulps[:_LARGE_SYMBOL][2:].any()
            price += _SINGLE_ULPS if single or clock else 0.0
            yield Hypothesis(j, 2, "float32", order, price, float(min(changes[j], 32.0 * evidence.rows + faults[j])))

    def _has_fractions(self, j: int, order: str) -> bool:
        values = decode_array(f"float32-{order}", self._words[:, j : j + 2])
        values = values[np.isfinite(values)]
        return bool((values != np.rint(values)).any())

    def _float_prices(self, reading: Reading, which: NDArray[np.bool_]) -> Iterator[tuple[int, float]]:
        """Return the first register and the price of each float that may be one."""
        kind = reading.way.value
        mantissa = _MANTISSA[kind]
        series = _Series.of(self._evidence, reading)
        first = float_bits(series.first, mantissa)
        ends = np.maximum(float_bits(series.least, mantissa), float_bits(series.most, mantissa)) - mantissa
        mostly = self._evidence.tally(reading).faults <= _MOST_FAULTS * self._evidence.answers
        for j in np.flatnonzero(which & mostly & np.isfinite(series.first)).tolist():
            price = KIND_BITS[kind] + first[j] + (_UNLIKELY_FLOAT if ends[j] > _UNLIKELY_FLOAT else 0.0)
            yield j, float(price)

    def _word_by_word(self, order: str) -> Floats:
        """Return the bits of each pair whose high word moves smoothly while its low word is noise."""
        swapped = order.endswith("swapped")
        smooth = self._evidence.change_bits(Reading(Way.SWAPPED_WORD if swapped else Way.WORD))
        raw = self._evidence.raw_bits()
        together = smooth[:-1] + raw[1:] if order.startswith("high") else smooth[1:] + raw[:-1]
        return np.asarray(together + _WORD_BY_WORD, dtype=np.float64)

    def doubles(self, order: str) -> Iterator[Hypothesis]:
        """Return the floats of four registers."""
        evidence, reading = self._evidence, Reading(Way.DOUBLE, order)
        alive = evidence.alive(reading)
        if not alive.any():
            return
        tally = evidence.tally(reading)
        changes = np.minimum(evidence.change_bits(reading), self._half_by_half(order)) + _ODD * tally.odd
        carries = self._carries
        for j, price in self._float_prices(reading, alive & (tally.odd <= _MOST_ODD * evidence.rows)):
            moved = tally.changes[j, 1:].sum()
            fine = moved and tally.changes[j, 1:_FINE_SYMBOLS].sum() > _MOST_FINE * moved
            lower = slice(j + 2, j + 4) if order.startswith("high") else slice(j, j + 2)
            idle = evidence.turned[j : j + 4].any() and not evidence.turned[lower].any() and carries[lower].any()
            price += _FINE if fine or idle else 0.0
            yield Hypothesis(j, 4, "float64", order, price, float(changes[j]))

    def _half_by_half(self, order: str) -> Floats:
        """Return the bits of each double whose upper half moves smoothly while its lower half is noise."""
        evidence, reading = self._evidence, Reading(Way.WHOLE, order)
        bits = evidence.change_bits(reading)
        turned = evidence.tally(reading).changes[:, 1:].sum(axis=1)
        noise = np.where((bits > _WHITE_HALF_FROM * turned) & (turned > _FEWEST_CHANGES), bits, np.inf)
        upper, lower = (bits[:-2], noise[2:]) if order.startswith("high") else (bits[2:], noise[:-2])
        return np.asarray(upper + lower + _WORD_BY_WORD, dtype=np.float64)


def _rising(tally: Tally) -> NDArray[np.bool_]:
    """Return which series only rise, and do so often: counters."""
    rises, falls = tally.changes[:, 2::2].sum(axis=1), tally.changes[:, 3::2].sum(axis=1)
    return np.asarray((falls == 0) & (rises > _FEWEST_CHANGES))


def _is_even(changes: Ints) -> bool:
    """Whether nearly all changes are of one size, to a factor of two or four: a clock's."""
    return bool(np.sort(changes[2:])[-2:].sum() > _EVEN * changes[2:].sum())


def _integer_price(first: float, width: int) -> float:
    return float(integer_bits(np.array([first]), width)[0]) if np.isfinite(first) else float(width)


def _texts(words: Words) -> list[Hypothesis]:
    """Return runs of constant registers that hold printable characters, the last perhaps ended by a zero byte."""
    raw = words[0].astype(np.int64)
    still = (words == words[0]).all(axis=0)
    high, low = raw >> 8, raw & 0xFF
    printable = still & _printable(high) & (_printable(low) | (low == 0))
    price = _character_bits(high) + _character_bits(low)
    found = []
    for start in range(len(raw)):
        end = start
        while end < len(raw) and printable[end] and end - start < 16:
            end += 1
            if end - start >= 2:
                bits = KIND_BITS["text"] + float(price[start:end].sum())
                found.append(Hypothesis(start, end - start, "text", "", bits, float(np.log2(len(words)))))
    return found


def _printable(byte: Ints) -> NDArray[np.bool_]:
    return (byte >= 32) & (byte < 127)


def _character_bits(byte: Ints) -> Floats:
    usual = ((byte >= 48) & (byte < 58)) | ((byte >= 65) & (byte < 91)) | (byte == 32) | (byte == 45)
    return np.where(usual, 5.3, 7.5)
