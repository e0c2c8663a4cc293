"""What is known about one vessel at one moment: the outcome of measuring, for displays, records and the scheme.

All uncertainties are expanded ones at k = 2, and None wherever the value beside them is.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from sidetap.quantity import Quality


class WatchState(StrEnum):
    """What the watch on values that don't follow a draw is doing."""

    OFF = "off"  # the site gives none for this vessel
    IDLE = "idle"  # nothing is drawn
    WATCHING = "watching"
    SUSPENDED = "suspended"  # something is being delivered: no fall can be expected
    FROZEN = "frozen"


@dataclass(frozen=True, slots=True)
class Rate:
    """How fast a vessel's level and content change; positive while it fills.

    level_m_per_s and volume_m3_per_s with level_u_m_per_s and volume_u_m3_per_s at k = 2.
    """

    level_m_per_s: float
    level_u_m_per_s: float
    volume_m3_per_s: float
    volume_u_m3_per_s: float

    @property
    def falling(self) -> bool:
        """Whether the level falls for certain: by more than the rate's uncertainty."""
        return self.level_m_per_s < -self.level_u_m_per_s


@dataclass(frozen=True, slots=True)
class Content:
    """What a level comes to in its vessel, everything in SI units; _u: uncertainties at k = 2.

    drawable_m3: the volume above the heel.
    """

    level_u_m: float
    area_m2: float
    volume_m3: float
    volume_u_m3: float
    drawable_m3: float
    mass_kg: float
    mass_u_kg: float


@dataclass(frozen=True, slots=True)
class LevelReading:
    """What is known about one vessel's level at one moment.

    level_01mm: rounded down to 0.1 mm, for whoever compares it with a trip; exact: in m, as numerator and
        denominator, not reduced; both None unless the quality is usable, like level_m, content, rate and to_trip_ns.
    reason: why the quality is not good, a sentence's worth without its full stop.
    age_ns: since the last good value was on the wire; None before the first, and where the clock was set back.
    sample, bad_samples: serial numbers of the answers that were good, and of those that gave no level; a caller that
        looks only now and then sees by them what came in between.
    bad: the latest whole answer gave no usable level, or the value is frozen.
    last_good: level in 0.1 mm, rounded down, and its time.
    content: what the level comes to.
    volume_at_most_m3: where the level is somewhere below the sensor.
    rate: None where it isn't known (yet).
    to_trip_ns: how long the present draw can go on until the level is at the trip, in whole seconds rounded down;
        None while the level stands or rises, or where that isn't known.
    watch, watch_text: the watch on frozen values, and what there is to say about it ("" when nothing).
    """

    vessel: str
    level_01mm: int | None
    exact: tuple[int, int] | None
    quality: Quality
    reason: str
    age_ns: int | None
    sample: int
    bad_samples: int
    bad: bool
    last_good: tuple[int, int] | None
    content: Content | None = None
    volume_at_most_m3: float | None = None
    rate: Rate | None = None
    to_trip_ns: int | None = None
    watch: WatchState = WatchState.OFF
    watch_text: str = ""

    @property
    def level_m(self) -> Fraction | None:
        """The level in m, exactly."""
        return None if self.exact is None else Fraction(*self.exact)

    @property
    def volume_m3(self) -> float | None:
        """The volume of the content."""
        return None if self.content is None else self.content.volume_m3

    @property
    def uncertainty_m3(self) -> float | None:
        """The uncertainty of the volume."""
        return None if self.content is None else self.content.volume_u_m3

    @property
    def mass_kg(self) -> float | None:
        """The mass of the content."""
        return None if self.content is None else self.content.mass_kg
