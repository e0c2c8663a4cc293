"""Every shape against a count by columns, and against itself: what must hold of any vessel, on random ones.

The count (``vessel_shapes.counted``) is our own second way to the same volume; it judges also where no library
has the shape: ends that bulge in, elliptical sections, boxes, stacks.
"""

import math
from itertools import accumulate

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from vessel_shapes import SHAPES, SOLIDS, STACKS, counted, level_at

from sidetap.vessel import (
    Box,
    Cone,
    Dished,
    Ellipsoidal,
    Flat,
    Hemispherical,
    HorizontalCylinder,
    HorizontalEllipse,
    OutOfShape,
    Shifted,
    Side,
    Sphere,
    Stack,
    Torispherical,
    VerticalCylinder,
    Vessel,
    parse_strapping,
)

EXAMPLES = settings(max_examples=80, deadline=None)
SHARES = st.floats(0, 1)
TABLE = parse_strapping("level_m,volume_gal\n0.15,1981\n0.3,4951\n0.6,10897\n1,18839\n5.8,113958\n")
ONE_OF_EACH: list[Vessel] = [
    *(
        shape
        for inward in (False, True)
        for end in (
            Flat(inward),
            Cone(0.6, 0.0, inward),
            Cone(0.6, 0.4, inward),
            Dished(0.5, inward),
            Ellipsoidal(0.75, inward),
            Torispherical(3.0, 0.18, inward),
            Hemispherical(inward),
        )
        for shape in (
            VerticalCylinder(3.0, 4.0, end),
            VerticalCylinder(3.0, 4.0, Flat(), end),
            HorizontalCylinder(3.0, 6.0, end),
        )
    ),
    HorizontalEllipse(2.4, 1.5, 5.0),
    Sphere(3.0),
    Box(6.0, 4.0, 2.5),
    Stack((VerticalCylinder(2.0, 1.0, Cone(0.5)), Box(3.0, 3.0, 1.0), Sphere(2.0))),
    Shifted(VerticalCylinder(2.0, 1.0, Cone(0.5)), 0.5),
    TABLE,
]
NAMED = pytest.mark.parametrize("shape", ONE_OF_EACH, ids=str)


@EXAMPLES
@given(SOLIDS, SHARES)
def test_the_volume_is_that_of_its_columns(shape: Vessel, share: float) -> None:
    level = level_at(shape, share)
    full = shape.volume_m3(shape.top_m)
    assert shape.volume_m3(level) == pytest.approx(counted(shape, level), abs=2e-6 * max(full, counted_around(shape)))


def counted_around(shape: Vessel) -> float:
    """Return the volume of what a shape is cut out of, since the count's error is a share of that."""
    if isinstance(shape, HorizontalCylinder):
        return math.pi / 4 * shape.diameter_m**2 * shape.length_m
    if isinstance(shape, VerticalCylinder):
        return math.pi / 4 * shape.diameter_m**2 * shape.top_m
    return 0.0


@EXAMPLES
@given(STACKS, SHARES)
def test_a_stack_holds_what_its_parts_hold(stack: Stack, share: float) -> None:
    level = level_at(stack, share)
    expected, floor = 0.0, 0.0
    for part in stack.parts:
        within = min(max(level - floor, 0.0), part.top_m)
        expected += part.volume_m3(within)
        floor += part.top_m
    assert stack.volume_m3(level) == pytest.approx(expected, rel=1e-12, abs=1e-14)


@EXAMPLES
@given(SHAPES, SHARES, SHARES)
def test_the_volume_rises_with_the_level(shape: Vessel, a: float, b: float) -> None:
    low, high = sorted((level_at(shape, a), level_at(shape, b)))
    assume(high - low > 1e-6)
    rise, full = shape.volume_m3(high) - shape.volume_m3(low), shape.volume_m3(shape.top_m)
    assert rise > 0 or (
        rise > -1e-15 * full and (high - low) < 1e-4
    )  # a tip holds less than a full vessel's last digit


@EXAMPLES
@given(SHAPES, SHARES)
def test_the_inverse_inverts(shape: Vessel, share: float) -> None:
    level = level_at(shape, share)
    volume, full = shape.volume_m3(level), shape.volume_m3(shape.top_m)
    found = shape.level_m(volume)
    assert shape.volume_m3(found) == pytest.approx(volume, rel=1e-9, abs=1e-14 * full)
    if shape.area_m2(level) > 1e-3 * full / (shape.top_m - shape.bottom_m):
        assert found == pytest.approx(level, abs=1e-9)


