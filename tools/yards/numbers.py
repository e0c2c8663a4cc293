"""The numbers of a made yard: what one vessel, one bay and one valve are set to, by kind and seed.

A kind and a seed come in, plain numbers go out. Invented, within what is usual in the trade (common practice, no
source). "repeat" and "any" give each vessel, bay and valve the same numbers; "different" draws them all.
"""

from dataclasses import dataclass
from random import Random
from typing import Literal, get_args

Kind = Literal["repeat", "different", "any"]
KINDS: tuple[Kind, ...] = get_args(Kind)


@dataclass(frozen=True, slots=True)
class VesselNumbers:
    """Of one vessel. The filter is a mean over mean_s, or of first order with lag_s; the other one is 0."""

    low_01mm: int
    high_01mm: int
    trip_01mm: int
    reset_01mm: int
    together_01mm: int  # two bays draw from it only at or above
    apart_01mm: int  # and under this the one that opened later closes
    mean_s: int
    lag_s: int
    delay_ms: int
    warn_ms: int
    close_ms: int
    frozen_01mm: int
    dead_band_01mm: int
    high_delay_ms: int


@dataclass(frozen=True, slots=True)
class BayNumbers:
    """Of one bay."""

    flow_gpm: int
    restarts: int
    restart_wait_ms: int
    hose_left_ms: int
    stuck_key_ms: int
    panel_lost_ms: int


@dataclass(frozen=True, slots=True)
class ValveNumbers:
    """Of one valve."""

    limit_s: int
    stroke_ms: int
    supervise_ms: int


class Numbers:
    """Draws the numbers of one yard, in the order asked for; quick: short times, so that a run is short too."""

    def __init__(self, kind: Kind, quick: bool, seed: int) -> None:
        self._alike = kind != "different"
        self._quick = quick
        self._random = Random(f"{kind} {quick} {seed}")  # noqa: S311  # made-up yards, no secrets

    def vessel(self) -> VesselNumbers:
        """Return the numbers of the next vessel."""
        trip = self._of(6000, 4500, 8000, 50)
        above = self._of(15_000, 13_000, 17_000, 50)
        lag = not self._alike and self._random.random() < 1 / 3
        window = self._of(3, 2, 4) if self._quick else self._of(15, 5, 20)
        close = self._of(5000, 4000, 7000, 100)
        return VesselNumbers(
            low_01mm=trip + self._of(4000, 3000, 5000, 50),
            high_01mm=self._of(69_000, 55_000, 69_000, 50),
            trip_01mm=trip,
            reset_01mm=trip + self._of(1000, 600, 2000, 50),
            together_01mm=above,
            apart_01mm=above - self._of(500, 200, 800, 10),
            mean_s=0 if lag else window,
            lag_s=max(2, window // 3) if lag else 0,
            delay_ms=self._of(2000, 1000, 3000, 100),
            warn_ms=close - self._of(2000, 1000, 2500, 100),
            close_ms=close,
            frozen_01mm=self._of(200, 150, 300, 10),
            dead_band_01mm=self._of(500, 200, 600, 10),
            high_delay_ms=self._of(5000, 3000, 7000, 100),
        )

    def bay(self) -> BayNumbers:
        """Return the numbers of the next bay."""
        if self._quick:
            wait, left, stuck = self._of(5000, 3000, 6000, 100), self._of(10_000, 8000, 12_000, 100), 4000
        else:
            wait, left, stuck = self._of(60, 30, 90) * 1000, self._of(300, 200, 400) * 1000, 10_000
        return BayNumbers(
            flow_gpm=self._of(400, 60, 400, 10),
            restarts=self._of(1, 1, 2),
            restart_wait_ms=wait,
            hose_left_ms=left,
            stuck_key_ms=self._of(stuck, stuck - 1000, stuck + 1000, 100),
            panel_lost_ms=self._of(5000, 4000, 6000, 100),
        )

    def valve(self) -> ValveNumbers:
        """Return the numbers of the next valve; a limit is a whole number of seconds, as a person types it."""
        stroke = self._of(1000, 800, 1500, 100) if self._quick else self._of(6000, 3000, 8000, 500)
        return ValveNumbers(
            limit_s=self._of(25, 20, 30) if self._quick else self._of(575, 300, 600, 5),
            stroke_ms=stroke,
            supervise_ms=stroke + self._of(2000, 1500, 2500, 100),
        )

    def _of(self, usual: int, low: int, high: int, step: int = 1) -> int:
        return usual if self._alike else self._random.randrange(low, high + 1, step)
