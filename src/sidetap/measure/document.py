"""Level readings -> the document that ``sidetap level --json`` prints, and that a station hands out."""

from __future__ import annotations

import math
from collections.abc import Iterable
from fractions import Fraction
from typing import Any

from sidetap.measure.level_reading import LevelReading
from sidetap.quantity import NS_PER_S, Rounding, Texts, round_fraction, to_si
from sidetap.site.model import Site

_GALLON_M3 = float(to_si(1, "gal"))
_POUND_KG = float(to_si(1, "lb"))


def levels_document(site: Site, readings: Iterable[LevelReading]) -> dict[str, Any]:
    """Return the whole document; only numbers, texts and None in it, so that any JSON writer can take it."""
    return {"levels": [level_entry(site, reading) for reading in readings]}


def level_entry(site: Site, reading: LevelReading) -> dict[str, Any]:
    """Return one vessel's entry. Numbers are rounded to the nearest, bounds upwards."""
    level, top_m = reading.level_m, Fraction(site.vessel(reading.vessel).top_01mm, 10_000)
    nearest_01mm = None if level is None else round_fraction(level * 10_000, Rounding.NEAREST)
    last_good = None
    if reading.last_good is not None:
        last_good = {"level_mm": reading.last_good[0] / 10, "t_s": _seconds(reading.last_good[1])}
    return {
        "vessel": reading.vessel,
        "level_mm": None if nearest_01mm is None else nearest_01mm / 10,
        "level_text": None if level is None else Texts(site.show).level(level, top_m),
        "volume_gal": _rounded(reading.volume_m3, _GALLON_M3),
        "volume_L": _rounded(reading.volume_m3, 0.001),
        "mass_lb": _rounded(reading.mass_kg, _POUND_KG),
        "uncertainty_gal": _upwards(reading.uncertainty_m3, 10),
        "volume_at_most_gal": _upwards(reading.volume_at_most_m3, 1),
        "last_good": last_good,
        "quality": str(reading.quality),
        "reason": reading.reason,
        "age_s": None if reading.age_ns is None else _seconds(reading.age_ns),
    }


def _rounded(value: float | None, size: float) -> float | None:
    return None if value is None else round(value / size, 1)


def _upwards(volume_m3: float | None, parts: int) -> float | None:
    return None if volume_m3 is None else math.ceil(volume_m3 / _GALLON_M3 * parts) / parts


def _seconds(duration_ns: int) -> float:
    return float(Fraction(duration_ns, NS_PER_S))
