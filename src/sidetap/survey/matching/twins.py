"""Registers of other devices that nothing in the record tells from the answer's: twins.

The first promise and all fields in; those of other devices out that are straight against its level over the whole
record, by whatever scale and offset. Whichever of them the people's display hangs at, the readings would be the same,
so no number of readings taken within such a record can settle the name. That one has the commoner scale is no
evidence: vessels piped together, or filled and drawn alike, stand level for hours. The same holds where they part
only before the first reading or after the last.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sidetap.survey.matching.fields import Field, Floats, Table, decoded_rows
from sidetap.survey.matching.promises import Promise
from sidetap.survey.matching.scales import Form, laws
from sidetap.survey.matching.weighing import Held, Weighed

Twin = tuple[Field, float, float]  # with the scale and offset that make it the level

_LIKELY = 0.01  # ways to read a register that are likelier than this
_PROBES = 24  # answers looked at first
_COMPARED = 0.99  # share of answers compared: polls differ in time, and a transmitter may err now and then
_ROUNDS = 3
_FEWEST = 8  # answers
_SPARE = 2  # readings beyond the freedoms
_BENT = 2.0  # allowances
_USUAL = 0.02  # how far a scale may be off a unit's
_TRUSTED = 0.5
_UNSURE = 2.0  # standard deviations


def twins(weighed: Weighed, promise: Promise, tables: Sequence[Table]) -> list[Twin]:
    """Return the fields of other devices that can't be told from the promise, each with its scale and offset."""
    lead = promise.lead
    found = _alongside(weighed, promise)
    window = _telling(weighed, promise)
    for table in tables:
        if table.fields[0].device == lead.field.device:
            continue
        for own in table.by_encoding():
            likely = [n for n in own if table.fields[n].candidate.probability >= _LIKELY]
            if likely:
                found += _straight(promise, [table.fields[n] for n in likely], *window)
    return found


def _alongside(weighed: Weighed, promise: Promise) -> list[Twin]:
    """Return the explanations by other devices that fit every reading and run alike from the first to the last.

    With more readings than freedoms that is no chance, so it isn't for their prior to decide between two vessels.
    Where they exceed them by one only, a level that just rises or falls steadily is no evidence: much else does.
    """
    lead = promise.lead
    fitting = np.flatnonzero(lead.trusted > _TRUSTED)
    if not promise.moved or not len(fitting):
        return []
    moments = [weighed.case.readings[n].t_ns for n in fitting]
    found: dict[tuple[int, str, int, str], Twin] = {}
    for held in weighed.held:
        other = held.field
        if (
            other.device == lead.field.device
            or held.freedoms >= len(fitting)
            or (held.trusted[fitting] < _TRUSTED).any()
        ):
            continue
        between = (other.t_ns >= min(moments)) & (other.t_ns <= max(moments)) & np.isfinite(other.series)
        if other.only_rises or other.key in found or not between.any():
            continue
        level = _level(lead, other.t_ns[between])
        spare = len(fitting) - held.freedoms
        if held.freedoms and spare < _SPARE and not _bends(other.t_ns[between], level, _BENT * promise.allowed):
            continue
        if _total(promise, other, held.scale):
            continue
        off = np.abs(held.level(other.series[between]) - level)
        unsure = float(held.uncertainty(other.series[between]).max())
        if np.quantile(off, _COMPARED) <= promise.allowed + _UNSURE * unsure:
            found[other.key] = (other, held.scale, held.offset)
    return list(found.values())


def _total(promise: Promise, field: Field, scale: float) -> bool:
    """Return whether a field is a total of what was drawn: it never falls, the level falls with it, in no usual unit.

    The distance from above does so too where a vessel is only drawn from, but in a usual unit.
    """
    if scale >= 0 or not field.never_falls:
        return False
    usual = [law.scale for law in laws(promise.unit, is_float=field.is_float) if law.form is Form.ULLAGE]
    return not any(abs(scale / own - 1) <= _USUAL for own in usual)


