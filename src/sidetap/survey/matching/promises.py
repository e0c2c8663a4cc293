"""What explanations promise: the level over the whole record, and how probably that promise holds.

Weighed explanations in, promises out, the one that most probably holds first. Theory: an answer is a level for every
moment of the record. It holds when the true level is within 0.5 % of the span seen, plus the readings' own rounding,
all along. Each explanation that may be true says with what probability it does; those of another device never do,
because a twin parts at the next change. While nothing tells a moving level from one that stands still, any register
that stands still would do, and no promise is worth much.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sidetap.survey.matching.fields import Floats
from sidetap.survey.matching.scales import Form
from sidetap.survey.matching.weighing import Held, Weighed

PROMISED_SHARE = 0.005  # of the span seen
APART = 8.0  # noises that readings must lie apart to tell a moving level from an idle one
UNMOVED = 0.5  # confidence at most while nothing tells a moving level from an idle one

_SAME = 0.5  # an explanation that keeps a promise with this probability is no rival to it
_LEAST = 1e-4  # explanations less probable than this found no promise of their own
_CONSISTENT = 3.0  # standard deviations
_FITS_AS_WELL = 2.0  # nats
_MISFIT = 3.0  # noises: a promise that a reading it trusts lies further from is worth little
_AT_MOST = {Form.UNIT: 2.0, Form.ULLAGE: 10.0}  # allowances that laws taken for one may part by
_COARSE = 4.0  # promises' allowances that counts may be worth: coarser ones are another promise
_BETWEEN_POLLS = 0.99  # share of answers compared where two registers were read at different times
_BELOW, _ABOVE = 0.1, 1.2  # of the reach: beyond, no level, so that two such don't differ


@dataclass(frozen=True, slots=True, eq=False)
class Promise:
    """One level over the record, by its likeliest explanation.

    confidence: that it holds. kept [explanations]: the probability that the promise holds if each is true. register:
    probability that this register is the right one, by whatever scale. moved: whether the readings tell a moving
    level from an idle one. fitting: readings that fit. allowed: how far the level may be off. noise: of one reading.
    unit: of the name.
    """

    lead: Held
    confidence: float
    kept: Floats
    register: float
    moved: bool
    fitting: int
    allowed: float
    noise: float
    unit: str


def promises(weighed: Weighed, most: int = 8) -> list[Promise]:
    """Return the promises that matter, so many at most, the one that most probably holds first."""
    found: list[Promise] = []
    covered = np.zeros(len(weighed.held))
    for n, held in enumerate(weighed.held):
        if len(found) == most or (found and held.probability < _LEAST):
            break
        if covered[n] < _SAME:
            found.append(promise(weighed, held))
            covered = np.maximum(covered, found[-1].kept)
    return sorted(found, key=lambda p: -p.confidence)


def promise(weighed: Weighed, lead: Held) -> Promise:
    """Return the promise of one explanation."""
    case = weighed.case
    seen = _seen(lead, case.reach)
    level = np.quantile(seen, [0.01, 0.99]) * abs(lead.scale)
    allowed = PROMISED_SHARE * float(np.ptp(level)) + case.rounding
    trusted = lead.trusted > 0.5
    noise = float(np.median(lead.noise[trusted])) if trusted.any() else math.inf
    at = np.array([lead.field.at(r.t_ns)[0] for r, good in zip(case.readings, trusted, strict=True) if good])
    apart = abs(lead.scale) * float(np.ptp(at)) if len(at) else 0.0
    moved = len(at) >= 2 and apart >= APART * noise
    misfit = bool((lead.off[trusted] > _MISFIT).any())
    ends, reach = np.array([seen.min(), seen.max()]), case.reach
    kept = np.array([_kept(lead, h, allowed, reach, ends, moved=moved) for h in weighed.held])
    probability = np.array([h.probability for h in weighed.held])
    confidence = min(float(kept @ probability), 1.0)
    same = [_same_register(lead, h, k, allowed, moved=moved) for h, k in zip(weighed.held, kept, strict=True)]
    return Promise(
        lead,
        confidence if moved and not misfit else min(confidence, UNMOVED),
        kept,
        float(probability[same].sum()),
        moved,
        len(at),
        allowed,
        noise,
        case.unit,
    )


def _seen(lead: Held, reach: float) -> Floats:
    """Return what the lead read, as far as that can be a level: an unknown code for "no value" widens no promise."""
    level = lead.level(lead.field.good)
    sound = (level >= -_BELOW * reach) & (level <= _ABOVE * reach)
    return lead.field.good[sound] if sound.any() else lead.field.good


def beside(lead: Held, other: Held) -> tuple[Floats, Floats]:
    """Return what two registers of a device read at the same times: the lead's and the other's decoded values."""
    one, two = lead.field, other.field
    if one.block is two.block:
        both = np.isfinite(one.series) & np.isfinite(two.series)
        return one.series[both], two.series[both]
    own = np.isfinite(two.series)
    known = np.isfinite(one.series)
    return np.interp(two.t_ns[own], one.t_ns[known], one.series[known]), two.series[own]


def _kept(lead: Held, other: Held, allowed: float, reach: float, ends: Floats, *, moved: bool) -> float:
    """Return the probability that the lead's level is right all along if another explanation is true.

    A law with more freedoms that may as well be the lead's, as far as the readings tell, is taken for it where the
    lead tells the level or the distance from above in a usual unit: that it did so by chance is far less likely. Not
    where they part by much more than the promise allows, as a pressure may from a level, and not for a level told by
    one register: a span may well be nearly a round number of units.
    ends: the least and the greatest decoded value of the lead.
    """
    if other.field.device != lead.field.device or (other.field is not lead.field and not moved):
        return 0.0
    if other.field is lead.field:
        decoded = ends
        off = (lead.scale - other.scale) * decoded + lead.offset - other.offset
    else:
        own, decoded = beside(lead, other)
        one, two = lead.level(own), other.level(decoded)
        beyond = (np.minimum(one, two) > _ABOVE * reach) | (np.maximum(one, two) < -_BELOW * reach)
        off, decoded = (one - two)[~beyond], decoded[~beyond]
        if not len(off):
            return 0.0
        allowed += _own_count(lead, other, allowed)
        if lead.field.block is not other.field.block:
            usual = np.abs(off) <= np.quantile(np.abs(off), _BETWEEN_POLLS)
            off, decoded = off[usual], decoded[usual]
    worst = {int(k) for k in (off.argmin(), off.argmax(), decoded.argmin(), decoded.argmax())}
    spread = {k: float(other.uncertainty(decoded[k])) for k in worst}
    fits = lead.log_likelihood >= other.log_likelihood - _FITS_AS_WELL
    apart = other.field is not lead.field or lead.law.form is Form.ULLAGE
    if fits and apart and other.freedoms > lead.freedoms and lead.law.form in _AT_MOST:
        reach_of = _AT_MOST[lead.law.form] * allowed
        if all(abs(off[k]) <= allowed + min(_CONSISTENT * spread[k], reach_of) for k in worst):
            off, spread = 0.0 * off, {k: float(lead.uncertainty(ends).max()) for k in worst}
    return min(_within(float(off[k]), spread[k], allowed) for k in worst)


def _own_count(lead: Held, other: Held, allowed: float) -> float:
    """Return how far two registers of one device may part because each is rounded to its own counts."""
    counts = (abs(lead.scale) * lead.field.step + abs(other.scale) * other.field.step) / 2
    return counts if counts <= _COARSE * allowed else 0.0


def _within(off: float, spread: float, allowed: float) -> float:
    """Return the probability that something normally spread about `off` lies within ± allowed."""
    if spread <= 1e-9 * allowed:
        return 1.0 if abs(off) <= allowed else 0.0
    width = math.sqrt(2.0) * spread
    return 0.5 * (math.erf((allowed - off) / width) + math.erf((allowed + off) / width))


def _same_register(lead: Held, other: Held, kept: float, allowed: float, *, moved: bool) -> bool:
    """Return whether an explanation reads what the lead reads, by whatever scale."""
    if other.field is lead.field or kept >= _SAME:
        return True
    if other.field.device != lead.field.device or not moved:
        return False
    own, decoded = beside(lead, other)
    level = lead.level(own)
    apart = decoded - decoded.mean()
    square = float((apart**2).sum())
    if not square > 0:
        return False
    slope = float((apart * (level - level.mean())).sum()) / square
    off = np.abs(level - level.mean() - slope * apart)
    share = 1.0 if lead.field.block is other.field.block else _BETWEEN_POLLS
    return bool(np.quantile(off, share) <= allowed)


def rivals(weighed: Weighed, first: Promise, others: Sequence[Promise]) -> list[tuple[Promise, float]]:
    """Return the other promises with the probability of what explains the readings their way, the likeliest first."""
    taken = first.kept >= _SAME
    found = []
    probability = np.array([h.probability for h in weighed.held])
    for other in sorted(others, key=lambda p: -p.confidence):
        own = (other.kept >= _SAME) & ~taken
        taken |= own
        found.append((other, min(float(probability[own].sum()), first.confidence)))
    return sorted(found, key=lambda f: -f[1])
