"""Judges what is told of made-up devices: a device and the values told of it in, a verdict on each of its fields out.

Right is by function. The told value decodes every answer as the device means it, and goes on to do so on words made
up from the truth, wherever the vessel may go and beyond; from 0 to `valid_below` only, where that is told. Answers in
which the device sent a code for "no value" are not compared. Fields whose registers carried nothing but zeros are not
judged, since nothing need be told of them, nor are those that never had a value.

Nothing here reads registers with `sidetap.line`: what judges has encoders and decoders of its own.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from registers.cases import Case
from registers.encoding import Floats, Words, decode, encode, integer_range, split, text_of, width
from registers.form import Field, Unit
from sidetap.survey.answers import block_of
from sidetap.survey.values import Kind, Value, read_devices

SURE = 0.99
BIN_EDGES = (0.0, 0.5, 0.7, 0.9, 0.95, 0.99, 0.999)
ALPHA = 1e-4

_MADE_UP = 600  # words made up of each field
_BEYOND = 1.5  # times the greatest value seen
_VESSEL_AND_MORE = 1.05  # times its height
_COUNTERS = ("heartbeat", "uptime", "counter")
_ONE_FLOAT_STEP = 1e-7  # relative


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of one field.

    varies: it took more than one value, codes for "no value" left out. told: the encodings told where it lies.
    confidence: of the right value, or the greatest of what was told there; 0 where nothing was. right: by function.
    within: right, or one of the alternatives is. order_right: None where a value has no order. kind_right: None where
    the truth has no kind.
    """

    case: Case
    field: str
    start: int
    encoding: str
    analog: bool
    varies: bool
    told: tuple[str, ...]
    confidence: float
    right: bool
    within: bool
    order_right: bool | None
    kind_right: bool | None

    @property
    def sure(self) -> bool:
        """Whether it was told with a confidence of 0.99 or more."""
        return self.confidence >= SURE


def judged(cases: Iterable[Case]) -> Iterator[Verdict]:
    """Make each device, have it read, and judge what is told of it."""
    for case in cases:
        unit = case.unit()
        block = block_of(unit.device, unit.table, unit.register, unit.t_ns, unit.words)
        (device,) = read_devices([block])
        yield from verdicts(case, unit, device.values)


def verdicts(case: Case, unit: Unit, values: Sequence[Value]) -> Iterator[Verdict]:
    """Judge what is told of one device, field by field."""
    for field in unit.fields:
        own = _own(unit, field)
        if not own.any() or (field.encoding != "text" and np.isnan(field.truth).all()):
            continue
        told = [v for v in values if _overlaps(v.register - unit.register, v.width, field)]
        right = [v for v in told if _is_right(unit, field, v.register - unit.register, v.encoding, v)]
        yield Verdict(
            case,
            field.name,
            field.start,
            field.encoding,
            field.analog,
            varies=len(np.unique(field.truth[~np.isnan(field.truth)])) > 1,
            told=tuple(v.encoding for v in told),
            confidence=max((v.confidence for v in right or told), default=0.0),
            right=bool(right),
            within=bool(right) or any(_alternative_is_right(unit, field, v) for v in told),
            order_right=_order_right(field, told, bool(right)),
            kind_right=_kind_right(field, own, told),
        )


def plausible(unit: Unit, field: Field) -> Floats:
    """Return values that a field may come to hold: from 0 past all that was seen, and past all the vessel holds."""
    seen = field.truth[~np.isnan(field.truth)]
    ends = [0.0, _BEYOND * float(seen.min()), _BEYOND * float(seen.max())]
    if field.level_scale is not None and field.level_offset is not None:
        ends += [(h - field.level_offset) / field.level_scale for h in (0.0, _VESSEL_AND_MORE * unit.height_m)]
    if split(field.encoding)[0].startswith("float"):
        values = np.linspace(min(ends), max(ends), _MADE_UP)
        return values.astype(np.float32).astype(np.float64) if field.encoding.startswith("float32") else values
    low, high = integer_range(field.encoding)
    return np.unique(np.rint(np.linspace(max(min(ends), low), min(max(ends), high), _MADE_UP)))


def _is_right(unit: Unit, field: Field, start: int, encoding: str, value: Value) -> bool:
    """Whether an encoding at a place tells a field by function."""
    if field.encoding == "text" or encoding == "text":
        same = field.encoding == encoding
        return same and text_of(_own(unit, field)[0]) == text_of(unit.words[0, start : start + value.width])
    end = start + width(encoding)
    if start < 0 or end > unit.words.shape[1]:
        return False
    meant = ~np.isnan(field.truth)
    if not _equal(decode(encoding, unit.words[meant, start:end]), field.truth[meant]).all():
        return False
    truth = plausible(unit, field)
    words = unit.words[np.linspace(0, len(unit.words) - 1, len(truth)).astype(np.int64)]
    words[:, field.start : field.start + field.width] = encode(field.encoding, truth)
    found = decode(encoding, words[:, start:end])
    claimed = np.ones(len(truth), dtype=np.bool_)
    if value.valid_below is not None:  # such a limit leaves open whether there is a sign
        claimed = (truth >= 0) & (truth < value.valid_below)
    return bool(_equal(found, truth)[claimed].all())


