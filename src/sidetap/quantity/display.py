"""A level, volume, mass, flow or rate -> text for people, in the units of one site or one screen.

Exact values in SI come in; each is converted exactly and rounded once, in a direction that the caller names: to the
nearest on displays, to the unfavourable side for bounds and predictions. Decimals are as fine as a good transmitter
tells, and no finer.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Protocol

from sidetap.quantity.text import Rounding, format_feet_inches, format_number
from sidetap.quantity.units import from_si

# Parts of an inch: a tape is read to sixteenths, and so is paper; a screen shows eighths (3.2 mm), so that its last
# digit stands still while a transmitter's noise of a millimetre or two goes on. Common practice, no source.
SIXTEENTHS, EIGHTHS = 16, 8

LEVEL_DECIMALS = {"ft-in": 0, "m": 3, "cm": 1, "mm": 0, "ft": 2, "in": 1, "%": 1}
VOLUME_DECIMALS = {"gal": 0, "L": 0, "m3": 2, "bbl": 1}
FLOW_DECIMALS = {"gpm": 0, "L/min": 0, "m3/h": 1}
MASS_DECIMALS = {"lb": 0, "kg": 0, "t": 2}
_RATE = {"ft-in": ("in/min", 2), "ft": ("in/min", 2), "in": ("in/min", 2)}  # of a level; all others:
_METRIC_RATE = ("mm/min", 1)

Number = Fraction | float | int


class Display(Protocol):
    """Which unit each kind of quantity is shown in; the keys of the tables above."""

    @property
    def level(self) -> str:
        """Of LEVEL_DECIMALS."""

    @property
    def volume(self) -> str:
        """Of VOLUME_DECIMALS."""

    @property
    def flow(self) -> str:
        """Of FLOW_DECIMALS."""

    @property
    def mass(self) -> str:
        """Of MASS_DECIMALS."""


@dataclass(frozen=True, slots=True)
class Texts:
    """Writes quantities under one display. inch_parts: SIXTEENTHS on paper, EIGHTHS on a screen."""

    display: Display
    inch_parts: int = SIXTEENTHS

    def level(self, level_m: Number, top_m: Number, rounding: Rounding = Rounding.NEAREST) -> str:
        """Return a level of a vessel whose top is at top_m (over 0), which is 100 % where levels are shown in %."""
        form = self.display.level
        if form == "%":
            return f"{self.share(level_m, top_m, rounding)} %"
        return format_level(Fraction(level_m) * 10_000, form, self.inch_parts, rounding)

    def share(self, level_m: Number, top_m: Number, rounding: Rounding = Rounding.NEAREST) -> str:
        """Return a level as a bare number of percent of the height up to the top."""
        return format_number(Fraction(level_m) / Fraction(top_m) * 100, LEVEL_DECIMALS["%"], rounding)

    def volume(self, volume_m3: Number, rounding: Rounding = Rounding.NEAREST) -> str:
        """Return a volume."""
        return _told(volume_m3, self.display.volume, VOLUME_DECIMALS, rounding)

    def volume_with(self, volume_m3: Number, uncertainty_m3: Number) -> str:
        """Return a volume with its uncertainty, which is rounded up."""
        return _beside(self.volume(volume_m3), self.volume(uncertainty_m3, Rounding.UP))

    def mass(self, mass_kg: Number, rounding: Rounding = Rounding.NEAREST) -> str:
        """Return a mass."""
        return _told(mass_kg, self.display.mass, MASS_DECIMALS, rounding)

    def mass_with(self, mass_kg: Number, uncertainty_kg: Number) -> str:
        """Return a mass with its uncertainty, which is rounded up."""
        return _beside(self.mass(mass_kg), self.mass(uncertainty_kg, Rounding.UP))

    def flow(self, flow_m3_per_s: Number, rounding: Rounding = Rounding.NEAREST) -> str:
        """Return a flow; below 0 it runs out."""
        return _told(flow_m3_per_s, self.display.flow, FLOW_DECIMALS, rounding)

    def rate(self, rate_m_per_s: Number, rounding: Rounding = Rounding.NEAREST) -> str:
        """Return the speed of a level in the family of the level's unit; below 0 it falls."""
        unit, decimals = _RATE.get(self.display.level, _METRIC_RATE)
        return _told(rate_m_per_s, unit, {unit: decimals}, rounding)


def format_level(
    level_01mm: Number,
    form: str = "m",
    inch_parts: int = SIXTEENTHS,
    rounding: Rounding = Rounding.NEAREST,
) -> str:
    """Return a level in tenths of a millimetre as "m", "cm", "mm", "ft", "in" or "ft-in".

    >>> format_level(34800, "ft-in"), format_level(34800)
    ('11 ft 5 in', '3.480 m')
    """
    length_m = Fraction(level_01mm) / 10_000
    if form == "ft-in":
        return format_feet_inches(length_m, inch_parts, rounding)
    return _told(length_m, form, LEVEL_DECIMALS, rounding)


def exact_metres(level_01mm: int) -> str:
    """Return a level to the tenth of a millimetre, as it is compared, without a tenth where that is 0.

    >>> exact_metres(6000), exact_metres(14507)
    ('0.600 m', '1.4507 m')
    """
    return f"{format_number(Fraction(level_01mm, 10_000), 4 if level_01mm % 10 else 3)} m"


def _told(value_si: Number, unit: str, decimals: dict[str, int], rounding: Rounding) -> str:
    return f"{format_number(from_si(Fraction(value_si), unit), decimals[unit], rounding)} {unit}"


def _beside(value: str, uncertainty: str) -> str:
    return f"{value.rpartition(' ')[0]} ± {uncertainty}"
