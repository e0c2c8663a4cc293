"""What health was measured, as one frozen result."""

from dataclasses import dataclass

from sidetap.line import Settings
from sidetap.survey.health.calendar import Spans
from sidetap.survey.health.damage import Harm
from sidetap.survey.health.exchanges import Exchanges
from sidetap.survey.health.signal import Signal
from sidetap.survey.health.spread import Spread
from sidetap.survey.health.stillness import Stillness

_NEAR_US = 200_000  # longer distances are known too roughly
_STEPS_US = (32_000, 20_000, 16_000, 10_000, 8_000, 5_000, 4_000, 2_000, 1_000)  # of adapters' timers, from memory
_OFF, _KEPT = 0.05, 0.95
_SHORTEST = 0.05


@dataclass(frozen=True, slots=True)
class LineHealth:
    """How a line does. settings: what it is known to be set to. spans: of all tables over time.

    ends_ns: the earliest and the latest time of the record; None without times.
    """

    settings: Settings | None
    ends_ns: tuple[int, int] | None
    spans: Spans
    signal: Signal
    exchanges: Exchanges
    harms: tuple[Harm, ...]
    blocks: tuple[Stillness, ...]

    @property
    def resolution_us(self) -> int | None:
        """How late the adapter delivers, as its times show; None without times.

        The step of the clock that most deliveries keep to; where they keep to none, their usual shortest distance.
        """
        near = [(us, number) for us, number in self.signal.deliveries.classes if us <= _NEAR_US]
        number = sum(n for _, n in near)
        if not number:
            return self.signal.deliveries.quantile_us(_SHORTEST)
        for step in _STEPS_US:
            kept = sum(n for us, n in near if us >= step / 2 and abs(us - round(us / step) * step) <= _OFF * step)
            if kept >= _KEPT * number:
                return step
        return Spread(tuple(near)).quantile_us(_SHORTEST)

    @property
    def duration_ns(self) -> int:
        """How long the record lasts; 0 without times."""
        return 0 if self.ends_ns is None else self.ends_ns[1] - self.ends_ns[0]

    @property
    def explained(self) -> float:
        """Share of the bytes that are in requests with their whole answers."""
        return self.exchanges.paired_bytes / max(self.signal.bytes, 1)

    @property
    def load(self) -> float | None:
        """Share of the record's time in which the line carried a byte; None where that can't be told."""
        if self.settings is None or not self.duration_ns:
            return None
        return self.signal.bytes * self.settings.character_ns / self.duration_ns
