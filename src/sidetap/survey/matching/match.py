"""Which register stands behind the readings people took: every register, encoding and law weighed together.

A survey and readings in, one `Answer` per name out. Theory: Bayes over device × way to read its registers × law
(scale and offset), with "none of these" among the candidates. Laws that promise the same level over the whole record
are one answer, so that two names for the same thing don't weaken each other; what would part at the next change is a
rival. The answer named is the one whose promise most probably holds. It is settled only when it keeps that promise
with 99 %: the level within 0.5 % of the span seen, plus the readings' own rounding, over the whole record. Readings
taken outside of the record can't be laid beside it and are left out.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidetap.errors import BadInput
from sidetap.quantity import NS_PER_S, Dimension, unit
from sidetap.survey.matching.fitting import Fits, Noted, Observed, fit
from sidetap.survey.matching.next_reading import Prediction, best_moment
from sidetap.survey.matching.readings import PersonReading, ReadingKind
from sidetap.survey.matching.scales import Form, laws, reading_range
from sidetap.survey.survey import Survey
from sidetap.survey.values import SETTLED, Candidate, valid_below
from sidetap.survey.evidence.codelength import Floats

TYPED_TIME_NS = 5 * NS_PER_S  # a typed time is good to this
PROMISED_SHARE = 0.005  # of the span seen

_DIP_M = 0.003  # what a tape in a calm vessel is good to; common practice, no source
_NONE = 0.02  # share of names with no register on the line; common practice, no source
_ANY_ENCODING = 0.02  # share of the prior spread over all ways to read a device's registers
_KEPT_NATS = 30.0  # laws less likely than the best by more don't matter
_MOST_KEPT = 300
_APART = 8.0  # noises that readings must lie apart to tell a moving level from an idle one
_UNMOVED = 0.5  # confidence at most while nothing tells a moving level from an idle one
_SHOWN = 0.001
_MOST_RIVALS = 5
_SAMPLES = 2000
_FEWEST_GOOD = 0.5  # of a register's answers near a reading


class MatchStatus(StrEnum):
    """How far an answer is known."""

    SETTLED = "settled"
    SCALE_OPEN = "scale-open"
    AMBIGUOUS = "ambiguous"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Rival:
    """Another register, encoding or law that explains the readings too, and with what probability."""

    device: int
    table: str
    register: int
    encoding: str
    scale: float
    offset: float
    confidence: float


@dataclass(frozen=True, slots=True)
class Answer:
    """What stands behind one name: reading in unit = decoded × scale + offset. rival: the best, None for none.

    valid_below: the reading up to which 16 and 32 bits can't be told apart. suspect_readings: rows that don't fit.
    outside_readings: rows left out, taken before or after the record. next_ns: a moment of the record whose reading
    would have settled it.
    """

    name: str
    status: MatchStatus
    best: Rival | None
    unit: str | None
    valid_below: float | None
    suspect_readings: tuple[int, ...]
    rivals: tuple[Rival, ...]
    next: str | None
    next_ns: int | None
    outside_readings: tuple[int, ...]

    @property
    def confidence(self) -> float | None:
        """Probability that the promise holds; None without an answer."""
        return None if self.best is None else self.best.confidence

    def document(self) -> dict[str, Any]:
        """Return the contract's form."""
        best = self.best
        none = self.status is MatchStatus.NONE
        return {
            "name": self.name,
            "status": self.status.value,
            "device": None if best is None else best.device,
            "table": None if best is None else best.table,
            "register": None if best is None else best.register,
            "encoding": None if best is None else best.encoding,
            "scale": None if best is None else best.scale,
            "offset": None if best is None else best.offset,
            "unit": self.unit,
            "confidence": self.confidence,
            "valid_below": self.valid_below,
            "suspect_readings": None if none else sorted(self.suspect_readings + self.outside_readings),
            "rivals": None
            if none
            else [
                {
                    "device": r.device,
                    "table": r.table,
                    "register": r.register,
                    "encoding": r.encoding,
                    "scale": r.scale,
                    "offset": r.offset,
                    "confidence": r.confidence,
                }
                for r in self.rivals
            ],
            "next": self.next,
            "next_at_s": None if self.next_ns is None else self.next_ns / NS_PER_S,
        }


