"""Blocks of words -> the values in them: where, in which encoding, of which kind, how sure.

Never guesses: what the record can't tell apart is listed as an alternative, and the confidence says how likely it is
that this encoding decodes every answer of the record as the true one does.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from sidetap.line import decode, decode_array
from sidetap.quantity import NS_PER_S
from sidetap.survey.answers import Block
from sidetap.survey.evidence import Way, fault_codes
from sidetap.survey.evidence.codelength import Floats
from sidetap.survey.evidence.ways import Reading
from sidetap.survey.values.hypotheses import Hypothesis, hypotheses
from sidetap.survey.values.segments import Partition, partitions

SETTLED = 0.99
LIKELY = 0.7

# up to where two encodings that read every answer alike go on to do so
_SIGN_LIMIT = 1 << 15
_STILL_WORD_LIMIT = 1 << 16  # a 32-bit number whose high word stays 0 is its low word below this
_UNSIGNED = {"uint16", "bits16"}
_DIGITS_LIMIT = {"bcd16": 10, "mod10k32": 10_000}

_SURELY_WIDE = 0.9
_NEGLIGIBLE = 1e-6
_TWIN = 0.05
_EVEN = 0.5
_SHOWN = 0.005  # alternatives less likely than this are left out
_FEW = 8  # a status takes at most so many values ...
_RARELY = 0.02  # ... and changes in at most this share of the answers
_COUNTER_RISES = 10
_COUNTER_SHARE = 0.1
_PARTS = 5  # a counter rises in each of so many parts of its record
_UNHEARD = 0.002  # probability of what is left out when it is said up to where encodings agree
_UNLIKE_ANY = 0.002  # of what the code calls certain, as much was something else on made-up devices of two authors
_RECENT_NS = 600 * NS_PER_S  # the trend is that of so long a last part of the record
_FEWEST_FOR_TREND = 5
_CLEAR_TREND = 4.0  # standard errors
_MOST_FAULT_WORDS = 3
_ENDS = (0xFFFF, 0x7FFF)  # no states
_MOST_FLAGS = 6  # bits set in a state

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
    last_words: the registers of the last answer. faults: answers that hold a code for "no value"; fault_words: some
    of those. trend_per_h: how fast it rose at the end of the record, decoded per hour; 0 where no rise or fall stands
    out; None without times or numbers.
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
    fault_words: tuple[tuple[int, ...], ...]
    trend_per_h: float | None

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
        """Return every answer that is kept, decoded [answers]; NaN where it holds no value. Not for text."""
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
    for number in sorted({b.device for b in blocks}):
        own = [b for b in blocks if b.device == number]
        held = [hypotheses(b) for b in own]
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
        plain = h.kind in ("uint32", "mod10k32") and not h.order.endswith("swapped")
        still = plain and valid_below(block, h) is not None
        if still and partition.probabilities[:, k].min() < _SURELY_WIDE:
            chosen += [words[h.start], words[h.start + 1]]
        else:
            chosen.append(k)
    return chosen


def decoded(block: Block, hypothesis: Hypothesis) -> Floats:
    """Return every answer kept decoded by a hypothesis [answers]; NaN where it holds no value. Not for text."""
    words = block.words[:, hypothesis.start : hypothesis.start + hypothesis.width]
    series = decode_array(hypothesis.encoding, words).astype(np.float64)
    series[fault_codes(hypothesis.encoding, words)] = np.nan
    series[~np.isfinite(series)] = np.nan
    return series


def _literal(block: Block, hypothesis: Hypothesis) -> Floats:
    """Return every answer decoded, codes for "no value" as the numbers they are."""
    words = block.words[:, hypothesis.start : hypothesis.start + hypothesis.width]
    return decode_array(hypothesis.encoding, words).astype(np.float64)


def _value(block: Block, held: Sequence[Hypothesis], partition: Partition, chosen: int) -> Value | None:
    mine = held[chosen]
    words = block.words[:, mine.start : mine.start + mine.width]
    if not words.any():
        return None  # it never carried anything
    last_words = tuple(int(w) for w in words[-1])
    place = (block.device, block.table, block.register + mine.start, mine.width)
    if mine.kind == "text":
        confidence = float(partition.probabilities[:, chosen].min())
        text = str(decode("text", last_words))
        return Value(*place, "text", Kind.TEXT, confidence, None, (), text, text, None, None, last_words, 0, (), None)
    series = decoded(block, mine)
    if mine.kind in _UNSIGNED and _are_flags(block, mine):
        series = _literal(block, mine)  # a flag is no code for "no value"
    kind = _kind(block, mine, series[np.isfinite(series)])
    rivals = _rivals(block, held, partition, chosen)
    finite = series[np.isfinite(series)]
    number = _shortest if mine.kind == "float32" else float if mine.kind == "float64" else int
    first, last = (number(x) if np.isfinite(x) else None for x in (series[0], series[-1]))
    low, high = (number(finite.min()), number(finite.max())) if len(finite) else (None, None)
    name = _name(mine, kind)
    faults = np.isnan(series)
    return Value(
        *place,
        name,
        kind,
        rivals.confidence,
        rivals.valid_below,
        tuple(Alternative(other, p) for other, p in rivals.alternatives if other != name),
        first,
        last,
        low,
        high,
        last_words,
        _faults(block, mine) if faults.any() else 0,
        tuple(map(tuple, np.unique(words[faults], axis=0)[:_MOST_FAULT_WORDS].tolist())),
        _trend_per_h(block, series) if kind is Kind.MEASUREMENT else None,
    )


def _are_flags(block: Block, hypothesis: Hypothesis) -> bool:
    """Whether a register holds few states of few bits each, the highest one among them: a state, no fault.

    Where it changes often, the other states must be single bits: a measurement that flickers is none of that.
    """
    states = np.unique(block.words[:, hypothesis.start])
    bits = [int(s).bit_count() for s in states]
    if len(states) > _FEW or np.isin(states, _ENDS).any() or max(bits) > _MOST_FLAGS:
        return False
    single = all(n <= 1 or s >= _SIGN_LIMIT for n, s in zip(bits, states.tolist(), strict=True))
    return single or _seldom(block, hypothesis)


def _name(hypothesis: Hypothesis, kind: Kind) -> str:
    """Return the encoding as it is told: flags only where they behave so."""
    if kind is not Kind.STATUS and hypothesis.kind == "bits16":
        return "uint16"
    return hypothesis.encoding


def _faults(block: Block, hypothesis: Hypothesis) -> int:
    """Return how many answers hold a code for "no value", over all of them."""
    way = {"uint": Way.WHOLE, "int3": Way.WHOLE}.get(hypothesis.kind[:4]) if hypothesis.width == 2 else None
    if hypothesis.kind in ("uint16", "int16", "bits16"):
        way = Way.WORD
    reading = Reading(Way(hypothesis.kind) if way is None else way, hypothesis.order)
    return int(block.evidence.tally(reading).faults[hypothesis.start])


def _trend_per_h(block: Block, series: Floats) -> float | None:
    """Return the slope of the last part of a record by least squares, 0 where it doesn't stand out."""
    if block.t_ns is None:
        return None
    own = np.isfinite(series) & (block.t_ns >= block.t_ns[-1] - _RECENT_NS)
    if own.sum() < _FEWEST_FOR_TREND:
        return None
    t_h = (block.t_ns[own] - block.t_ns[-1]) / (3600.0 * NS_PER_S)
    t_h, values = t_h - t_h.mean(), series[own] - series[own].mean()
    square = float((t_h * t_h).sum())
    if square == 0:
        return None
    slope = float((t_h * values).sum()) / square
    error = math.sqrt(float(((values - slope * t_h) ** 2).sum()) / (len(values) - 2) / square)
    return slope if abs(slope) > _CLEAR_TREND * error else 0.0


