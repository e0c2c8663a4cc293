"""A geometry held against a strapping table: how far they are apart at every height that was measured."""

from __future__ import annotations

from dataclasses import dataclass

from sidetap.vessel.shape import OutOfShape, Vessel
from sidetap.vessel.strapping import Strapping


@dataclass(frozen=True, slots=True)
class Residual:
    """One row of a strapping table beside the geometry; geometry_m3 is None at levels that the geometry doesn't have.

    All differences are geometry less strapping. area_m2 is the table's slope at the row.
    """

    level_m: float
    strapping_m3: float
    geometry_m3: float | None
    area_m2: float

    @property
    def difference_m3(self) -> float | None:
        """How much more the geometry tells."""
        return None if self.geometry_m3 is None else self.geometry_m3 - self.strapping_m3

    @property
    def share(self) -> float | None:
        """The difference as a share of the table's volume; None beside an empty vessel."""
        difference = self.difference_m3
        return None if difference is None or self.strapping_m3 == 0 else difference / self.strapping_m3

    @property
    def worth_m(self) -> float | None:
        """The level that the difference is worth: by how much a level would have to be wrong to do the same."""
        difference = self.difference_m3
        return None if difference is None else difference / self.area_m2


def residuals(geometry: Vessel, strapping: Strapping) -> tuple[Residual, ...]:
    """Return the differences at every row of the table, from below upwards; both count levels from the same datum."""
    found = []
    for row in strapping.rows:
        level = float(row.level_m)
        try:
            volume = geometry.volume_m3(level)
        except OutOfShape:
            volume = None
        found.append(Residual(level, float(row.volume_m3), volume, strapping.area_m2(level)))
    return tuple(found)
