"""How a value goes over the whole record: its means in equal parts of time, and in which of them it falls.

Times and numbers in, means and falls out. A part is 10 s long, longer where the value is asked seldom or the record
is long. Parts without an answer are unknown, and so is what happens over them.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidetap.survey.relations.series import Flags, Floats

_MOST_PARTS = 4096
_SHORTEST_S = 10.0
_ANSWERS_A_PART = 3.0
_QUARTER = 0.32  # of a normal number's standard deviation: a quarter of them is smaller
_TIMES_NOISE = 5.0
_PAUSE = 2  # parts: a fall that pauses no longer goes on
_LEAST_FALL = 1 / 50  # of the span


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """from_s: where the first part begins. means: of each part, NaN where nothing was answered [parts]."""

    from_s: float
    width_s: float
    means: Floats
    rounding: float

    @property
    def steps(self) -> Floats:
        """The change from each part to the next; 0 where one of them is unknown [parts - 1]."""
        return np.nan_to_num(np.diff(self.means))


def course(t_s: Floats, numbers: Floats, rounding: float) -> Course | None:
    """Return the course of a value; None where there is too little of it."""
    known = np.isfinite(numbers)
    t_s, numbers = t_s[known], numbers[known]
    if len(t_s) < 100 or not t_s[-1] > t_s[0]:
        return None
    width_s = max(_SHORTEST_S, (t_s[-1] - t_s[0]) / _MOST_PARTS, _ANSWERS_A_PART * float(np.median(np.diff(t_s))))
    part = ((t_s - t_s[0]) / width_s).astype(np.int64)
    count = np.bincount(part)
    means = np.full(len(count), np.nan)
    np.divide(np.bincount(part, weights=numbers), count, out=means, where=count > 0)
    return Course(float(t_s[0]), width_s, means, rounding)


@dataclass(frozen=True, slots=True, eq=False)
class Falls:
    """When a value fell, and by how much [falls]."""

    from_s: Floats
    to_s: Floats
    amounts: Floats


def falls(course: Course) -> Falls:
    """Return the falls of a value: in each part by more than it jitters, together by a fiftieth of its span."""
    steps = course.steps
    noise = float(np.quantile(np.abs(steps), 0.25)) / _QUARTER
    falling = steps < -max(min(_TIMES_NOISE * noise, float(np.abs(steps).max()) / 4), course.rounding / 2)
    first, after = runs(_bridged(falling))
    whole = np.append(0.0, np.cumsum(steps))
    amounts = whole[first] - whole[after]
    large = amounts >= _LEAST_FALL * float(np.nanmax(course.means) - np.nanmin(course.means))
    # a step lies between the middles of two parts
    start, end = course.from_s + (first + 0.5) * course.width_s, course.from_s + (after + 0.5) * course.width_s
    return Falls(start[large], end[large], amounts[large])


def _bridged(flags: Flags) -> Flags:
    """Return flags with short pauses filled."""
    first, after = runs(~flags)
    filled = flags.copy()
    for start, end in zip(first.tolist(), after.tolist(), strict=True):
        if start > 0 and end < len(flags) and end - start <= _PAUSE:
            filled[start:end] = True
    return filled


def runs(flags: Flags) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return where each run of True begins, and what follows it."""
    edges = np.diff(flags.astype(np.int8), prepend=0, append=0)
    return np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
