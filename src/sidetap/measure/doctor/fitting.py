"""Reported levels beside dips: the straight line between them, and how well one cause explains them. Pure numbers.

Lengths are in m. Reported = gain × dip + offset. Every dip has a standard uncertainty u_dip, every reported level
u_level, so a difference has u² = u_level² + gain² u_dip², with the gain found by turns (effective variance, as for a
straight line with uncertainty in both; ISO/TS 28037 treats the case, from memory). Estimates are weighted least
squares and their uncertainties the law of propagation (GUM 5.1.2 and H.3; NIST/SEMATECH e-Handbook 4.4.3.2, 2.3.6);
where more than two dips scatter more than stated, uncertainties grow by the Birge ratio (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

Floats: TypeAlias = npt.NDArray[np.float64]

COVERAGE = 2.0  # k of every expanded uncertainty here
_TURNS = 8
_NEAR = 10.0  # dips nearer to each other than so many standard uncertainties tell no gain; common practice, no source


@dataclass(frozen=True, eq=False)
class Dips:
    """Dips [n] and what the line reported, in m, with standard uncertainties.

    shared: effects that the site file allows for, each a standard uncertainty of every reported level at once [n].
    """

    dip: Floats
    reported: Floats
    u_dip: Floats
    u_level: Floats
    shared: tuple[Floats, ...] = ()

    @property
    def difference(self) -> Floats:
        """Reported minus dip."""
        return self.reported - self.dip

    def variance(self, gain: float = 1.0) -> Floats:
        """Return the variance of each difference, shared effects included [n]."""
        own = self.u_level**2 + (gain * self.u_dip) ** 2
        return np.asarray(own + sum(effect**2 for effect in self.shared), dtype=np.float64)

    @property
    def agree(self) -> bool:
        """Whether every difference is within its expanded uncertainty."""
        return bool((np.abs(self.difference) <= COVERAGE * np.sqrt(self.variance())).all())

    def without(self, n: int) -> Dips:
        """Return all but the n-th."""
        keep = np.arange(len(self.dip)) != n
        shared = tuple(effect[keep] for effect in self.shared)
        return Dips(self.dip[keep], self.reported[keep], self.u_dip[keep], self.u_level[keep], shared)

    def joined(self, other: Dips) -> Dips:
        """Return these and the other's, of the same vessel."""
        shared = tuple(np.concatenate(pair) for pair in zip(self.shared, other.shared, strict=True))
        return Dips(
            np.concatenate((self.dip, other.dip)),
            np.concatenate((self.reported, other.reported)),
            np.concatenate((self.u_dip, other.u_dip)),
            np.concatenate((self.u_level, other.u_level)),
            shared,
        )


@dataclass(frozen=True, slots=True)
class Straight:
    """Reported = gain × dip + offset_m, expanded uncertainties at k = 2.

    gain is None where the dips are one, or too near to each other to tell it; the offset then takes it as 1.
    """

    offset_m: float
    offset_u_m: float
    gain: float | None
    gain_u: float | None


def straight_line(dips: Dips) -> Straight | None:
    """Return the line through dips; None without any."""
    if not len(dips.dip):
        return None
    spread = float(dips.dip.max() - dips.dip.min())
    if spread < _NEAR * float(np.hypot(dips.u_dip, dips.u_level).max()) or spread == 0:
        weight = 1 / (dips.u_level**2 + dips.u_dip**2)
        offset = float((weight * dips.difference).sum() / weight.sum())
        more = _birge(weight, dips.difference - offset, 1)
        return Straight(offset, COVERAGE * more / math.sqrt(float(weight.sum())), None, None)
    gain = 1.0
    for _ in range(_TURNS):
        weight = 1 / (dips.u_level**2 + (gain * dips.u_dip) ** 2)
        centre = float((weight * dips.dip).sum() / weight.sum())
        inertia = float((weight * (dips.dip - centre) ** 2).sum())
        gain = float((weight * (dips.dip - centre) * dips.reported).sum()) / inertia
    offset = float((weight * dips.reported).sum() / weight.sum()) - gain * centre
    more = _birge(weight, dips.reported - gain * dips.dip - offset, 2)
    offset_u = COVERAGE * more * math.sqrt(1 / float(weight.sum()) + centre**2 / inertia)
    return Straight(offset, offset_u, gain, COVERAGE * more / math.sqrt(inertia))


