"""Shapes against published examples, against ``fluids``, and against themselves.

Sources: the gallons of the first table are from Dan Jones, "Calculating Tank Volume", read through the documentation
and tests of the library ``fluids``; the yard's golden readings are our own, worked from the shapes and their papers.
"""

import math

import fluids
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidetap.vessel import (
    Ellipsoidal,
    Flat,
    HorizontalCylinder,
    OutOfShape,
    Side,
    VerticalCylinder,
    Vessel,
    parse_strapping,
)

IN, GALLON = 0.0254, 231 * 0.0254**3
T1 = VerticalCylinder(9.144, 7.315)
T3 = HorizontalCylinder(3.048, 12.192, Ellipsoidal(3.048 / 4))
TABLE = "level_m,volume_gal\n0.15,1981\n0.3,4951\n0.6,10897\n1,18839\n1.5,28787\n2,38746\n5.8,113958\n"
SHAPES: list[Vessel] = [T1, T3, HorizontalCylinder(2.5, 6.0), parse_strapping(TABLE)]


@pytest.mark.parametrize(
    ("shape", "level_in", "gallons"),
    [
        (VerticalCylinder(120 * IN, 100 * IN), 100, 4895.9886),
        (HorizontalCylinder(108 * IN, 156 * IN, Ellipsoidal(42 * IN)), 36, 2380.9565),
        (HorizontalCylinder(108 * IN, 156 * IN, Ellipsoidal(42 * IN)), 84, 7103.4452),
    ],
)
def test_published_examples(shape: Vessel, level_in: float, gallons: float) -> None:
    assert shape.volume_m3(level_in * IN) / GALLON == pytest.approx(gallons, abs=5e-5)


@pytest.mark.parametrize(
    ("shape", "level_m", "gallons"),
    [(T1, 3.480, 60_371), (T1, 0.60, 10_409), (T3, 0.70, 4_337), (T3, 0.42, 2_055.5)],
)
def test_the_yards_figures(shape: Vessel, level_m: float, gallons: float) -> None:
    assert abs(shape.volume_m3(level_m) / GALLON - gallons) <= 2


# just below full fluids loses half its digits: 7.0685834 of 7.06858347 at a share of 1 - 1e-16
SHARES = st.floats(0.001, 0.9999) | st.just(1.0)


@given(st.floats(0.2, 6), st.floats(0.2, 30), st.sampled_from([0, 0.25, 0.5]), SHARES)
def test_horizontal_cylinder_agrees_with_fluids(diameter: float, length: float, depth: float, share: float) -> None:
    heads, level = Ellipsoidal(depth * diameter) if depth else Flat(), share * diameter
    shape = HorizontalCylinder(diameter, length, heads)
    expected = fluids.geometry.TANK(
        D=diameter,
        L=length,
        horizontal=True,
        sideA="ellipsoidal" if depth else None,
        sideB="ellipsoidal" if depth else None,
        sideA_a=depth * diameter or None,
        sideB_a=depth * diameter or None,
    ).V_from_h(level)
    assert shape.volume_m3(level) == pytest.approx(expected, rel=1e-9)


@given(st.floats(0.2, 30), st.floats(0.2, 20), st.floats(0.001, 1))
def test_vertical_cylinder_agrees_with_fluids(diameter: float, height: float, share: float) -> None:
    expected = fluids.geometry.TANK(D=diameter, L=height, horizontal=False).V_from_h(share * height)
    assert VerticalCylinder(diameter, height).volume_m3(share * height) == pytest.approx(expected, rel=1e-9)


@given(st.sampled_from(SHAPES), st.floats(0, 1), st.floats(0, 1))
def test_volume_rises_with_the_level(shape: Vessel, a: float, b: float) -> None:
    low, high = (shape.bottom_m + (shape.top_m - shape.bottom_m) * share for share in sorted((a, b)))
    if high - low > 1e-6:
        assert shape.volume_m3(low) < shape.volume_m3(high)


@given(st.sampled_from(SHAPES), st.floats(0, 1))
def test_the_inverse_inverts(shape: Vessel, share: float) -> None:
    level = min(shape.top_m, shape.bottom_m + (shape.top_m - shape.bottom_m) * share)
    assert shape.level_m(shape.volume_m3(level)) == pytest.approx(level, abs=1e-6)


@given(st.sampled_from(SHAPES[:3]), st.floats(0.01, 0.99))
def test_the_area_is_the_derivative(shape: Vessel, share: float) -> None:
    level, step = shape.top_m * share, 1e-5
    slope = (shape.volume_m3(level + step) - shape.volume_m3(level - step)) / (2 * step)
    assert shape.area_m2(level) == pytest.approx(slope, rel=1e-6)


@pytest.mark.parametrize("shape", SHAPES, ids=["vertical", "horizontal", "flat heads", "strapping"])
def test_outside_the_shape_there_is_no_number(shape: Vessel) -> None:
    for level, side in (
        (math.nan, Side.NOWHERE),
        (math.nextafter(shape.bottom_m, -1), Side.BELOW),
        (-math.inf, Side.BELOW),
        (math.nextafter(shape.top_m, 99), Side.ABOVE),
        (math.inf, Side.ABOVE),
    ):
        for ask in (shape.volume_m3, shape.area_m2):
            with pytest.raises(OutOfShape) as caught:
                ask(level)
            assert caught.value.side is side
    with pytest.raises(OutOfShape):
        shape.level_m(shape.volume_m3(shape.top_m) * 1.001)
    assert shape.volume_m3(shape.bottom_m) < shape.volume_m3(shape.top_m)


def test_full_horizontal_cylinder_is_cylinder_and_ellipsoid() -> None:
    radius = 3.048 / 2
    full = math.pi * radius**2 * 12.192 + 4 / 3 * math.pi * radius * radius * (radius / 2)
    assert T3.volume_m3(T3.top_m) == pytest.approx(full, rel=1e-12)
