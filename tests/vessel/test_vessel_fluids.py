"""Random shapes beside the library ``fluids``, inside its domain.

Outside of it ``fluids`` answers and is wrong: levels that are no number or above the top, a negative depth through
``TANK`` or ``V_from_h``; rectangular and elliptical sections it doesn't have. Concave bottoms are asked of its own
functions for them. Just below full it loses half its digits.
"""

from typing import Any

import pytest
from fluids import geometry
from hypothesis import given, settings
from hypothesis import strategies as st

from sidetap.vessel import (
    Cone,
    Dished,
    Ellipsoidal,
    End,
    Flat,
    Hemispherical,
    HorizontalCylinder,
    Sphere,
    Torispherical,
    VerticalCylinder,
)

SHARES = st.floats(0.001, 0.9999)
KINDS = st.sampled_from(["flat", "conical", "ellipsoidal", "spherical", "torispherical", "hemispherical"])
DEPTHS = st.floats(0.05, 0.49)  # shares of the diameter
EXAMPLES = settings(max_examples=80, deadline=None)


def end(
    kind: str, diameter: float, share: float, *, inward: bool = False
) -> tuple[End, str | None, dict[str, float]]:
    """Return an end, what fluids calls it, and its sizes there."""
    depth = share * diameter
    if kind == "torispherical":
        crown, knuckle = 0.7 + share, 0.3 * share
        return (
            Torispherical(crown * diameter, knuckle * diameter, inward),
            kind,
            {"a": geometry.a_torispherical(diameter, crown, knuckle), "f": crown, "k": knuckle},
        )
    if kind == "hemispherical":
        return Hemispherical(inward), "spherical", {"a": diameter / 2}
    if kind == "flat":
        return Flat(inward), None, {"a": 0.0}
    made: End = {"conical": Cone(depth), "ellipsoidal": Ellipsoidal(depth), "spherical": Dished(depth)}[kind]
    if inward:
        made = {
            "conical": Cone(depth, inward=True),
            "ellipsoidal": Ellipsoidal(depth, inward=True),
            "spherical": Dished(depth, inward=True),
        }[kind]
    return made, kind, {"a": depth}


def sides(letter: str, name: str | None, sizes: dict[str, float]) -> dict[str, Any]:
    return {f"side{letter}": name} | {f"side{letter}_{size}": value for size, value in sizes.items()}


@EXAMPLES
@given(KINDS, st.floats(1, 6), st.floats(0.2, 30), DEPTHS, SHARES)
def test_lying_cylinders(kind: str, diameter: float, length: float, depth: float, share: float) -> None:
    heads, name, sizes = end(kind, diameter, depth)
    expected = geometry.V_from_h(
        share * diameter, diameter, length, horizontal=True, **sides("A", name, sizes), **sides("B", name, sizes)
    )
    shape = HorizontalCylinder(diameter, length, heads)
    # dished and torispherical heads are integrals there, which stop at an error of 1.5e-8 m³
    assert shape.volume_m3(share * diameter) == pytest.approx(expected, rel=1e-9, abs=3e-8)


@EXAMPLES
@given(KINDS, KINDS, st.floats(0.2, 30), st.floats(0.2, 20), DEPTHS, DEPTHS, SHARES)
def test_upright_cylinders(
    below: str, above: str, diameter: float, height: float, depth: float, other: float, share: float
) -> None:
    bottom, bottom_name, bottom_sizes = end(below, diameter, depth)
    top, top_name, top_sizes = end(above, diameter, other)
    shape = VerticalCylinder(diameter, height, bottom, top)
    assert shape.top_m == pytest.approx(height + bottom_sizes["a"] + top_sizes["a"], rel=1e-12)
    level = share * shape.top_m
    expected = geometry.V_from_h(
        level,
        diameter,
        height,
        horizontal=False,
        **sides("A", bottom_name, bottom_sizes),
        **sides("B", top_name, top_sizes),
    )
    assert shape.volume_m3(level) == pytest.approx(expected, rel=1e-9)


CONCAVE = {
    "conical": geometry.V_vertical_conical_concave,
    "ellipsoidal": geometry.V_vertical_ellipsoidal_concave,
    "spherical": geometry.V_vertical_spherical_concave,
}


@EXAMPLES
@given(st.sampled_from([*CONCAVE, "torispherical"]), st.floats(0.2, 30), DEPTHS, st.floats(0.02, 3))
def test_bottoms_that_bulge_in(kind: str, diameter: float, depth: float, share: float) -> None:
    bottom, _, sizes = end(kind, diameter, depth, inward=True)
    level = share * sizes["a"]
    if kind == "torispherical":
        expected = geometry.V_vertical_torispherical_concave(diameter, sizes["f"], sizes["k"], level)
    else:
        expected = CONCAVE[kind](diameter, -sizes["a"], level)
    shape = VerticalCylinder(diameter, 4 * diameter, bottom)
    assert shape.volume_m3(level) == pytest.approx(expected, rel=1e-7, abs=1e-12 * diameter**3)


@EXAMPLES
@given(st.floats(0.2, 30), SHARES)
def test_balls(diameter: float, share: float) -> None:
    expected = geometry.V_partial_sphere(diameter, share * diameter)
    assert Sphere(diameter).volume_m3(share * diameter) == pytest.approx(expected, rel=1e-9)