def _birge(weight: Floats, rest: Floats, parameters: int) -> float:
    free = len(rest) - parameters
    return max(1.0, math.sqrt(float((weight * rest**2).sum()) / free)) if free > 0 else 1.0


@dataclass(frozen=True, slots=True)
class Fit:
    """How well a law explains the dips.

    value: the law's one number, 0 for none. value_u: expanded. chi2: of the differences that are left.
    deviance: -2 ln of the likelihood, without its constant; two laws compare by its difference. free: degrees.
    """

    value: float
    value_u: float
    chi2: float
    deviance: float
    free: int

    @property
    def plausible(self) -> bool:
        """Whether what is left is no more than 1 time in 100 by the uncertainties alone."""
        return self.chi2 <= chi2_quantile(self.free, 0.99)


class _Metric:
    """The inverse of the differences' covariance, by Woodbury's identity: independent parts and a few shared ones."""

    def __init__(self, dips: Dips, gain: float = 1.0) -> None:
        self._weight = 1 / (dips.u_level**2 + (gain * dips.u_dip) ** 2)
        self._shared = np.array(dips.shared).reshape(len(dips.shared), len(dips.dip))
        core = np.eye(len(dips.shared)) + (self._shared * self._weight) @ self._shared.T
        self._inverse_core = np.linalg.inv(core)
        self.log_det = float(np.linalg.slogdet(core)[1] - np.log(self._weight).sum())

    def inner(self, one: Floats, other: Floats) -> float:
        """Return the product of two rows of differences, weighed."""
        left, right = self._weight * one, self._weight * other
        return float(left @ other - (self._shared @ left) @ self._inverse_core @ (self._shared @ right))

    def left(self, rest: Floats) -> tuple[float, float]:
        """Return chi2 and deviance of what a law leaves."""
        chi2 = self.inner(rest, rest)
        return chi2, chi2 + self.log_det


def fit_none(dips: Dips) -> Fit:
    """Return how well "reported is what was dipped" does."""
    chi2, deviance = _Metric(dips).left(dips.difference)
    return Fit(0.0, 0.0, chi2, deviance, len(dips.dip))


def fit_shift(dips: Dips) -> Fit:
    """Return how well one length added to every level does; value is that length in m."""
    metric, ones = _Metric(dips), np.ones(len(dips.dip))
    total = metric.inner(ones, ones)
    value = metric.inner(ones, dips.difference) / total
    chi2, deviance = metric.left(dips.difference - value)
    return Fit(value, COVERAGE / math.sqrt(total), chi2, deviance, len(dips.dip) - 1)


def fit_scale(dips: Dips, pivot_m: float) -> Fit:
    """Return how well one factor on every height over (or under) pivot_m does; value is that factor."""
    arm, reach = dips.dip - pivot_m, dips.reported - pivot_m
    value = 1.0
    for _ in range(_TURNS):
        metric = _Metric(dips, value)
        moment = metric.inner(arm, arm)
        if moment == 0:  # every dip at the pivot: any factor does
            return Fit(1.0, math.inf, *metric.left(reach), len(arm) - 1)
        value = metric.inner(arm, reach) / moment
    chi2, deviance = _Metric(dips, value).left(reach - value * arm)
    return Fit(value, COVERAGE / math.sqrt(moment), chi2, deviance, len(arm) - 1)


def fixed_scale(dips: Dips, pivot_m: float, factor: float) -> float:
    """Return the deviance of a factor that is given."""
    return _Metric(dips, factor).left(dips.reported - pivot_m - factor * (dips.dip - pivot_m))[1]


def chi2_quantile(free: int, share: float) -> float:
    """Return the chi-squared that a share of samples stay below (Wilson and Hilferty's cube; from memory).

    Handbook tables give 9.21 for 2 degrees at 0.99 (NIST/SEMATECH e-Handbook 1.3.6.7.4).

    >>> round(chi2_quantile(2, 0.99), 1)
    9.2
    """
    if free == 0:
        return math.inf
    part = 2 / (9 * free)
    return free * float((1 - part + NormalDist().inv_cdf(share) * math.sqrt(part)) ** 3)
