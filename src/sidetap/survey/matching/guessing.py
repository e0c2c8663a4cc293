"""Which fields may stand for the readings by which laws at all: first guesses, many thousands at once.

A table of fields and the readings in, rows for the fit out. A law needs about half of the readings on its side, or
it explains nothing: others are left out here, which is most of them. A law with a freedom takes it from one reading
(or two), whichever agrees with most others.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from sidetap.survey.matching.fields import Floats, Table
from sidetap.survey.matching.fitting import Noted, Rows, noise_of
from sidetap.survey.matching.scales import Form, Law

_AGREE = 6.0  # noises that a reading may lie off
_ANCHORS = 5
_PAIRS = 4
_MOST_OPEN = 3000  # fields of a line looked at by laws that any field can follow: those likeliest beforehand

_Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Guesses:
    """Fields and laws that may explain the readings: which of each, row by row, and the rows for the fit."""

    field: _Ints
    law: _Ints
    rows: Rows


def guesses(table: Table, laws: Sequence[Law], noted: Noted) -> Guesses:
    """Return the fields of a table and the laws by which about half of the readings agree, or more."""
    found = [_of_law(table, law, n, noted) for n, law in enumerate(laws)]
    parts = [g for g in found if len(g.field)]
    if not parts:
        return found[0]
    rows = [g.rows for g in parts]
    return Guesses(
        np.concatenate([g.field for g in parts]),
        np.concatenate([g.law for g in parts]),
        Rows(*(np.concatenate([getattr(r, name) for r in rows]) for name in Rows.__slots__)),
    )


def _needed(form: Form, readings: int) -> int:
    half = (readings + 1) // 2
    if form is Form.UNIT:
        return max(1, half)
    if form is Form.AFFINE:
        return max(min(readings, 3), half, 2)
    return max(min(readings, 2), half)


def _of_law(table: Table, law: Law, number: int, noted: Noted) -> Guesses:
    x = table.values - law.zero
    with np.errstate(all="ignore"):
        scale, offset, agreeing = _guess(law, x, table, noted)
    which = np.flatnonzero(agreeing >= _needed(law.form, len(noted.values)))
    if law.form is not Form.UNIT and len(which) > _MOST_OPEN:
        which = np.sort(which[np.argsort(-table.prior[which], kind="stable")[:_MOST_OPEN]])
    free_scale = law.form in (Form.SPAN, Form.AFFINE)
    free_offset = law.form in (Form.SHIFTED, Form.ULLAGE, Form.AFFINE)
    rows = Rows(
        x[which],
        table.spread[which],
        table.step[which],
        scale[which],
        offset[which],
        np.full(len(which), free_scale),
        np.full(len(which), free_offset),
    )
    return Guesses(which, np.full(len(which), number), rows)


def _guess(law: Law, x: Floats, table: Table, noted: Noted) -> tuple[Floats, Floats, _Ints]:
    """Return for every field the scale and offset by which most readings agree, and how many do."""
    r = noted.values
    ones = np.ones(len(x))
    if law.form is Form.UNIT:
        starts = [(law.scale * ones, law.offset * ones)]
    elif law.form in (Form.SHIFTED, Form.ULLAGE):
        starts = [(law.scale * ones, r[j] - law.scale * x[:, j]) for j in range(min(len(r), _ANCHORS))]
    elif law.form is Form.SPAN:
        starts = [(r[j] / x[:, j], 0 * ones) for j in range(min(len(r), _ANCHORS))]
    else:
        pairs = sorted(combinations(range(len(r)), 2), key=lambda p: -abs(r[p[0]] - r[p[1]]))[:_PAIRS]
        slopes = [((r[i] - r[j]) / (x[:, i] - x[:, j]), i) for i, j in pairs]
        starts = [(slope, r[i] - slope * x[:, i]) for slope, i in slopes]
    best_scale, best_offset = np.zeros(len(x)), np.zeros(len(x))
    most = np.zeros(len(x), dtype=np.int64)
    least = np.full(len(x), np.inf)
    for scale, offset in starts:
        noise = noise_of(noted, scale, table.spread, table.step)
        off = np.abs(r - scale[:, None] * x - offset[:, None])
        if law.form is not Form.UNIT:  # what the freedom was taken from is off by its own noise
            reach = noise.max(axis=1, keepdims=True)
            if law.form is Form.SPAN:
                reach = reach * np.maximum(1.0, np.abs(x) / np.maximum(np.abs(r[:, None].T / scale[:, None]), 1e-300))
            noise = np.hypot(noise, reach)
        agree = off <= _AGREE * noise
        count = agree.sum(axis=1)
        worst = np.where(agree, off / noise, 0.0).sum(axis=1)
        sound = np.isfinite(scale) & np.isfinite(offset) & (scale != 0)
        if law.form is Form.SPAN:
            sound &= scale > 0
        better = sound & ((count > most) | ((count == most) & (worst < least)))
        best_scale, best_offset = np.where(better, scale, best_scale), np.where(better, offset, best_offset)
        most, least = np.where(better, count, most), np.where(better, worst, least)
    return best_scale, best_offset, most
