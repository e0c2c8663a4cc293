"""Sizes that make no shape: each is refused with the name of the size, a problem and a remedy in words."""

import math
from collections.abc import Callable

import pytest

from sidetap.vessel import (
    Box,
    Cone,
    Dished,
    Ellipsoidal,
    Flat,
    Hemispherical,
    HorizontalCylinder,
    HorizontalEllipse,
    ImpossibleSize,
    Shifted,
    Sphere,
    Stack,
    Torispherical,
    VerticalCylinder,
    Vessel,
    parse_strapping,
)

TABLE = parse_strapping("level_m,volume_gal\n0.15,1981\n0.3,4951\n")
DATUM = Box(1, 1, 2)


@pytest.mark.parametrize(
    ("make", "field", "says"),
    [
        (lambda: VerticalCylinder(0, 5), "diameter_m", "0 m is no size"),
        (lambda: VerticalCylinder(-3, 5), "diameter_m", "-3 m is no size"),
        (lambda: VerticalCylinder(3, -5), "height_m", "-5 m is no size"),
        (lambda: VerticalCylinder(math.nan, 5), "diameter_m", "nan m is no size"),
        (lambda: VerticalCylinder(3, math.inf), "height_m", "inf m is no size"),
        (lambda: VerticalCylinder(3, 0), "height_m", "without height between flat ends"),
        (lambda: VerticalCylinder(3, 1, Cone(1.01, inward=True)), "height_m", "reach 1.01 m into"),
        (
            lambda: VerticalCylinder(3, 1, Cone(0.6, inward=True), Dished(0.5, inward=True)),
            "height_m",
            "reach 1.1 m into",
        ),
        (lambda: VerticalCylinder(3, 1, Flat(), Hemispherical(inward=True)), "height_m", "reach 1.5 m into"),
        (lambda: VerticalCylinder(3, 5, Dished(1.51)), "bottom.depth_m", "deeper than half a ball"),
        (lambda: VerticalCylinder(3, 5, Cone(1, 3)), "bottom.outlet_diameter_m", "leaves no cone"),
        (lambda: VerticalCylinder(3, 5, Flat(), Torispherical(3, 1.5)), "top.knuckle_radius_m", "not smaller than"),
        (
            lambda: VerticalCylinder(3, 5, Torispherical(1.49, 0.2)),
            "bottom.crown_radius_m",
            "smaller than the cylinder",
        ),
        (lambda: HorizontalCylinder(0, 5), "diameter_m", "no size"),
        (lambda: HorizontalCylinder(3, 0), "length_m", "no size"),
        (lambda: HorizontalCylinder(3, 1, Cone(0.51, inward=True)), "length_m", "each reach 0.51 m into"),
        (lambda: HorizontalCylinder(3, 5, Dished(2)), "heads.depth_m", "deeper than half a ball"),
        (lambda: Cone(0), "depth_m", "no size"),
        (lambda: Cone(1, -0.1), "outlet_diameter_m", "Sizes are 0 or 0.001 m to 1000 m"),
        (lambda: Dished(-1), "depth_m", "no size"),
        (lambda: Ellipsoidal(math.nan), "depth_m", "no size"),
        (lambda: Torispherical(0, 0.2), "crown_radius_m", "no size"),
        (lambda: Torispherical(3, 0), "knuckle_radius_m", "no size"),
        (lambda: HorizontalEllipse(0, 1, 1), "width_m", "no size"),
        (lambda: HorizontalEllipse(1, 0, 1), "height_m", "no size"),
        (lambda: HorizontalEllipse(1, 1, 1e300), "length_m", "no size"),
        (lambda: Box(0, 1, 1), "length_m", "no size"),
        (lambda: Box(1, 0.0009, 1), "width_m", "no size"),
        (lambda: Box(1, 1, 1000.1), "height_m", "no size"),
        (lambda: Sphere(0), "diameter_m", "no size"),
        (lambda: Stack(()), "parts", "without parts"),
        (lambda: Stack((DATUM, TABLE)), "parts.1", "begins with liquid below it"),
        (lambda: Shifted(DATUM, 2.0), "datum_m", "not below the top"),
        (lambda: Shifted(DATUM, math.nan), "datum_m", "no place for a datum"),
        (lambda: Shifted(DATUM, -1001.0), "datum_m", "no place for a datum"),
    ],
)
def test_an_impossible_size_is_refused_by_name(make: Callable[[], Vessel], field: str, says: str) -> None:
    with pytest.raises(ImpossibleSize, match=says) as caught:
        make()
    assert caught.value.field == field
    assert caught.value.problem
    assert caught.value.remedy.endswith(".")


def test_sizes_on_the_line_are_shapes() -> None:
    for shape in (
        Box(0.001, 1, 1000),
        VerticalCylinder(3, 1.1, Cone(0.6, inward=True), Dished(0.5, inward=True)),
        VerticalCylinder(3, 0, Cone(1)),
        VerticalCylinder(3, 5, Dished(1.5)),
        VerticalCylinder(3, 5, Torispherical(1.5, 0.2)),
        HorizontalCylinder(3, 1, Cone(0.5, inward=True)),
        Shifted(DATUM, 1.999),
    ):
        assert shape.volume_m3(shape.top_m) > 0
