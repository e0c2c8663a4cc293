"""A vessel in the scheme: its filtered level, its low trip, its alarms."""

from __future__ import annotations

from dataclasses import dataclass

from sidetap.quantity import format_duration
from sidetap.scheme import (
    FALSE,
    Expr,
    choose,
    first_order,
    hysteresis,
    latch,
    on_delay,
    running_time,
    second_mean,
    times,
)
from sidetap.site.cause_effect.compiled import CompiledVessel
from sidetap.site.cause_effect.draft import Draft, metres, ms, whole_s
from sidetap.site.model import Alarm, Trip, Vessel
from sidetap.scheme import any_of

LEVEL_LIMIT_01MM = 300_000  # 30 m: no vessel of this trade is taller (common practice, no source)
DRAWN_01MM = 200  # a fall that no wave or transmitter makes (common practice, no source)
DRAWN_MARGIN_MS = 2000  # like the margin of a valve's supervision (common practice, no source)


@dataclass(frozen=True, slots=True)
class Level:
    """What bays and rules need to know of a vessel in a scan.

    full, total: the filter holds a whole window; parts times the filtered level. trips, below_trip: not while they
    are bypassed.
    """

    vessel: Vessel
    compiled: CompiledVessel
    bad: Expr
    old: Expr
    late: Expr
    full: Expr
    total: Expr
    trips: Expr
    below_trip: Expr

    def filtered_below(self, level_01mm: int) -> Expr:
        """Return whether the window is full and the filtered level is below a level."""
        return self.full & (self.total < self.compiled.parts * level_01mm)

    def filtered_at(self, level_01mm: int) -> Expr:
        """Return whether the window is full and the filtered level is at or above a level."""
        return self.full & (self.total >= self.compiled.parts * level_01mm)

    @property
    def filter_words(self) -> str:
        """The filter's name and time, for people."""
        return filter_words(self.vessel.trip)


def filter_words(trip: Trip) -> str:
    """Return the name and the time of a trip's filter."""
    if trip.lag_ns:
        return f"lag of first order of {format_duration(trip.lag_ns)}"
    return f"mean of {format_duration(trip.mean_ns)}"


def compile_vessel(draft: Draft, vessel: Vessel, bypassed: Expr) -> Level:
    """Compile a vessel; bypassed: whether its low trip is set aside in this scan."""
    b, tag = draft.b, vessel.tag
    point = draft.site.point(vessel.level.point)
    level = b.input_int(f"{tag}.level", 0, LEVEL_LIMIT_01MM)
    new = b.input_bool(f"{tag}.new")
    bad = b.input_bool(f"{tag}.bad")
    age = b.input_int(f"{tag}.age", 0, AGE_LIMIT_MS)
    reset = b.input_bool(f"{tag}.reset")
    old, late = age >= ms(point.close_age_ns), age >= ms(point.warn_age_ns)
