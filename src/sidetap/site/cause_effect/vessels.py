"""A vessel in the scheme: its filtered level, its low trip, its alarms.

Filter first, delay second, then the latch: a wave on the surface makes one trip and no more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sidetap.quantity import NS_PER_S, format_duration
from sidetap.scheme import (
    Expr,
    any_of,
    choose,
    first_order,
    hysteresis,
    latch,
    on_delay,
    running_time,
    second_mean,
)
from sidetap.site.cause_effect.compiled import CompiledVessel
from sidetap.site.cause_effect.draft import AGE_LIMIT_MS, Draft, ms
from sidetap.site.cause_effect.words import on_paper, trip_words
from sidetap.site.model import Alarm, Valve, Vessel, in_order

LEVEL_LIMIT_01MM = 300_000  # 30 m: no vessel of this trade is taller (common practice, no source)
LAGS_UNTIL_FULL = 3  # as the block has it: 5 % of a step is left then
DRAWN_01MM = 200  # a fall that no wave or transmitter makes (common practice, no source)
DRAWN_MARGIN_NS = 2 * NS_PER_S  # as a valve's supervision has beside its stroke (common practice, no source)


@dataclass(frozen=True, slots=True)
class Level:
    """What bays and rules need to know of a vessel in one scan.

    full, total: the filter's window is full; its parts × the filtered level. tripped: not while it is bypassed, like
    below_trip.
    """

    vessel: Vessel
    compiled: CompiledVessel
    bad: Expr
    old: Expr
    late: Expr
    full: Expr
    total: Expr
    tripped: Expr
    below_trip: Expr
    reset: Expr

    def is_below(self, level_01mm: int) -> Expr:
        """Return whether the window is full and the filtered level is below a level."""
        return self.full & (self.total < self.compiled.parts * level_01mm)

    def is_at(self, level_01mm: int) -> Expr:
        """Return whether the window is full and the filtered level is at or above a level."""
        return self.full & (self.total >= self.compiled.parts * level_01mm)


def compile_vessel(draft: Draft, vessel: Vessel, bypassed: Expr) -> Level:
    """Compile a vessel but for what depends on commands; bypassed: its low trip is set aside in this scan."""
    b, tag, point = draft.b, vessel.tag, draft.site.point(vessel.level.point)
    level_01mm = b.input_int(f"{tag}.level", 0, LEVEL_LIMIT_01MM)
    new = b.input_bool(f"{tag}.new")
    bad = b.input_bool(f"{tag}.bad")
    age = b.input_int(f"{tag}.age", 0, AGE_LIMIT_MS)
    reset = b.input_bool(f"{tag}.reset")
    old, late = age >= ms(point.close_age_ns), age >= ms(point.warn_age_ns)

    compiled, full, total = _filtered(draft, vessel, level_01mm, new, bad | old)
    trip = vessel.trip
    below = full & (total < compiled.parts * trip.below_01mm)
    tripped = _low_trip(draft, vessel, below, full & (total >= compiled.parts * trip.reset_above_01mm) & reset)
    b.output(f"{tag}.full", full)
    b.output(f"{tag}.total", total)

    quiet = any_of(*draft.quiet.values())
    close_age, warn_age = format_duration(point.close_age_ns), format_duration(point.warn_age_ns)
    text = f"{tag} tripped on low level; a person must reset it"
    draft.alarm(f"{tag}-trip", "high", text, tripped, trip_words(draft.site, vessel))
    draft.alarm(f"{tag}-bad", "high", f"{tag} has no valid level", bad)
    draft.alarm(f"{tag}-old", "high", f"{tag} has had no fresh level for {close_age}", old & ~quiet)
    draft.alarm(f"{tag}-late", "low", f"{tag} has had no fresh level for {warn_age}", late & ~old & ~quiet)
    for alarm in in_order(draft.site.alarms):
        if alarm.vessel == tag:
            _level_alarm(draft, alarm, vessel, level_01mm, bad | old)
    return Level(vessel, compiled, bad, old, late, full, total, tripped & ~bypassed, below & ~bypassed, reset)


def watch_draws(draft: Draft, level: Level, valves: Sequence[Valve], commanded: Expr) -> None:
    """Alarm when a vessel falls while none of its valves has a command; commanded: one has in this scan."""
    b, tag = draft.b, level.vessel.tag
    shut_ns = max(v.stroke_ns for v in valves) + level.compiled.needed_s * NS_PER_S + DRAWN_MARGIN_NS
    at_rest = running_time(b, f"{tag}.at_rest", ~commanded, ms(shut_ns)) >= ms(shut_ns)
    fall_01mm = level.vessel.frozen.expected_01mm if level.vessel.frozen else DRAWN_01MM
    parts = level.compiled.parts
    # 0 before it is at rest, and nothing is below that; after a reset it counts from the level of then, or the alarm
    # would come back at once
    highest = choose(at_rest & ~level.reset, b.state_int(f"{tag}.highest", 0, 0, parts * LEVEL_LIMIT_01MM), 0)
    highest = choose(at_rest & level.full & (highest < level.total), level.total, highest)
    b.assign(f"{tag}.highest", highest)
    fallen = level.full & (highest - level.total >= parts * fall_01mm)
    drawn = latch(b, f"{tag}.drawn", fallen, level.reset)
    text = f"{tag} falls though none of its valves has a command"
    fall = on_paper(draft.site, level.vessel, fall_01mm)
    exactly = f"{fall} under its highest since {format_duration(shut_ns)} after the last command, latched"
    draft.alarm(f"{tag}-drawn", "high", text, drawn, exactly)


def _filtered(draft: Draft, vessel: Vessel, level: Expr, new: Expr, gap: Expr) -> tuple[CompiledVessel, Expr, Expr]:
    """Return the filter's numbers, whether its window is full, and parts × the filtered level."""
    b, tag, trip = draft.b, vessel.tag, vessel.trip
    if trip.lag_ns:
        lag_s = trip.lag_ns // NS_PER_S
        full, total = first_order(b, f"{tag}.lag", level, new, gap, lag_s, 0, LEVEL_LIMIT_01MM)
        return CompiledVessel(tag, lag_s, f"{tag}.lag.count", LAGS_UNTIL_FULL * lag_s), full, total
    mean_s = trip.mean_ns // NS_PER_S
    full, total = second_mean(b, f"{tag}.mean", level, new, gap, mean_s, 0, LEVEL_LIMIT_01MM)
    return CompiledVessel(tag, mean_s, f"{tag}.mean.count", mean_s), full, total


