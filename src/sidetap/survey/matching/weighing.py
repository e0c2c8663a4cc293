"""Every field under every law, weighed together: what explains the readings, and how probably.

Tables of fields and readings in, the explanations that matter with their probabilities out, "none of these" among
them. Theory: Bayes over device × way to read its registers × law. The prior of a free scale or offset is that of
how transmitters are mounted and set; a vessel's height, where it is known, narrows it. Two passes: over what all
fields read about the readings, then over the whole series of the few that explain any.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sidetap.quantity import Dimension, unit
from sidetap.survey.matching.fields import Field, Floats, Table, together
from sidetap.survey.matching.fitting import Fits, Noted, Rows, evidence, fit
from sidetap.survey.matching.guessing import guesses
from sidetap.survey.matching.readings import PersonReading, ReadingKind
from sidetap.survey.matching.scales import Form, Law, affine_density, laws, reading_range, usual_spans

_NONE = 0.02  # share of names with no register on the line; common practice, no source
_DOUBT = 10.0  # times as many may be so in a given yard
_STILL, _AGAIN = 0.5, 3.0  # share of levels that stand still between two readings; noises within which they do
_TWICE_ROUNDED = 1.2
_DIP_M = 0.003  # what a tape in a calm vessel is good to; common practice, no source
_KEPT_NATS = 13.0  # explanations less likely than the best by more don't matter
_FIRST_SLACK = 4.0  # nats that the second pass may add
_MOST_FIRST, _MOST_FIELDS, _MOST_KEPT = 1500, 250, 400
_FREE_DECADES = 18.4  # nats a scale of which nothing is known may lie in: eight decades
_COARSEST = 0.01  # of the range: 0.2 m of level; common practice, no source
_BEYOND = -7.0  # nats, for a level that leaves its vessel
_BELOW, _ABOVE = 0.05, 1.02  # of what was noted, and of the height: what still is within the vessel
_ONLY_RISES = -4.0  # nats: all along a record levels fall too
_CALM = 0.006  # of what was noted: how far a level may move within seconds before that speaks against it
_MOST_RESTLESS = 8.0  # nats
_ABOVE_FULL, _BELOW_EMPTY = 1.15, 0.1  # of a span that is told as a share
_NEAR_DATUM, _NEAR_SHARE = 0.1, 0.8  # of the range: how far a datum usually lies off, and how often it does
_EXACT = 0.6  # share of spans that are the vessel's height
_NEAR_TOP_M, _AT_TOP = (0.05, 1.5), 0.85  # an instrument that looks down sits about the top, and how often
_SPANS = (0.5, 1.3)  # of the height, other spans
_EVEN, _WORTH = 0.5, 0.002


@dataclass(frozen=True, slots=True)
class Case:
    """What is known of one name: its readings, their unit, and its height in that unit where that is known."""

    readings: tuple[PersonReading, ...]
    unit: str
    height: float | None

    @property
    def reach(self) -> float:
        """How high a reading may be at most."""
        return reading_range(self.unit) if self.height is None else self.height

    @property
    def rounding(self) -> float:
        """The coarsest rounding among the readings."""
        return max(float(r.rounding) for r in self.readings)

    def noted(self) -> Noted:
        """Return the readings as numbers. Anything but this name's would lie up to half again their highest."""
        values = np.array([float(r.value) for r in self.readings])
        wide = reading_range(self.unit)
        span = float(np.clip(1.5 * np.abs(values).max(), wide / 20, wide))
        noise = np.array([_noise(r, self.unit) for r in self.readings])
        edge = np.array([_edge(r, self.unit) for r in self.readings])
        return Noted(values, noise, edge, span if self.height is None else max(self.height, wide / 20))


def _noise(reading: PersonReading, name_unit: str) -> float:
    """Return a reading's standard deviation in the name's unit: rounding (a flicker of its last digit too), dip."""
    typed = float(reading.tolerance) / math.sqrt(3.0)
    if reading.kind is ReadingKind.DIP and unit(name_unit).dimension is Dimension.LENGTH:
        return max(typed, _DIP_M / float(unit(name_unit).factor))
    return math.hypot(typed, float(reading.rounding) / 2)


def _edge(reading: PersonReading, name_unit: str) -> float:
    """Return how far a reading may be off at most in the name's unit: some displays round what is rounded already."""
    typed = _TWICE_ROUNDED * float(reading.tolerance)
    if reading.kind is ReadingKind.DIP and unit(name_unit).dimension is Dimension.LENGTH:
        return max(typed, 3 * _DIP_M / float(unit(name_unit).factor))
    return typed


