"""May a point guard a valve: only two dips of one vessel, far enough apart, that the line agrees with say so.

What the line reported beside the dips comes in; yes, or the first reason why not, goes out. A display can't release:
it shows what the transmitter believes, wrong reference, nozzle and density included.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from sidetap.measure.doctor.causes import Cause, Finding
from sidetap.measure.doctor.fitting import COVERAGE, Dips
from sidetap.measure.doctor.hearing import Comparison, Standing
from sidetap.site.levels import level_m
from sidetap.site.model import LevelKind, Point, Vessel

APART = Fraction(1, 5)  # of the measurable span
_COARSEST = 0.01  # of the span, expanded: a coarser dip would agree with anything; common practice, no source


@dataclass(frozen=True, slots=True)
class Release:
    """The answer. why_not: a clause for people, "" when released; dips: how many released it."""

    released: bool
    why_not: str
    dips: int = 0


def measurable_m(vessel: Vessel, point: Point) -> tuple[Fraction, Fraction]:
    """Return the lowest and the highest level that point and vessel can report, in m, exactly."""
    source = vessel.level
    ends = sorted(level_m(source, vessel.density, bound) for bound in point.valid)
    low = max(ends[0], bottom_m(vessel))
    high = min(ends[1], Fraction(vessel.top_01mm, 10_000))
    if source.kind is LevelKind.PRESSURE:
        low = max(low, Fraction(source.sensor_height_01mm, 10_000))
    if source.kind is LevelKind.ULLAGE:
        high = min(high, Fraction(source.reference_height_01mm - source.blocking_01mm, 10_000))
    return low, high


def bottom_m(vessel: Vessel) -> Fraction:
    """Return the lowest level that has a volume: the decimal that was written, not the float nearest to it."""
    return Fraction(repr(vessel.geometry.bottom_m))


def needed_m(vessel: Vessel, point: Point) -> Fraction:
    """Return how far apart two dips must be at least."""
    low, high = measurable_m(vessel, point)
    return APART * (high - low)


def far_enough(vessel: Vessel, point: Point, compared: Sequence[Comparison]) -> bool:
    """Return whether two of these dips are as far apart as a release needs."""
    values = [c.noted.value for c in compared]
    return len(values) > 1 and max(values) - min(values) >= needed_m(vessel, point)


def is_fine(vessel: Vessel, point: Point, dips: Dips) -> bool:
    """Return whether the dips are fine enough for an agreement to say something."""
    low, high = measurable_m(vessel, point)
    return bool((COVERAGE * dips.u_dip <= _COARSEST * float(high - low)).all())


def judge_release(
    vessel: Vessel,
    point: Point,
    compared: Sequence[Comparison],
    dips: Dips,
    finding: Finding,
    volumes_agree: bool,
) -> Release:
    """Return whether these dips release the point.

    compared: the dips that the numbers in ``dips`` are of. volumes_agree: those measured at the vessel do, if any.
    """
    for reason in (
        "" if finding.cause in (Cause.NONE, Cause.UNCLEAR) else f"the cause is {finding.cause}",
        _counts(vessel, point, compared),
        "" if is_fine(vessel, point, dips) else "a dip is too coarse to tell anything",
        _outside(compared, dips),
        "" if finding.cause is Cause.NONE else "what the dips say is unclear",
        "" if volumes_agree else "a measured volume lies outside what is stated",
    ):
        if reason:
            return Release(False, reason)
    return Release(True, "", len(compared))


def _counts(vessel: Vessel, point: Point, compared: Sequence[Comparison]) -> str:
    if len(compared) < 2:
        return f"{('no dip', 'one dip')[len(compared)]} where two are needed"
    for each in compared:
        if each.standing is not Standing.GOOD:
            return f"the line had no good level at the dip of row {each.noted.reading.row}"
    if not far_enough(vessel, point, compared):
        values = [c.noted.value for c in compared]
        apart, needed = float(max(values) - min(values)), float(needed_m(vessel, point))
        return f"the dips are {apart:.4f} m apart where {needed:.4f} m are needed, a fifth of the span"
    return ""


def _outside(compared: Sequence[Comparison], dips: Dips) -> str:
    stated = COVERAGE * dips.variance() ** 0.5
    for each, difference, most in zip(compared, dips.difference, stated, strict=True):
        if abs(difference) > most:
            row = each.noted.reading.row
            return f"the dip of row {row} is {difference * 1000:+.1f} mm off where {most * 1000:.1f} mm are stated"
    return ""
