"""Blocks: edges, latches, votes, timers and filters, each a few states of a program.

Timers follow the diagrams of IEC 61131-3 (TON, TOF, TP): elapsed time starts at 0 in the scan in which the input
rises. Every block takes the builder, a name for its states, and expressions; it returns its output.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from sidetap.scheme.expression import (
    Expr,
    all_of,
    any_of,
    choose,
    constant,
    count_of,
    elapsed,
    minimum,
    quotient,
    times,
)
from sidetap.scheme.program import Builder

BUCKET_MS = 1000


def rises(b: Builder, name: str, x: Expr, at_start: bool = True) -> Expr:
    """Return whether x is true and was not in the scan before.

    at_start: what is taken as the value before the first scan. With True (the default, for keys) a key that is
    held or stuck while the station starts makes no press; the R_TRIG of IEC 61131-3 is the one with False.
    """
    before = b.state_bool(f"{name}.before", at_start)
    b.assign(f"{name}.before", x)
    return x & ~before


def falls(b: Builder, name: str, x: Expr) -> Expr:
    """Return whether x is false and was true in the scan before; nothing was true before the first scan."""
    before = b.state_bool(f"{name}.before", False)
    b.assign(f"{name}.before", x)
    return ~x & before


def latch(b: Builder, name: str, on: Expr, off: Expr, wins: str = "off", before: Expr | None = None) -> Expr:
    """Return a latch that on sets and off clears; wins says which holds when both are true ("on" or "off").

    before: its value before this scan where that is not its own state, as for one that is restored at the start.
    """
    kept = b.state_bool(name)
    if before is not None:
        kept = before
    return b.assign(name, (on | kept) & ~off if wins == "off" else on | (kept & ~off))


def hysteresis(b: Builder, name: str, comes: Expr, goes: Expr) -> Expr:
    """Return a condition that comes and goes at two limits, either side; between them it stays as it was.

    Low: ``hysteresis(b, name, level < limit, level >= limit + dead_band)``; high: with the signs turned.
    """
    return latch(b, name, comes, goes, wins="on")


def votes(terms: Sequence[Expr], at_least: int) -> Expr:
    """Return whether at least so many of the terms are true; ValueError unless at_least is 1..their number."""
    if not 1 <= at_least <= len(terms):
        raise ValueError(f"{at_least} of {len(terms)}")
    if at_least == 1:
        return any_of(*terms)
    return all_of(*terms) if at_least == len(terms) else count_of(terms) >= at_least


def on_delay(b: Builder, name: str, x: Expr, preset_ms: int) -> Expr:
    """Return whether x has been true for preset_ms (TON)."""
    return x & (running_time(b, name, x, preset_ms) >= preset_ms)


def running_time(b: Builder, name: str, x: Expr, at_most_ms: int) -> Expr:
    """Return for how many ms x has been true, counted from the scan in which it rose, up to at_most_ms."""
    was = b.state_bool(f"{name}.was")
    time = b.state_int(f"{name}.ms", 0, 0, at_most_ms)
    b.assign(f"{name}.was", x)
    return b.assign(f"{name}.ms", choose(x & was, minimum(time + elapsed(), at_most_ms), 0))


def off_delay(b: Builder, name: str, x: Expr, preset_ms: int) -> Expr:
    """Return x, held on for preset_ms after it goes (TOF)."""
    on = b.state_bool(f"{name}.on")
    gone_ms = running_time(b, f"{name}.gone", ~x, preset_ms)
    return b.assign(f"{name}.on", x | (on & (gone_ms < preset_ms)))


def pulse(b: Builder, name: str, x: Expr, preset_ms: int) -> Expr:
    """Return a pulse of preset_ms that starts when x rises; a rise during it counts for nothing (TP)."""
    on = b.state_bool(f"{name}.on")
    time = b.state_int(f"{name}.ms", 0, 0, preset_ms)
    rise = rises(b, name, x, at_start=False)
    now = choose(on, minimum(time + elapsed(), preset_ms), 0)
    running = choose(on, now < preset_ms, rise)
    b.assign(f"{name}.ms", choose(running, now, 0))
    return b.assign(f"{name}.on", running)


@dataclass(frozen=True, slots=True)
class _Second:
    """One-second buckets of a level: what a filter that takes them one by one needs to know in a scan."""

    fills: Expr  # whether a bucket has ended that holds a level
    level: Expr  # the level of that bucket
    before: Expr  # how many buckets had been filled without a gap before this scan
    full: Expr  # whether as many as the filter needs are filled now


def second_mean(
    b: Builder, name: str, level: Expr, new: Expr, gap: Expr, buckets: int, low: int, high: int
) -> tuple[Expr, Expr]:
    """Return (full, total): whether all of the last one-second buckets hold a level, and the sum over them.

    Compare total with buckets × limit, so that no division rounds.

    level: in [low, high]. new: whether level is a new one in this scan. gap: whether it is unknown.
    """
    kept = [b.state_int(f"{name}.{i}", low, low, high) for i in range(buckets)]
    second = _seconds(b, name, level, new, gap, kept[0], buckets, low, high)
    total = constant(0)
    for i, bucket in enumerate(kept):
        following = second.level if i == 0 else kept[i - 1]
        total = total + b.assign(f"{name}.{i}", choose(second.fills, following, bucket))
    return second.full, total


def first_order(
    b: Builder, name: str, level: Expr, new: Expr, gap: Expr, lag_s: int, low: int, high: int
) -> tuple[Expr, Expr]:
    """Return (full, total): a lag of first order over the one-second buckets of ``second_mean``, times lag_s.

    The first bucket sets the total to lag_s × its level; each later one takes total / lag_s from it, rounded up so
    that the filtered level errs to the low side, and adds its level. Full after three lags, when 5 % of a step is
    left. Compare total with lag_s × limit.

    level: in [low, high]. new: whether level is a new one in this scan. gap: whether it is unknown.
    """
    total = b.state_int(f"{name}.total", lag_s * low, lag_s * low, lag_s * high)
    last = b.state_int(f"{name}.last", low, low, high)
    second = _seconds(b, name, level, new, gap, last, 3 * lag_s, low, high)
    b.assign(f"{name}.last", choose(second.fills, second.level, last))
    leaves = quotient(total + (lag_s - 1), lag_s)
    following = choose(second.before.equals(0), times(lag_s, second.level), total - leaves + second.level)
    return second.full, b.assign(f"{name}.total", choose(second.fills, following, total))


def _seconds(
    b: Builder, name: str, level: Expr, new: Expr, gap: Expr, last: Expr, needed: int, low: int, high: int
) -> _Second:
    """Cut time into seconds, each with the newest level that came in during it.

    One without any repeats the one before, which last must be. A gap forgets all buckets, and so does a scan that
    comes more than a second late: nothing is invented for a time nobody watched.
    """
    phase = b.state_int(f"{name}.phase", 0, 0, BUCKET_MS - 1)
    held = b.state_int(f"{name}.held", low, low, high)
    has = b.state_bool(f"{name}.has")
    count = b.state_int(f"{name}.count", 0, 0, needed)

    gap = gap | (elapsed() > BUCKET_MS)
    ends = phase + elapsed() >= BUCKET_MS
    # the bucket that ends here was filled by the scans before this one; a level of this scan opens the next one
    fills = ends & (has | (count > 0))
    b.assign(f"{name}.phase", choose(gap, 0, choose(ends, phase + elapsed() - BUCKET_MS, phase + elapsed())))
    b.assign(f"{name}.held", choose(new, level, held))
    b.assign(f"{name}.has", all_of(~gap | new, any_of(new, has & ~ends)))
    b.assign(f"{name}.count", choose(gap, 0, choose(fills, minimum(count + 1, needed), count)))
    full = all_of(~gap, choose(fills, count + 1 >= needed, count >= needed))
    return _Second(fills, choose(has, held, last), count, full)