def _shortest(value: float) -> float:
    """Return a float32 as its shortest decimal: 3.2, not 3.200000047683716."""
    return float(str(np.float32(value)))


@dataclass(frozen=True, slots=True)
class _Rivals:
    """How sure one way to read registers is beside the others; valid_below: up to where those who agree go on to."""

    confidence: float
    valid_below: int | None
    alternatives: tuple[tuple[str, float], ...]


def _rivals(block: Block, held: Sequence[Hypothesis], partition: Partition, chosen: int) -> _Rivals:
    """Weigh one hypothesis with those that decode every answer as it does, against those that don't.

    Two word orders that happen to agree (symmetric bytes) don't count as one: they would part at the next change.
    """
    mine = held[chosen]
    series = decoded(block, mine)
    probabilities = partition.probabilities
    equal: list[tuple[int, int | None]] = []  # which, and up to where it goes on to agree
    named: dict[str, float] = {}
    twins = False
    for k in partition.beside(chosen, _NEGLIGIBLE):
        h, probability = held[k], float(partition.greatest[k])
        if h.kind == "text" or (h.kind == "bcd16" and not block.evidence.turned[h.start]):
            continue  # digits that never change are no digits
        same = {mine.kind, h.kind} <= _UNSIGNED or np.array_equal(decoded(block, h), series, equal_nan=True)
        # of a negative number the sign fills the word above it, which may as well be a value of its own
        extended = {mine.kind, h.kind} == {"int16", "int32"} and not np.nanmax(series, initial=-1.0) >= 0
        limit = _agree_below(mine, h) if same and not extended else 0
        if same and limit != 0:
            equal.append((k, limit))
        else:
            twins |= same and probability >= (_UNHEARD if extended else _TWIN)
        if h.start == mine.start or (same and limit != 0):
            named[h.encoding] = max(named.get(h.encoding, 0.0), probability)
    limit = None
    left_out: list[int] = []
    # who agrees least far is left out first, as long as hardly anything speaks for it
    for k, until in sorted(equal, key=lambda e: math.inf if e[1] is None else e[1]):
        missed = float(probabilities[:, [*left_out, k]].sum(axis=1).max())
        if until is None or missed <= _UNHEARD:
            left_out += [] if until is None else [k]
            continue
        limit = until
        break
    if mine.kind != "int16" and (least := valid_below(block, mine)) is not None:
        limit = least if limit is None else min(limit, least)
    agreeing = [chosen, *(k for k, _ in equal if k not in left_out)]
    confidence = float(np.minimum(1.0, probabilities[:, agreeing].sum(axis=1)).min()) * (1 - _UNLIKE_ANY)
    if twins:
        confidence = min(confidence, _EVEN)  # which order is commoner in the world is no evidence about this line
    for k in agreeing[1:]:
        named[held[k].encoding] = confidence
    named.pop(mine.encoding, None)
    shown = sorted(((n, p) for n, p in named.items() if p >= _SHOWN), key=lambda item: -item[1])
    return _Rivals(confidence, limit, tuple(shown))