@dataclass(frozen=True, slots=True, eq=False)
class Held:
    """One field under one law: reading = decoded × scale + offset; what is known of it; its probability.

    alike: other encodings of these words that read the same all along. The level at a decoded value is known with
    variance middle_variance + scale_variance × (decoded - pivot)². prior: logarithm, of fields and device. trusted,
    noise, off: of each reading, the last in noises. log_likelihood: of all readings.
    """

    field: Field
    alike: tuple[Field, ...]
    law: Law
    prior: float
    scale: float
    offset: float
    pivot: float
    scale_variance: float
    middle_variance: float
    trusted: Floats
    noise: Floats
    off: Floats
    log_likelihood: float
    probability: float

    @property
    def freedoms(self) -> int:
        """How many of scale and offset the readings themselves had to tell."""
        return int(self.scale_variance > 0) + int(self.middle_variance > 0)

    def level(self, decoded: Floats) -> Floats:
        """Return the readings that decoded values stand for."""
        return decoded * self.scale + self.offset

    def uncertainty(self, decoded: Floats) -> Floats:
        """Return the standard deviation of the level at decoded values, as far as the law's freedom goes."""
        return np.asarray(np.sqrt(self.middle_variance + self.scale_variance * (decoded - self.pivot) ** 2))


@dataclass(frozen=True, slots=True)
class Weighed:
    """What explains the readings of a case, the likeliest first, and the probability of none of it."""

    case: Case
    held: tuple[Held, ...]
    none: float

    def doubted(self, probability: float) -> float:
        """Return a probability if "none of these" were many times likelier beforehand than is thought."""
        return probability / (1 + (_DOUBT - 1) * self.none)

    def explained(self) -> bool:
        """Return whether something is worth naming: likelier than none, or one law that every reading tests."""
        return self.none < _EVEN or any(
            h.probability >= _WORTH
            and (h.trusted > _EVEN).all()
            and (h.freedoms < len(h.trusted) or len(h.trusted) < 3)
            for h in self.held
        )


@dataclass(frozen=True, slots=True)
class _Pair:
    """A field and a law, before they are weighed. alike: as in Held. prior: logarithm, of fields and device."""

    field: Field
    alike: tuple[Field, ...]
    law: Law
    prior: float
    scale: float
    offset: float


def weigh(case: Case, tables: Sequence[Table]) -> Weighed:
    """Return what explains the readings, whose moments are those of the tables."""
    noted = case.noted()
    whole = np.arange(len(case.readings))
    found: list[tuple[float, _Pair]] = []
    prior = -math.log(len(tables))
    for is_float in (False, True):
        own_laws = _laws(case, is_float=is_float)
        kind = [t.of(np.flatnonzero(t.floats == is_float), whole) for t in tables]
        for table in together([t for t in kind if t.fields]):
            found += _first(table, own_laws, case, noted, prior)
    found.sort(key=lambda f: -f[0])
    nothing = _nothing(noted)
    best = max(found[0][0], nothing) if found else nothing
    pairs: list[_Pair] = []
    known: set[Field] = set()
    for score, pair in found[:_MOST_FIRST]:
        if score < best - _KEPT_NATS - _FIRST_SLACK:
            break
        if len(known) < _MOST_FIELDS or pair.field in known:
            known.add(pair.field)
            pairs.append(pair)
    return _weighed(case, _merged(pairs))


def _nothing(noted: Noted) -> float:
    """Return the logarithm of the evidence for none of these: readings anywhere, or where an earlier one was.

    Another vessel's level stands still as often as not, and so do registers that have nothing to do with it.
    """
    total = math.log(_NONE)
    for n, (value, noise) in enumerate(zip(noted.values, noted.noise, strict=True)):
        again = bool((np.abs(noted.values[:n] - value) <= _AGAIN * noise).any())
        total += math.log((1 - _STILL) / noted.span + (_STILL / (2 * _AGAIN * noise) if again else 0.0))
    return total


