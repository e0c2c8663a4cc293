"""Two registers of one device that tell one quantity: equal, opposite, in proportion, along a line or a curve.

Values side by side in, the pairs that fit out, as numbers; `telling.py` puts them in words. What is held against
what: every two values of a device that move enough, by their correlation, linear and by rank (one product of
matrices each). Of those that correlate the closest are fitted, four times as many as there are registers and 1,000 on
the whole line at most.

Two registers at rest fit anything, and so do two that each rise once. A pair is believed only where
  both move         by 20 times what they are rounded to, through 6 of 10 parts of their span and not in a jump or two
  more than once    on 3 occasions or more, each of which ends in a rest or a turn
  closely           what is left is at most a twelfth of the movement
  beyond chance     that one of all the pairs on the line does so by accident is less likely than 1 in 10,000
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sidetap.survey.relations import chance
from sidetap.survey.relations.lines import Law, Line, fit, law_of
from sidetap.survey.relations.series import Floats, Places, Sheet, bridged, occasions
from sidetap.survey.values import Kind

_MOVING = (Kind.MEASUREMENT, Kind.COUNTER)  # a distance that only grows looks like a counter
MOST_FITS = 1000  # on one line
_FITS_A_VALUE = 4
_CORRELATED = 0.97
_ROUNDINGS = 20.0
_PARTS, _COVERED = 10, 6
_FEWEST_OCCASIONS, _FEWEST_OF_A_CURVE = 3, 4
_CLOSE = 1 / 12
_TRIMMED = 0.98
_MUCH_CLOSER = 3
_TRIMMING = 100
_FREE_CURVE = 1000  # a curve fits more than a line: as if so many times as many pairs had been tried


@dataclass(frozen=True, slots=True)
class Pair:
    """Two values that fit, by number: y follows x, by a line, or by a curve (line None).

    left: what 98 % of the answers lie within of it. rounding: what the last digits of both allow. moved: on how many
    occasions.
    """

    x: int
    y: int
    law: Law
    line: Line | None
    rises: bool
    left: float
    rounding: float
    answers: int
    moved: int
    chance: float


def wide(sheet: Sheet) -> list[int]:
    """Return the values that move by much more than what they are rounded to."""
    far = np.flatnonzero((sheet.spans > _ROUNDINGS * sheet.rounding) & (sheet.spans > 0))
    return [n for n in far.tolist() if sheet.values[n].kind in _MOVING]


def movers(sheet: Sheet) -> list[int]:
    """Return the values that move enough to be held against each other."""
    far = np.array(wide(sheet), dtype=np.int64)
    numbers = bridged(sheet.numbers[far])
    often = occasions(numbers, sheet.spans[far] / 8) >= _FEWEST_OCCASIONS
    return [int(n) for n in far[often & (_covered(numbers) >= _COVERED)]]


def _covered(numbers: Floats) -> Places:
    """Return through how many of ten parts of its span each series passes: few, where it only jumps [values]."""
    if not numbers.size:
        return np.zeros(len(numbers), dtype=np.int64)
    low, high = np.quantile(numbers, (0.02, 0.98), axis=1)
    width = np.maximum(high - low, np.finfo(np.float64).tiny)[:, None] / _PARTS
    part = np.clip((numbers - low[:, None]) / width, 0, _PARTS - 1).astype(np.int64)
    held = np.zeros((len(numbers), _PARTS), dtype=np.bool_)
    held[np.arange(len(numbers))[:, None], part] = True
    return np.asarray(np.count_nonzero(held, axis=1), dtype=np.int64)


def pairs(sheet: Sheet, moving: Sequence[int], tried: int, most_fits: int) -> tuple[list[Pair], int]:
    """Return the pairs that fit among the moving values, closest first, and how many fits were made.

    tried: how many pairs there are on the whole line.
    """
    if len(moving) < 2:
        return [], 0
    numbers = bridged(sheet.numbers[list(moving)])
    linear, ranked = np.abs(_correlations(numbers)), np.abs(_correlations(_ranks(numbers)))
    best = np.triu(np.maximum(linear, ranked), 1)
    moved = occasions(numbers, sheet.spans[list(moving)] / 8)
    free = np.minimum(moved[:, None], moved) * 2 - 2
    # trimming may bring a pair closer than its correlation; not tenfold in size
    beyond = tried * ((1 - np.minimum(best, 1.0) ** 2) / _TRIMMING) ** (free / 2) <= chance.LARGEST
    first, second = np.nonzero((best >= _CORRELATED) & beyond)
    order = np.argsort(-best[first, second], kind="stable")[: min(_FITS_A_VALUE * len(moving), most_fits)]
    found = []
    for i, j in zip(first[order].tolist(), second[order].tolist(), strict=True):
        pair = _pair(sheet, moving[i], moving[j], tried)
        if pair is not None:
            found.append(pair)
    return found, len(order)


def _ranks(numbers: Floats) -> Floats:
    return np.argsort(np.argsort(numbers, axis=1, kind="stable"), axis=1, kind="stable").astype(np.float64)


def _correlations(numbers: Floats) -> Floats:
    middle = numbers - numbers.mean(axis=1, keepdims=True)
    scaled = middle / np.maximum(np.sqrt((middle**2).sum(axis=1, keepdims=True)), np.finfo(np.float64).tiny)
    return np.asarray(scaled @ scaled.T)


def _pair(sheet: Sheet, first: int, second: int, tried: int) -> Pair | None:
    """Return how two values fit, the coarser one as a function of the finer one; None where they don't."""
    coarse = [sheet.rounding[n] / sheet.spans[n] for n in (first, second)]
    x_at, y_at = (first, second) if coarse[0] <= coarse[1] else (second, first)
    known = np.isfinite(sheet.numbers[x_at]) & np.isfinite(sheet.numbers[y_at])
    x, y, span = sheet.numbers[x_at, known], sheet.numbers[y_at, known], float(sheet.spans[y_at])
    line, inner = fit(x, y)
    moved = _moved(y, max(span / 8, 4 * line.left))
    rounding = float(sheet.rounding[y_at] + abs(line.scale) * sheet.rounding[x_at])
    if line.left <= _CLOSE * span and moved >= _FEWEST_OCCASIONS:
        follows = float(np.corrcoef(x[inner], y[inner])[0, 1])
        likely = chance.of_correlation(follows, moved, tried)
        if likely <= chance.LARGEST and not (line.left > 2 * rounding and _bent(x, y, line)):
            law, line = law_of(line, x, y, rounding, moved)
            return Pair(x_at, y_at, law, line, line.scale > 0, line.left, rounding, len(x), moved, likely)
    rises = bool(_correlations(_ranks(np.array([x, y])))[0, 1] > 0)
    left, follows = _curve(x, y if rises else -y)
    moved = _moved(y, max(span / 8, 4 * left))
    if left <= _CLOSE * span and moved >= _FEWEST_OF_A_CURVE and _returns(y):
        likely = chance.of_correlation(follows, moved, tried * _FREE_CURVE)
        if likely <= chance.LARGEST:
            return Pair(x_at, y_at, Law.CURVE, None, rises, left, rounding, len(x), moved, likely)
    return None