def _agree_below(one: Hypothesis, other: Hypothesis) -> int | None:
    """Return up to which value two hypotheses that agree so far go on to agree; None: for good; 0: they don't.

    For good counts also what only parts beyond 2³¹ counts: no quantity goes there.
    """
    kinds = {one.kind, other.kind}
    if kinds <= _UNSIGNED:
        return None
    if one.width == other.width == 1:
        return _DIGITS_LIMIT["bcd16"] if "bcd16" in kinds else _SIGN_LIMIT
    if one.width == other.width == 2 and one.order != other.order:
        return 0
    if kinds == {"uint32", "int32"}:
        return None
    if kinds & {"float32", "float64"}:
        return 0
    if kinds & set(_DIGITS_LIMIT):
        return min(_DIGITS_LIMIT[k] for k in kinds & set(_DIGITS_LIMIT))
    return _SIGN_LIMIT if "int16" in kinds else _STILL_WORD_LIMIT


def valid_below(block: Block, hypothesis: Hypothesis) -> int | None:
    """Return up to which decoded value a whole number of 16 or 32 bits can't be told from one with more, or a sign.

    65536 where a word that is always 0 stands where the high word would be; 32768 where the highest bit of a 16-bit
    number never was set; None where there is no such limit.
    """
    words = block.words
    start = hypothesis.start
    if hypothesis.kind in ("uint16", "int16", "bits16"):
        if not (words[:, start] >= _SIGN_LIMIT).any():
            return _SIGN_LIMIT
        beside = [j for j in (start - 1, start + 1) if 0 <= j < block.count]
        return _STILL_WORD_LIMIT if any(not words[:, j].any() for j in beside) else None
    if hypothesis.kind in ("uint32", "int32"):
        return _STILL_WORD_LIMIT if (np.abs(decoded(block, hypothesis)) < _STILL_WORD_LIMIT).all() else None
    if hypothesis.kind == "mod10k32":
        limit = _DIGITS_LIMIT["mod10k32"]
        return limit if (decoded(block, hypothesis) < limit).all() else None
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
        seldom = _seldom(block, hypothesis)
        flags = hypothesis.kind == "bits16" and seldom
        if flags or (len(different) <= _FEW and seldom and not neighbours):
            return Kind.STATUS
    return Kind.MEASUREMENT


def _seldom(block: Block, hypothesis: Hypothesis) -> bool:
    return int(block.evidence.turned[hypothesis.start]) <= max(2.0, _RARELY * block.answers)


def _is_counter(steps: Floats) -> bool:
    """Whether a value only rises, again and again all through its record; it may start over once."""
    falls = int((steps < 0).sum())
    rises = int((steps > 0).sum())
    if falls > 1 or rises < max(_COUNTER_RISES, _COUNTER_SHARE * len(steps)):
        return False  # a value that seldom rises may as well be a temperature in the morning
    return all((part > 0).any() for part in np.array_split(steps, _PARTS))
