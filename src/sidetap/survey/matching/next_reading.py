"""Which moment of a record would have told the rivals apart: where their levels lie furthest from each other.

Predicted levels over the record in, the place of the best moment out, if one reading there would have settled it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidetap.survey.values import SETTLED
from sidetap.survey.evidence.codelength import Floats

_APART = 4.0  # noises two levels must lie apart for one reading to tell them
_MOST = 60


@dataclass(frozen=True, slots=True)
class Prediction:
    """A hypothesis' probability, the level it predicts over the record, and the standard deviation of that."""

    probability: float
    level: Floats
    uncertainty: Floats


def best_moment(
    predictions: Sequence[Prediction], agreeing: int, noise: float, allowed: float, usable: NDArray[np.bool_]
) -> int | None:
    """Return the place of the moment whose reading would have settled which prediction holds; None if none would.

    The first `agreeing` predictions are one answer. noise: of a reading, standard deviation. allowed: how far a
    settled level may be off; where only its scale is open, the reading must reach the least known level. usable: the
    moments whose reading can settle anything.
    """
    group = predictions[:agreeing]
    rivals = sorted(predictions[agreeing:], key=lambda p: -p.probability)[:_MOST]
    mine = sum(p.probability for p in group)
    if not group or mine == 0 or not usable.any():
        return None
    level = group[0].level
    left = np.zeros(len(level))  # probability of rivals that a reading at each moment would not have told apart
    apart = np.zeros(len(level))
    for rival in rivals:
        distance = np.abs(rival.level - level)
        told = distance > _APART * np.sqrt(noise**2 + rival.uncertainty**2 + group[0].uncertainty ** 2)
        left += np.where(told, 0.0, rival.probability)
        apart += rival.probability * np.minimum(distance, 1e6)
    if not rivals:
        place = int(np.argmax(np.where(usable, group[0].uncertainty, -1.0)))
        return place if group[0].uncertainty[place] > 0 and noise < allowed else None
    left[~usable] = np.inf
    least = float(left.min())
    if least / (least + mine) > 1 - SETTLED:
        return None
    candidates = np.flatnonzero(left == left.min())
    return int(candidates[np.argmax(apart[candidates])])
