"""Which one cause explains the differences between line and dips, if any does and no other does as well.

Theory of operation. Every cause is a law with one number: a length added to every level (a reference or a nozzle at
another height), or a factor on every distance from a pivot that the kind of level decides: the datum, the flange of
an ullage, the nozzle of a pressure. "None" has no number, and holds where every difference is within what is stated.
A law is believed when it leaves no more than the stated uncertainties allow and beats every other by CLEAR in
deviance (3 standard deviations). A factor that is a ratio of units, within its own uncertainty, is told as the unit.

Where two explain alike, none is named, unless displays decide. A display shows what the transmitter believes, so it
may repeat the line's fault; but where it differs from the line by the same law as the dips do, it has none of it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from typing import TypeAlias

from sidetap.measure.doctor.fitting import Dips, Fit, fit_none, fit_scale, fit_shift, fixed_scale
from sidetap.quantity import UNITS, Dimension
from sidetap.site.model import LevelKind, Point, Vessel

CLEAR = 9.0  # of deviance: 3 standard deviations, or odds of 90 to 1
_TENS = tuple(Fraction(10) ** n for n in (-3, -2, -1, 1, 2, 3))
_SURE = 0.1  # relative expanded uncertainty up to which a factor tells anything; units are 20 % apart or more
_NO_FACTOR = 0.2  # a unit that would change less than this share is no cause anybody would see as a unit
_LIQUIDS_KG_PER_M3 = (400, 4000)  # from light fuels to the heaviest acids; from memory, as the site file's bounds
_MOST_SUSPECTS = 20  # dips among which one is looked for that spoils the others; each takes a fit of its own

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
    """A cause with its law, fitted. pivot_m: None for a shift. mistake: which unit is read as which, for UNIT."""

    cause: Cause
    fit: Fit
    pivot_m: float | None
    mistake: str = ""

    @property
    def law(self) -> Law:
        """True level in m -> the level the line reports."""
        pivot, value = self.pivot_m, self.fit.value
        return (lambda level: level + value) if pivot is None else (lambda level: pivot + value * (level - pivot))


@dataclass(frozen=True, slots=True)
class Finding:
    """What the dips say: a cause with its law; or unclear, why, and the causes that remain (the best first).

    suspect: the place among the dips of the only one without which the others make sense. by_displays: they decided
    between causes that explain the dips alike.
    """

    cause: Cause
    named: Candidate | None = None
    why: Why | None = None
    rivals: tuple[Candidate, ...] = ()
    suspect: int | None = None
    by_displays: bool = False


def find_cause(dips: Dips, displays: Dips, vessel: Vessel, point: Point, enough: bool) -> Finding:
    """Return what explains the dips. enough: they are as many and as far apart as a release needs."""
    if not len(dips.dip):
        return Finding(Cause.UNCLEAR, why=Why.NO_DIP)
    none, candidates = fit_none(dips), sorted(_candidates(dips, vessel, point), key=lambda c: c.fit.deviance)
    best = candidates[0]
    if dips.agree or (none.deviance - best.fit.deviance <= CLEAR and none.plausible):
        return Finding(Cause.NONE) if enough else Finding(Cause.UNCLEAR, why=Why.TOO_FEW)
    vague = best.pivot_m is not None and len(dips.dip) > 1 and not _is_sure(best.fit)
    if vague or not best.fit.plausible or none.deviance - best.fit.deviance <= CLEAR:
        return Finding(Cause.UNCLEAR, why=Why.NOTHING_FITS, suspect=_suspect(dips, vessel, point))
    alike = tuple(c for c in candidates if c.fit.deviance - best.fit.deviance < CLEAR)
    if len(alike) == 1:
        return Finding(best.cause, named=best)
    shown = _by_displays(dips, displays, vessel, point)
    for candidate in alike:
        if candidate.cause is shown:
            return Finding(candidate.cause, named=candidate, by_displays=True)
    return Finding(Cause.UNCLEAR, why=Why.ALIKE, rivals=alike)


def _by_displays(dips: Dips, displays: Dips, vessel: Vessel, point: Point) -> Cause | None:
    """Return the one cause whose law holds for two dips and all displays together, if one does."""
    if len(dips.dip) < 2 or not len(displays.dip):
        return None
    best, other = sorted(_candidates(dips.joined(displays), vessel, point), key=lambda c: c.fit.deviance)
    return best.cause if best.fit.plausible and other.fit.deviance - best.fit.deviance > CLEAR else None


def _suspect(dips: Dips, vessel: Vessel, point: Point) -> int | None:
    """Return the one dip without which the others agree, or have one cause; None unless there is exactly one."""
    if not 3 <= len(dips.dip) <= _MOST_SUSPECTS:
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
    mistake = _mistake(dips, vessel, point, pivot, fit)
    if mistake:
        yield Candidate(Cause.UNIT, fit, pivot, mistake)
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


def _is_sure(fit: Fit) -> bool:
    return fit.value_u <= _SURE * fit.value


def _is_liquid(kg_per_m3: float) -> bool:
    low, high = _LIQUIDS_KG_PER_M3
    return low <= kg_per_m3 <= high


def _mistake(dips: Dips, vessel: Vessel, point: Point, pivot: float, fit: Fit) -> str:
    """Return which unit is read as which, "" where the factor is no ratio of units."""
    if not _is_sure(fit):
        return ""
    fitting = [
        (deviance, words)
        for factor, words in _ratios(vessel, point)
        if (deviance := fixed_scale(dips, pivot, float(factor))) - fit.deviance <= CLEAR
    ]
    return min(fitting, key=lambda each: each[0])[1] if fitting else ""


def _ratios(vessel: Vessel, point: Point) -> Iterator[tuple[Fraction, str]]:
    """Yield the factor that each mistaken unit puts on the reading, and that mistake; the point's own unit first."""
    taken = UNITS[point.unit]
    units = sorted((u for u in UNITS.values() if u.dimension is taken.dimension), key=lambda u: u.name != taken.name)
    for written, meant in itertools.permutations(units, 2):
        yield written.factor / meant.factor, f"{meant.name} read as {written.name}"
    for ten in _TENS:
        yield ten, f"a decimal point elsewhere, by {float(ten):g}"
    top, span = Fraction(vessel.top_01mm, 10_000), Fraction(vessel.level.span_01mm, 10_000)
    if vessel.level.kind is LevelKind.HEIGHT:
        others = [(100 * taken.factor / top, f"% of {float(top):.3f} m read as {taken.name}")]
    elif vessel.level.kind is LevelKind.PERCENT:
        lengths = [u for u in UNITS.values() if u.dimension is Dimension.LENGTH]
        others = [(span * taken.factor / u.factor, f"{u.name} read as {taken.name}") for u in lengths]
    else:
        others = []
    yield from ((factor, words) for factor, words in others if abs(math.log(factor)) > _NO_FACTOR)
