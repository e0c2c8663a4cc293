"""Shapes at random for the tests of this room, and their volumes counted in another way.

The count is by columns: over every point of the floor plan stands a column of liquid between the floor and what lies
over it, or over every ring of an end a depth along the axis. No section, no antiderivative and no case of the room's
own formulas is used; profiles of ends are written as depth over radius.
"""

from collections.abc import Callable
from typing import TypeAlias

import numpy as np
from hypothesis import strategies as st
from numpy.typing import NDArray

from sidetap.vessel import (
    Box,
    Cone,
    Dished,
    Ellipsoidal,
    End,
    Flat,
    Hemispherical,
    HorizontalCylinder,
    HorizontalEllipse,
    Shifted,
    Sphere,
    Stack,
    Torispherical,
    VerticalCylinder,
    Vessel,
)

Floats: TypeAlias = NDArray[np.float64]


def ends(radius_m: float, *, inward: bool | None = None) -> st.SearchStrategy[End]:
    """Ends that fit a cylinder, of any sensible proportion."""
    turned = st.booleans() if inward is None else st.just(inward)
    share = st.floats(0.02, 1.0)
    return st.one_of(
        st.builds(Flat, turned),
        st.builds(Cone, share.map(lambda s: 1.5 * s * radius_m), st.just(0.0), turned),
        st.builds(
            Cone, share.map(lambda s: 1.5 * s * radius_m), st.floats(0.05, 1.5).map(lambda s: s * radius_m), turned
        ),
        st.builds(Dished, share.map(lambda s: s * radius_m), turned),
        st.builds(Ellipsoidal, share.map(lambda s: 1.5 * s * radius_m), turned),
        st.builds(
            Torispherical,
            st.floats(1.05, 4).map(lambda s: s * radius_m),
            st.floats(0.02, 0.8).map(lambda s: s * radius_m),
            turned,
        ),
        st.builds(Hemispherical, turned),
    )


@st.composite
def uprights(draw: st.DrawFn) -> VerticalCylinder:
    """Upright cylinders with any two ends; the shell is high enough for ends that bulge in."""
    radius = draw(st.floats(0.2, 8))
    bottom, top = draw(ends(radius)), draw(ends(radius))
    inside = sum(end.fitted(radius).depth_m for end in (bottom, top) if end.inward)
    return VerticalCylinder(2 * radius, inside + draw(st.floats(0.1, 10)), bottom, top)


@st.composite
def lying(draw: st.DrawFn) -> HorizontalCylinder:
    """Lying cylinders with any heads."""
    radius = draw(st.floats(0.2, 3))
    heads = draw(ends(radius))
    inside = 2 * heads.fitted(radius).depth_m if heads.inward else 0.0
    return HorizontalCylinder(2 * radius, inside + draw(st.floats(0.1, 20)), heads)


SIZES = st.floats(0.2, 10)
SOLIDS: st.SearchStrategy[Vessel] = st.one_of(
    uprights(),
    lying(),
    st.builds(HorizontalEllipse, SIZES, SIZES, SIZES),
    st.builds(Box, SIZES, SIZES, SIZES),
    st.builds(Sphere, SIZES),
)
STACKS = st.builds(Stack, st.lists(SOLIDS, min_size=1, max_size=3).map(tuple))
SHAPES: st.SearchStrategy[Vessel] = st.one_of(
    SOLIDS,
    STACKS,
    st.builds(Shifted, SOLIDS, st.floats(-1, 0.19)),
)


def level_at(shape: Vessel, share: float) -> float:
    """Return the level at a share of the height."""
    return min(max(shape.bottom_m + share * (shape.top_m - shape.bottom_m), shape.bottom_m), shape.top_m)


def depth_over(end: End, radius_m: float) -> Callable[[Floats], Floats]:
    """Return how deep an end is, from the plane of its rim, over a distance from the axis."""
    if isinstance(end, Cone):
        run = radius_m - end.outlet_diameter_m / 2
        return lambda r: end.depth_m * np.minimum((radius_m - r) / run, 1)
    if isinstance(end, Ellipsoidal | Hemispherical):
        depth = end.depth_m if isinstance(end, Ellipsoidal) else radius_m
        return lambda r: depth * np.sqrt(1 - (r / radius_m) ** 2)
    if isinstance(end, Dished):
        ball = (radius_m**2 + end.depth_m**2) / (2 * end.depth_m)
        return lambda r: np.sqrt(ball**2 - r**2) - (ball - end.depth_m)
    if isinstance(end, Torispherical):
        crown, knuckle = end.crown_radius_m, end.knuckle_radius_m
        sine = (radius_m - knuckle) / (crown - knuckle)  # of the angle at which crown and knuckle touch
        cosine = np.sqrt(1 - sine**2)

        def torispherical(r: Floats) -> Floats:
            on_crown = np.sqrt(np.maximum(crown**2 - r**2, 0)) - (crown - knuckle) * cosine
            on_knuckle = np.sqrt(np.maximum(knuckle**2 - (r - (radius_m - knuckle)) ** 2, 0))
            return np.where(r < crown * sine, on_crown, on_knuckle)

        return torispherical
    return lambda r: np.zeros_like(r)


_PIECES = 40_000


def _middles(low: float, high: float) -> tuple[Floats, float]:
    step = (high - low) / _PIECES
    return low + step * (np.arange(_PIECES, dtype=np.float64) + 0.5), step


def counted(shape: Vessel, level_m: float) -> float:
    """Return the volume up to a level, by columns; good to about 1e-6 of the full vessel."""
    if isinstance(shape, VerticalCylinder):
        radius = shape.diameter_m / 2
        square, step = _middles(0, radius**2)  # rings of equal area
        r = np.sqrt(square)
        below, above = depth_over(shape.bottom, radius), depth_over(shape.top, radius)
        sunk = 0.0 if shape.bottom.inward else float(below(np.zeros(1))[0])
        floor = sunk + (below(r) if shape.bottom.inward else -below(r))
        roof = sunk + shape.height_m + (-above(r) if shape.top.inward else above(r))
        return float(np.pi * step * np.sum(np.clip(level_m, floor, roof) - floor))
    if isinstance(shape, HorizontalCylinder):
        radius = shape.diameter_m / 2
        square, step = _middles(0, radius**2)
        r = np.sqrt(square)
        sign = -1 if shape.heads.inward else 1
        along = shape.length_m + 2 * sign * depth_over(shape.heads, radius)(r)
        under = np.arccos(np.clip((radius - level_m) / r, -1, 1))  # half the arc of a ring that is under the level
        return float(step * np.sum(along * under))
    if isinstance(shape, HorizontalEllipse):
        angle, step = _middles(0, np.pi)  # across the vessel as a cosine, so that the walls are met slowly
        floor = shape.height_m / 2 * (1 - np.sin(angle))
        across = shape.width_m / 2 * np.sin(angle) * step
        return float(np.sum((np.clip(level_m, floor, shape.height_m - floor) - floor) * across) * shape.length_m)
    if isinstance(shape, Sphere):
        square, step = _middles(0, shape.diameter_m**2 / 4)
        half = np.sqrt(shape.diameter_m**2 / 4 - square)
        floor, roof = shape.diameter_m / 2 - half, shape.diameter_m / 2 + half
        return float(np.pi * step * np.sum(np.clip(level_m, floor, roof) - floor))
    if isinstance(shape, Box):
        return shape.length_m * shape.width_m * level_m
    raise TypeError(shape)