@EXAMPLES
@given(SHAPES, st.floats(0.001, 0.999))
def test_the_area_is_the_derivative(shape: Vessel, share: float) -> None:
    level, height = level_at(shape, share), shape.top_m - shape.bottom_m
    step = 1e-6 * height
    parts = shape.parts if isinstance(shape, Stack) else ()
    assume(all(abs(level - joint) > 10 * step for joint in accumulate(part.top_m for part in parts)))
    before, here, after = (shape.volume_m3(level + n * step) for n in (-1, 0, 1))
    # between the slopes on both sides, so that it holds also where an end begins
    slopes = sorted(((here - before) / step, (after - here) / step))
    mean = shape.volume_m3(shape.top_m) / height
    slack = 1e-5 * max(slopes[1], 1e-3 * mean)
    assert slopes[0] - slack <= shape.area_m2(level) <= slopes[1] + slack


@NAMED
def test_both_limits_and_one_step_beyond(shape: Vessel) -> None:
    low, high = shape.bottom_m, shape.top_m
    empty, full = shape.volume_m3(low), shape.volume_m3(high)
    assert 0 <= empty < full
    assert shape.area_m2(low) >= 0
    assert shape.area_m2(high) >= 0
    assert shape.level_m(empty) == pytest.approx(low, abs=1e-9)
    assert shape.level_m(full) == pytest.approx(high, abs=1e-5)
    for level, side in (
        (math.nextafter(low, -math.inf), Side.BELOW),
        (-math.inf, Side.BELOW),
        (math.nextafter(high, math.inf), Side.ABOVE),
        (math.inf, Side.ABOVE),
        (math.nan, Side.NOWHERE),
    ):
        for ask in (shape.volume_m3, shape.area_m2):
            with pytest.raises(OutOfShape) as caught:
                ask(level)
            assert caught.value.side is side
    for volume, side in (
        (math.nextafter(empty, -math.inf), Side.BELOW),
        (math.nextafter(full, math.inf), Side.ABOVE),
        (math.nan, Side.NOWHERE),
    ):
        with pytest.raises(OutOfShape) as caught:
            shape.level_m(volume)
        assert caught.value.side is side


@NAMED
def test_volume_and_area_go_on_where_formulas_meet(shape: Vessel) -> None:
    """Walk up in small steps: no jump of the volume larger than the largest area in between allows."""
    levels = [level_at(shape, n / 400) for n in range(401)]
    volumes = [shape.volume_m3(level) for level in levels]
    areas = [shape.area_m2(level) for level in levels]
    for n in range(400):
        rise = volumes[n + 1] - volumes[n]
        most = max(areas[max(n - 1, 0) : n + 3]) * (levels[n + 1] - levels[n])
        assert 0 < rise <= most * 1.3


def test_what_two_names_of_one_shape_hold() -> None:
    """A dish of half the diameter, an ellipsoid of that depth and a half ball are one end, upright and lying."""
    for inward in (False, True):
        same = Dished(1.5, inward), Ellipsoidal(1.5, inward), Hemispherical(inward)
        for level in (0.001, 0.4, 1.5, 2.2, 2.999):
            lying = [HorizontalCylinder(3.0, 6.0, end).volume_m3(level) for end in same]
            upright = [VerticalCylinder(3.0, 6.0, end, end).volume_m3(level) for end in same]
            assert lying == pytest.approx([lying[0]] * 3, rel=1e-12)
            assert upright == pytest.approx([upright[0]] * 3, rel=1e-12)
    ball = VerticalCylinder(3.0, 0.0, Hemispherical(), Hemispherical())
    assert ball.volume_m3(2.5) == pytest.approx(Sphere(3.0).volume_m3(2.5), rel=1e-14)
    assert HorizontalEllipse(3.0, 3.0, 6.0).volume_m3(1.1) == pytest.approx(
        HorizontalCylinder(3.0, 6.0).volume_m3(1.1)
    )


def test_a_full_vessel_is_a_cylinder_and_its_ends() -> None:
    """A cone is 1/3, half an ellipsoid 2/3 of the cylinder around it (Euclid XII 10; Archimedes)."""
    circle = math.pi / 4 * 3.0**2
    for end, share in ((Cone(0.6), 1 / 3), (Ellipsoidal(0.6), 2 / 3)):
        assert HorizontalCylinder(3.0, 6.0, end).volume_m3(3.0) == pytest.approx(circle * (6 + 2 * share * 0.6))
        assert VerticalCylinder(3.0, 6.0, end, end).volume_m3(7.2) == pytest.approx(circle * (6 + 2 * share * 0.6))


def test_where_parts_meet_the_area_is_the_upper_ones() -> None:
    stack = Stack((Box(1.0, 1.0, 2.0), Box(3.0, 1.0, 1.0)))
    assert [stack.area_m2(level) for level in (math.nextafter(2.0, 0), 2.0, 3.0)] == [1.0, 3.0, 3.0]
    assert [TABLE.area_m2(level) for level in (0.3, 5.8)] == [TABLE.area_m2(0.31), TABLE.area_m2(5.7)]
