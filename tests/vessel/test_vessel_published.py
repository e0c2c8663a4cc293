"""Published volumes, the demo yard's figures, and the examples in the room's own documentation.

Source of the published ones, in inches and US gallons: Dan Jones, "Calculating Tank Volume" and "Compute Fluid
Volumes in Vertical Tanks", read through the documentation and tests of the library ``fluids``. The yard's figures are
our own, worked by hand from the shapes and papers of the demo yard.
"""

import doctest
import importlib
import pkgutil

import pytest

import sidetap.vessel
from sidetap.vessel import (
    Box,
    Cone,
    Dished,
    Ellipsoidal,
    End,
    HorizontalCylinder,
    HorizontalEllipse,
    Shifted,
    Torispherical,
    VerticalCylinder,
    Vessel,
    parse_strapping,
)

IN, GALLON = 0.0254, 231 * 0.0254**3


def lying(heads: End) -> Vessel:
    return HorizontalCylinder(108 * IN, 156 * IN, heads)


def upright(bottom: End) -> Vessel:
    return VerticalCylinder(132 * IN, 100 * IN, bottom)


def concave(bottom: End) -> Vessel:
    return VerticalCylinder(113 * IN, 100 * IN, bottom)


TORISPHERICAL = Torispherical(crown_radius_m=108 * IN, knuckle_radius_m=0.06 * 108 * IN)
TORISPHERICAL_UPRIGHT = Torispherical(crown_radius_m=132 * IN, knuckle_radius_m=0.06 * 132 * IN)


@pytest.mark.parametrize(
    ("shape", "level_in", "gallons"),
    [
        (lying(Cone(42 * IN)), 36, 2041.1924),
        (lying(Ellipsoidal(42 * IN)), 36, 2380.9565),
        (lying(Ellipsoidal(42 * IN)), 84, 7103.4452),
        (lying(Dished(42 * IN)), 36, 2303.9615),
        (lying(TORISPHERICAL), 36, 2028.6267),
        (lying(TORISPHERICAL), 84, 5939.8979),
        (upright(Cone(33 * IN)), 24, 250.6746),
        (upright(Ellipsoidal(33 * IN)), 24, 783.3582),
        (upright(Dished(33 * IN)), 24, 583.6018),
        (upright(TORISPHERICAL_UPRIGHT), 24, 904.0688),
        (upright(TORISPHERICAL_UPRIGHT), 60, 3036.7614),
        (VerticalCylinder(120 * IN, 200 * IN), 100, 4895.9886),
        (concave(Cone(33 * IN, inward=True)), 15, 251.1583),
        (concave(Ellipsoidal(33 * IN, inward=True)), 15, 44.8497),
        (concave(Dished(33 * IN, inward=True)), 15, 112.8141),
    ],
)
def test_published_volumes(shape: Vessel, level_in: float, gallons: float) -> None:
    assert shape.volume_m3(level_in * IN) / GALLON == pytest.approx(gallons, abs=5e-5)
    assert shape.level_m(gallons * GALLON) / IN == pytest.approx(level_in, abs=1e-5)


T1 = VerticalCylinder(9.144, 7.315)
T2 = parse_strapping(
    "level_m,volume_gal\n0.15,1981\n0.3,4951\n0.6,10897\n1,18839\n1.5,28787\n2,38746\n2.5,48698\n3,58628\n3.5,68534\n"
    "4,78420\n4.5,88295\n5,98167\n5.5,108036\n5.8,113958\n"
)
T3 = HorizontalCylinder(3.048, 12.192, Ellipsoidal(3.048 / 4))
T4 = VerticalCylinder(3.658, 4.2, Cone(1.2, outlet_diameter_m=0.30))
T5 = Box(6, 4, 2.5)
T6 = HorizontalEllipse(width_m=2.4, height_m=1.5, length_m=5)


@pytest.mark.parametrize(
    ("shape", "trip_m", "gallons"),
    [
        (T1, 0.60, 10_409),
        (T2, 0.60, 10_897),
        (T3, 0.70, 4_337),
        (T4, 0.60, 191),
        (T5, 0.40, 2_536),
        (T6, 0.25, 409),
    ],
    ids=["T1", "T2", "T3", "T4", "T5", "T6"],
)
def test_the_yards_volumes_at_its_trips(shape: Vessel, trip_m: float, gallons: float) -> None:
    assert abs(shape.volume_m3(trip_m) / GALLON - gallons) <= 0.5


KG_PER_LB, G = 0.45359237, 9.80665
T3_DENSITY = 11.65 * KG_PER_LB / GALLON


@pytest.mark.parametrize(
    ("shape", "level_m", "gallons"),
    [
        (T1, 3.480, 60_371),
        (T2, 4.3210, 84_760),
        (T3, 0.42 + 27_100 / (T3_DENSITY * G), 21_576),
        (T3, 0.42 + 22_000 / (T3_DENSITY * G), 18_044),
        (T3, 0.42 + 22_000 / (998 * G), 23_686),
        (T3, 0.42, 2_056),
        (T4, 5.62 - 2.120, 7_594.5),
        (T5, 0.6840 * 2.5, 10_842),
        (T6, 3.20 * 0.3048, 2_571),
    ],
    ids=["T1", "T2", "T3", "T3 at 22 kPa", "T3 with a wrong density", "T3 at the nozzle", "T4", "T5", "T6"],
)
def test_the_yards_golden_readings(shape: Vessel, level_m: float, gallons: float) -> None:
    assert abs(shape.volume_m3(level_m) / GALLON - gallons) <= 2


def test_a_datum_moves_levels_and_nothing_else() -> None:
    moved = Shifted(T4, datum_m=1.2)  # as if counted from where the cone begins
    assert (moved.bottom_m, moved.top_m) == pytest.approx((-1.2, 4.2))
    assert moved.volume_m3(-0.6) / GALLON == pytest.approx(190.9, abs=0.1)
    assert moved.area_m2(-0.6) == pytest.approx(T4.area_m2(0.6), rel=1e-12)
    assert moved.level_m(T4.volume_m3(0.6)) == pytest.approx(-0.6, abs=1e-9)
    assert Shifted(T2, datum_m=-0.2).volume_m3(4.5210) / GALLON == pytest.approx(84_760, abs=2)


def test_the_depth_of_torispherical_ends_is_that_of_the_standards() -> None:
    """DIN 28011: 0.1935 D, DIN 28013: 0.2545 D without wall thickness (from memory of both standards' tables)."""
    for crown, knuckle, depth in ((1.0, 0.1, 0.1935), (0.8, 0.154, 0.2545)):
        assert Torispherical(crown, knuckle).fitted(0.5).depth_m == pytest.approx(depth, abs=1e-3)


def test_the_examples_in_the_documentation_hold() -> None:
    tried = 0
    for module in pkgutil.iter_modules(sidetap.vessel.__path__):
        result = doctest.testmod(importlib.import_module(f"sidetap.vessel.{module.name}"))
        assert result.failed == 0, module.name
        tried += result.attempted
    assert tried >= 15


def test_the_public_names_are_there() -> None:
    assert all(hasattr(sidetap.vessel, name) for name in sidetap.vessel.__all__)
    assert sidetap.vessel.__all__ == sorted(sidetap.vessel.__all__, key=lambda name: (name[0].islower(), name))
