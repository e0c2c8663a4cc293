"""Vessels as shapes: level -> volume, its inverse and its derivative.

A level above the vessel's datum in metres comes in, cubic metres go out, and back. A level outside the shape is
never clamped and never a number: it raises ``OutOfShape``. No I/O: a strapping table comes in as text.
"""

from sidetap.vessel.cylinder import HorizontalCylinder, VerticalCylinder
from sidetap.vessel.shape import OutOfShape, Side, Vessel
from sidetap.vessel.strapping import Strapping, StrappingProblem, StrappingRow, parse_strapping

__all__ = [
    "HorizontalCylinder",
    "OutOfShape",
    "Side",
    "Strapping",
    "StrappingProblem",
    "StrappingRow",
    "VerticalCylinder",
    "Vessel",
    "parse_strapping",
]
