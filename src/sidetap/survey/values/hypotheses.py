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
from sidetap.survey.evidence import ORDERS, Evidence, Way, fault_codes
from sidetap.survey.evidence.codelength import Floats, Ints, float_bits, integer_bits
from sidetap.survey.evidence.ways import DECIMALS, Reading

Words = NDArray[np.uint16]

# bits a device's order costs beforehand; exchanged bytes are rarer. Common practice, no source.
ORDER_BITS = dict(zip(ORDERS, (1.3, 1.3, 3.0, 3.0), strict=True))
# bits a kind of encoding costs beforehand; set on made-up lines, common practice, no source
KIND_BITS = {
    "uint16": 1.0,
    "int16": 3.0,
    "bits16": 3.0,
    "bcd16": 7.0,
    "uint32": 3.5,
    "int32": 5.0,
    "float32": 2.0,
    "mod10k32": 8.0,
    "float64": 6.0,
    "text": 4.0,
}

_WRONG_SIGN = 12.0  # bits: a series that jumps through the end of its range under this sign only
_CARRY = 10.0  # bits a carry
_MOST_CARRIES = 4
_SWAPPED_INTEGER = 3.0
_DEEP_NEGATIVE = 9.0  # bits: below -10,000 all the time, seldom a quantity
_DEEP = -10_000
_WHITE = 12.0  # bits: a 16-bit register full of noise is no quantity, but the low word of one
_WHITE_FROM = 14.0  # bits a change
_HUGE_INTEGER = 10.0  # bits: over 10^8, seldom a quantity
_HUGE = 10**8
_FEWEST_CHANGES = 8
_UNLIKELY_FLOAT = 30.0
_HALF_EMPTY = 12.0  # bits: a float that moves between whole numbers, yet never uses its low word
_SINGLE_ULPS = 12.0  # bits: a float that moves by its last digit only; a whole number that counts does that
_DECIMALS = 4.0  # bits: the values lie on a decimal lattice
_MOST_ODD = 0.2  # share of rows that may hold no float of a sensible size and no known code
_ODD = 32.0  # bits: one of those
_WORD_BY_WORD = 1.0
_FINE = 24.0  # bits: a double that moves by less than its upper half can show; two values of their own do that
_MOST_FINE = 0.05  # of its changes
_FINE_SYMBOLS = 2 * 32  # of changes below 2³¹
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
    """The answers of a block that are kept, decoded from every register that may start such a value [series].

    first: the first value that is no fault code; least, most: of all that are none.
    """

    first: Floats
    least: Floats
    most: Floats

    @classmethod
    def of(cls, words: Words, encoding: str, width: int) -> "_Series":
        columns = range(words.shape[1] - width + 1)
        told = np.empty((3, len(columns)))
        for j in columns:
            own = words[:, j : j + width]
            if not (own != own[0]).any():
                own = own[:1]
            values = decode_array(encoding, own).astype(np.float64)
            values = values[~fault_codes(encoding, own)]
            values = values[np.isfinite(values)]
            told[:, j] = (values[0], values.min(), values.max()) if len(values) else np.nan
        return cls(*told)


