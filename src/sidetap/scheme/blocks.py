"""Blocks: edges, latches, timers and the mean, each a few states of a program.

Timers follow the diagrams of IEC 61131-3 (TON, TOF, TP): elapsed time starts at 0 in the scan in which the input
rises. Every block takes the builder, a name for its states, and expressions; it returns its output.
"""

from sidetap.scheme.expression import Expr, all_of, any_of, choose, constant, elapsed, minimum
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


def hold_low(b: Builder, name: str, below: Expr, above: Expr) -> Expr:
    """Return a low condition with hysteresis: comes with below, goes with above."""
    return latch(b, name, below, above, wins="on")


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


def second_mean(
    b: Builder, name: str, level: Expr, new: Expr, gap: Expr, buckets: int, low: int, high: int
) -> tuple[Expr, Expr]:
    """Return (full, total): the sum over the last one-second buckets, and whether all of them hold a level.

    A bucket keeps the newest level that came in during its second; one without any repeats the bucket before. A
    gap empties the window, and so does a scan that comes more than a second late: nothing is invented for a time
    nobody watched. Compare total with buckets × limit, so that no division rounds.

    level: in [low, high]. new: whether level is a new one in this scan.
    """
    phase = b.state_int(f"{name}.phase", 0, 0, BUCKET_MS - 1)
    held = b.state_int(f"{name}.held", low, low, high)
    has = b.state_bool(f"{name}.has")
    count = b.state_int(f"{name}.count", 0, 0, buckets)
    kept = [b.state_int(f"{name}.{i}", low, low, high) for i in range(buckets)]

    gap = gap | (elapsed() > BUCKET_MS)
    ends = phase + elapsed() >= BUCKET_MS
    # the bucket that ends here was filled by the scans before this one; a level of this scan opens the next one
    fills = ends & (has | (count > 0))
    b.assign(f"{name}.phase", choose(gap, 0, choose(ends, phase + elapsed() - BUCKET_MS, phase + elapsed())))
    b.assign(f"{name}.held", choose(new, level, held))
    b.assign(f"{name}.has", all_of(~gap | new, any_of(new, has & ~ends)))
    b.assign(f"{name}.count", choose(gap, 0, choose(fills, minimum(count + 1, buckets), count)))
    newest = choose(has, held, kept[0])
    total = constant(0)
    for i, bucket in enumerate(kept):
        following = newest if i == 0 else kept[i - 1]
        total = total + b.assign(f"{name}.{i}", choose(fills, following, bucket))
    full = all_of(~gap, choose(fills, count + 1 >= buckets, count >= buckets))
    return full, total
