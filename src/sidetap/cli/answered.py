"""Rows of a recording -> the answers that tell registers of some devices, for verbs that measure."""

from collections.abc import Iterator
from typing import Any

import numpy as np

from sidetap.line import Columns, Outcome, Transaction
from sidetap.line.columns import OUTCOMES
from sidetap.line.rules import REGISTER_READS

_ANSWERED = OUTCOMES.index(Outcome.ANSWERED)
_READS = np.array(sorted(REGISTER_READS))


def answers(columns: Columns, devices: np.ndarray[Any, Any]) -> Iterator[Transaction]:
    """Yield the registers that devices with a point have told; a meter passes over everything else."""
    answered = (columns.outcome == _ANSWERED) & np.isin(columns.device, devices) & np.isin(columns.function, _READS)
    for row in np.flatnonzero(answered).tolist():
        event = columns.event(row)
        if isinstance(event, Transaction):
            yield event
