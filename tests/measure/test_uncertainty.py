"""Uncertainties against a published worked value, and every formula against trials with seeded errors.

The trials know nothing of the formulas: they draw each error once, work the result out as the instrument chain would
have, and take twice the standard deviation (k = 2; JCGM 101:2008 is the method).
"""

from dataclasses import replace
from datetime import date
from fractions import Fraction
from math import pi

import numpy as np
import pytest
from answers import EXAMPLE

from sidetap.measure import drawn
from sidetap.measure.budget import Budget
from sidetap.site import Density, LevelKind, LevelSource, Uncertainty, Vessel, load_or_refuse
from sidetap.vessel import Ellipsoidal, HorizontalCylinder, VerticalCylinder

IN, GALLON = 0.0254, 231 * 0.0254**3
TRIALS = 200_000
Floats = np.ndarray[tuple[int], np.dtype[np.float64]]


@pytest.fixture(scope="module")
def t1() -> Vessel:
    return load_or_refuse(EXAMPLE).vessel("T1")


def lying(t1: Vessel) -> Vessel:
    """A lying vessel with 2:1 heads whose level comes from a pressure, and everything uncertain."""
    return replace(
        t1,
        geometry=HorizontalCylinder(3.048, 12.192, Ellipsoidal(0.762)),
        level=LevelSource("PT-3", LevelKind.PRESSURE, sensor_height_01mm=4200),
        density=Density(Fraction(1396), "invented", date(2026, 1, 20), Fraction(2, 100)),
        uncertainty=Uncertainty(reading_01mm=100, volume=Fraction(5, 1000), reference_01mm=60),
    )


def lying_m3(level_m: Floats) -> Floats:
    """Straight part and heads, from school geometry, for arrays."""
    radius = 1.524
    half = np.arccos(1 - level_m / radius)
    straight = 12.192 * radius**2 * (half - np.sin(half) * np.cos(half))
    heads = pi * level_m**2 * (radius - level_m / 3) * 0.762 / radius
    return np.asarray(straight + heads)


def error(random: np.random.Generator, expanded: float) -> Floats:
    return random.normal(0, expanded / 2, TRIALS)


def expanded(results: Floats) -> float:
    return 2 * float(results.std())


# -- a volume drawn --------------------------------------------------------------------------------------------------


def test_a_volume_drawn_from_a_12_ft_vessel(t1: Vessel) -> None:
    """A published worked value: 12 ft, 36 in drawn, area 0.125 % and each reading 2 mm at k = 1: U = 16.9 gal.

    Root of the sum of squares at k = 2 (NIST/SEMATECH e-Handbook, 2.5.7); the height of the reference cancels.
    """
    vessel = replace(
        t1,
        geometry=VerticalCylinder(144 * IN, 240 * IN),
        uncertainty=Uncertainty(reading_01mm=40, volume=Fraction(25, 10_000), reference_01mm=500),
    )
    found = drawn(vessel, round(100 * IN * 10_000), round(64 * IN * 10_000))
    assert found.volume_m3 is not None
    assert found.volume_m3 / GALLON == pytest.approx(36 * 70.50224, abs=0.5)
    assert found.uncertainty_m3 is not None
    assert found.uncertainty_m3 / GALLON == pytest.approx(16.9, abs=0.05)


@pytest.mark.parametrize("kind", [LevelKind.HEIGHT, LevelKind.PRESSURE])
@pytest.mark.parametrize(("first_m", "last_m"), [(2.6, 1.2), (1.6, 0.8), (1.0, 0.7)])
def test_a_volume_drawn_against_trials(t1: Vessel, kind: LevelKind, first_m: float, last_m: float) -> None:
    vessel = lying(t1)
    vessel = replace(vessel, level=replace(vessel.level, kind=kind))
    random = np.random.default_rng(7)
    reference, shape, density = error(random, 0.006), error(random, 0.005), error(random, 0.02)

    def volume(level_m: float) -> Floats:
        head = level_m - 0.42 if kind is LevelKind.PRESSURE else 0.0
        return lying_m3(level_m + reference - head * density + error(random, 0.010)) * (1 + shape)

    found = Budget(vessel)
    ends = [(m, vessel.geometry.area_m2(m)) for m in (first_m, last_m)]
    taken = vessel.geometry.volume_m3(first_m) - vessel.geometry.volume_m3(last_m)
    assert found.drawn_m3(ends[0], ends[1], taken) == pytest.approx(
        expanded(volume(first_m) - volume(last_m)), rel=0.01
    )


def test_a_reference_cancels_in_an_upright_vessel_and_a_density_does_not(t1: Vessel) -> None:
    level = LevelSource("PT", LevelKind.PRESSURE, sensor_height_01mm=4200)
    density = replace(t1.density, uncertainty=Fraction(2, 100))
    only = replace(t1, level=level, density=density, uncertainty=Uncertainty(0, Fraction(0), reference_01mm=5000))
    found = drawn(only, 30_000, 20_000)
    assert found.volume_m3 is not None
    assert found.uncertainty_m3 == pytest.approx(0.02 * found.volume_m3)


