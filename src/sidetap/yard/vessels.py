"""The six vessels of the demo yard, invented, as the simulation knows them. Levels in mm, volumes in US gal."""

import math
from dataclasses import dataclass
from functools import cache

from sidetap.quantity import to_si
from sidetap.yard import shapes
from sidetap.yard.uart import NS

GALLON_M3 = float(to_si(1, "gal"))
_FOOT_M = float(to_si(1, "ft"))

_T2_STRAPPING_M_GAL = (
    (0.15, 1981), (0.3, 4951), (0.6, 10897), (1, 18839), (1.5, 28787), (2, 38746), (2.5, 48698), (3, 58628),
    (3.5, 68534), (4, 78420), (4.5, 88295), (5, 98167), (5.5, 108036), (5.8, 113958),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Wave:
    """Slosh as a level instrument sees it: a sine about the true level."""

    amplitude_mm: float
    period_s: float


class Vessel:
    """A vessel that fills and drains.

    wave: set it to let the instruments see a wave; the true level knows nothing of it.
    """

    __slots__ = ("_level_mm", "_volume_m3", "density_kg_m3", "name", "shape", "tag", "wave")

    def __init__(self, tag: str, name: str, shape: shapes.Shape, density_lb_gal: str, level_m: float) -> None:
        self.tag = tag
        self.name = name
        self.shape = shape
        whole, _, part = density_lb_gal.partition(".")
        self.density_kg_m3 = float(to_si(int(whole + part), "lb/gal") / 10 ** len(part))
        self.wave: Wave | None = None
        self._level_mm = 0.0
        self._volume_m3 = 0.0
        self.set_level(1000 * level_m)

    @property
    def level_mm(self) -> float:
        """The true level above the vessel's datum."""
        return self._level_mm

    @property
    def volume_gal(self) -> float:
        """What is in it."""
        return self._volume_m3 / GALLON_M3

    def set_level(self, level_mm: float) -> None:
        """Set the level; ValueError when it is below the bottom or above the top."""
        if not 0 <= level_mm <= 1000 * self.shape.top_m:
            raise ValueError(f"{self.tag} holds 0 to {1000 * self.shape.top_m:.0f} mm, not {level_mm}")
        self._level_mm = level_mm
        self._volume_m3 = self.shape.volume_m3(level_mm / 1000)

    def add_gal(self, volume_gal: float) -> float:
        """Add a volume, or take it when negative; return what really moved, since empty and full are ends."""
        before = self._volume_m3
        self._volume_m3 = min(max(before + volume_gal * GALLON_M3, 0.0), self.shape.full_m3)
        self._level_mm = 1000 * self.shape.level_m(self._volume_m3)
        return (self._volume_m3 - before) / GALLON_M3

    def seen_mm(self, t_ns: int) -> float:
        """Return the level at an instrument, the wave included."""
        if self.wave is None:
            return self._level_mm
        return self._level_mm + self.wave.amplitude_mm * math.sin(math.tau * t_ns / NS / self.wave.period_s)


@cache
def _shapes() -> dict[str, shapes.Shape]:
    """Return the vessels' shapes, integrated once for all yards: a shape never changes."""
    strapping = [(level_m, gal * GALLON_M3) for level_m, gal in _T2_STRAPPING_M_GAL]
    return {
        "T1": shapes.upright(9.144, 7.315),
        "T2": shapes.from_strapping(strapping, 6.096),
        "T3": shapes.lying_round(3.048, 12.192),
        "T4": shapes.cone_bottom(3.658, 0.30, 1.2, 4.2),
        "T5": shapes.box(6, 4, 2.5),
        "T6": shapes.lying_ellipse(2.4, 1.5, 5),
    }


def demo_vessels() -> dict[str, Vessel]:
    """Return the vessels of the demo yard at the levels at which its day begins."""
    rows = (
        ("T1", "North Round", "11.06", 3.480),
        ("T2", "South Round", "10.67", 4.321),
        ("T3", "Long Barrow", "11.65", 2.400),
        ("T4", "Spindle", "11.04", 3.500),
        ("T5", "Cistern", "8.34", 1.710),
        ("T6", "Loaf", "10.40", 3.20 * _FOOT_M),
    )
    return {tag: Vessel(tag, name, _shapes()[tag], density, level_m) for tag, name, density, level_m in rows}