def _merged(pairs: Sequence["_Pair"]) -> list["_Pair"]:
    """Return fields that read the same words alike all along as one: by the likeliest name, with all their prior."""
    names: dict[Field, tuple[int, int]] = {}
    groups: dict[tuple[int, int], list[Field]] = {}
    for field in {p.field: None for p in pairs}:
        key = (id(field.block), hash(field.series.tobytes()))
        names[field] = key
        groups.setdefault(key, []).append(field)
    merged: dict[tuple[int, int], _Pair] = {}
    for pair in pairs:
        same = [
            f for f in groups[names[pair.field]] if set(f.candidate.registers) & set(pair.field.candidate.registers)
        ]
        first = max(same, key=lambda f: f.prior)
        place = (id(first), id(pair.law))
        known = merged.get(place)
        prior = pair.prior if known is None else float(np.logaddexp(pair.prior, known.prior))
        alike = tuple(f for f in same if f is not first)
        merged[place] = _Pair(first, alike, pair.law, prior, pair.scale, pair.offset)
    return list(merged.values())


def weigh_again(weighed: Weighed, readings: Sequence[PersonReading]) -> Weighed:
    """Return what explains other readings, among what explained these."""
    case = replace(weighed.case, readings=tuple(readings))
    return _weighed(case, [_Pair(h.field, h.alike, h.law, h.prior, h.scale, h.offset) for h in weighed.held])


def _laws(case: Case, *, is_float: bool) -> list[Law]:
    """Return the laws that may hold; with the height known, a share of just that span is one of them."""
    known = laws(case.unit, is_float=is_float)
    if case.height is None:
        return known
    found = []
    for law in known:
        if law.form is Form.SPAN and law.full is not None:
            scale = case.height / law.full
            found.append(Law(Form.UNIT, scale, -scale * law.zero, _EXACT * law.share))
            found.append(replace(law, share=(1 - _EXACT) * law.share))
        else:
            found.append(law)
    return found


def _first(
    table: Table, own_laws: Sequence[Law], case: Case, noted: Noted, device_prior: float
) -> list[tuple[float, _Pair]]:
    """Return a rough weight of what may explain the readings, by what the fields read about them alone."""
    guessed = guesses(table, own_laws, noted)
    if not len(guessed.field):
        return []
    fits = fit(guessed.rows, noted)
    prior = np.log(table.prior)[guessed.field] + device_prior
    with np.errstate(all="ignore"):
        travel = np.nanmax(guessed.rows.x, axis=1) - np.nanmin(guessed.rows.x, axis=1)
        shares = np.log([own_laws[n].share for n in guessed.law])
        score = (
            evidence(fits, _freedom([own_laws[n] for n in guessed.law], fits, travel, case, noted)) + prior + shares
        )
    found = []
    for n in np.flatnonzero(np.isfinite(score)).tolist():
        law, field = own_laws[guessed.law[n]], table.fields[guessed.field[n]]
        scale = float(fits.scale[n])
        offset = float(fits.offset[n]) - scale * law.zero
        found.append((float(score[n]), _Pair(field, (), law, float(prior[n]), scale, offset)))
    return found


def _freedom(row_laws: Sequence[Law], fits: Fits, travel: Floats, case: Case, noted: Noted) -> Floats:
    """Return the logarithm of how dense each row's law has its freedom at the fit, beforehand."""
    result = np.full(len(row_laws), -np.inf)
    by_law: dict[int, list[int]] = {}
    for n, law in enumerate(row_laws):
        by_law.setdefault(id(law), []).append(n)
    for rows in by_law.values():
        law = row_laws[rows[0]]
        density = _density(law, fits.scale[rows], fits.offset[rows], travel[rows], case, noted)
        possible = density > 0
        result[np.array(rows)[possible]] = np.log(density[possible])
    return result


def _density(law: Law, scale: Floats, offset: Floats, travel: Floats, case: Case, noted: Noted) -> Floats:
    """Return how dense a law's freedom lies at scale and offset, beforehand."""
    wide = reading_range(case.unit)
    if law.form is Form.SHIFTED:
        near = np.abs(offset) <= _NEAR_DATUM * wide
        return np.where(near, _NEAR_SHARE / (2 * _NEAR_DATUM * wide), 0.0) + (1 - _NEAR_SHARE) / (2 * wide)
    if law.form is Form.ULLAGE:
        within = (offset > 0) & (offset <= 1.5 * wide)
        if case.height is None:
            return np.where(within, 1 / wide, 0.0)
        metre = 1 / float(unit(case.unit).factor)
        below, above = (m * metre for m in _NEAR_TOP_M)
        near = (offset >= case.height - below) & (offset <= case.height + above)
        return np.where(near, _AT_TOP / (below + above), 0.0) + np.where(within, (1 - _AT_TOP) / wide, 0.0)
    if law.form is Form.SPAN:
        if law.full is None:
            return np.where(scale > 0, 1 / (np.abs(scale) * _FREE_DECADES), 0.0)
        low, high = usual_spans(case.unit)
        if case.height is not None:
            low, high = (share * case.height for share in _SPANS)
        span = scale * law.full
        return np.where((span >= low) & (span <= high), 1 / (np.abs(scale) * math.log(high / low)), 0.0)
    if law.form is Form.AFFINE:
        return affine_density(case.unit, scale, offset, travel, noted.span)
    return np.ones(len(scale))


