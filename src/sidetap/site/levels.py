"""From a point's reading to a level, exactly. The rounding is left to whoever needs a whole number.

Used by ``measure`` for what is, and by ``check`` for what a sensor could reach.
"""

from fractions import Fraction

from sidetap.site.model import Density, LevelKind, LevelSource

STANDARD_GRAVITY = Fraction(980_665, 100_000)  # m/s², by convention (ISO 80000-3); local gravity is within 0.3 %


def level_m(source: LevelSource, density: Density, reading: Fraction) -> Fraction:
    """Return the level above the datum, in m, for a reading in the SI unit of its dimension (m, Pa, share of 1).

    Whether the sensor can say so (blocking distance, nozzle, top) is not judged here.

    Hydrostatics: 13,690 Pa over a nozzle at 0.42 m in 1396 kg/m³ are 1.00 m more.

    >>> from datetime import date
    >>> source = LevelSource("PT-3", LevelKind.PRESSURE, sensor_height_01mm=4200)
    >>> density = Density(Fraction(1396), "worked by hand", date(2026, 1, 31))
    >>> round(float(level_m(source, density, Fraction(13_690))), 3)
    1.42
    """
    if source.kind is LevelKind.HEIGHT:
        return reading
    if source.kind is LevelKind.ULLAGE:
        return Fraction(source.reference_height_01mm, 10_000) - reading
    if source.kind is LevelKind.PRESSURE:
        return Fraction(source.sensor_height_01mm, 10_000) + reading / (density.kg_per_m3 * STANDARD_GRAVITY)
    return reading * Fraction(source.span_01mm, 10_000)
