"""How uncertain a level, a volume, a mass and a volume drawn are: the budget of one vessel, at k = 2 throughout.

A vessel's declared shares come in (of the reading, its reference, the density, the shape), expanded uncertainties of
results go out: root of the sum of squares of each share times how much the result moves with it (JCGM 100:2008,
5.1.2; NIST/SEMATECH e-Handbook, 2.5.7). What two levels share cancels as far as they feel it alike: that is reckoned
with signs before it is squared (5.2.2 there, with r = 1). Waves, foam and what nobody declared are in none of it.
"""

from __future__ import annotations

from math import hypot

from sidetap.measure.level_reading import Content
from sidetap.site.model import LevelKind, Vessel


class Budget:
    """The declared uncertainties of a vessel, as floats of SI units.

    reading_m: of one reading. reference_m: of the height that all readings share. density, volume: shares.
    kg_per_m3: the density itself.
    """

    __slots__ = ("_pressure", "_sensor_m", "density", "kg_per_m3", "reading_m", "reference_m", "volume")

    def __init__(self, vessel: Vessel) -> None:
        self.reading_m = vessel.uncertainty.reading_01mm / 10_000
        self.reference_m = vessel.uncertainty.reference_01mm / 10_000
        self.volume = float(vessel.uncertainty.volume)
        self.density = float(vessel.density.uncertainty)
        self._pressure = vessel.level.kind is LevelKind.PRESSURE
        self._sensor_m = vessel.level.sensor_height_01mm / 10_000
        self.kg_per_m3 = float(vessel.density.kg_per_m3)

    def content(self, level_m: float, volume_m3: float, area_m2: float, heel_m3: float) -> Content:
        """Return what a level comes to, given its volume, its surface and the volume that can't be drawn.

        Of the level: reading, reference, and for a pressure the density times its head. Of the volume: the level's
        over the surface, and the shape's share. Of the mass: a density that is too high makes the level of a pressure
        too low: so the mass feels it less than the volume does, and not at all above a sensor in an upright vessel.
        """
        density, head_m = self.density, self._head_m(level_m)
        level_u_m = hypot(self.reading_m, self.reference_m, density * head_m)
        of_shape_m3 = self.volume * volume_m3
        of_level_m3 = hypot(self.reading_m, self.reference_m) * area_m2
        of_density_m3 = density * (volume_m3 - area_m2 * head_m)
        return Content(
            level_u_m,
            area_m2,
            volume_m3,
            hypot(level_u_m * area_m2, of_shape_m3),
            max(0.0, volume_m3 - heel_m3),
            volume_m3 * self.kg_per_m3,
            self.kg_per_m3 * hypot(of_level_m3, of_shape_m3, of_density_m3),
        )

    def flow_m3_per_s(self, flow_m3_per_s: float, rate_u_m_per_s: float, area_m2: float) -> float:
        """Return the uncertainty of a flow in m³/s that was made of a level's rate: the rate's, and the shape's."""
        return hypot(rate_u_m_per_s * area_m2, self.volume * flow_m3_per_s)

    def drawn_m3(self, first: tuple[float, float], last: tuple[float, float], volume_m3: float) -> float:
        """Return the uncertainty of a volume drawn between two levels, in m³; each a level in m and its area in m².

        Each reading counts by itself. The reference cancels but for what the two surfaces differ; the shape's share
        is one of the volume drawn; the density's follows the volumes that the two heads stand for.
        """
        (first_m, first_m2), (last_m, last_m2) = first, last
        return hypot(
            self.reading_m * first_m2,
            self.reading_m * last_m2,
            self.reference_m * (first_m2 - last_m2),
            self.volume * volume_m3,
            self.density * (first_m2 * self._head_m(first_m) - last_m2 * self._head_m(last_m)),
        )

    def _head_m(self, level_m: float) -> float:
        """Return the height of liquid over a pressure sensor; 0 for others, which no density moves."""
        return level_m - self._sensor_m if self._pressure else 0.0
