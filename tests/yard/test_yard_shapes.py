"""Volumes by integration, against closed forms of a reference library and the demo yard's own table."""

import fluids
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidetap.yard import shapes
from sidetap.yard.vessels import GALLON_M3, demo_vessels

VESSELS = demo_vessels()


@pytest.mark.parametrize(
    ("tag", "trip_mm", "gal"),
    [
        ("T1", 600, 10409),
        ("T2", 600, 10897),
        ("T3", 700, 4337),
        ("T4", 600, 191),
        ("T5", 400, 2536),
        ("T6", 250, 409),
    ],
)
def test_volumes_at_the_trips(tag: str, trip_mm: float, gal: int) -> None:
    # the demo yard's table, computed apart from this code
    vessel = VESSELS[tag]
    vessel.set_level(trip_mm)
    assert vessel.volume_gal == pytest.approx(gal, abs=0.51)


@pytest.mark.parametrize(
    ("tag", "level_mm", "gal"),
    [
        ("T1", 3480, 60371),
        ("T2", 4321, 84760),
        ("T3", 420 + 27.10e6 / (1395.978 * 9.80665), 21576),
        ("T4", 5620 - 2120, 7594.5),
        ("T5", 0.6840 * 2500, 10842),
        ("T6", 3.20 * 304.8, 2571),
    ],
)
def test_acceptance_12_golden_readings(tag: str, level_mm: float, gal: float) -> None:
    vessel = VESSELS[tag]
    vessel.set_level(level_mm)
    assert vessel.volume_gal == pytest.approx(gal, abs=2)


@pytest.mark.parametrize("level_m", [0.001, 0.1, 0.7, 1.5, 1.524, 2.4, 3.0, 3.048])
def test_lying_round_against_fluids(level_m: float) -> None:
    # fluids 1.3.1: V_horiz_ellipsoidal(D, L, a, h), a head's depth: D/4 for 2:1 heads; after D. Jones
    theirs = fluids.geometry.V_horiz_ellipsoidal(3.048, 12.192, 3.048 / 4, level_m)
    assert shapes.lying_round(3.048, 12.192).volume_m3(level_m) == pytest.approx(theirs, abs=2e-5)


@pytest.mark.parametrize("level_m", [0.25, 0.75, 0.97536, 1.49, 1.5])
def test_lying_ellipse_against_fluids(level_m: float) -> None:
    # an ellipse is a circle stretched sideways: 2.4 m wide and 1.5 m high is 1.6 times the round section
    round_m3 = fluids.geometry.V_horiz_conical(1.5, 5, 0, level_m)
    assert shapes.lying_ellipse(2.4, 1.5, 5).volume_m3(level_m) == pytest.approx(1.6 * round_m3, abs=2e-5)


@pytest.mark.parametrize("level_m", [0.2, 0.6, 1.2, 3.5, 5.4])
def test_cone_bottom_against_fluids(level_m: float) -> None:
    # fluids: V_vertical_conical(D, a, h) of the cone run on to its point, less the point below the outlet
    point_m = 1.2 * 0.30 / (3.658 - 0.30)
    whole = fluids.geometry.V_vertical_conical(3.658, 1.2 + point_m, level_m + point_m)
    tip = fluids.geometry.V_vertical_conical(3.658, 1.2 + point_m, point_m)
    assert shapes.cone_bottom(3.658, 0.30, 1.2, 4.2).volume_m3(level_m) == pytest.approx(whole - tip, abs=2e-5)


@given(st.sampled_from(sorted(VESSELS)), st.floats(0, 1))
def test_level_and_volume_are_inverse(tag: str, share: float) -> None:
    shape = VESSELS[tag].shape
    level_m = share * shape.top_m
    assert shape.level_m(shape.volume_m3(level_m)) == pytest.approx(level_m, abs=1e-6)


def test_empty_and_full_are_ends() -> None:
    vessel = demo_vessels()["T5"]
    vessel.set_level(1)
    assert vessel.add_gal(-100) == pytest.approx(-0.024 / GALLON_M3)  # 6 m × 4 m × 1 mm
    assert vessel.level_mm == 0
    assert vessel.add_gal(1e6) == pytest.approx(60 / GALLON_M3)  # 6 × 4 × 2.5 m³
    assert vessel.level_mm == 2500
    with pytest.raises(ValueError, match="T5 holds 0 to 2500 mm"):
        vessel.set_level(2501)