def _low_trip(draft: Draft, vessel: Vessel, below: Expr, reset: Expr) -> Expr:
    """Return the trip: it comes after its delay, and stays until a person resets it at the level for that."""
    b, tag = draft.b, vessel.tag
    stored = b.input_bool(f"{tag}.stored_trip")
    before = choose(draft.first, stored, b.state_bool(f"{tag}.tripped"))
    comes = on_delay(b, f"{tag}.trip", below, ms(vessel.trip.delay_ns))
    tripped = b.assign(f"{tag}.tripped", comes | (before & ~reset))
    return b.output(f"{tag}.tripped", tripped)


def _level_alarm(draft: Draft, alarm: Alarm, vessel: Vessel, level: Expr, unknown: Expr) -> None:
    limit = vessel.high_01mm if alarm.limit == "high" else vessel.low_01mm
    if alarm.side == "above":
        comes, goes = level > limit, level <= limit - alarm.dead_band_01mm
    else:
        comes, goes = level < limit, level >= limit + alarm.dead_band_01mm
    delayed = on_delay(draft.b, f"{alarm.tag}.delay", comes & ~unknown, ms(alarm.delay_ns))
    active = hysteresis(draft.b, f"{alarm.tag}.active", delayed, goes & ~unknown)
    text = f"{vessel.tag} is {alarm.side} its {alarm.limit} limit"
    delay, back = format_duration(alarm.delay_ns), on_paper(draft.site, vessel, alarm.dead_band_01mm)
    exactly = f"{alarm.side} {on_paper(draft.site, vessel, limit)} for {delay}, until {back} back"
    draft.alarm(alarm.tag, alarm.priority, text, active, exactly)
