"""Times and amounts -> places on an axis and words for them. Times count from the record's start."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from math import ceil, floor, log10

from sidetap.quantity import NS_PER_S

_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10_800, 21_600, 43_200)
_DAY_S = 86_400
_MOST_TICKS = 9
# From then on times are taken for UTC, as recorders write it; smaller ones count from somewhere unknown.
_SURELY_UTC_NS = 946_684_800 * NS_PER_S  # 2000-01-01


@dataclass(frozen=True, slots=True)
class TimeAxis:
    """The record's time, from start_ns on its clock, over so many px from left on."""

    start_ns: int
    end_ns: int
    left: float
    width: float

    def x(self, t_ns: int) -> float:
        """Return the place of a time."""
        return self.left + (t_ns - self.start_ns) / max(self.end_ns - self.start_ns, 1) * self.width

    def ticks(self) -> list[tuple[float, str]]:
        """Return places and words of at most nine ticks."""
        length_s = (self.end_ns - self.start_ns) / NS_PER_S
        steps = [*_STEPS_S, *(_DAY_S * 2**n for n in range(30))]
        step = next((s for s in steps if length_s / s <= _MOST_TICKS), steps[-1])
        return [
            (self.x(self.start_ns + n * step * NS_PER_S), elapsed(n * step)) for n in range(int(length_s // step) + 1)
        ]


def elapsed(seconds: float) -> str:
    """Return a time since the start, to the nearest second.

    >>> elapsed(3671.4)
    '1:01:11'
    """
    whole = round(seconds)
    days, rest = divmod(whole, _DAY_S)
    words = f"{rest // 3600}:{rest // 60 % 60:02d}:{rest % 60:02d}"
    return f"{days} d {words}" if days else words


def clock(t_ns: int) -> str:
    """Return a time of the recording's clock in words: UTC where it is that, else its seconds."""
    if not _SURELY_UTC_NS <= t_ns < 9_000_000_000 * NS_PER_S:
        return f"{t_ns / NS_PER_S:.3f} s on the recording's clock"
    return datetime.fromtimestamp(t_ns // NS_PER_S, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def round_numbers(low: float, high: float, most: int) -> Sequence[float]:
    """Return the round numbers from low to high, about so many: multiples of 1, 2 or 5 times a power of ten.

    >>> round_numbers(-4.6, 31, 5)
    (0, 10, 20, 30)
    """
    least = (high - low) / most
    power = 10.0 ** floor(log10(least)) if least > 0 else 1.0
    step = next(power * digit for digit in (1, 2, 5, 10) if power * digit >= least)
    return tuple(n * step if step < 1 else round(n * step) for n in range(ceil(low / step), floor(high / step) + 1))
