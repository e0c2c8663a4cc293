"""Which one cause explains the differences between line and dips, if any does and no other does as well.

Theory of operation. Every cause is a law with one number: a length added to every level (a reference or a nozzle at
another height), or a factor on every distance from a pivot that the kind of level decides: the datum, the flange of
an ullage, the nozzle of a pressure. "None" has no number. A law is believed when it leaves no more than the stated
uncertainties allow and beats every other by CLEAR in deviance (3 standard deviations). Where two explain alike, none
is named. A factor that is a ratio of units, within its own uncertainty, is told as the unit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from typing import TypeAlias

import numpy as np

from sidetap.measure.doctor.fitting import Dips, Fit, fit_none, fit_scale, fit_shift, fixed_scale
from sidetap.quantity import UNITS, Dimension, to_si
from sidetap.site.model import LevelKind, Point, Vessel

CLEAR = 9.0  # of deviance: 3 standard deviations, or odds of 90 to 1
_TENS = tuple(Fraction(10) ** n for n in (-3, -2, -1, 1, 2, 3))
_SURE_OF_UNIT = 0.03  # relative expanded uncertainty up to which a factor can be told for a unit's
_NO_FACTOR = 0.2  # a unit that would change less than this share is no cause anybody would see as a unit
_LIQUIDS_KG_PER_M3 = (400, 4000)  # from light fuels to the heaviest acids; from memory, as the site file's bounds

Law: TypeAlias = Callable[[float], float]


class Cause(StrEnum):
    """What makes the line differ from the vessel."""

    NONE = "none"
    REFERENCE_HEIGHT = "reference-height"
    NOZZLE_HEIGHT = "nozzle-height"
    GAIN = "gain"
    DENSITY = "density"
    UNIT = "unit"
    SHAPE = "shape"
    UNCLEAR = "unclear"


class Why(StrEnum):
    """What keeps a cause from being named."""

    NO_DIP = "no dip"
    TOO_FEW = "they agree, but are too few or too near to each other"
    ALIKE = "two causes explain them alike"
    NOTHING_FITS = "no single cause explains them"


@dataclass(frozen=True, slots=True)
class Candidate:
    """A cause with its law, fitted. pivot_m: None for a shift. counted: the unit the register counts, for UNIT."""

    cause: Cause
    fit: Fit
    pivot_m: float | None
    counted: str = ""

    @property
    def law(self) -> Law:
        """True level in m -> the level the line reports."""
        pivot, value = self.pivot_m, self.fit.value
        return (lambda level: level + value) if pivot is None else (lambda level: pivot + value * (level - pivot))


@dataclass(frozen=True, slots=True)
class Finding:
    """What the dips say: a cause with its law; or unclear, why, and the causes that remain (the best first).

    suspect: the place among the dips of the only one without which the others make sense.
    """

    cause: Cause
    named: Candidate | None = None
    why: Why | None = None
    rivals: tuple[Candidate, ...] = ()
    suspect: int | None = None


def find_cause(dips: Dips, vessel: Vessel, point: Point, enough: bool) -> Finding:
    """Return what explains the dips. enough: they are as many and as far apart as a release needs."""
    if not len(dips.dip):
        return Finding(Cause.UNCLEAR, why=Why.NO_DIP)
    none, candidates = fit_none(dips), sorted(_candidates(dips, vessel, point), key=lambda c: c.fit.deviance)
    best = candidates[0]
    if none.deviance - best.fit.deviance <= CLEAR and none.plausible:
        return Finding(Cause.NONE) if enough else Finding(Cause.UNCLEAR, why=Why.TOO_FEW)
    if not best.fit.plausible or none.deviance - best.fit.deviance <= CLEAR:
        return Finding(Cause.UNCLEAR, why=Why.NOTHING_FITS, suspect=_suspect(dips, vessel, point))
    alike = tuple(c for c in candidates if c.fit.deviance - best.fit.deviance < CLEAR)
    if len(alike) > 1:
        return Finding(Cause.UNCLEAR, why=Why.ALIKE, rivals=alike)
    return Finding(best.cause, named=best)


def _suspect(dips: Dips, vessel: Vessel, point: Point) -> int | None:
    """Return the one dip without which the others agree, or have one cause; None unless there is exactly one."""
    if len(dips.dip) < 3:
        return None
    freed = []
    for n in range(len(dips.dip)):
        rest = dips.without(n)
        fits = [fit_none(rest), *(c.fit for c in _candidates(rest, vessel, point))]
        if any(fit.plausible for fit in fits):
            freed.append(n)
    return freed[0] if len(freed) == 1 else None


def _candidates(dips: Dips, vessel: Vessel, point: Point) -> Iterator[Candidate]:
    kind = vessel.level.kind
    shift = Cause.NOZZLE_HEIGHT if kind is LevelKind.PRESSURE else Cause.REFERENCE_HEIGHT
    yield Candidate(shift, fit_shift(dips), None)
    pivot = pivot_m(vessel)
    fit = fit_scale(dips, pivot)
    counted = _counted(dips, vessel, point, pivot, fit)
    if counted:
        yield Candidate(Cause.UNIT, fit, pivot, counted)
    elif kind is LevelKind.PRESSURE and _is_liquid(fit.value * float(vessel.density.kg_per_m3)):
        yield Candidate(Cause.DENSITY, fit, pivot)
    else:
        yield Candidate(Cause.GAIN, fit, pivot)


def pivot_m(vessel: Vessel) -> float:
    """Return the level that a factor on the reading leaves where it is."""
    source = vessel.level
    return {
        LevelKind.ULLAGE: source.reference_height_01mm / 10_000,
        LevelKind.PRESSURE: source.sensor_height_01mm / 10_000,
    }.get(source.kind, 0.0)


def _is_liquid(kg_per_m3: float) -> bool:
    low, high = _LIQUIDS_KG_PER_M3
    return low <= kg_per_m3 <= high


def _counted(dips: Dips, vessel: Vessel, point: Point, pivot: float, fit: Fit) -> str:
    """Return what the register counts instead of the point's unit, "" where the factor is no ratio of units."""
    if not 0 < fit.value_u <= _SURE_OF_UNIT * fit.value:
        return ""
    fitting = [
        (deviance, words)
        for factor, words in _ratios(vessel, point)
        if (deviance := fixed_scale(dips, pivot, float(factor))) - fit.deviance <= CLEAR
    ]
    return min(fitting)[1] if fitting else ""