def _moved(series: Floats, amount: float) -> int:
    return int(occasions(series[None], np.array([amount]))[0])


def _bent(x: Floats, y: Floats, line: Line) -> bool:
    """Whether a curve leaves much less than a line does."""
    return _curve(x, y if line.scale > 0 else -y)[0] < line.left / _MUCH_CLOSER


def _curve(x: Floats, y: Floats) -> tuple[float, float]:
    """Return how far answers lie from a curve that never falls, and how closely they follow it.

    The curve lies midway between the highest y that any smaller x has and the lowest that any greater x has: no other
    one has a smaller greatest distance (from memory, as isotonic regression in the largest norm).
    """
    order = np.lexsort((y, x))
    y = y[order]
    highest, lowest = np.maximum.accumulate(y), np.minimum.accumulate(y[::-1])[::-1]
    curve = (highest + lowest) / 2
    return float(np.quantile(np.abs(y - curve), _TRIMMED)), float(np.corrcoef(curve, y)[0, 1])


def _returns(y: Floats) -> bool:
    """Whether a series goes back the way it came: it rises and falls by half of its span or more."""
    low, high = np.quantile(y, (0.02, 0.98))
    fell = (np.maximum.accumulate(y) - y).max()
    rose = (y - np.minimum.accumulate(y)).max()
    return bool(min(fell, rose) >= (high - low) / 2)
