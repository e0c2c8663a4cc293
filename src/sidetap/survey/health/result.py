"""What health was measured, as one frozen result."""

from dataclasses import dataclass

from sidetap.line import Settings
from sidetap.survey.health.calendar import Spans
from sidetap.survey.health.damage import Harm
from sidetap.survey.health.exchanges import Exchanges
from sidetap.survey.health.signal import Signal
from sidetap.survey.health.stillness import Stillness


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
        """How late the adapter delivers: the usual shortest time between two deliveries; None without times."""
        return self.signal.deliveries.quantile_us(0.05)

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
