"""The filtered level of a vessel, kept once more: a mean of whole seconds, or a lag of first order over them.

Levels as they come -> whether the filter is full, and its level as a whole number of shares. Seconds are counted from
the last gap (or the start). The newest good level of a second is its value, a second without one repeats the second
before; a level that comes with the end of a second belongs to the next.
"""

from __future__ import annotations

from dataclasses import dataclass

from sidetap.promises.model import Scene
from sidetap.quantity import NS_PER_S
from sidetap.scheme.expression import Expr, choose, constant, elapsed, minimum, quotient, times
from sidetap.site.model import Trip

SECOND_MS = 1000
LAGS_UNTIL_FULL = 3  # 95 % of a step are then in a lag of first order


@dataclass(frozen=True, slots=True)
class Filtered:
    """The filter in this scan: full, and total, which is shares times the filtered level.

    time_ms: how long it takes to fill.
    """

    full: Expr
    total: Expr
    shares: int
    time_ms: int

    def under(self, level_01mm: int) -> Expr:
        """Return whether the filter is full and stands under a level."""
        return self.full & (self.total < self.shares * level_01mm)

    def at_least(self, level_01mm: int) -> Expr:
        """Return whether the filter is full and stands at a level or over it."""
        return self.full & (self.total >= self.shares * level_01mm)


@dataclass(frozen=True, slots=True)
class _Seconds:
    """The seconds in this scan. done: one that counts is over, and value is its level; first: it follows a gap.

    grown: how many there are with it, up to as many as are needed.
    """

    gap: Expr
    done: Expr
    first: Expr
    value: Expr
    grown: Expr


def filtered(scene: Scene, tag: str, trip: Trip, gap: Expr) -> Filtered:
    """Return the filtered level of a vessel; gap: its level is bad or too old."""
    if trip.lag_ns:
        return _lag(scene, tag, trip.lag_ns // NS_PER_S, gap)
    return _mean(scene, tag, trip.mean_ns // NS_PER_S, gap)


def _mean(scene: Scene, tag: str, size: int, gap: Expr) -> Filtered:
    highest = scene.high_of(f"{tag}.level")
    old = [scene.since_start(f"{tag}.second{i}", 0, highest) for i in range(size)]
    seconds = _seconds(scene, tag, gap, old[0], size)
    total = constant(0)
    for i, before in enumerate(old):
        coming = old[i - 1] if i else seconds.value
        total = total + scene.keep(f"{tag}.second{i}", choose(seconds.done, coming, before))
    return Filtered(~seconds.gap & (seconds.grown >= size), total, size, size * SECOND_MS)


def _lag(scene: Scene, tag: str, size: int, gap: Expr) -> Filtered:
    highest = scene.high_of(f"{tag}.level")
    last = scene.since_start(f"{tag}.last_second", 0, highest)
    needed = LAGS_UNTIL_FULL * size
    seconds = _seconds(scene, tag, gap, last, needed)
    before = scene.since_start(f"{tag}.filtered", 0, size * highest)
    # what leaves is rounded up, so that the reading errs to the low side
    moved = before - quotient(before + (size - 1), size) + seconds.value
    after = choose(seconds.first, times(size, seconds.value), moved)
    scene.keep(f"{tag}.last_second", choose(seconds.done, seconds.value, last))
    total = scene.keep(f"{tag}.filtered", choose(seconds.done, after, before))
    return Filtered(~seconds.gap & (seconds.grown >= needed), total, size, needed * SECOND_MS)


def _seconds(scene: Scene, tag: str, bad_or_old: Expr, last: Expr, needed: int) -> _Seconds:
    level, new = scene.input(f"{tag}.level"), scene.input(f"{tag}.new")
    into = scene.since_start(f"{tag}.into_second", 0, SECOND_MS - 1)
    newest = scene.since_start(f"{tag}.newest", 0, scene.high_of(f"{tag}.level"))
    came = scene.since_start(f"{tag}.came")
    count = scene.since_start(f"{tag}.seconds", 0, needed)

    gap = bad_or_old | (elapsed() > SECOND_MS)
    now = into + elapsed()
    over = now >= SECOND_MS
    done = over & (came | (count >= 1))
    scene.keep(f"{tag}.into_second", choose(gap, 0, choose(over, now - SECOND_MS, now)))
    scene.keep(f"{tag}.newest", choose(new, level, newest))
    scene.keep(f"{tag}.came", new | (came & ~over & ~gap))
    grown = choose(done, minimum(count + 1, needed), count)
    scene.keep(f"{tag}.seconds", choose(gap, 0, grown))
    return _Seconds(gap, done, count < 1, choose(came, newest, last), grown)