def _weighed(case: Case, pairs: Sequence[_Pair]) -> Weighed:
    """Return the probabilities of fields and laws, by all that the fields ever read."""
    noted = case.noted()
    nothing = _nothing(noted)
    pairs = [p for p in pairs if len(p.field.good)]
    if not pairs:
        return Weighed(case, (), 1.0)
    moments = [r.t_ns for r in case.readings]
    seen = {}
    for pair in pairs:
        if pair.field not in seen:
            seen[pair.field] = np.array([pair.field.at(t) for t in moments]).T
    zero = np.array([p.law.zero for p in pairs])
    scale = np.array([p.scale for p in pairs])
    form = np.array([p.law.form for p in pairs])
    rows = Rows(
        np.stack([seen[p.field][0] for p in pairs]) - zero[:, None],
        np.stack([seen[p.field][1] for p in pairs]),
        np.array([p.field.step for p in pairs]),
        scale,
        np.array([p.offset for p in pairs]) + scale * zero,
        np.isin(form, (Form.SPAN, Form.AFFINE)),
        np.isin(form, (Form.SHIFTED, Form.ULLAGE, Form.AFFINE)),
    )
    fits = fit(rows, noted)
    ends = np.array([p.field.ends for p in pairs])
    usual = np.array([p.field.usual for p in pairs]) - zero[:, None]
    full = np.array([np.inf if p.law.full is None else p.law.full for p in pairs])
    density = _freedom([p.law for p in pairs], fits, ends[:, 1] - ends[:, 0], case, noted)
    # no share lies far outside its span; what is as coarse or restless as that explains any reading
    unfit = (usual[:, 0] < -_BELOW_EMPTY * full) | (usual[:, 1] > _ABOVE_FULL * full)
    unfit |= np.median(fits.noise, axis=1) > _COARSEST * reading_range(case.unit)
    levels = np.sort(fits.scale[:, None] * usual + fits.offset[:, None], axis=1)
    beyond = (levels[:, 0] < -_BELOW * noted.span) | (levels[:, 1] > _ABOVE * case.reach)
    if unit(case.unit).dimension is not Dimension.LENGTH:
        beyond &= False
    unlike = np.where(beyond, _BEYOND, 0.0)
    unlike += np.where([p.field.only_rises for p in pairs], _ONLY_RISES, 0.0)
    restless = np.abs(fits.scale) * np.array([p.field.restless for p in pairs]) / (_CALM * noted.span)
    unlike -= np.clip(2.0 * np.log(np.maximum(restless, 1.0)), 0.0, _MOST_RESTLESS)
    scores = evidence(fits, density) + unlike + np.array([p.prior + math.log(p.law.share) for p in pairs])
    scores = np.where(np.isfinite(scores) & ~unfit, scores, -np.inf)
    top = max(float(scores.max()), nothing)
    order = np.argsort(-scores, kind="stable")
    weight = np.exp(scores - top)
    total = float(weight.sum()) + math.exp(nothing - top)
    held = tuple(
        _held(pairs[n], fits, n, float(weight[n]) / total)
        for n in order[:_MOST_KEPT].tolist()
        if scores[n] > top - _KEPT_NATS
    )
    return Weighed(case, held, math.exp(nothing - top) / total)


def _held(pair: _Pair, fits: Fits, n: int, probability: float) -> Held:
    zero, scale = pair.law.zero, float(fits.scale[n])
    return Held(
        pair.field,
        pair.alike,
        pair.law,
        pair.prior,
        scale,
        float(fits.offset[n]) - scale * zero,
        float(fits.pivot[n]) + zero,
        float(fits.scale_variance[n]),
        float(fits.middle_variance[n]),
        fits.trusted[n],
        fits.noise[n],
        fits.off[n],
        float(fits.log_likelihood[n]),
        probability,
    )
