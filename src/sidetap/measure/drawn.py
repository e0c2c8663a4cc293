"""A volume drawn from a vessel, by the difference of two levels, with its uncertainty.

Two levels of one vessel in, a volume out, or why there is none. It knows nothing of valves: whether something was
delivered in between, or drawn by somebody else, is for the caller to say.
"""

from __future__ import annotations

from dataclasses import dataclass

MOST_UNCERTAIN = 0.05  # of the volume drawn, at k = 2; a difference less certain than that is left out


@dataclass(frozen=True, slots=True)
class Drawn:
    """A volume by level difference. volume_m3 is None where it can't be determined; reason says why.

    uncertainty_m3: at k = 2; also given of a volume that is left out for being too uncertain.
    """

    volume_m3: float | None
    uncertainty_m3: float | None
    reason: str = ""
