"""Exact times, lengths and volumes, a table of units, and readings that carry their quality.

Text -> whole numbers -> text. The core of sidetap counts in integers: time in nanoseconds (milliseconds inside a
scheme), lengths in tenths of a millimetre; floats live inside formulas only. Conversions are exact rationals and
are rounded once, in a direction that the caller names.
"""

from sidetap.quantity.display import (
    EIGHTHS,
    FLOW_DECIMALS,
    LEVEL_DECIMALS,
    MASS_DECIMALS,
    SIXTEENTHS,
    VOLUME_DECIMALS,
    Texts,
    exact_metres,
    format_level,
)
from sidetap.quantity.reading import Quality, Reading
from sidetap.quantity.text import (
    Rounding,
    format_duration,
    format_feet_inches,
    format_number,
    odd_characters,
    parse_duration_ns,
    parse_length_01mm,
    parse_quantity,
    round_fraction,
)
from sidetap.quantity.units import (
    CALENDAR_FROM_NS,
    NS_PER_MS,
    NS_PER_S,
    UNITS,
    Dimension,
    Unit,
    convert,
    from_si,
    to_si,
    unit,
)

__all__ = [
    "CALENDAR_FROM_NS",
    "EIGHTHS",
    "FLOW_DECIMALS",
    "LEVEL_DECIMALS",
    "MASS_DECIMALS",
    "NS_PER_MS",
    "NS_PER_S",
    "SIXTEENTHS",
    "UNITS",
    "VOLUME_DECIMALS",
    "Dimension",
    "Quality",
    "Reading",
    "Rounding",
    "Texts",
    "Unit",
    "convert",
    "exact_metres",
    "format_duration",
    "format_feet_inches",
    "format_level",
    "format_number",
    "from_si",
    "odd_characters",
    "parse_duration_ns",
    "parse_length_01mm",
    "parse_quantity",
    "round_fraction",
    "to_si",
    "unit",
]
