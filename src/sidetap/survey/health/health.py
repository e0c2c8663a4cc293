"""Rows and delivered batches of a line in; how healthy the line is, and the findings about it, out.

Feed and take: `hear` each batch before the rows that come of it are shown to `see`; then `result` and `findings`, at
any time. Memory does not grow with the record, and the result does not depend on how the record was cut.
"""

from collections.abc import Sequence

import numpy as np

from sidetap.line import Batch, Columns, Settings
from sidetap.line.columns import NONE
from sidetap.survey.findings import About, Finding
from sidetap.survey.health import frozen, gateway, hurt, mistuned
from sidetap.survey.health.calendar import Calendar
from sidetap.survey.health.damage import Examining
from sidetap.survey.health.exchanges import Watching
from sidetap.survey.health.polls import by_poll
from sidetap.survey.health.result import LineHealth
from sidetap.survey.health.signal import Listening
from sidetap.survey.health.stillness import Comparing
from sidetap.survey.history import History
from sidetap.survey.values import Device


class Health:
    """Gathers `LineHealth`."""

    def __init__(self, settings: Settings | None = None) -> None:
        self._settings = settings
        self._calendar = Calendar()
        self._signal = Listening(self._calendar)
        self._exchanges = Watching(self._calendar, settings)
        self._harms = Examining()
        self._blocks = Comparing(self._calendar, settings)

    def hear(self, batch: Batch) -> None:
        """Take the next batch as it was delivered."""
        self._signal.hear(batch)

    def see(self, columns: Columns) -> None:
        """Take the next rows; all of their bytes have been heard."""
        polls = by_poll(columns, np.flatnonzero(columns.request[:, 0] != NONE))
        self._exchanges.see(columns, polls, self._signal.flagged(len(columns.data)))
        self._harms.see(columns)
        self._blocks.see(columns, polls)

    def result(self) -> LineHealth:
        """Return what has been gathered."""
        return LineHealth(
            self._settings,
            self._calendar.ends_ns,
            self._calendar.spans(),
            self._signal.signal(),
            self._exchanges.exchanges(),
            self._harms.harms(),
            self._blocks.stillness(),
        )

    def findings(self, history: History, devices: Sequence[Device], about: About) -> list[Finding]:
        """Return what is wrong with the line, as far as its health tells."""
        health = self.result()
        return [
            *mistuned.find(health),
            *hurt.find(health),
            *gateway.find(health),
            *frozen.find(health, devices, about.yard_events),
        ]
