"""Blocks of words -> the values in them: where, in which encoding, of which kind, how sure.

Never guesses: what the record can't tell apart is listed as an alternative, and the confidence says how likely it is
that this encoding decodes every answer of the record as the true one does.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from sidetap.line import decode, decode_array
from sidetap.survey.answers import Block
from sidetap.survey.values.codelength import Floats
from sidetap.survey.values.hypotheses import Hypothesis, coded_answers, hypotheses
from sidetap.survey.values.segments import Partition, partitions

SETTLED = 0.99
LIKELY = 0.7
STILL_WORD_LIMIT = 65536  # a 32-bit number whose high word stays 0 is its low word below this

_SURELY_WIDE = 0.9
_NEGLIGIBLE = 1e-6
_TWIN = 0.05
_EVEN = 0.5
_SHOWN = 0.005  # alternatives less likely than this are left out
_FEW = 8  # a status takes at most so many values ...
_RARELY = 0.02  # ... and changes in at most this share of the answers
_SMALL = 255
_COUNTER_RISES = 10
_COUNTER_SHARE = 0.1
_ALL_ONES = 65535
_FAR_FROM_ONES = 60000
_PARTS = 5  # a counter rises in each of so many parts of its record

Number = int | float


class Kind(StrEnum):
    """What a value seems to be by how it moves."""

    MEASUREMENT = "measurement"
    COUNTER = "counter"
    STATUS = "status"
    CONSTANT = "constant"
    TEXT = "text"


class Status(StrEnum):
    """How far an encoding is known: settled from 0.99, likely from 0.7, else open."""

    SETTLED = "settled"
    LIKELY = "likely"
    OPEN = "open"

    @classmethod
    def of(cls, confidence: float) -> "Status":
        """Return the status that goes with a confidence."""
        return cls.SETTLED if confidence >= SETTLED else cls.LIKELY if confidence >= LIKELY else cls.OPEN


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another encoding for the same registers, and how likely it decodes them truly."""

    encoding: str
    confidence: float


@dataclass(frozen=True, slots=True)
class Value:
    """A value on the line. register: its first, 0-based. width: registers. first, last, min, max: decoded.

    valid_below: the decoded value up to which a 16- and a 32-bit reading can't be told apart; None if they can.
    last_words: the registers of the last answer. faults: answers that hold a code for "no value".
    """

    device: int
    table: str
    register: int
    width: int
    encoding: str
    kind: Kind
    confidence: float
    valid_below: int | None
    alternatives: tuple[Alternative, ...]
    first: Number | str | None
    last: Number | str | None
    min: Number | None
    max: Number | None
    last_words: tuple[int, ...]
    faults: int

    @property
    def status(self) -> Status:
        """How far the encoding is known."""
        return Status.of(self.confidence)


@dataclass(frozen=True, slots=True)
class Candidate:
    """One way to read registers of a block, with its probability (least over the weights of the evidence)."""

    block: Block
    hypothesis: Hypothesis
    probability: float

    @property
    def register(self) -> int:
        """First register, 0-based."""
        return self.block.register + self.hypothesis.start

    @property
    def registers(self) -> range:
        """The registers it covers."""
        return range(self.register, self.register + self.hypothesis.width)

    def decoded(self) -> Floats:
        """Return every answer decoded [answers]; NaN where it is no number. Not for text."""
        return decoded(self.block, self.hypothesis)


@dataclass(frozen=True, slots=True)
class Device:
    """What is known about the registers of one device: every way to read them, and the best one."""

    device: int
    candidates: tuple[Candidate, ...]
    values: tuple[Value, ...]


def read_devices(blocks: Sequence[Block]) -> list[Device]:
    """Return the devices that the blocks belong to, with their values."""
    devices = []
    most = coded_answers(sum(b.count for b in blocks))
    for number in sorted({b.device for b in blocks}):
        own = [b for b in blocks if b.device == number]
        held = [hypotheses(b.runs, most) for b in own]
        found = partitions([(b.count, h) for b, h in zip(own, held, strict=True)])
        candidates = [
            Candidate(b, h, float(p))
            for b, hs, partition in zip(own, held, found, strict=True)
            for h, p in zip(hs, partition.probabilities.min(axis=0), strict=True)
        ]
        values: dict[tuple[str, int], Value] = {}
        covered: set[tuple[str, int]] = set()
        for block, hs, partition in zip(own, held, found, strict=True):
            for k in _narrowed(block, hs, partition):
                places = {(block.table, block.register + hs[k].start + i) for i in range(hs[k].width)}
                if places <= covered:
                    continue
                covered |= places
                value = _value(block, hs, partition, k)
                if value is not None:
                    values.setdefault((value.table, value.register), value)
        devices.append(Device(number, tuple(candidates), tuple(values.values())))
    return devices


def _narrowed(block: Block, held: Sequence[Hypothesis], partition: Partition) -> list[int]:
    """Return the best partition with 32-bit numbers whose high word is still told as their low word alone.

    That is the simplest name for what was seen, unless the record says by other means that it is a 32-bit number.
    """
    words = {h.start: k for k, h in enumerate(held) if h.encoding == "uint16"}
    chosen: list[int] = []
    for k in partition.best:
        h = held[k]
        still = h.kind == "uint32" and valid_below(block, h) is not None
        if still and partition.probabilities[:, k].min() < _SURELY_WIDE:
            chosen += [words[h.start], words[h.start + 1]]
        else:
            chosen.append(k)
    return chosen


