"""Levels in arrays: the same volumes as one by one, NaN only beside the side that says why."""

import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from vessel_shapes import SHAPES, level_at

from sidetap.vessel import (
    Box,
    Cone,
    Dished,
    HorizontalCylinder,
    Shifted,
    Side,
    Sphere,
    Stack,
    Strapping,
    Torispherical,
    VerticalCylinder,
    Vessel,
    parse_strapping,
)
from sidetap.vessel.many import SIDES, volumes

TABLE = parse_strapping("level_m,volume_gal\n0.15,1981\n0.3,4951\n0.6,10897\n1,18839\n5.8,113958\n")


def levels_of(shape: Vessel, seed: int, count: int) -> np.ndarray:
    """Return levels anywhere, and crowded at both ends, where walls close."""
    rng = np.random.default_rng(seed)
    close = 10 ** -rng.uniform(0, 12, count)
    shares = np.concatenate([rng.random(count), close, 1 - close, [0.0, 1.0]])
    return np.array([level_at(shape, share) for share in shares])


def one_by_one(shape: Vessel, levels: np.ndarray) -> np.ndarray:
    return np.array([shape.volume_m3(level) for level in levels])


@settings(max_examples=30, deadline=None)
@given(SHAPES, st.integers(0, 2**32))
def test_many_levels_give_what_each_gives_alone(shape: Vessel, seed: int) -> None:
    levels = levels_of(shape, seed, 60)
    expected, full = one_by_one(shape, levels), shape.volume_m3(shape.top_m)
    found = volumes(shape, levels)
    assert not found.side.any()
    assert np.all(np.abs(found.volume_m3 - expected) <= np.maximum(1e-9 * expected, 1e-14 * full))


@pytest.mark.parametrize(
    "shape",
    [
        HorizontalCylinder(3.0, 8.0, Torispherical(3.0, 0.18)),
        HorizontalCylinder(3.0, 8.0, Torispherical(3.0, 0.18, inward=True)),
        HorizontalCylinder(3.0, 8.0, Dished(0.002)),
        VerticalCylinder(3.0, 8.0, Torispherical(2.4, 0.3), Torispherical(3.0, 0.18, inward=True)),
        Stack((Box(4.0, 4.0, 0.003), VerticalCylinder(0.3, 5.0, Cone(0.01)), Box(5.0, 5.0, 0.004), Sphere(1.0))),
        Shifted(HorizontalCylinder(3.0, 8.0, Cone(1.0, 0.5)), 0.7),
    ],
    ids=str,
)
def test_shapes_with_hard_places(shape: Vessel) -> None:
    parts = shape.parts if isinstance(shape, Stack) else ()
    joints = np.cumsum([part.top_m for part in parts])[:-1]
    near = np.concatenate([joint + np.array([-1e-3, -1e-6, -1e-9, 0, 1e-9, 1e-6, 1e-3]) for joint in joints] or [[]])
    levels = np.concatenate([levels_of(shape, 1, 1000), near])
    expected, full = one_by_one(shape, levels), shape.volume_m3(shape.top_m)
    error = np.abs(volumes(shape, levels).volume_m3 - expected)
    assert np.all(error <= np.maximum(1e-9 * expected, 1e-14 * full))


def tables() -> st.SearchStrategy[Strapping]:
    steps = st.lists(st.tuples(st.integers(1, 10_000), st.integers(1, 10_000)), min_size=1, max_size=40)
    return steps.map(table_of)


def table_of(steps: list[tuple[int, int]]) -> Strapping:
    rows, level, volume = ["level_mm,volume_L", "150,40"], 150, 40
    for up, more in steps:
        level, volume = level + up, volume + more
        rows.append(f"{level},{volume}")
    return parse_strapping("\n".join(rows))


