"""How well laws explain a few readings: robust line fits, many registers at once, with their evidence.

Decoded values at the times of the readings in, for every register and law the fitted scale and offset, how well
they are known and the logarithm of the evidence out. A reading is within its noise, or (rarely) mistyped and then
anywhere in the range; which of the two is weighed, not decided. The evidence of a free scale or offset is taken at
its best fit times the width of the fit (Laplace), so that a law pays for every freedom it has.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from sidetap.survey.matching.scales import Form, Law
from sidetap.survey.evidence.codelength import Floats

MISTYPED = 0.005  # share of readings; common practice, no source

_COARSEST = 0.01  # of the range: 0.2 m of level; common practice, no source
_FREE_DECADES = 18.4  # nats a free scale may lie in: eight decades
_MOST_PAIRS = 45
_ROUNDS = 3
_TINY = 1e-300


@dataclass(frozen=True, slots=True)
class Observed:
    """Registers at the times of the readings.

    values: decoded [registers, readings]. spread: half of what each moves within the readings' typing time. step:
    size of one count [registers]. travel: how far each moves in the whole record [registers].
    """

    values: Floats
    spread: Floats
    step: Floats
    travel: Floats


@dataclass(frozen=True, slots=True)
class Noted:
    """The readings: value, noise (standard deviation) and the range any reading may lie in, in one unit."""

    values: Floats
    noise: Floats
    span: float


@dataclass(frozen=True, slots=True)
class Fits:
    """The fit of one law for each register. trusted: probability of each reading not to be mistyped.

    The level at a decoded value x is known with variance middle_variance + scale_variance × (x - pivot)²: told about
    a pivot, because decoded values of 10^9 leave no digits for a covariance about 0.
    """

    evidence: Floats  # natural logarithm, prior of the law included; -inf where the law can't hold
    scale: Floats
    offset: Floats
    pivot: Floats
    scale_variance: Floats
    middle_variance: Floats
    trusted: Floats  # [registers, readings]
    noise: Floats  # [registers, readings]


@dataclass(frozen=True, slots=True)
class _Solution:
    """The best scale and offset under given weights, and how well they are known."""

    scale: Floats
    offset: Floats
    pivot: Floats
    scale_variance: Floats
    middle_variance: Floats


def fit(law: Law, observed: Observed, noted: Noted) -> Fits:
    """Return the fit of a law for every register."""
    best: Fits | None = None
    for scale, offset in _starts(law, observed, noted):
        fits = _refined(law, observed, noted, scale, offset)
        best = fits if best is None else _better(best, fits)
    assert best is not None  # noqa: S101 - every law has a start
    return best


def _starts(law: Law, observed: Observed, noted: Noted) -> list[tuple[Floats, Floats]]:
    """Return first guesses [registers]: through each reading, or through pairs of them."""
    x, r = observed.values, noted.values
    ones = np.ones(len(x))
    readings = range(x.shape[1])
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        if law.form is Form.UNIT:
            return [(law.scale * ones, law.offset * ones)]
        if law.form is Form.SHIFTED:
            return [(law.scale * ones, r[j] - law.scale * x[:, j]) for j in readings]
        if law.form is Form.FREE:
            return [(r[j] / x[:, j], 0.0 * ones) for j in readings]
        starts = []
        pairs = sorted(combinations(readings, 2), key=lambda p: -abs(r[p[0]] - r[p[1]]))
        for i, j in pairs[:_MOST_PAIRS]:
            scale = (r[i] - r[j]) / (x[:, i] - x[:, j])
            starts.append((scale, r[i] - scale * x[:, i]))
        return starts or [(np.nan * ones, np.nan * ones)]


def _refined(law: Law, observed: Observed, noted: Noted, scale: Floats, offset: Floats) -> Fits:
    x, r = observed.values, noted.values
    zero = np.zeros(len(x))
    solution = _Solution(scale, offset, zero, zero, zero)
    with np.errstate(all="ignore"):
        for _ in range(_ROUNDS):
            noise = _noise(observed, noted, solution.scale)
            trusted = _trusted(_residual(x, r, solution), noise, noted.span)
            solution = _solved(law, x, r, trusted / noise**2, solution.scale, solution.offset)
        noise = _noise(observed, noted, solution.scale)
        residual = _residual(x, r, solution)
        evidence = np.log((1 - MISTYPED) * _density(residual, noise) + MISTYPED / noted.span).sum(axis=1)
        # where the readings hardly tell, the fit is wider than the prior, and no freedom is worth more than none
        freedom = _width(law, solution) + _prior(law, observed, noted, solution.scale)
        evidence += np.minimum(freedom, 0.0) + np.log(law.share)
        trusted = _trusted(residual, noise, noted.span)
        # what is as coarse or as restless as that explains any reading, and measures nothing
        fine = np.median(noise, axis=1) <= _COARSEST * noted.span
    return Fits(
        np.where(np.isfinite(evidence) & fine, evidence, -np.inf),
        solution.scale,
        solution.offset,
        solution.pivot,
        solution.scale_variance,
        solution.middle_variance,
        trusted,
        noise,
    )


def _residual(x: Floats, r: Floats, solution: _Solution) -> Floats:
    return np.asarray(r - solution.scale[:, None] * x - solution.offset[:, None], dtype=np.float64)


def _noise(observed: Observed, noted: Noted, scale: Floats) -> Floats:
    """Return the standard deviation of each reading about a law: the person's, the movement's, half a count's."""
    size = np.abs(scale)[:, None]
    movement = size * observed.spread
    count = size * observed.step[:, None] / 2
    return np.asarray(np.sqrt(noted.noise**2 + (movement**2 + count**2) / 3), dtype=np.float64)


