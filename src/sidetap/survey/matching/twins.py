"""Registers of other devices that nothing in the record tells from the answer's: twins.

The first promise and all fields in; those of other devices out that are straight against its level over the whole
record, by whatever scale and offset. Whichever of them the people's display hangs at, the readings would be the same,
so no number of readings taken within such a record can settle the name. That one has the commoner scale is no
evidence: vessels piped together, or filled and drawn alike, stand level for hours.
"""

from collections.abc import Sequence

import numpy as np

from sidetap.survey.matching.fields import Field, Floats, Table, decoded_rows
from sidetap.survey.matching.promises import Promise
from sidetap.survey.matching.weighing import Held

_LIKELY = 0.01  # ways to read a register that are likelier than this
_PROBES = 24  # answers looked at first
_COMPARED = 0.99  # share of answers compared: polls differ in time, and a transmitter may err now and then
_ROUNDS = 3


def twins(promise: Promise, tables: Sequence[Table]) -> list[tuple[Field, float, float]]:
    """Return the fields of other devices that can't be told from the promise, each with its scale and offset."""
    lead = promise.lead
    found = []
    for table in tables:
        if table.fields[0].device == lead.field.device:
            continue
        for own in table.by_encoding():
            likely = [n for n in own if table.fields[n].candidate.probability >= _LIKELY]
            if likely:
                found += _straight(promise, [table.fields[n] for n in likely])
    return found


def _straight(promise: Promise, fields: Sequence[Field]) -> list[tuple[Field, float, float]]:
    """Return which fields of one block and encoding are straight against the promise's level."""
    block = fields[0].answered
    rows = np.unique(np.linspace(0, len(block.t_ns) - 1, _PROBES).astype(np.int64))
    read = decoded_rows(fields, rows)
    level = _level(promise.lead, block.t_ns[rows])
    found = []
    for n, field in enumerate(fields):
        if _line(read[:, n], level, promise.allowed, 1 - 2 / _PROBES) is None:
            continue
        known = np.isfinite(field.series)
        line = _line(field.series[known], _level(promise.lead, field.t_ns[known]), promise.allowed, _COMPARED)
        if line is not None and not field.only_rises:
            found.append((field, *line))
    return found


def _level(lead: Held, t_ns: np.typing.NDArray[np.int64]) -> Floats:
    known = np.isfinite(lead.field.series)
    return lead.level(np.interp(t_ns, lead.field.t_ns[known], lead.field.series[known]))


def _line(decoded: Floats, level: Floats, allowed: float, share: float) -> tuple[float, float] | None:
    """Return the scale and offset that make such a share of decoded values the level; None where none do."""
    keep = np.isfinite(decoded)
    if keep.sum() < 3:
        return None
    decoded, level = decoded[keep], level[keep]
    inside = np.ones(len(decoded), dtype=np.bool_)
    for _ in range(_ROUNDS):
        middle, top = decoded[inside].mean(), level[inside].mean()
        apart = decoded - middle
        square = float((apart[inside] ** 2).sum())
        if not square > 0:
            return None
        scale = float((apart[inside] * (level[inside] - top)).sum()) / square
        off = np.abs(level - top - scale * apart)
        limit = np.quantile(off, share)
        if limit <= allowed:
            return (scale, float(top - scale * middle)) if scale != 0 else None
        inside = off <= limit
    return None
