"""Values that fall only while something draws: noted events, flows and totals against levels, across the whole line.

Courses of values and draws in, relations out. One coincidence is none: a value must fall at least four times, nine of
ten times within a draw, and begin and end with it, give or take a lag of a minute. What comes at equal intervals
coincides always or never, and counts as once. At most 64 draws are held against 256 values; the chance counts all of
them.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sidetap.survey.relations import chance
from sidetap.survey.relations.course import Falls
from sidetap.survey.relations.draws import FEWEST, Draw
from sidetap.survey.relations.relation import Relation, RelationKind, Tied
from sidetap.survey.relations.series import Floats

MOST_DRAWS, MOST_FALLING = 64, 256
_LAG_S = 60.0  # filters in transmitters, pipes that fill
_ONLY = 0.9
_AMOUNTS_FIT, _AMOUNTS_DIFFER = 0.05, 0.2


@dataclass(frozen=True, slots=True, eq=False)
class Falling:
    """A value that falls. span_s: of the record it was looked at. unsure_s: how well the times are known."""

    value: Tied
    falls: Falls
    span_s: float
    unsure_s: float


@dataclass(frozen=True, slots=True)
class _Hit:
    value: Tied
    hits: int
    times: int
    chance: float
    ratio: float | None  # a fall by what the draw took, where that fits
    spread: float


def falls_during(draws: Sequence[Draw], falling: Sequence[Falling]) -> list[Relation]:
    """Return what falls while something draws: one relation for each draw and device."""
    draws, falling = draws[:MOST_DRAWS], [f for f in falling if len(f.falls.from_s) >= FEWEST][:MOST_FALLING]
    tried = len(draws) * len(falling)
    relations = []
    for draw in draws:
        by_device: dict[int, list[_Hit]] = {}
        for value in falling:
            hit = None if draw.source == value.value else _held_against(draw, value, tried)
            if hit is not None:
                by_device.setdefault(value.value.device, []).append(hit)
        relations += [_relation(draw, hits, tried) for hits in by_device.values()]
    return relations


def _held_against(draw: Draw, falling: Falling, tried: int) -> _Hit | None:
    """Return how a value falls with a draw; None where it doesn't."""
    falls = falling.falls
    unsure_s = draw.unsure_s + falling.unsure_s
    latest = np.searchsorted(draw.from_s, falls.from_s + unsure_s, "right") - 1  # the draw that began last before
    at = np.maximum(latest, 0)
    begins = (latest >= 0) & (falls.from_s <= draw.from_s[at] + _LAG_S + unsure_s)
    ends = np.isnan(draw.to_s[at]) | (np.abs(falls.to_s - draw.to_s[at] - _LAG_S / 2) <= _LAG_S / 2 + unsure_s)
    hit = begins & ends
    hits, times = int(hit.sum()), len(hit)
    if hits < _ONLY * times:
        return None
    window_s = _LAG_S + 2 * unsure_s
    share = min(1.0, len(draw.from_s) * window_s / max(falling.span_s, window_s))
    likely = min(1.0, tried * math.comb(times, hits) * share ** _independent(falls.from_s[hit], window_s))
    if likely > chance.LARGEST:
        return None
    ratio, spread = _ratio(falls.amounts[hit], None if draw.amounts is None else draw.amounts[at[hit]])
    return _Hit(falling.value, hits, times, likely, ratio, spread)


def _independent(from_s: Floats, window_s: float) -> int:
    """Return how many coincidences are independent: the first, and one for each different interval between them."""
    intervals = np.unique(np.rint(np.diff(from_s) / window_s))
    return 1 + len(intervals)


def _ratio(falls: Floats, amounts: Floats | None) -> tuple[float | None, float]:
    """Return fall by amount, and its spread; None where they don't fit or are all alike, which proves nothing."""
    if amounts is None or not (amounts > 0).all():
        return None, math.inf
    ratios = falls / amounts
    spread = float(ratios.std() / ratios.mean())
    differ = float(amounts.std() / amounts.mean()) >= _AMOUNTS_DIFFER
    return (float(ratios.mean()), spread) if differ and spread <= _AMOUNTS_FIT else (None, spread)


def _relation(draw: Draw, hits: Sequence[_Hit], tried: int) -> Relation:
    registers = [h.value for h in hits]
    one = len(registers) == 1
    listed = ", ".join(str(r.register) for r in registers)
    best = min(hits, key=lambda h: h.chance)
    fitting = next((h for h in hits if h.ratio is not None), None)
    amounts = (
        ""
        if fitting is None
        else f" The falls of register {fitting.value.register} are {fitting.ratio:.4g} times what register "
        f"{'' if draw.source is None else draw.source.register} adds up to, within {fitting.spread:.1%}."
    )
    return Relation(
        RelationKind.FALLS_DURING,
        (*registers, *(() if draw.source is None else (draw.source,))),
        f"{'Register' if one else 'Registers'} {listed} of device {registers[0].device} "
        f"{'falls' if one else 'fall'} only {draw.when}.",
        f"{best.hits} of {best.times} falls of register {best.value.register} begin and end with one of "
        f"{len(draw.from_s)} times, with a lag of at most {_LAG_S:.0f} s.{amounts} The chance of that among the "
        f"{tried:,} pairs tried is {chance.in_words(best.chance)}.",
        "It may be the level of what is drawn from. A reading, or a look at who is loading from where, tells.",
        best.chance,
    )