class _Priced:
    """Hypotheses about the numbers of one block."""

    def __init__(self, block: Block) -> None:
        self._words = block.words
        self._evidence: Evidence = block.evidence

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
        falls = tally.changes[:, 1::2].sum(axis=1)
        unsigned, signed = (_Series.of(self._words, name, 1) for name in ("uint16", "int16"))
        for j in range(evidence.registers):
            # a counter that rolls over jumps too, but it never falls otherwise
            price = KIND_BITS["uint16"] + both[j] + _integer_price(unsigned.first[j], 16)
            price += _WRONG_SIGN if tally.wraps[j] and falls[j] else 0.0
            yield Hypothesis(j, 1, "uint16", "", float(price), float(changes[j]))
            price = KIND_BITS["int16"] + both[j] + _integer_price(signed.first[j], 16)
            price += _DEEP_NEGATIVE if signed.most[j] < _DEEP else 0.0
            crosses = signed.least[j] < 0 <= signed.most[j]
            price += _WRONG_SIGN if crosses and not tally.wraps[j] else 0.0
            yield Hypothesis(j, 1, "int16", "", float(price), float(changes[j]))
            if turned[j]:
                price = KIND_BITS["bits16"] + _integer_price(unsigned.first[j], 16)
                yield Hypothesis(j, 1, "bits16", "", float(price), float(flags[j]))
        alive = evidence.alive(Reading(Way.BCD))
        digits, bits = _Series.of(self._words, "bcd16", 1), evidence.change_bits(Reading(Way.BCD))
        for j in np.flatnonzero(alive & np.isfinite(digits.first)).tolist():
            price = KIND_BITS["bcd16"] + _integer_price(digits.first[j], 14)
            yield Hypothesis(j, 1, "bcd16", "", float(price), float(bits[j]))

    def integers(self, order: str) -> Iterator[Hypothesis]:
        """Return the whole numbers of two registers."""
        if self._evidence.registers < 2:
            return
        changes = self._evidence.change_bits(Reading(Way.WHOLE, order))
        swapped = _SWAPPED_INTEGER if order.endswith("swapped") else 0.0
        for kind in ("uint32", "int32"):
            series = _Series.of(self._words, f"{kind}-{order}", 2)
            for j in range(len(changes)):
                if kind == "int32" and not series.least[j] < 0:
                    continue
                price = KIND_BITS[kind] + swapped + _integer_price(series.first[j], 32)
                largest = max(abs(series.least[j]), abs(series.most[j]))
                price += _HUGE_INTEGER if largest > _HUGE else 0.0
                yield Hypothesis(j, 2, kind, order, float(price), float(changes[j]))

    def modulo(self, order: str) -> Iterator[Hypothesis]:
        """Return the pairs of registers that hold four decimal digits each."""
        reading = Reading(Way.MODULO, order)
        alive = np.flatnonzero(self._evidence.alive(reading))
        if not len(alive):
            return
        changes = self._evidence.change_bits(reading)
        series = _Series.of(self._words, f"mod10k32-{order}", 2)
        swapped = _SWAPPED_INTEGER if order.endswith("swapped") else 0.0
        for j in alive[np.isfinite(series.first[alive])].tolist():
            price = KIND_BITS["mod10k32"] + swapped + _integer_price(series.first[j], 27)
            yield Hypothesis(j, 2, "mod10k32", order, float(price), float(changes[j]))

    def floats(self, order: str) -> Iterator[Hypothesis]:
        """Return the floats of two registers."""
        evidence, reading = self._evidence, Reading(Way.FLOAT, order)
        alive = evidence.alive(reading)
        if not alive.any():
            return
        tally = evidence.tally(reading)
        changes = np.minimum(evidence.change_bits(reading), self._word_by_word(order))
        faults = tally.bursts * np.log2(evidence.rows + 1)
        for decimals in DECIMALS:
            lattice = Reading(Way.DECIMAL, order, decimals)
            bits = evidence.change_bits(lattice) + _DECIMALS
            changes = np.where(evidence.alive(lattice), np.minimum(changes, bits), changes)
        changes = changes + _ODD * tally.odd
        words = self._words
        for j, price in self._float_prices("float32", order, alive & (tally.odd <= _MOST_ODD * evidence.rows)):
            low = words[:, j + order.startswith("high")]
            high = words[:, j + order.startswith("low")]
            empty = not low.any() and (high != high[0]).any() and self._has_fractions(j, order)
            price += _HALF_EMPTY if empty else 0.0
            ulps = tally.changes[j]
            price += _SINGLE_ULPS if ulps[2:4].any() and not ulps[4:].any() else 0.0
            yield Hypothesis(j, 2, "float32", order, price, float(min(changes[j], 32.0 * evidence.rows + faults[j])))

    def _has_fractions(self, j: int, order: str) -> bool:
        values = decode_array(f"float32-{order}", self._words[:, j : j + 2])
        values = values[np.isfinite(values)]
        return bool((values != np.rint(values)).any())

    def _float_prices(self, kind: str, order: str, which: NDArray[np.bool_]) -> Iterator[tuple[int, float]]:
        """Return the first register and the price of each float that may be one."""
        mantissa = _MANTISSA[kind]
        series = _Series.of(self._words, f"{kind}-{order}", 2 if kind == "float32" else 4)
        first = float_bits(series.first, mantissa)
        ends = np.maximum(float_bits(series.least, mantissa), float_bits(series.most, mantissa)) - mantissa
        for j in np.flatnonzero(which & np.isfinite(series.first)).tolist():
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
        reading = Reading(Way.DOUBLE, order)
        alive = self._evidence.alive(reading)
        if not alive.any():
            return
        tally, changes = self._evidence.tally(reading), self._evidence.change_bits(reading)
        for j, price in self._float_prices("float64", order, alive & (tally.odd <= _MOST_ODD * self._evidence.rows)):
            moved = tally.changes[j, 1:].sum()
            fine = moved and tally.changes[j, 1:_FINE_SYMBOLS].sum() > _MOST_FINE * moved
            price += _FINE if fine else 0.0
            yield Hypothesis(j, 4, "float64", order, price, float(changes[j] + _ODD * tally.odd[j]))


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