def _ratios(vessel: Vessel, point: Point) -> Iterator[tuple[Fraction, str]]:
    """Yield the factor that each other unit would put on the reading, and what the register then counts."""
    taken = UNITS[point.unit]
    for unit in UNITS.values():
        if unit.dimension is taken.dimension and unit.name != taken.name:
            yield taken.factor / unit.factor, f"{unit.name}, not {taken.name}"
    for ten in _TENS:
        yield ten, f"{taken.name} with another decimal point: its scale is {_plain(ten)} times too large"
    top, span = Fraction(vessel.top_01mm, 10_000), Fraction(vessel.level.span_01mm, 10_000)
    if vessel.level.kind is LevelKind.HEIGHT and taken.dimension is Dimension.LENGTH:
        others = [(100 * taken.factor / top, f"% of {float(top):.3f} m, not {taken.name}")]
    elif vessel.level.kind is LevelKind.PERCENT:
        lengths = [u.name for u in UNITS.values() if u.dimension is Dimension.LENGTH]
        others = [(span * taken.factor / to_si(1, name), f"{name}, not {taken.name}") for name in lengths]
    else:
        others = []
    yield from ((factor, words) for factor, words in others if abs(float(np.log(float(factor)))) > _NO_FACTOR)


def _plain(factor: Fraction) -> str:
    return f"{float(factor):g}"