def _density(residual: Floats, noise: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * (residual / noise) ** 2) / (np.sqrt(2 * np.pi) * noise), dtype=np.float64)


def _trusted(residual: Floats, noise: Floats, span: float) -> Floats:
    with np.errstate(all="ignore"):  # a residual of infinity is simply mistyped
        good = (1 - MISTYPED) * _density(residual, noise)
        return np.asarray(good / (good + MISTYPED / span), dtype=np.float64)


def _solved(law: Law, x: Floats, r: Floats, weight: Floats, scale: Floats, offset: Floats) -> _Solution:
    """Return the weighted least-squares scale and offset, what the law fixes left as it is."""
    zero = np.zeros(len(x))
    total = weight.sum(axis=1)
    if law.form is Form.SHIFTED:
        free = (weight * (r - scale[:, None] * x)).sum(axis=1) / total
        return _Solution(scale, free, zero, zero, 1 / total)
    if law.form is Form.FREE:
        square = (weight * x * x).sum(axis=1)
        return _Solution((weight * x * r).sum(axis=1) / square, offset, zero, 1 / square, zero)
    if law.form is Form.AFFINE:
        pivot = (weight * x).sum(axis=1) / total
        middle = (weight * r).sum(axis=1) / total
        dx = x - pivot[:, None]
        square = (weight * dx * dx).sum(axis=1)
        slope = (weight * dx * (r - middle[:, None])).sum(axis=1) / square
        return _Solution(slope, middle - slope * pivot, pivot, 1 / square, 1 / total)
    return _Solution(scale, offset, zero, zero, zero)


def _width(law: Law, solution: _Solution) -> Floats:
    """Return the logarithm of the volume of the fit: what its freedom leaves of the prior."""
    width = np.zeros(len(solution.scale))
    if law.form in (Form.FREE, Form.AFFINE):
        width = width + 0.5 * np.log(2 * np.pi * solution.scale_variance)
    if law.form in (Form.SHIFTED, Form.AFFINE):
        width = width + 0.5 * np.log(2 * np.pi * solution.middle_variance)
    return width


def _prior(law: Law, observed: Observed, noted: Noted, scale: Floats) -> Floats:
    """Return the logarithm of how dense the law's freedom lies at the fit.

    An offset is uniform over the range; a free scale over its logarithm; with both free, what the register's lowest
    and highest value of the record stand for are each uniform over the range.
    """
    ones = np.ones(len(scale))
    if law.form is Form.SHIFTED:
        return np.asarray(-np.log(noted.span) * ones, dtype=np.float64)
    if law.form is Form.FREE:
        return np.asarray(-np.log(np.abs(scale) * _FREE_DECADES), dtype=np.float64)
    if law.form is Form.AFFINE:
        inside = np.abs(scale) * observed.travel <= noted.span
        density = np.log(np.maximum(observed.travel, _TINY)) - 2 * np.log(noted.span)
        return np.where(inside & (observed.travel > 0), density, -np.inf)
    return 0.0 * ones


def _better(one: Fits, other: Fits) -> Fits:
    take: NDArray[np.bool_] = other.evidence > one.evidence
    wide = take[:, None]
    return Fits(
        np.where(take, other.evidence, one.evidence),
        np.where(take, other.scale, one.scale),
        np.where(take, other.offset, one.offset),
        np.where(take, other.pivot, one.pivot),
        np.where(take, other.scale_variance, one.scale_variance),
        np.where(take, other.middle_variance, one.middle_variance),
        np.where(wide, other.trusted, one.trusted),
        np.where(wide, other.noise, one.noise),
    )
