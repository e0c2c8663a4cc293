"""A volume drawn from a vessel, by the difference of two levels, with its uncertainty.

Two levels of one vessel in, a volume out, or why there is none. It knows nothing of valves: whether something was
delivered in between, or drawn by somebody else, is for the caller to say.
"""

from __future__ import annotations

from dataclasses import dataclass

from sidetap.measure.budget import Budget
from sidetap.site.model import Vessel

MOST_UNCERTAIN = 0.05  # of the volume drawn, at k = 2; a difference less certain than that is left out


@dataclass(frozen=True, slots=True)
class Drawn:
    """A volume by level difference. volume_m3 is None where it can't be determined; reason says why.

    uncertainty_m3: at k = 2, None with volume_m3.
    """

    volume_m3: float | None
    uncertainty_m3: float | None
    reason: str = ""


def drawn(vessel: Vessel, first_01mm: int | None, last_01mm: int | None, least_m3: float = 0.0) -> Drawn:
    """Return what was drawn from a vessel between two levels in 0.1 mm; None for one that isn't known.

    least_m3: what the draw must have taken at the least, by flow and time. Where the levels tell of less, even with
    their uncertainty, something was delivered, or the flow is not what it is taken for, and they don't tell which.
    """
    shape = vessel.geometry
    if first_01mm is None or last_01mm is None:
        return Drawn(None, None, "the level was not known at its " + ("start" if first_01mm is None else "end"))
    # a level rounded down may lie a hair under the shape's lowest
    first_m, last_m = (max(level_01mm / 10_000, shape.bottom_m) for level_01mm in (first_01mm, last_01mm))
    volume_m3 = shape.volume_m3(first_m) - shape.volume_m3(last_m)
    ends = (first_m, shape.area_m2(first_m)), (last_m, shape.area_m2(last_m))
    uncertainty_m3 = Budget(vessel).drawn_m3(*ends, volume_m3)
    if volume_m3 + uncertainty_m3 < least_m3:
        return Drawn(None, None, "the level fell less than the draw explains: a delivery, or less flow than declared")
    if uncertainty_m3 > MOST_UNCERTAIN * volume_m3:
        return Drawn(None, None, f"the fall of the level is too small to tell it within {MOST_UNCERTAIN:.0%}")
    return Drawn(volume_m3, uncertainty_m3)
