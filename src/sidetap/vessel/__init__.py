"""Vessels as shapes: level -> volume, its inverse and its derivative.

A level above the vessel's datum in metres comes in, cubic metres go out, and back. A level outside the shape is
never clamped and never a number: it raises ``OutOfShape``, and in arrays carries its side. Sizes that make no shape
raise ``ImpossibleSize``. No I/O: a strapping table comes in as text. Whole histories go through
``sidetap.vessel.many``, which is apart because it alone needs numpy.
"""

from sidetap.vessel.compound import Shifted, Stack
from sidetap.vessel.cylinder import HorizontalCylinder, VerticalCylinder
from sidetap.vessel.doubtful import DoubtfulRow, doubtful_rows
from sidetap.vessel.ends import Cone, Dished, Ellipsoidal, End, Flat, Hemispherical, Torispherical
from sidetap.vessel.residuals import Residual, residuals
from sidetap.vessel.shape import OutOfShape, Side, Vessel
from sidetap.vessel.sizes import ImpossibleSize
from sidetap.vessel.solids import Box, HorizontalEllipse, Sphere
from sidetap.vessel.strapping import Strapping, StrappingProblem, StrappingRow, parse_strapping

__all__ = [
    "Box",
    "Cone",
    "Dished",
    "DoubtfulRow",
    "Ellipsoidal",
    "End",
    "Flat",
    "Hemispherical",
    "HorizontalCylinder",
    "HorizontalEllipse",
    "ImpossibleSize",
    "OutOfShape",
    "Residual",
    "Shifted",
    "Side",
    "Sphere",
    "Stack",
    "Strapping",
    "StrappingProblem",
    "StrappingRow",
    "Torispherical",
    "VerticalCylinder",
    "Vessel",
    "doubtful_rows",
    "parse_strapping",
    "residuals",
]
