"""Rows and delivered batches of a line in; how healthy the line is, and the findings about it, out.

Feed and take: `hear` each batch before the rows that come of it are shown to `see`; then `result` and `findings`, at
any time. Memory does not grow with the record, and the result does not depend on how the record was cut.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from sidetap.line import Batch, Columns, Settings
from sidetap.survey.findings import About, Finding
from sidetap.survey.health.calendar import Calendar, Spans
from sidetap.survey.health.exchanges import Exchanges, Watching
from sidetap.survey.health.signal import Listening, Signal
from sidetap.survey.health.stillness import Comparing, Stillness
from sidetap.survey.history import History
from sidetap.survey.values import Device


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
    def load(self) -> float | None:
        """Share of the record's time in which the line carried a byte; None where that can't be told."""
        if self.settings is None or not self.duration_ns:
            return None
        return self.signal.bytes * self.settings.character_ns / self.duration_ns


class Health:
    """Gathers `LineHealth`."""

    def __init__(self, settings: Settings | None = None) -> None:
        self._settings = settings
        self._calendar = Calendar()
        self._signal = Listening(self._calendar)
        self._exchanges = Watching(self._calendar, settings)
        self._blocks = Comparing(self._calendar, settings)

    def hear(self, batch: Batch) -> None:
        """Take the next batch as it was delivered."""
        self._signal.hear(batch)

    def see(self, columns: Columns) -> None:
        """Take the next rows; all of their bytes have been heard."""
        self._exchanges.see(columns, self._signal.flagged(len(columns.data)))
        self._blocks.see(columns)

    def result(self) -> LineHealth:
        """Return what has been gathered."""
        return LineHealth(
            self._settings,
            self._calendar.ends_ns,
            self._calendar.spans(),
            self._signal.signal(),
            self._exchanges.exchanges(),
            self._blocks.stillness(),
        )

    def findings(self, history: History, devices: Sequence[Device], about: About) -> list[Finding]:
        """Return what is wrong with the line, as far as its health tells."""
        return []
