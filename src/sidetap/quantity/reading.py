"""A value never travels alone: its quality and its age go with it."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Generic, TypeVar

T = TypeVar("T")


class Quality(StrEnum):
    """How far a value can be trusted; only GOOD, WARN and SIMULATED carry one that may be shown."""

    GOOD = "good"
    WARN = "warn"  # good, but older than its warning age
    OLD = "old"  # older than its closing age
    BAD = "bad"  # the device, its status or the value itself says no
    BELOW_SENSOR = "below-sensor"
    ABOVE_RANGE = "above-range"
    ABOVE_TOP = "above-top"
    SIMULATED = "simulated"

    @property
    def usable(self) -> bool:
        """Whether a value of this quality may be shown as the present one."""
        return self in (Quality.GOOD, Quality.WARN, Quality.SIMULATED)


@dataclass(frozen=True, slots=True)
class Reading(Generic[T]):
    """What is known about one quantity at one moment.

    value: None unless the quality is usable; unknown is a quality, never 0 and never the last number.
    age_ns: time since the bytes of the last good value were on the wire; None before the first.
    reason: why the quality is not good, for a person.
    """

    value: T | None
    quality: Quality
    age_ns: int | None
    reason: str = ""

    def __post_init__(self) -> None:
        if self.quality.usable != (self.value is not None):
            raise ValueError(f"a {self.quality} reading can't have the value {self.value!r}")
