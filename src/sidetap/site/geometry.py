"""A vessel's shape or strapping, as written in a site file -> its geometry and its top.

What can't be a shape (a knuckle wider than its head, inward ends that meet) is noted at its place, and a stand-in
goes out.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

from sidetap.errors import BadInput
from sidetap.site.files import NotText, read_small_text
from sidetap.site.keys import BOX, ELLIPSE, HORIZONTAL, SPHERE, STACK, VERTICAL
from sidetap.site.table import Table, shorten
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
    ImpossibleSize,
    Shifted,
    Sphere,
    Stack,
    StrappingProblem,
    Torispherical,
    VerticalCylinder,
    Vessel,
    doubtful_rows,
    parse_strapping,
)

STAND_IN: Vessel = Box(1.0, 1.0, 1.0)
_END_SIZES = {
    "cone": ("depth",),
    "dished": ("depth",),
    "ellipsoidal": ("depth",),
    "torispherical": ("crown_radius", "knuckle_radius"),
}
_KEYS = {"outlet_diameter_m": "outlet"}  # sizes that are called otherwise in a file; datum_m is datum there


def read_geometry(t: Table, folder: Path) -> tuple[Vessel, int]:
    """Return what a [[vessel]] table says of its geometry, and its top in 0.1 mm, rounded down."""
    has_shape, has_table = t.has("shape"), t.has("strapping")
    geometry: Vessel | None = None
    if has_shape and has_table:
        t.error("strapping", "both a shape and a strapping table", "Keep the one that was measured.")
    elif has_table:
        geometry = _strapping(t, folder)
    elif has_shape:
        geometry = _shape(t.table("shape"))
    else:
        like = t.example("shape")
        t.error("shape", "missing", f'Add shape = {like}, or strapping = "FILE.csv".')
    if t.has("datum"):
        datum_01mm = t.length_01mm("datum")
        if geometry is not None and datum_01mm:
            geometry = _made(t, partial(Shifted, geometry, datum_01mm / 10_000))
    if geometry is None:
        return STAND_IN, 10_000
    return geometry, _highest_01mm(geometry.top_m)


def read_drawing(t: Table) -> Vessel | None:
    """Return the shape as drawn that a [[vessel]] table has beside its strapping, counted from the table's zero."""
    if not t.has("drawing"):
        return None
    if not t.has("strapping"):
        t.error("drawing", "no strapping table beside it", "Write it as the shape, if that is what levels use.")
    return _shape(t.table("drawing"))


def _highest_01mm(top_m: float) -> int:
    """Return a shape's top in 0.1 mm, the highest whose float lies in the shape: 7.2 m stays 7.2 m."""
    nearest = round(top_m * 10_000)
    return nearest - (nearest / 10_000 > top_m)


def _made(t: Table, make: Callable[[], Vessel]) -> Vessel | None:
    """Return what was made, or note which size makes no shape."""
    try:
        return make()
    except ImpossibleSize as problem:
        key = ".".join(_KEYS.get(name, name.removesuffix("_m")) for name in problem.field.split("."))
        t.error(key, problem.problem, problem.remedy)
        return None


def _shape(t: Table, part: bool = False) -> Vessel | None:
    kind = t.choice("kind")
    if not kind:
        t.judge_rest()
        return None
    if kind == STACK and part:
        t.error("kind", "a stack in a stack", "Put its parts into the one list.")
        return None
    make = {
        VERTICAL: _vertical,
        HORIZONTAL: _horizontal,
        ELLIPSE: _ellipse,
        BOX: _box,
        SPHERE: _sphere,
        STACK: _stack,
    }[kind](t)
    t.finish()
    return None if t.wrong else _made(t, make)


def _vertical(t: Table) -> Callable[[], Vessel]:
    diameter, height = float(t.quantity("diameter")), float(t.quantity("height"))
    bottom = _end(t, "bottom", diameter)
    top = _end(t, "top", diameter) if t.has("top") else Flat()
    return lambda: VerticalCylinder(diameter, height, bottom, top)


def _horizontal(t: Table) -> Callable[[], Vessel]:
    diameter, length = float(t.quantity("diameter")), float(t.quantity("length"))
    heads = _end(t, "heads", diameter)
    return lambda: HorizontalCylinder(diameter, length, heads)


def _ellipse(t: Table) -> Callable[[], Vessel]:
    sizes = [float(t.quantity(key)) for key in ("width", "height", "length")]
    return lambda: HorizontalEllipse(*sizes)


def _box(t: Table) -> Callable[[], Vessel]:
    sizes = [float(t.quantity(key)) for key in ("length", "width", "height")]
    return lambda: Box(*sizes)


def _sphere(t: Table) -> Callable[[], Vessel]:
    diameter = float(t.quantity("diameter"))
    return lambda: Sphere(diameter)


def _stack(t: Table) -> Callable[[], Vessel]:
    parts = tuple(part for inner in t.tables("parts") if (part := _shape(inner, part=True)) is not None)
    return lambda: Stack(parts)


def _end(t: Table, key: str, diameter_m: float) -> End:
    found = t.word_or_table(key)
    return _sized(found, diameter_m) if isinstance(found, Table) else _by_name(found, diameter_m)


def _by_name(word: str, diameter_m: float) -> End:
    if word == "ellipsoidal-2:1" and diameter_m:
        return Ellipsoidal(diameter_m / 4)
    return Hemispherical() if word == "hemispherical" else Flat()


def _sized(t: Table, diameter_m: float) -> End:
    form = t.choice("form")
    if not form:
        t.judge_rest()
        return Flat()
    inward = form != "flat" and t.has("bulges") and t.choice("bulges") == "in"
    sizes_m = [float(t.quantity(key)) for key in _END_SIZES.get(form, ())]
    if form == "cone" and t.has("outlet"):
        sizes_m.append(float(t.quantity("outlet")))
    t.finish()
    if t.wrong or form == "flat" or not diameter_m:
        return Flat()
    if form == "hemispherical":
        return Hemispherical(inward=inward)
    if form == "ellipsoidal-2:1":
        return Ellipsoidal(diameter_m / 4, inward=inward)
    ends: dict[str, Callable[..., End]] = {
        "cone": Cone,
        "dished": Dished,
        "ellipsoidal": Ellipsoidal,
        "torispherical": Torispherical,
    }
    return ends[form](*sizes_m, inward=inward)


def _strapping(t: Table, folder: Path) -> Vessel | None:
    name = t.file_name("strapping")
    if not name:
        return None
    file = str(folder / name)
    try:
        table = parse_strapping(read_small_text(folder / name))
    except BadInput as problem:
        t.error("strapping", f"{shorten(name)!r}: {problem.problem}", problem.remedy)
    except NotText as problem:
        place = (problem.line, problem.column)
        t.error_in(file, place, "strapping", "this byte is no UTF-8", "Save it as UTF-8.")
    except StrappingProblem as problem:
        t.error_in(file, (problem.line, problem.column), "strapping", problem.problem, problem.remedy)
    else:
        for row in doubtful_rows(table):
            t.warning_in(file, (row.line, 1), "strapping", row.problem, row.remedy)
        return table
    return None
