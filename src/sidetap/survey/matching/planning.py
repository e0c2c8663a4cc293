"""The next reading that would settle it: which moment of the record would have, and what to read now.

What explains the readings so far in; a moment out, and an instruction with the values to expect. Theory: if one
explanation is true, a reading at some moment would have been its level then; weighing everything again with that
reading tells whether it would have settled the name. Moments are first ranked by how far the levels of the
explanations lie apart, then the best few are tried so for the likeliest explanations.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np

from sidetap.survey.matching.fields import TYPED_TIME_NS, Floats, Times
from sidetap.survey.matching.promises import APART, Promise, promises
from sidetap.survey.matching.readings import PersonReading
from sidetap.survey.matching.weighing import Held, Weighed, weigh_again
from sidetap.survey.values import SETTLED

_MOMENTS = 240  # looked at roughly
_TRIED = 4  # looked at closely
_SUPPOSED = 3  # explanations supposed to be true in turn
_MOST = 120  # explanations that a moment must tell apart


def would_settle(weighed: Weighed, found: Sequence[Promise]) -> int | None:
    """Return the moment of the record whose reading would most probably have settled it; None if none would."""
    supposed = list(found[:_SUPPOSED])
    moments, score = _ranked(weighed, supposed)
    best: tuple[float, int] | None = None
    for place in np.argsort(-score, kind="stable")[:_TRIED].tolist():
        t_ns = int(moments[place])
        settled = [p.confidence * _settles(weighed, p.lead, t_ns) for p in supposed]
        if settled[0] and (best is None or sum(settled) > best[0]):
            best = (sum(settled), t_ns)
    return None if best is None else best[1]


def is_settled(found: Sequence[Promise]) -> bool:
    """Return whether the first promise is sure enough to build on."""
    return bool(found) and found[0].moved and found[0].confidence >= SETTLED


def imagined(weighed: Weighed, held: Held, t_ns: int) -> PersonReading | None:
    """Return what somebody would read at a moment if one explanation were true; None where the record has nothing."""
    decoded, _ = held.field.at(t_ns)
    if math.isnan(decoded):
        return None
    pattern = weighed.case.readings[-1]
    step = 2 * pattern.rounding
    exact = Fraction(held.scale * decoded + held.offset)
    return replace(pattern, t_ns=t_ns, value=round(exact / step) * step)


def _settles(weighed: Weighed, held: Held, t_ns: int) -> bool:
    reading = imagined(weighed, held, t_ns)
    if reading is None:
        return False
    again = weigh_again(weighed, (*weighed.case.readings, reading))
    found = promises(again, 2)
    return is_settled(found) and found[0].lead.field.device == held.field.device and again.none < 1 - SETTLED


def _ranked(weighed: Weighed, supposed: Sequence[Promise]) -> tuple[Times, Floats]:
    """Return moments of the record, and how well a reading at each would tell the explanations apart."""
    lead = supposed[0].lead
    known = np.flatnonzero(np.isfinite(lead.field.series))
    places = known[np.unique(np.linspace(0, len(known) - 1, _MOMENTS).astype(np.int64))]
    ends = [int(np.nanargmin(lead.field.series)), int(np.nanargmax(lead.field.series))]
    t_ns = lead.field.t_ns[np.unique([*places, *ends])]
    rows = weighed.held[:_MOST]
    level = np.stack([_level(h, t_ns) for h in rows])
    moving = np.stack([np.abs(_level(h, t_ns + TYPED_TIME_NS) - _level(h, t_ns - TYPED_TIME_NS)) / 2 for h in rows])
    unsure = np.stack([h.uncertainty(_decoded(h, t_ns)) for h in rows])
    weight = np.array([h.probability for h in rows])
    noise = float(np.median(supposed[0].lead.noise))
    score = np.zeros(len(t_ns))
    for each in supposed:
        own = next((n for n, h in enumerate(rows) if h is each.lead), None)
        if own is None:
            continue
        variance = noise**2 + unsure**2 + unsure[own] ** 2 + (moving**2 + moving[own] ** 2) / 3
        alike = np.exp(-0.5 * (level - level[own]) ** 2 / variance) / np.sqrt(variance)
        mine = (weight * each.kept[: len(rows)])[:, None] * alike
        told = mine.sum(axis=0) / np.maximum((weight[:, None] * alike).sum(axis=0), 1e-300)
        score += each.confidence * told * _shows_movement(weighed, each, level[own], noise)
        # of moments that tell alike, one at which the level stands still and lies far from what was read
        score += 0.02 * each.confidence * (_far(weighed, level[own]) - moving[own] / (noise + moving[own]))
    return t_ns, score


def _decoded(held: Held, t_ns: Times) -> Floats:
    good = np.isfinite(held.field.series)
    return np.interp(t_ns, held.field.t_ns[good], held.field.series[good])


def _level(held: Held, t_ns: Times) -> Floats:
    return held.level(_decoded(held, t_ns))


def _shows_movement(weighed: Weighed, each: Promise, level: Floats, noise: float) -> Floats:
    """Return where one more reading would tell a moving level from an idle one: 1 or 0."""
    if each.moved:
        return np.ones(len(level))
    return (_distance(weighed, level) >= 1.1 * APART * noise).astype(np.float64)


def _distance(weighed: Weighed, level: Floats) -> Floats:
    noted = np.array([float(r.value) for r in weighed.case.readings])
    return np.asarray(np.abs(level - noted[:, None]).max(axis=0))


def _far(weighed: Weighed, level: Floats) -> Floats:
    far = _distance(weighed, level)
    return far / max(float(far.max()), 1e-300)
