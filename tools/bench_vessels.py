"""A million levels to volumes, shape by shape, beside the fastest way that ``fluids`` has, in one run.

Levels are uniform over the whole height, in no order. A shape's table is made once and shown apart; the peer's
preparations are not counted. The peer's polynomial answers for all levels at once (where it can be made), and its
largest miss beside its own formulas is shown, as is ours: a speed is worth what the numbers are worth. Strapping
tables stand beside numpy's own interpolation.
"""

import argparse
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
from fluids.geometry import TANK
from fluids.numerics import UnconvergedError
from numpy.typing import NDArray
from timing import cpu_s, show

from sidetap.vessel import (
    Box,
    Cone,
    Dished,
    Ellipsoidal,
    Flat,
    HorizontalCylinder,
    HorizontalEllipse,
    Sphere,
    Stack,
    Strapping,
    Torispherical,
    VerticalCylinder,
    Vessel,
    many,
    parse_strapping,
)
from sidetap.vessel.many import volumes

LEVELS = 1_000_000
TARGET_MS = 50
PROBES = 2000
SEED = 20260311
RUNS = 9  # so short a work is easily disturbed

LYING = {"D": 3.0, "L": 8.0, "horizontal": True}
UPRIGHT = {"D": 3.0, "L": 4.0, "horizontal": False}
TORISPHERICAL = Torispherical(3.0, 0.18)


def both(kind: str, **sizes: float) -> dict[str, Any]:
    """Return fluids' words for equal ends on both sides."""
    return {f"side{x}": kind for x in "AB"} | {
        f"side{x}_{name}": value for x in "AB" for name, value in sizes.items()
    }


SHAPES: list[tuple[str, Vessel, dict[str, Any] | None]] = [
    ("upright, flat", VerticalCylinder(3.0, 4.0), UPRIGHT),
    ("upright, cone down", VerticalCylinder(3.0, 4.0, Cone(1.0)), UPRIGHT | {"sideA": "conical", "sideA_a": 1.0}),
    ("upright, cone up", VerticalCylinder(3.0, 4.0, Cone(0.3, inward=True)), None),
    (
        "upright, torispherical",
        VerticalCylinder(3.0, 4.0, TORISPHERICAL, TORISPHERICAL),
        UPRIGHT | both("torispherical", f=1.0, k=0.06),
    ),
    ("lying, flat", HorizontalCylinder(3.0, 8.0, Flat()), LYING),
    ("lying, ellipsoidal", HorizontalCylinder(3.0, 8.0, Ellipsoidal(0.75)), LYING | both("ellipsoidal", a=0.75)),
    ("lying, dished", HorizontalCylinder(3.0, 8.0, Dished(0.5)), LYING | both("spherical", a=0.5)),
    (
        "lying, torispherical",
        HorizontalCylinder(3.0, 8.0, TORISPHERICAL),
        LYING | both("torispherical", f=1.0, k=0.06),
    ),
    ("lying ellipse", HorizontalEllipse(2.4, 1.5, 5.0), None),
    ("ball", Sphere(3.0), None),
    ("box", Box(6.0, 4.0, 2.5), None),
    ("stack of three", Stack((VerticalCylinder(2.0, 1.0, Cone(0.5)), Box(3.0, 3.0, 1.0), Sphere(2.0))), None),
]
STRAPPINGS = (14, 20_000)


def strapping(rows: int, rng: np.random.Generator) -> Strapping:
    """Return a table of so many rows, unevenly spaced."""
    levels, litres = np.cumsum(rng.integers(1, 1000, rows)), np.cumsum(rng.integers(1, 1000, rows))
    text = "".join(f"{level},{volume}\n" for level, volume in zip(levels, litres, strict=True))
    return parse_strapping("level_mm,volume_L\n" + text)


def bench(name: str, shape: Vessel, levels: NDArray[np.float64], peer: str, theirs_s: float | None) -> None:
    """Print one shape beside its peer, whose seconds for all levels are given."""
    many._table.cache_clear()
    first_s = cpu_s(lambda: volumes(shape, [shape.bottom_m]), runs=1)
    ours_s = cpu_s(lambda: volumes(shape, levels), RUNS)
    probes = levels[:PROBES]
    true = np.array([shape.volume_m3(level) for level in probes])
    miss = float(np.max(np.abs(volumes(shape, probes).volume_m3 - true) / true))
    target = f"target <= {TARGET_MS} ms: {'met' if ours_s * 1e3 <= TARGET_MS else 'MISSED'}"
    note = f"{target}; once {first_s * 1e3:.0f} ms, largest miss {miss:.0e}"
    if theirs_s is None:
        print(f"{name:<34} {ours_s * 1e3:>9.1f} ms   no peer has this shape {'':<26} {note}", flush=True)
    else:
        show(name, f"{ours_s * 1e3:.1f} ms", peer, f"{theirs_s * 1e3:.0f} ms", theirs_s / ours_s, note)


def fastest(words: dict[str, Any], levels: NDArray[np.float64]) -> tuple[str, float]:
    """Return the faster of the peer's two ways: level by level (from a part of them) or its polynomial."""
    tank = TANK(**words)
    some = [float(level) for level in levels[:PROBES]]
    singly_s = cpu_s(lambda: [tank.V_from_h(level) for level in some]) * LEVELS / len(some)
    try:
        tank.set_chebyshev_approximators()  # type: ignore[no-untyped-call]  # the peer has no types
    except UnconvergedError:
        return "fluids, level by level", singly_s
    polynomial: Callable[[NDArray[np.float64]], NDArray[np.float64]] = tank.V_from_h_cheb
    polynomial_s = cpu_s(lambda: polynomial(levels), RUNS)
    true = np.array([tank.V_from_h(level) for level in some])
    miss = float(np.max(np.abs(polynomial(levels[:PROBES]) - true) / true))
    if polynomial_s < singly_s:
        return f"fluids, polynomial, miss {miss:.0e}", polynomial_s
    return "fluids, level by level", singly_s


def main() -> None:
    """Print the table."""
    argparse.ArgumentParser(description=__doc__).parse_args()
    rng = np.random.default_rng(SEED)
    print(f"{LEVELS:,} levels to volumes, uniform over the height, seed {SEED}")
    for name, shape, words in SHAPES:
        levels = shape.top_m * rng.random(LEVELS)
        peer, theirs_s = ("", None) if words is None else fastest(words, levels)
        bench(name, shape, levels, peer, theirs_s)
    for rows in STRAPPINGS:
        table = strapping(rows, rng)
        levels = table.bottom_m + (table.top_m - table.bottom_m) * rng.random(LEVELS)
        xs = np.array([float(row.level_m) for row in table.rows])
        ys = np.array([float(row.volume_m3) for row in table.rows])
        theirs_s = cpu_s(partial(np.interp, levels, xs, ys), RUNS)
        bench(f"strapping, {rows} rows", table, levels, "numpy.interp", theirs_s)


if __name__ == "__main__":
    main()
