"""Readings beside a line -> what is wrong with a vessel's level, if anything, and may its point guard a valve.

Comparisons in, one ``Diagnosis`` for each vessel out. Levels measured at the vessel decide; a display tells only
whether the register is read as the transmitter reads it; volumes measured at the vessel tell its shape, once its
level is known to be right. Pure: no I/O, no clock, no words.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sidetap.measure.doctor.causes import CLEAR, Cause, Finding, find_cause
from sidetap.measure.doctor.fitting import COVERAGE, Dips, Straight, straight_line
from sidetap.measure.doctor.hearing import TYPED_TIME_NS, Comparison, Standing
from sidetap.measure.doctor.release import Release, far_enough, is_fine, judge_release
from sidetap.quantity import NS_PER_S
from sidetap.site.model import LevelKind, Point, Vessel
from sidetap.vessel import OutOfShape

_TYPED_TIME_S = TYPED_TIME_NS / NS_PER_S
_RECTANGULAR = math.sqrt(3)  # half width of a tolerance -> standard uncertainty (GUM 4.3.7)


@dataclass(frozen=True, slots=True)
class Beside:
    """One reading beside the line. difference, stated: reported minus read and its k = 2 allowance, in m or m³.

    volume_error_m3: of the level's difference; None where the vessel has no such level.
    """

    comparison: Comparison
    difference: float
    stated: float
    volume_error_m3: float | None

    @property
    def agrees(self) -> bool:
        """Whether they differ by no more than is stated."""
        return abs(self.difference) <= self.stated

    @property
    def is_far_off(self) -> bool:
        """Whether chance is no explanation: 3 standard deviations."""
        return (COVERAGE * self.difference) ** 2 > CLEAR * self.stated**2


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """What the readings of one vessel say. dips: those that decided; unused: those the line has nothing beside."""

    vessel: Vessel
    point: Point
    dips: tuple[Beside, ...]
    displays: tuple[Beside, ...]
    volumes: tuple[Beside, ...]
    unused: tuple[Comparison, ...]
    straight: Straight | None
    finding: Finding
    release: Release


def diagnose(comparisons: Sequence[Comparison]) -> list[Diagnosis]:
    """Return one diagnosis for each vessel that was read, in their order."""
    of_vessel: dict[str, list[Comparison]] = {}
    for comparison in comparisons:
        of_vessel.setdefault(comparison.noted.vessel.tag, []).append(comparison)
    return [_of(found) for found in of_vessel.values()]


def _of(comparisons: Sequence[Comparison]) -> Diagnosis:
    vessel, point = comparisons[0].noted.vessel, comparisons[0].noted.point
    levels = [c for c in comparisons if not c.noted.is_volume]
    compared = _deciding([c for c in levels if c.noted.is_dip])
    dips = _numbers(vessel, compared)
    enough = far_enough(vessel, point, compared) and is_fine(vessel, point, dips)
    shown = _deciding([c for c in levels if not c.noted.is_dip])
    finding = find_cause(dips, _numbers(vessel, shown), vessel, point, enough)
    volumes = _volumes([c for c in comparisons if c.noted.is_volume and c.noted.is_dip])
    if finding.cause is Cause.NONE and any(each.is_far_off for each in volumes):
        finding = Finding(Cause.SHAPE)
    used = {id(c) for c in (*compared, *shown, *(each.comparison for each in volumes))}
    return Diagnosis(
        vessel=vessel,
        point=point,
        dips=_beside(vessel, compared),
        displays=_beside(vessel, shown),
        volumes=volumes,
        unused=tuple(c for c in comparisons if id(c) not in used),
        straight=straight_line(dips),
        finding=finding,
        release=judge_release(vessel, point, compared, dips, finding, all(each.agrees for each in volumes)),
    )


def _deciding(compared: Sequence[Comparison]) -> list[Comparison]:
    """Return those that carry a number; ones outside the valid range only where the others are too few."""
    valid = [c for c in compared if c.standing in (Standing.GOOD, Standing.ABOVE_TOP)]
    return valid if len(valid) > 1 else [c for c in compared if c.standing is not Standing.NOTHING]


def _numbers(vessel: Vessel, compared: Sequence[Comparison]) -> Dips:
    tolerance = [float(c.noted.tolerance) + c.rate_m_per_s * _TYPED_TIME_S for c in compared]
    stated = vessel.uncertainty
    dip = np.array([float(c.noted.value) for c in compared])
    shared = []
    if stated.reference_01mm:
        shared.append(np.full(len(dip), stated.reference_01mm / 10_000 / COVERAGE))
    if vessel.level.kind is LevelKind.PRESSURE and vessel.density.uncertainty:
        head = dip - vessel.level.sensor_height_01mm / 10_000
        shared.append(head * float(vessel.density.uncertainty) / COVERAGE)
    return Dips(
        dip=dip,
        reported=np.array([c.reported_m for c in compared], dtype=np.float64),
        u_dip=np.array(tolerance) / _RECTANGULAR,
        # what the papers state of one reading, or what the answers were seen to scatter, a wave's swing included
        u_level=np.array([max(stated.reading_01mm / 10_000 / COVERAGE, c.scatter_m) for c in compared]),
        shared=tuple(shared),
    )


def _beside(vessel: Vessel, compared: Sequence[Comparison]) -> tuple[Beside, ...]:
    dips = _numbers(vessel, compared)
    stated = COVERAGE * np.sqrt(dips.variance())
    return tuple(
        Beside(c, float(difference), float(most), volume_error_m3(vessel, float(c.noted.value), c.reported_m or 0.0))
        for c, difference, most in zip(compared, dips.difference, stated, strict=True)
    )


def volume_error_m3(vessel: Vessel, true_m: float, reported_m: float) -> float | None:
    """Return the volume at the reported level minus that at the true one; None outside the vessel's shape."""
    try:
        return vessel.geometry.volume_m3(reported_m) - vessel.geometry.volume_m3(true_m)
    except OutOfShape:
        return None


def _volumes(compared: Sequence[Comparison]) -> tuple[Beside, ...]:
    """Return volumes measured at the vessel beside those of the reported level, where that is a good one."""
    found = []
    for each in compared:
        if each.standing is not Standing.GOOD or each.reported_m is None:
            continue
        vessel, level = each.noted.vessel, each.reported_m
        volume, area = vessel.geometry.volume_m3(level), vessel.geometry.area_m2(level)
        (number,) = _numbers(vessel, [each]).u_level
        shared = [vessel.uncertainty.reference_01mm / 10_000 / COVERAGE * area]
        if vessel.level.kind is LevelKind.PRESSURE:
            head = level - vessel.level.sensor_height_01mm / 10_000
            shared.append(float(vessel.density.uncertainty) / COVERAGE * head * area)
        tolerance = float(each.noted.tolerance) + area * each.rate_m_per_s * _TYPED_TIME_S
        own = float(vessel.uncertainty.volume) / COVERAGE * volume
        stated = COVERAGE * math.hypot(tolerance / _RECTANGULAR, number * area, own, *shared)
        difference = volume - float(each.noted.value)
        found.append(Beside(each, difference, stated, difference))
    return tuple(found)