def _bends(t_ns: NDArray[np.int64], level: Floats, least: float) -> bool:
    """Return whether a level does anything but rise or fall steadily."""
    t = (t_ns - t_ns[0]) / 1e9
    t = t - t.mean()
    square = float((t**2).sum())
    if not square > 0:
        return False
    level = level - level.mean()
    return bool(np.quantile(np.abs(level - t * float((t * level).sum()) / square), 0.9) >= least)


def _telling(weighed: Weighed, promise: Promise) -> tuple[int, int]:
    """Return the part of the record over which twins must be straight: from the first reading that fits to the last.

    All of the record where the level only rises or falls steadily between them: much else would be straight too.
    """
    lead = promise.lead
    moments = [r.t_ns for r, trust in zip(weighed.case.readings, lead.trusted, strict=True) if trust > _TRUSTED]
    t_ns = lead.field.t_ns
    between = (t_ns >= min(moments)) & (t_ns <= max(moments)) & np.isfinite(lead.field.series)
    if between.sum() >= _FEWEST:
        level = lead.level(lead.field.series[between])
        if _bends(t_ns[between], level, _BENT * promise.allowed):
            return min(moments), max(moments)
    return int(t_ns[0]), int(t_ns[-1])


def _straight(promise: Promise, fields: Sequence[Field], start_ns: int, end_ns: int) -> list[Twin]:
    """Return which fields of one block and encoding are straight against the promise's level for a while."""
    block = fields[0].answered
    first, end = (int(np.searchsorted(block.t_ns, t)) for t in (start_ns, end_ns))
    if end - first < _FEWEST:
        return []
    rows = np.unique(np.linspace(first, end - 1, _PROBES).astype(np.int64))
    level = _level(promise.lead, block.t_ns[rows])
    found = []
    for n in np.flatnonzero(_roughly_straight(decoded_rows(fields, rows), level, promise.allowed)).tolist():
        field = fields[n]
        known = np.isfinite(field.series)
        known[:first] = known[end:] = False
        line = _line(field.series[known], _level(promise.lead, field.t_ns[known]), promise.allowed)
        if line is not None and not field.only_rises and not _total(promise, field, line[0]):
            found.append((field, *line))
    return found


def _roughly_straight(read: Floats, level: Floats, allowed: float) -> NDArray[np.bool_]:
    """Return which columns of a few answers some line makes the level, all but the worst few."""
    inside = np.isfinite(read)
    x, r = np.where(inside, read, 0.0), level[:, None]
    straight = np.zeros(read.shape[1], dtype=np.bool_)
    with np.errstate(all="ignore"):
        for _ in range(_ROUNDS):
            count = inside.sum(axis=0)
            apart = np.where(inside, x - (x * inside).sum(axis=0) / count, 0.0)
            above = np.where(inside, r - (r * inside).sum(axis=0) / count, 0.0)
            off = np.where(
                inside, np.abs(above - apart * ((apart * above).sum(axis=0) / (apart**2).sum(axis=0))), 0.0
            )
            worst = off.max(axis=0)
            straight |= (count >= _FEWEST) & (worst <= allowed)
            inside &= off < worst
    return straight


def _level(lead: Held, t_ns: NDArray[np.int64]) -> Floats:
    known = np.isfinite(lead.field.series)
    return lead.level(np.interp(t_ns, lead.field.t_ns[known], lead.field.series[known]))


def _line(decoded: Floats, level: Floats, allowed: float) -> tuple[float, float] | None:
    """Return the scale and offset that make decoded values the level, nearly all of them; None where none do."""
    if len(decoded) < _FEWEST:
        return None
    inside = np.ones(len(decoded), dtype=np.bool_)
    for _ in range(_ROUNDS):
        middle, top = decoded[inside].mean(), level[inside].mean()
        apart = decoded - middle
        square = float((apart[inside] ** 2).sum())
        if not square > 0:
            return None
        scale = float((apart[inside] * (level[inside] - top)).sum()) / square
        off = np.abs(level - top - scale * apart)
        limit = np.quantile(off, _COMPARED)
        if limit <= allowed:
            return (scale, float(top - scale * middle)) if scale != 0 else None
        inside = off <= limit
    return None