@settings(max_examples=60, deadline=None)
@given(tables(), st.integers(0, 2**32))
def test_strapping_tables(table: Strapping, seed: int) -> None:
    rows = np.array([float(row.level_m) for row in table.rows])
    levels = np.concatenate(
        [levels_of(table, seed, 40), rows, np.nextafter(rows[1:], 0), np.nextafter(rows[:-1], 9e9)]
    )
    assert volumes(table, levels).volume_m3 == pytest.approx(one_by_one(table, levels), rel=1e-12)
    moved = Shifted(table, 0.1)
    assert volumes(moved, levels - 0.1).volume_m3 == pytest.approx(one_by_one(moved, levels - 0.1), rel=1e-12)


def test_a_table_whose_rows_crowd_at_one_place() -> None:
    steps = [(1, 1 + n % 7) for n in range(300)] + [(1_000_000, 5)]
    table = table_of(steps)
    levels = np.concatenate([levels_of(table, 3, 200), 0.15 + 0.3 * np.random.default_rng(3).random(500)])
    assert volumes(table, levels).volume_m3 == pytest.approx(one_by_one(table, levels), rel=1e-12)


@pytest.mark.parametrize(
    "shape",
    [HorizontalCylinder(3.0, 8.0, Dished(0.4)), Shifted(Sphere(3.0), 1.0), TABLE],
    ids=["lying", "datum", "table"],
)
def test_what_is_outside_is_no_number_and_says_where(shape: Vessel) -> None:
    low, high = shape.bottom_m, shape.top_m
    levels = [low, np.nextafter(low, -9), -np.inf, high, np.nextafter(high, 9), np.inf, np.nan, (low + high) / 2]
    expected = [None, Side.BELOW, Side.BELOW, None, Side.ABOVE, Side.ABOVE, Side.NOWHERE, None]
    found = volumes(shape, levels)
    assert [SIDES[side] for side in found.side] == expected
    assert np.array_equal(np.isnan(found.volume_m3), found.side != 0)
    assert found.volume_m3[0] == shape.volume_m3(low)
    assert found.volume_m3[3] == shape.volume_m3(high)
    assert volumes(shape, [low]).volume_m3[0] == shape.volume_m3(low)
    assert volumes(shape, [high]).volume_m3[0] == shape.volume_m3(high)


def test_levels_keep_their_order_and_their_form() -> None:
    shape = Box(2.0, 1.0, 3.0)
    levels = np.linspace(3.0, -0.001, 50_001).reshape(
        3, 16_667
    )  # more than one block of work, and a last one outside
    found = volumes(shape, levels)
    assert found.volume_m3.shape == found.side.shape == levels.shape
    assert found.volume_m3[0, 0] == 6.0
    assert np.nanmax(np.abs(found.volume_m3 - 2 * levels)) < 1e-12
    assert found.side.sum() == 17 == np.isnan(found.volume_m3).sum()
    assert volumes(shape, []).volume_m3.shape == (0,)
    assert volumes(shape, 1.5).volume_m3 == pytest.approx(3.0)


def test_the_volume_rises_in_a_fine_walk() -> None:
    for shape in (HorizontalCylinder(3.0, 8.0, Torispherical(3.0, 0.18)), VerticalCylinder(3.0, 8.0, Dished(0.4))):
        found = volumes(shape, np.linspace(0.001, shape.top_m - 0.001, 200_000)).volume_m3
        assert np.all(np.diff(found) > 0)


class Askew(Vessel):
    """A shape whose author got the area wrong."""

    top_m = 2.0

    def _volume(self, level_m: float) -> float:
        return level_m**2

    def _area(self, level_m: float) -> float:
        return 2.001 * level_m


def test_a_shape_whose_area_is_wrong_is_not_searched_for_ever() -> None:
    with pytest.raises(ArithmeticError, match="area isn't the slope"):
        volumes(Askew(), [1.0])


def test_the_room_without_histories_needs_no_numpy() -> None:
    program = "import sys, sidetap.vessel; sys.exit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0