@dataclass(frozen=True, eq=False)
class _Field:
    """A way to read registers of a device; prior within its device.

    seen: by time of a reading, what it read about then, and half of how far that moved meanwhile. The whole series
    is kept only of the few fields that explain a reading: there may be 100,000.
    """

    candidate: Candidate
    prior: float
    step: float
    travel: float
    seen: Mapping[int, tuple[float, float]]

    @cached_property
    def _good(self) -> tuple[NDArray[np.int64], Floats]:
        return _good(self.candidate)

    @property
    def t_ns(self) -> NDArray[np.int64]:
        """When it was read."""
        return self._good[0]

    @property
    def series(self) -> Floats:
        """What it read, faults left out."""
        return self._good[1]

    @property
    def key(self) -> tuple[int, str, int, str]:
        block = self.candidate.block
        return (block.device, block.table, self.candidate.register, self.candidate.hypothesis.encoding)


@dataclass(frozen=True, slots=True)
class _Held:
    """One field under one law, with its logarithm of evidence, then its probability."""

    field: _Field
    form: Form
    scale: float
    offset: float
    pivot: float
    scale_variance: float
    middle_variance: float
    trusted: Floats
    noise: Floats
    probability: float

    def uncertainty(self, decoded: Floats) -> Floats:
        """Return the standard deviation of the level at decoded values, as far as the law's freedom goes."""
        return np.asarray(np.sqrt(self.middle_variance + self.scale_variance * (decoded - self.pivot) ** 2))


def match(survey: Survey, readings: Sequence[PersonReading]) -> list[Answer]:
    """Return one answer for each name, in the order in which the names first appear.

    BadInput when the recording has no times: then no reading can be laid beside it.
    """
    fields = _fields(survey, {r.t_ns for r in readings})
    if not fields:
        raise BadInput("the recording", "it holds no registers with times", "Record the line as .pcapng or .csv.")
    by_name: dict[str, list[PersonReading]] = {}
    for reading in readings:
        by_name.setdefault(reading.name, []).append(reading)
    outside = {reading.row for reading in outside_of(survey, readings)}
    answers = []
    for name, own in by_name.items():
        left_out = tuple(r.row for r in own if r.row in outside)
        inside = [r for r in own if r.row not in outside]
        answer = _answer(name, inside, fields) if inside else _no_answer(name)
        answers.append(replace(answer, outside_readings=left_out))
    return answers


def outside_of(survey: Survey, readings: Sequence[PersonReading]) -> list[PersonReading]:
    """Return the readings taken before or after the record, by more than a typed time is off."""
    start_ns, end_ns = survey.history.start_ns, survey.history.end_ns
    if start_ns is None or end_ns is None:
        return list(readings)
    return [r for r in readings if not start_ns - TYPED_TIME_NS <= r.t_ns <= end_ns + TYPED_TIME_NS]


def _fields(survey: Survey, moments: Collection[int]) -> list[_Field]:
    fields = []
    for device in survey.devices:
        best: dict[tuple[str, int, str], Candidate] = {}
        for candidate in device.candidates:
            key = (candidate.block.table, candidate.register, candidate.hypothesis.encoding)
            known = best.get(key)
            if candidate.hypothesis.kind == "text" or candidate.block.t_ns is None:
                continue
            if known is None or candidate.probability > known.probability:
                best[key] = candidate
        total = sum(c.probability for c in best.values()) or 1.0
        for candidate in best.values():
            prior = (1 - _ANY_ENCODING) * candidate.probability / total + _ANY_ENCODING / len(best)
            field = _field(candidate, prior, moments)
            if field is not None:
                fields.append(field)
    return fields


def _field(candidate: Candidate, prior: float, moments: Collection[int]) -> _Field | None:
    t_ns, series = _good(candidate)
    if not len(series):
        return None
    step = _count(series) if candidate.hypothesis.kind == "float32" else 1.0
    seen = {moment: _at(t_ns, series, moment) for moment in moments}
    return _Field(candidate, prior, step, float(np.ptp(series)), seen)


def _good(candidate: Candidate) -> tuple[NDArray[np.int64], Floats]:
    """Return when and what a candidate read, answers without a value left out; nothing without times."""
    t_ns, series = candidate.block.t_ns, candidate.decoded()
    if t_ns is None:
        return np.empty(0, dtype=np.int64), series[:0]
    good = np.isfinite(series) & (np.abs(series) < 1e10)
    if candidate.hypothesis.kind == "uint16":
        good &= series != 65535  # all ones: a code for no value
    return (t_ns, series) if good.all() else (t_ns[good], series[good])