def _equal(found: Floats, truth: Floats) -> NDArray[np.bool_]:
    return np.isclose(found, truth, rtol=_ONE_FLOAT_STEP, atol=0.0)


def _alternative_is_right(unit: Unit, field: Field, value: Value) -> bool:
    """Whether one of the other encodings told for the same registers tells a field, at any place it may stand for."""
    first = value.register - unit.register
    for other in value.alternatives:
        if other.encoding == "text":
            continue
        ways = abs(width(other.encoding) - value.width)
        lowest = first - ways if width(other.encoding) > value.width else first
        if any(_is_right(unit, field, start, other.encoding, value) for start in range(lowest, lowest + ways + 1)):
            return True
    return False


def _order_right(field: Field, told: Sequence[Value], right: bool) -> bool | None:
    order = split(field.encoding)[1]
    if not order:
        return None
    return right or any(split(v.encoding)[1] == order for v in told)


def _kind_right(field: Field, own: Words, told: Sequence[Value]) -> bool | None:
    if field.encoding == "text":
        wanted = Kind.TEXT
    elif not (own != own[0]).any():
        wanted = Kind.CONSTANT
    elif field.analog:
        wanted = Kind.MEASUREMENT
    elif field.name == "status":
        wanted = Kind.STATUS
    elif field.name in _COUNTERS:
        wanted = Kind.COUNTER
    else:
        return None
    return any(v.kind is wanted for v in told)


def _own(unit: Unit, field: Field) -> Words:
    return unit.words[:, field.start : field.start + field.width]


def _overlaps(start: int, registers: int, field: Field) -> bool:
    return start < field.start + field.width and field.start < start + registers


@dataclass(frozen=True, slots=True)
class Shares:
    """How many verdicts of a class there are, and what came of them. ordered, kinds: those with an order, a kind."""

    count: int
    right: int
    within: int
    ordered: int
    order_right: int
    kinds: int
    kind_right: int
    sure: int
    sure_wrong: int

    @classmethod
    def of(cls, verdicts: Sequence[Verdict]) -> "Shares":
        """Count."""
        return cls(
            count=len(verdicts),
            right=sum(v.right for v in verdicts),
            within=sum(v.within for v in verdicts),
            ordered=sum(v.order_right is not None for v in verdicts),
            order_right=sum(v.order_right is True for v in verdicts),
            kinds=sum(v.kind_right is not None for v in verdicts),
            kind_right=sum(v.kind_right is True for v in verdicts),
            sure=sum(v.sure for v in verdicts),
            sure_wrong=sum(v.sure and not v.right for v in verdicts),
        )


@dataclass(frozen=True, slots=True)
class Bin:
    """Verdicts whose confidence lies from low up to high. claimed: their mean confidence.

    chance: how likely so few are right, or fewer, if each were right with the claimed probability. (That they differ
    among themselves makes their sum vary less than this: the test errs on the side of silence.)
    """

    low: float
    high: float
    count: int
    right: int
    claimed: float

    @property
    def chance(self) -> float:
        """The one-sided test against over-confidence."""
        return at_least(self.count - self.right, self.count, 1.0 - self.claimed)

    @property
    def over_confident(self) -> bool:
        """Whether chance does not explain so many wrong ones, at one in 10,000."""
        return self.chance < ALPHA


def reliability(verdicts: Sequence[Verdict]) -> list[Bin]:
    """Return the bins that hold anything, least confidence first."""
    found = []
    for low, high in zip(BIN_EDGES, (*BIN_EDGES[1:], math.inf), strict=True):
        own = [v for v in verdicts if low <= v.confidence < high]
        if own:
            claimed = math.fsum(v.confidence for v in own) / len(own)
            found.append(Bin(low, min(high, 1.0), len(own), sum(v.right for v in own), claimed))
    return found


def at_least(hits: int, tries: int, probability: float) -> float:
    """Return how likely a binomial variable is to be so great or greater.

    >>> round(at_least(2, 3, 0.5), 6)
    0.5
    """
    if hits <= 0:
        return 1.0
    if probability <= 0.0:
        return 0.0
    if probability >= 1.0:
        return 1.0
    yes, no = math.log(probability), math.log1p(-probability)
    whole = math.lgamma(tries + 1)
    tail = (
        math.exp(whole - math.lgamma(k + 1) - math.lgamma(tries - k + 1) + k * yes + (tries - k) * no)
        for k in range(hits, tries + 1)
    )
    return min(1.0, math.fsum(tail))