def decoded(block: Block, hypothesis: Hypothesis) -> Floats:
    """Return every answer of a block decoded by a hypothesis [answers]; NaN where it is no number. Not for text."""
    words = block.words[:, hypothesis.start : hypothesis.start + hypothesis.width]
    return decode_array(hypothesis.encoding, words).astype(np.float64)


def _value(block: Block, held: Sequence[Hypothesis], partition: Partition, chosen: int) -> Value | None:
    mine = held[chosen]
    words = block.words[:, mine.start : mine.start + mine.width]
    if not words.any():
        return None  # it never carried anything
    last_words = tuple(int(w) for w in words[-1])
    place = (block.device, block.table, block.register + mine.start, mine.width, mine.encoding)
    if mine.kind == "text":
        confidence = float(partition.probabilities[:, chosen].min())
        text = str(decode("text", last_words))
        return Value(*place, Kind.TEXT, confidence, None, (), text, text, None, None, last_words, 0)
    series = decoded(block, mine)
    equal, others, twins = _rivals(block, held, partition, chosen, series)
    confidence = float(np.minimum(1.0, partition.probabilities[:, equal].sum(axis=1)).min())
    if twins:
        confidence = min(confidence, _EVEN)  # which order is commoner in the world is no evidence about this line
    named = {held[k].encoding: p for k, p in others if p >= _SHOWN}
    named |= {held[k].encoding: confidence for k in equal}
    if mine.kind == "uint16" and not (words >= 32768).any():
        named["int16"] = confidence
    named.pop(mine.encoding)
    alternatives = [Alternative(name, p) for name, p in sorted(named.items(), key=lambda item: -item[1])]
    finite = series[np.isfinite(series)]
    number = _shortest if mine.kind == "float32" else int
    first, last = (number(x) if np.isfinite(x) else None for x in (series[0], series[-1]))
    low, high = (number(finite.min()), number(finite.max())) if len(finite) else (None, None)
    return Value(
        *place,
        _kind(block, mine, finite),
        confidence,
        valid_below(block, mine),
        tuple(alternatives),
        first,
        last,
        low,
        high,
        last_words,
        _faults(block, mine, series),
    )


def _faults(block: Block, hypothesis: Hypothesis, series: Floats) -> int:
    """Return how many answers hold not-a-number, or all ones far away from every other value."""
    if hypothesis.kind == "float32":
        high_word = hypothesis.start + hypothesis.order.startswith("low")
        return int(block.not_numbers[hypothesis.order.endswith("swapped") * 1, high_word])
    ones = series == _ALL_ONES
    if hypothesis.kind != "uint16" or ones.all() or not ones.any():
        return 0
    return int(block.ones[hypothesis.start]) if series[~ones].max() < _FAR_FROM_ONES else 0


def _shortest(value: float) -> float:
    """Return a float32 as its shortest decimal: 3.2, not 3.200000047683716."""
    return float(str(np.float32(value)))


def _rivals(
    block: Block, held: Sequence[Hypothesis], partition: Partition, chosen: int, series: Floats
) -> tuple[list[int], list[tuple[int, float]], bool]:
    """Return which hypotheses decode every answer alike, which others start here, whether other word orders do.

    Two word orders that happen to agree (symmetric bytes) don't count as one: they would part at the next change.
    """
    mine = held[chosen]
    equal: list[int] = [chosen]
    others: list[tuple[int, float]] = []
    twins = False
    for k, h in enumerate(held):
        overlaps = h.start < mine.start + mine.width and mine.start < h.start + h.width
        if k == chosen or not overlaps or h.kind == "text":
            continue
        probability = float(partition.probabilities[:, k].max())
        if probability < _NEGLIGIBLE:
            continue
        same = np.array_equal(decoded(block, h), series, equal_nan=True)
        other_order = h.start == mine.start and h.width == mine.width == 2
        if same and not other_order:
            equal.append(k)
            continue
        twins |= same and probability >= _TWIN
        if h.start == mine.start:
            others.append((k, probability))
    return equal, others, twins


def valid_below(block: Block, hypothesis: Hypothesis) -> int | None:
    """Return 65536 where a word that is always 0 stands where the high word would, else None."""
    words = block.words
    start = hypothesis.start
    if hypothesis.kind == "uint16":
        beside = [j for j in (start - 1, start + 1) if 0 <= j < block.count]
        return STILL_WORD_LIMIT if any(not words[:, j].any() for j in beside) else None
    if hypothesis.kind == "uint32":
        return STILL_WORD_LIMIT if (decoded(block, hypothesis) < STILL_WORD_LIMIT).all() else None
    return None


def _kind(block: Block, hypothesis: Hypothesis, series: Floats) -> Kind:
    steps = np.diff(series)
    if not steps.any():
        return Kind.CONSTANT
    if _is_counter(steps):
        return Kind.COUNTER
    if hypothesis.width == 1:
        different: NDArray[np.float64] = np.unique(series)
        neighbours = bool((np.diff(different) == 1).all()) and different.min() > _FEW  # a measurement that flickers
        seldom = int(block.changes[hypothesis.start]) <= max(2.0, _RARELY * block.answers)
        if len(different) <= _FEW and seldom and not neighbours:
            return Kind.STATUS
    return Kind.MEASUREMENT


def _is_counter(steps: Floats) -> bool:
    """Whether a value only rises, again and again all through its record; it may start over once."""
    falls = int((steps < 0).sum())
    rises = int((steps > 0).sum())
    if falls > 1 or rises < max(_COUNTER_RISES, _COUNTER_SHARE * len(steps)):
        return False  # a value that seldom rises may as well be a temperature in the morning
    return all((part > 0).any() for part in np.array_split(steps, _PARTS))