def _count(series: Floats) -> float:
    """Return the decimal place to which floats are rounded before they are sent; 0 when they are not."""
    some = series[:: max(1, len(series) // 200)]
    for decimals in range(3):
        scaled = some * 10.0**decimals
        if (np.abs(scaled - np.rint(scaled)) <= np.abs(scaled) * 2.0**-22 + 1e-9).all():
            return float(10.0**-decimals)
    return 0.0


def _answer(name: str, readings: Sequence[PersonReading], fields: Sequence[_Field]) -> Answer:
    hint = next((r.device for r in readings if r.device is not None), None)
    asked = [f for f in fields if hint is None or f.candidate.block.device == hint]
    name_unit = readings[0].unit
    held, none = _weighed(readings, asked, name_unit)
    if not held:
        return _no_answer(name)
    rounding = max(float(r.rounding) for r in readings)
    promises = _promises(held, rounding, readings)
    best = max(promises, key=lambda p: p.confidence)
    view, same = best.view, best.held
    register = sum(h.probability for h in held if view.same_register(h))
    if none >= register:
        return _no_answer(name)
    if best.confidence >= SETTLED and view.moved:
        status = MatchStatus.SETTLED
    elif register >= SETTLED and view.moved:
        status = MatchStatus.SCALE_OPEN
    else:
        status = MatchStatus.AMBIGUOUS
    rivals = [h for h in held if not view.same_promise(h)]
    words, moment = (None, None) if status is MatchStatus.SETTLED else _next(view, same, rivals, name_unit)
    return Answer(
        name,
        status,
        _rival(view.lead, best.confidence),
        name_unit,
        _valid_below(view.lead),
        tuple(r.row for r, trust in zip(readings, view.lead.trusted, strict=True) if trust < 0.5),
        _rivals([p for p in promises if p is not best]),
        words,
        moment,
        (),
    )


def _no_answer(name: str) -> Answer:
    return Answer(name, MatchStatus.NONE, None, None, None, (), (), None, None, ())


def _weighed(
    readings: Sequence[PersonReading], fields: Sequence[_Field], name_unit: str
) -> tuple[list[_Held], float]:
    """Return what explains the readings, the likeliest first, and the probability of none."""
    span = reading_range(name_unit)
    noted = Noted(
        np.array([float(r.value) for r in readings]), np.array([_noise(r, name_unit) for r in readings]), span
    )
    devices = len({f.candidate.block.device for f in fields})
    found: list[tuple[float, _Field, Form, Fits, int]] = []
    for is_float in (False, True):
        group = [f for f in fields if (f.candidate.hypothesis.kind == "float32") == is_float]
        observed = _observed(group, readings)
        usable = np.isfinite(observed.values).sum(axis=1) == len(readings)
        group = [f for f, good in zip(group, usable, strict=True) if good]
        if not group:
            continue
        observed = Observed(
            *(part[usable] for part in (observed.values, observed.spread, observed.step, observed.travel))
        )
        prior = np.log(np.array([f.prior for f in group]) / devices)
        for law in laws(name_unit, is_float=is_float):
            fits = fit(law, observed, noted)
            evidence = fits.evidence + prior
            found += [
                (float(evidence[n]), group[n], law.form, fits, n)
                for n in map(int, np.flatnonzero(np.isfinite(evidence)))
            ]
    nothing = math.log(_NONE) - len(readings) * math.log(span)
    if not found:
        return [], 1.0
    found.sort(key=lambda f: -f[0])
    top = max(found[0][0], nothing)
    likely = [f for f in found if f[0] > top - _KEPT_NATS]
    total = sum(math.exp(f[0] - top) for f in likely) + math.exp(nothing - top)
    held = [
        _Held(
            field,
            form,
            float(fits.scale[n]),
            float(fits.offset[n]),
            float(fits.pivot[n]),
            float(fits.scale_variance[n]),
            float(fits.middle_variance[n]),
            fits.trusted[n],
            fits.noise[n],
            math.exp(evidence - top) / total,
        )
        for evidence, field, form, fits, n in likely[:_MOST_KEPT]
    ]
    return held, math.exp(nothing - top) / total


def _noise(reading: PersonReading, name_unit: str) -> float:
    """Return a reading's standard deviation in the name's unit: rounding (a flicker of its last digit too), dip."""
    typed = float(reading.tolerance) / math.sqrt(3.0)
    if reading.kind is ReadingKind.DIP and unit(name_unit).dimension is Dimension.LENGTH:
        return max(typed, _DIP_M / float(unit(name_unit).factor))
    return math.hypot(typed, float(reading.rounding) / 2)


def _observed(fields: Sequence[_Field], readings: Sequence[PersonReading]) -> Observed:
    values = np.full((len(fields), len(readings)), np.nan)
    spread = np.zeros_like(values)
    for n, field in enumerate(fields):
        for j, reading in enumerate(readings):
            values[n, j], spread[n, j] = field.seen[reading.t_ns]
    return Observed(
        values,
        spread,
        np.array([f.step for f in fields]),
        np.array([f.travel for f in fields]),
    )


def _at(times_ns: NDArray[np.int64], series: Floats, t_ns: int) -> tuple[float, float]:
    """Return the value about a typed time, and half of how far it moves within the time's uncertainty."""
    near = np.abs(times_ns - t_ns) <= TYPED_TIME_NS
    if near.any():
        window = series[near]
        return float(np.median(window)), float(np.ptp(window)) / 2
    after = int(np.searchsorted(times_ns, t_ns))
    if after == 0 or after == len(times_ns):
        return math.nan, 0.0  # taken before or after the record
    around = series[after - 1 : after + 1]
    gap = int(times_ns[after] - times_ns[after - 1])
    share = (t_ns - int(times_ns[after - 1])) / gap if gap > 0 else 0.0
    value = float(around[0] + share * (around[1] - around[0]))
    return value, float(np.ptp(around)) / 2


class _View:
    """The record seen through the likeliest answer: what others must agree with to promise the same."""

    def __init__(self, lead: _Held, rounding: float, readings: Sequence[PersonReading]) -> None:
        self.lead = lead
        field = lead.field
        every = max(1, len(field.series) // _SAMPLES)
        self.t_ns = field.t_ns[::every]
        # the extremes count whole: a promise holds over all of the record
        self.extremes = np.array([field.series.min(), field.series.max()])
        self.decoded = field.series[::every]
        self.level = lead.scale * self.decoded + lead.offset
        self.span = abs(lead.scale) * _usual_range(field.series)
        self.allowed = PROMISED_SHARE * self.span + rounding
        trusted = lead.trusted > 0.5
        at = np.array([field.seen[r.t_ns][0] for r in readings])
        apart = abs(lead.scale) * float(np.ptp(at[trusted])) if trusted.any() else 0.0
        noise = float(np.median(lead.noise[trusted])) if trusted.any() else math.inf
        self.fitting = int(trusted.sum())
        self.moved = self.fitting >= 2 and apart >= _APART * noise
        self.noise = noise
        self.noted = lead.scale * at[trusted] + lead.offset

    def kept(self, held: _Held) -> float:
        """Return how probably a law, given how well it is known, keeps the promise at the record's extremes."""
        series = held.field.series
        ends = np.array([series.min(), series.max()])
        worst = float(held.uncertainty(ends).max())
        return 1.0 if worst == 0 else math.erf(self.allowed / (math.sqrt(2.0) * worst))

    def predicted(self, held: _Held) -> Floats:
        """Return a law's level at the times of this view."""
        if held.field is self.lead.field:
            return held.scale * self.decoded + held.offset
        return held.scale * np.interp(self.t_ns, held.field.t_ns, held.field.series) + held.offset

    def uncertainty(self, held: _Held) -> Floats:
        """Return how well a law's freedom is known, as a standard deviation of the level at the same times."""
        return held.uncertainty(np.interp(self.t_ns, held.field.t_ns, held.field.series))

    def would_show_movement(self) -> NDArray[np.bool_]:
        """Return at which times of this view one more reading would tell a moving level from an idle one."""
        if self.moved or not self.fitting:
            return np.full(len(self.level), self.moved)
        apart = np.maximum(np.abs(self.level - self.noted.min()), np.abs(self.level - self.noted.max()))
        return np.asarray(apart >= _APART * self.noise)

    def same_promise(self, held: _Held) -> bool:
        """Return whether a law promises the same level, from the same device, over the whole record."""
        lead = self.lead
        if held is lead:
            return True
        if held.field.key[0] != lead.field.key[0]:
            return False
        if held.field is lead.field:
            off = (held.scale - lead.scale) * self.extremes + held.offset - lead.offset
            return bool(np.abs(off).max() <= self.allowed)
        if not self.moved:
            return False
        return bool(np.abs(self.predicted(held) - self.level).max() <= self.allowed)

    def same_register(self, held: _Held) -> bool:
        """Return whether a law reads what the lead reads, by whatever scale."""
        if held.field is self.lead.field or self.same_promise(held):
            return True
        if held.field.key[0] != self.lead.field.key[0] or not self.moved:
            return False
        other = self.predicted(held)
        apart = other - other.mean()
        square = float((apart**2).sum())
        if not square > 0:
            return False
        level = self.level - self.level.mean()
        slope = float((apart * level).sum()) / square
        return bool(np.abs(slope * apart - level).max() <= self.allowed)


@dataclass(frozen=True, slots=True)
class _Promise:
    """Laws that promise the same level as the likeliest of them, seen through it. confidence: that it holds."""

    view: _View
    held: tuple[_Held, ...]
    confidence: float


def _promises(held: Sequence[_Held], rounding: float, readings: Sequence[PersonReading]) -> list[_Promise]:
    """Return the laws by what they promise, the likeliest first: each belongs to the first promise that it shares."""
    promises: list[_Promise] = []
    left = list(held)
    while left:
        view = _View(left[0], rounding, readings)
        same = [h for h in left if view.same_promise(h)]
        kept = min(sum(h.probability * view.kept(h) for h in same), 1.0)
        promises.append(_Promise(view, tuple(same), kept if view.moved else min(kept, _UNMOVED)))
        left = [h for h in left if not view.same_promise(h)]
    return promises


def _usual_range(series: Floats) -> float:
    """Return the span of a series without its rarest hundredth at either end: faults must not widen a promise."""
    low, high = np.quantile(series, [0.01, 0.99])
    return float(high - low)


def _rival(held: _Held, confidence: float) -> Rival:
    device, table, register, encoding = held.field.key
    return Rival(device, table, register, encoding, held.scale, held.offset, confidence)


def _rivals(promises: Sequence[_Promise]) -> tuple[Rival, ...]:
    """Return the rivals, one for each register and encoding: that one's promise that most probably holds."""
    best: dict[tuple[int, str, int, str], _Promise] = {}
    for promise in sorted(promises, key=lambda p: -p.confidence):
        best.setdefault(promise.view.lead.field.key, promise)
    return tuple(
        _rival(p.view.lead, p.confidence) for p in list(best.values())[:_MOST_RIVALS] if p.confidence >= _SHOWN
    )


def _valid_below(lead: _Held) -> float | None:
    limit = valid_below(lead.field.candidate.block, lead.field.candidate.hypothesis)
    if limit is None or lead.scale <= 0:
        return None
    return lead.scale * limit + lead.offset


def _next(view: _View, same: Sequence[_Held], rivals: Sequence[_Held], name_unit: str) -> tuple[str, int | None]:
    """Return what to read next and why, and a moment of the record that would have settled it."""
    lead = view.lead
    predictions = [Prediction(h.probability, view.predicted(h), view.uncertainty(h)) for h in (*same, *rivals)]
    noise = view.noise if math.isfinite(view.noise) else view.allowed
    moment = best_moment(predictions, len(same), noise, view.allowed, view.would_show_movement())
    place = f"device {lead.field.key[0]} register {lead.field.key[2]}"
    apart = _APART * view.noise if math.isfinite(view.noise) else view.span
    if not view.moved:
        few = {0: "no reading that fits", 1: "one reading that fits"}
        why = few.get(view.fitting, "readings that lie so close together")
        words = (
            f"Read again when the level has moved by {apart:.3g} {name_unit} or more: {why} can't tell a moving "
            f"level from one that stands still ({place} so far)."
        )
    elif rivals and sum(h.probability for h in rivals) > 1 - SETTLED:
        other = rivals[0].field.key
        words = f"Read once more where {place} and device {other[0]} register {other[2]} ({other[3]}) part most."
    else:
        words = f"Read once more near the highest or the lowest level: {place} is sure, its scale is not yet."
    return words, None if moment is None else int(view.t_ns[moment])
