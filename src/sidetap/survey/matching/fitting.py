"""How well laws explain a few readings: robust line fits of many fields at once, with their evidence.

What may explain the readings in (a field, a law and a first guess of its freedom each), the fitted scale and offset,
how well they are known and how well they explain it out. A reading is within its noise, or (rarely) mistyped and then
anywhere; which of the two is weighed, not decided. The evidence of a free scale or offset is its likelihood at the
best fit, times the width of the fit, times the prior's density there (Laplace): a law pays for every freedom it has.
Where the readings hardly tell, the fit is wider than the prior, and no freedom is worth more than none.
"""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from sidetap.survey.matching.fields import Floats

MISTYPED = 0.02  # share of readings; common practice, no source

_ROUNDS = 4
_SHARP = 0.15  # of what is allowed: how soon nothing more is
_TINY = 1e-300


@dataclass(frozen=True, slots=True)
class Noted:
    """The readings in one unit: value, noise (standard deviation), how far a display may be off at most.

    span: the range in which anything else lies.
    """

    values: Floats
    noise: Floats
    edge: Floats
    span: float


@dataclass(frozen=True, slots=True)
class Rows:
    """What may explain the readings, row by row: decoded values less the law's zero, and a first guess.

    x, spread [rows, readings]: NaN where the field read nothing. scale, offset: the guess. free_scale, free_offset:
    whether the law leaves them free.
    """

    x: Floats
    spread: Floats
    step: Floats
    scale: Floats
    offset: Floats
    free_scale: NDArray[np.bool_]
    free_offset: NDArray[np.bool_]

    def at(self, which: NDArray[np.int64]) -> "Rows":
        """Return some of the rows."""
        return Rows(*(getattr(self, f.name)[which] for f in fields(self)))


@dataclass(frozen=True, slots=True)
class Fits:
    """The fit of each row. log_width: of what its freedom leaves of the prior, as a volume; 0 without freedom.

    The level at x is known with variance middle_variance + scale_variance × (x - pivot)²: told about a pivot, because
    decoded values of 10^9 leave no digits for a covariance about 0. trusted, noise, off [rows, readings]: the
    probability of each reading not to be mistyped, the standard deviation it should have about the law, and how many
    of those it has; 0 where the field read nothing.
    """

    log_likelihood: Floats
    log_width: Floats
    scale: Floats
    offset: Floats
    pivot: Floats
    scale_variance: Floats
    middle_variance: Floats
    trusted: Floats
    noise: Floats
    off: Floats


def noise_of(noted: Noted, scale: Floats, spread: Floats, step: Floats) -> Floats:
    """Return the standard deviation of each reading about a law: the person's, the movement's, half a count's."""
    size = np.abs(scale)[..., None]
    moved = size * spread
    count = size * step[..., None] / 2
    return np.asarray(np.sqrt(noted.noise**2 + (moved**2 + count**2) / 3), dtype=np.float64)


def fit(rows: Rows, noted: Noted) -> Fits:
    """Return the fit of every row; what its freedom costs is not in the likelihood."""
    x = np.where(np.isfinite(rows.x), rows.x, 0.0)
    blind = ~np.isfinite(rows.x)  # the field read nothing then: such a reading tells nothing about it
    scale, offset = rows.scale, rows.offset
    pivot = scale_variance = middle_variance = np.zeros(len(scale))
    with np.errstate(all="ignore"):
        for _ in range(_ROUNDS):
            noise = noise_of(noted, scale, rows.spread, rows.step)
            trusted = _trusted(noted.values - scale[:, None] * x - offset[:, None], noise, noted.span)
            weight = np.where(blind, 0.0, trusted / noise**2)
            solved = _solved(rows, x, noted.values, weight, scale, offset)
            scale, offset, pivot, scale_variance, middle_variance = solved
        noise = noise_of(noted, scale, rows.spread, rows.step)
        residual = noted.values - scale[:, None] * x - offset[:, None]
        edge = _edge(rows, noted, scale, residual)
        good = (1 - MISTYPED) * _density(residual, noise) * edge
        trusted = np.where(blind, 0.0, good / (good + MISTYPED / noted.span))
        off = np.where(blind, 0.0, np.abs(residual) / noise)
        each = np.log((1 - MISTYPED) * _density(residual, noise) * edge + MISTYPED / noted.span)
        likelihood = np.where(blind, -np.log(noted.span), each).sum(axis=1)
        width = np.where(rows.free_scale, 0.5 * np.log(2 * np.pi * scale_variance), 0.0)
        width = width + np.where(rows.free_offset, 0.5 * np.log(2 * np.pi * middle_variance), 0.0)
    return Fits(likelihood, width, scale, offset, pivot, scale_variance, middle_variance, trusted, noise, off)


def evidence(fits: Fits, log_prior: Floats) -> Floats:
    """Return the logarithm of each row's evidence, given that of the prior's density at its fit."""
    return np.asarray(fits.log_likelihood + np.minimum(fits.log_width + log_prior, 0.0), dtype=np.float64)


def _density(residual: Floats, noise: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * (residual / noise) ** 2) / (np.sqrt(2 * np.pi) * noise), dtype=np.float64)


def _edge(rows: Rows, noted: Noted, scale: Floats, residual: Floats) -> Floats:
    """Return what is left of each reading's likelihood beyond what rounding, movement and half a count allow.

    A bell's flanks are too kind: a display does not round 25.1 to 26. So they are cut off, not quite sharply.
    """
    size = np.abs(scale)[:, None]
    allowed = noted.edge + size * rows.spread + size * rows.step[:, None] / 2
    beyond = np.maximum(np.abs(residual) - allowed, 0.0) / (_SHARP * allowed)
    return np.asarray(np.exp(-0.5 * beyond**2), dtype=np.float64)


def _trusted(residual: Floats, noise: Floats, span: float) -> Floats:
    good = (1 - MISTYPED) * _density(residual, noise)
    return np.asarray(good / (good + MISTYPED / span), dtype=np.float64)


def _solved(
    rows: Rows, x: Floats, r: Floats, weight: Floats, scale: Floats, offset: Floats
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Return weighted least squares: scale, offset, pivot and both variances; what is fixed is left as it is."""
    total = weight.sum(axis=1)
    both = rows.free_scale & rows.free_offset
    pivot = np.where(both, (weight * x).sum(axis=1) / total, 0.0)
    middle = np.where(both, (weight * r).sum(axis=1) / total, 0.0)
    dx = x - pivot[:, None]
    square = (weight * dx * dx).sum(axis=1)
    slope = (weight * dx * (r - middle[:, None])).sum(axis=1) / square
    scale = np.where(rows.free_scale, slope, scale)
    known_scale = (weight * (r - scale[:, None] * x)).sum(axis=1) / total
    offset = np.where(both, middle - scale * pivot, np.where(rows.free_offset, known_scale, offset))
    scale_variance = np.where(rows.free_scale, 1 / np.maximum(square, _TINY), 0.0)
    middle_variance = np.where(rows.free_offset, 1 / np.maximum(total, _TINY), 0.0)
    return scale, offset, pivot, scale_variance, middle_variance
