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

from sidetap.quantity import NS_PER_S
from sidetap.survey.matching.fields import TYPED_TIME_NS, Floats, Times
from sidetap.survey.matching.promises import APART, Promise, promises
from sidetap.survey.matching.readings import PersonReading
from sidetap.survey.matching.twins import Twin
from sidetap.survey.matching.weighing import Held, Weighed, weigh_again
from sidetap.survey.values import SETTLED

_MOMENTS = 240  # looked at roughly
_TRIED = 4  # looked at closely
_SUPPOSED = 4  # explanations supposed to be true in turn
_MOST_LIKELY = 0.85  # share of the probability that must settle
_MOST = 120  # explanations that a moment must tell apart
_OFF = 0.8  # noises: what a reading is off by
_TOLD = 3.0  # allowances that twins must lie apart
_AROUND_NS = 120 * NS_PER_S
_JUMP, _LIKELY = 0.05, 0.003  # of what was noted: no level jumps so far and back; explanations that matter here


def would_settle(weighed: Weighed, found: Sequence[Promise], alike: Sequence[Twin] = ()) -> int | None:
    """Return the moment of the record whose reading would have settled it, whichever likely explanation is true.

    None if there is none: one that settles only the favourite is no promise.

    alike: fields of other devices that the readings don't tell from the first promise, with scale and offset.
    """
    probability = np.array([h.probability for h in weighed.held])
    supposed = list(found[:_SUPPOSED])
    mass = [float(p.kept @ probability) for p in supposed]
    needed = _MOST_LIKELY * float(probability.sum())
    moments, score = _ranked(weighed, supposed, mass, alike)
    for place in np.argsort(-score, kind="stable")[:_TRIED].tolist():
        if not score[place] > 0 or sum(mass) < needed:
            break
        t_ns = int(moments[place])
        if not _settles(weighed, supposed[0], t_ns):
            continue
        settled = mass[0]
        for other, own in zip(supposed[1:], mass[1:], strict=True):
            if settled < needed:
                settled += own * _settles(weighed, other, t_ns)
        if settled >= needed:
            return t_ns
    return None


def is_settled(found: Sequence[Promise]) -> bool:
    """Return whether the first promise is sure enough to build on."""
    return bool(found) and found[0].moved and found[0].confidence >= SETTLED


def _settles(weighed: Weighed, supposed: Promise, t_ns: int) -> bool:
    """Return whether a reading at a moment, somewhat off either way, would settle a promise if it were true."""
    for off in (-_OFF, _OFF):
        reading = _imagined(weighed, supposed, t_ns, off)
        if reading is None:
            return False
        again = weigh_again(weighed, (*weighed.case.readings, reading))
        found = promises(again, 2)
        if not is_settled(found) or found[0].lead.field.device != supposed.lead.field.device:
            return False
        if again.none >= 1 - SETTLED:
            return False
    return True


def _imagined(weighed: Weighed, supposed: Promise, t_ns: int, off: float) -> PersonReading | None:
    """Return what somebody would read at a moment, `off` noises wrong; None where the record has nothing then."""
    lead = supposed.lead
    decoded, _ = lead.field.at(t_ns)
    if math.isnan(decoded) or not math.isfinite(supposed.noise):
        return None
    pattern = weighed.case.readings[-1]
    value = Fraction(lead.scale * decoded + lead.offset + off * supposed.noise)
    return replace(pattern, t_ns=t_ns, value=value)


def _ranked(
    weighed: Weighed, supposed: Sequence[Promise], mass: Sequence[float], alike: Sequence[Twin]
) -> tuple[Times, Floats]:
    """Return moments of the record, and how well a reading at each would tell the explanations apart; 0: not at all.

    Moments at which a register jumps away and back are none: what it tells then may be a code for "no value".
    """
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
    for each, own_mass in zip(supposed, mass, strict=True):
        own = next((n for n, h in enumerate(rows) if h is each.lead), None)
        if own is None:
            continue
        variance = noise**2 + unsure**2 + unsure[own] ** 2 + (moving**2 + moving[own] ** 2) / 3
        near = np.exp(-0.5 * (level - level[own]) ** 2 / variance) / np.sqrt(variance)
        mine = (weight * each.kept[: len(rows)])[:, None] * near
        told = mine.sum(axis=0) / np.maximum((weight[:, None] * near).sum(axis=0), 1e-300)
        score += own_mass * told * _shows_movement(weighed, each, level[own], noise)
        # of moments that tell alike, one at which the level stands still and lies far from what was read
        score += 0.02 * own_mass * (_far(weighed, level[own]) - moving[own] / (noise + moving[own]))
    for field, scale, offset in alike:
        good = np.isfinite(field.series)
        twin = scale * np.interp(t_ns, field.t_ns[good], field.series[good]) + offset
        score = np.where(np.abs(twin - _level(lead, t_ns)) > _TOLD * supposed[0].allowed, score, 0.0)
    around = np.stack([(_level(h, t_ns - _AROUND_NS) + _level(h, t_ns + _AROUND_NS)) / 2 for h in rows])
    jumps = np.abs(level - around) > _JUMP * weighed.case.noted().span
    return t_ns, np.where((jumps & (weight >= _LIKELY)[:, None]).any(axis=0), 0.0, score)


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
