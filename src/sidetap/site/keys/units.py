"""The units that a quantity at a key may have, and its bounds."""

from __future__ import annotations

from sidetap.quantity import UNITS, Dimension
from sidetap.site.keys.forms import Duration, Form, Length, Quantity, Range, Whole
from sidetap.site.keys.listening import LEVEL_DIMENSIONS


def dimensions_of(form: Form) -> tuple[Dimension, ...]:
    """Return what a quantity of this form may measure; () for what is no quantity."""
    match form:
        case Quantity(dimension):
            return (dimension,)
        case Length():
            return (Dimension.LENGTH,)
        case Duration():
            return (Dimension.TIME,)
        case Range():
            return tuple(dict.fromkeys(LEVEL_DIMENSIONS.values()))
    return ()


def units_of(form: Form) -> tuple[str, ...]:
    """Return the names of the units that may stand at a key of this form."""
    return tuple(
        unit.name for dimension in dimensions_of(form) for unit in UNITS.values() if unit.dimension is dimension
    )


def bounds_of(form: Form) -> tuple[str, str] | None:
    """Return lowest and highest, both still good; None where there are none."""
    match form:
        case Quantity(_, low, high) | Length(low, high) | Duration(low, high):
            return low, high
        case Whole(lowest, highest):
            return str(lowest), str(highest)
    return None
