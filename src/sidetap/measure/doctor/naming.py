"""Whose reading is it: people's readings and a site -> readings of its vessels, each a level or a volume.

Never guesses: a name is a vessel's tag or a point's; any other name counts only where the row's device carries the
level of exactly one vessel. The rest is told, not used.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from sidetap.errors import BadInput
from sidetap.quantity import UNITS, Dimension
from sidetap.site.levels import level_m
from sidetap.site.model import LevelKind, Point, Site, Vessel
from sidetap.survey import PersonReading, ReadingKind

_SENSED = {LevelKind.PRESSURE: Dimension.PRESSURE, LevelKind.PERCENT: Dimension.SHARE}


@dataclass(frozen=True, slots=True)
class Noted:
    """What somebody read of a vessel. A level in m or a volume in m³, exactly; tolerance in the same unit."""

    reading: PersonReading
    vessel: Vessel
    point: Point
    value: Fraction
    tolerance: Fraction
    is_volume: bool

    @property
    def is_dip(self) -> bool:
        """Whether it was measured at the vessel."""
        return self.reading.kind is ReadingKind.DIP


def assign(site: Site, readings: Sequence[PersonReading], path: Path) -> tuple[list[Noted], list[str]]:
    """Return the readings of the site's vessels, vessel by vessel as the site has them, and the names of no vessel.

    BadInput, with the row, for a unit that tells no level and no volume and for a device that is not the point's;
    and when no name at all is known. path: of the readings, for messages.
    """
    noted: list[Noted] = []
    unknown: list[str] = []
    for reading in readings:
        place = f"{path}: row {reading.row}"
        vessel = _vessel(site, reading, place)
        if vessel is None:
            unknown.append(reading.name)
        else:
            noted.append(_noted(vessel, site.point(vessel.level.point), reading, place))
    if not noted:
        tags = ", ".join(v.tag for v in site.vessels[:12])
        raise BadInput(str(path), "none of its names is a vessel or a point of the site", f"Vessels are {tags}.")
    order = {vessel.tag: number for number, vessel in enumerate(site.vessels)}
    noted.sort(key=lambda each: order[each.vessel.tag])
    return noted, list(dict.fromkeys(unknown))


def _vessel(site: Site, reading: PersonReading, place: str) -> Vessel | None:
    points = {v.tag: site.point(v.level.point) for v in site.vessels}
    for vessel in site.vessels:
        if reading.name == vessel.tag:
            found = [vessel]
            break
    else:
        found = [v for v in site.vessels if points[v.tag].tag == reading.name]
        if len(found) > 1:
            raise BadInput(place, f"{reading.name!r} is the point of several vessels", "Name the vessel.")
    if not found:
        there = [v for v in site.vessels if points[v.tag].device == reading.device]
        return there[0] if len(there) == 1 else None
    device = points[found[0].tag].device
    if reading.device not in (None, device):
        problem = f"{reading.name!r} is device {device} in the site file, not {reading.device}"
        raise BadInput(place, problem, "Correct the row's device, or leave it out.")
    return found[0]


def _noted(vessel: Vessel, point: Point, reading: PersonReading, place: str) -> Noted:
    unit = UNITS[reading.unit]
    tolerance = reading.tolerance * unit.factor
    value = (reading.value + unit.shift) * unit.factor
    if unit.dimension in (Dimension.LENGTH, Dimension.VOLUME):
        is_volume = unit.dimension is Dimension.VOLUME
        if value < 0:
            raise BadInput(place, "a level or a volume below zero", "Count levels from the vessel's datum.")
        return Noted(reading, vessel, point, value, tolerance, is_volume)
    if reading.kind is ReadingKind.DISPLAY and unit.dimension is _SENSED.get(vessel.level.kind):
        level, above = (level_m(vessel.level, vessel.density, v) for v in (value, value + tolerance))
        return Noted(reading, vessel, point, level, above - level, False)
    raise BadInput(
        place,
        f"a {reading.kind} of {vessel.tag} in {reading.unit} tells no level",
        "Write a level (m, cm, mm, ft, in, ft-in) or a volume (gal, L).",
    )
