"""One table of units, each an exact rational factor (and, for temperatures, an offset) to the SI.

Sources: the inch is 25.4 mm, the US gallon 231 in³, the pound 0.45359237 kg exactly (NIST Handbook 44,
appendix C); the barrel of 42 gal is that of petroleum (same place); the pound-force per square inch follows from
the pound, standard gravity 9.80665 m/s² and the inch.
"""

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

NS_PER_S = 1_000_000_000
NS_PER_MS = 1_000_000
CALENDAR_FROM_NS = 946_684_800 * NS_PER_S  # 2000-01-01; a recording whose clock shows less counts from its own start


class Dimension(StrEnum):
    """What a unit measures; the value names the SI unit that ``to_si`` returns."""

    TIME = "s"
    LENGTH = "m"
    VOLUME = "m3"
    MASS = "kg"
    DENSITY = "kg/m3"
    PRESSURE = "Pa"
    SPEED = "m/s"
    FLOW = "m3/s"
    TEMPERATURE = "K"
    SHARE = "1"


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: value in SI = (value + shift) × factor, exactly."""

    name: str
    dimension: Dimension
    factor: Fraction
    shift: Fraction = Fraction(0)


_INCH = Fraction(254, 10_000)
_FOOT = 12 * _INCH
_GALLON = 231 * _INCH**3
_LITRE = Fraction(1, 1000)
_POUND = Fraction(45_359_237, 100_000_000)
_PSI = _POUND * Fraction(980_665, 100_000) / _INCH**2
_MIN = Fraction(60)

UNITS: dict[str, Unit] = {
    u.name: u
    for u in (
        Unit("ns", Dimension.TIME, Fraction(1, NS_PER_S)),
        Unit("us", Dimension.TIME, Fraction(1, 1_000_000)),
        Unit("ms", Dimension.TIME, Fraction(1, 1000)),
        Unit("s", Dimension.TIME, Fraction(1)),
        Unit("min", Dimension.TIME, _MIN),
        Unit("h", Dimension.TIME, 60 * _MIN),
        Unit("d", Dimension.TIME, 24 * 60 * _MIN),
        Unit("m", Dimension.LENGTH, Fraction(1)),
        Unit("cm", Dimension.LENGTH, Fraction(1, 100)),
        Unit("mm", Dimension.LENGTH, Fraction(1, 1000)),
        Unit("ft", Dimension.LENGTH, _FOOT),
        Unit("in", Dimension.LENGTH, _INCH),
        Unit("m3", Dimension.VOLUME, Fraction(1)),
        Unit("L", Dimension.VOLUME, _LITRE),
        Unit("gal", Dimension.VOLUME, _GALLON),
        Unit("bbl", Dimension.VOLUME, 42 * _GALLON),
        Unit("kg", Dimension.MASS, Fraction(1)),
        Unit("t", Dimension.MASS, Fraction(1000)),
        Unit("lb", Dimension.MASS, _POUND),
        Unit("kg/m3", Dimension.DENSITY, Fraction(1)),
        Unit("kg/L", Dimension.DENSITY, Fraction(1000)),
        Unit("lb/gal", Dimension.DENSITY, _POUND / _GALLON),
        Unit("Pa", Dimension.PRESSURE, Fraction(1)),
        Unit("kPa", Dimension.PRESSURE, Fraction(1000)),
        Unit("bar", Dimension.PRESSURE, Fraction(100_000)),
        Unit("psi", Dimension.PRESSURE, _PSI),
        Unit("m/s", Dimension.SPEED, Fraction(1)),
        Unit("mm/s", Dimension.SPEED, Fraction(1, 1000)),
        Unit("mm/min", Dimension.SPEED, Fraction(1, 60_000)),
        Unit("in/min", Dimension.SPEED, _INCH / 60),
        Unit("m3/h", Dimension.FLOW, Fraction(1, 3600)),
        Unit("L/min", Dimension.FLOW, _LITRE / 60),
        Unit("gpm", Dimension.FLOW, _GALLON / 60),
        Unit("K", Dimension.TEMPERATURE, Fraction(1)),
        Unit("C", Dimension.TEMPERATURE, Fraction(1), Fraction(27_315, 100)),
        Unit("F", Dimension.TEMPERATURE, Fraction(5, 9), Fraction(45_967, 100)),
        Unit("%", Dimension.SHARE, Fraction(1, 100)),
    )
}


def unit(name: str) -> Unit:
    """Return the unit called name; KeyError names the known ones of the table."""
    try:
        return UNITS[name]
    except KeyError:
        raise KeyError(f"no unit {name!r}; units here are {' '.join(UNITS)}") from None


def to_si(value: Fraction | int, name: str) -> Fraction:
    """Return value, in the unit called name, in the SI unit of its dimension, exactly.

    >>> to_si(1, "gal")
    Fraction(473176473, 125000000000)
    """
    u = unit(name)
    return (Fraction(value) + u.shift) * u.factor


def from_si(value: Fraction | int, name: str) -> Fraction:
    """Return an SI value in the unit called name, exactly."""
    u = unit(name)
    return Fraction(value) / u.factor - u.shift


def convert(value: Fraction | int, source: str, target: str) -> Fraction:
    """Return value in unit source as unit target; ValueError when they measure different things.

    >>> convert(1, "bbl", "gal")
    Fraction(42, 1)
    """
    if unit(source).dimension is not unit(target).dimension:
        raise ValueError(f"{source} can't be told in {target}")
    return from_si(to_si(value, source), target)