@pytest.mark.parametrize(
    ("fall_01mm", "determinable"),
    [(848, False), (850, True), (0, False), (-100, False)],  # 3 mm twice are 4.2426 mm: 5 % of 84.9 mm
)
def test_a_difference_less_certain_than_5_percent_is_left_out(t1: Vessel, fall_01mm: int, determinable: bool) -> None:
    vessel = replace(t1, uncertainty=Uncertainty(30, Fraction(0)))
    found = drawn(vessel, 34_800, 34_800 - fall_01mm)
    assert (found.volume_m3 is not None) is determinable
    assert (found.uncertainty_m3 is not None) is determinable
    assert bool(found.reason) is not determinable


@pytest.mark.parametrize(
    ("first", "last", "which"), [(None, 100, "start"), (100, None, "end"), (None, None, "start")]
)
def test_an_unknown_level_leaves_a_volume_out(t1: Vessel, first: int | None, last: int | None, which: str) -> None:
    found = drawn(t1, first, last)
    assert (found.volume_m3, found.uncertainty_m3) == (None, None)
    assert which in found.reason


@pytest.mark.parametrize(("over", "determinable"), [(0.99, True), (1.01, False)])
def test_less_than_the_draw_explains_is_left_out(t1: Vessel, over: float, determinable: bool) -> None:
    found = drawn(t1, 34_800, 33_000)
    assert found.volume_m3 is not None
    assert found.uncertainty_m3 is not None
    most_m3 = found.volume_m3 + found.uncertainty_m3
    assert (drawn(t1, 34_800, 33_000, most_m3 * over).volume_m3 is not None) is determinable


# -- a level, its volume and its mass --------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", [LevelKind.HEIGHT, LevelKind.PRESSURE])
@pytest.mark.parametrize("level_m", [0.6, 1.5, 2.7])
def test_level_volume_and_mass_against_trials(t1: Vessel, kind: LevelKind, level_m: float) -> None:
    vessel = lying(t1)
    vessel = replace(vessel, level=replace(vessel.level, kind=kind))
    random = np.random.default_rng(11)
    density = error(random, 0.02)
    head = level_m - 0.42 if kind is LevelKind.PRESSURE else 0.0
    levels = level_m + error(random, 0.010) + error(random, 0.006) - head * density
    volumes = lying_m3(levels) * (1 + error(random, 0.005))
    shape = vessel.geometry
    found = Budget(vessel).content(level_m, shape.volume_m3(level_m), shape.area_m2(level_m), heel_m3=0.0)
    assert found.level_u_m == pytest.approx(expanded(levels), rel=0.01)
    assert found.volume_u_m3 == pytest.approx(expanded(volumes), rel=0.02)
    assert found.mass_u_kg == pytest.approx(expanded(volumes * 1396 * (1 + density)), rel=0.02)


def test_mass_over_a_pressure_hardly_feels_the_density(t1: Vessel) -> None:
    """In an upright vessel a sensor at the floor weighs: only what lies under the sensor feels the density."""
    level = LevelSource("PT", LevelKind.PRESSURE, sensor_height_01mm=0)
    density = replace(t1.density, uncertainty=Fraction(5, 100))
    vessel = replace(t1, level=level, density=density, uncertainty=Uncertainty(0, Fraction(0)))
    found = Budget(vessel).content(3.0, t1.geometry.volume_m3(3.0), t1.geometry.area_m2(3.0), heel_m3=0.0)
    assert found.volume_u_m3 == pytest.approx(0.05 * found.volume_m3)
    assert found.mass_u_kg == pytest.approx(0, abs=1e-6)


def test_what_lies_under_the_heel_cannot_be_drawn(t1: Vessel) -> None:
    shape = t1.geometry
    heel_m3 = shape.volume_m3(0.25)
    content = Budget(t1).content(3.0, shape.volume_m3(3.0), shape.area_m2(3.0), heel_m3)
    assert content.drawable_m3 == pytest.approx(shape.volume_m3(2.75))
    assert Budget(t1).content(0.2, shape.volume_m3(0.2), shape.area_m2(0.2), heel_m3).drawable_m3 == 0


def test_a_flow_feels_its_rate_and_the_shape(t1: Vessel) -> None:
    """Worked by hand: 0.01 mm/s over 65 m² are 0.00065 m³/s; 0.3 % of 0.025 are 0.000075; together 0.000654."""
    assert Budget(t1).flow_m3_per_s(-0.025, 0.000_01, 65.0) == pytest.approx(0.000_654_3, abs=1e-7)
