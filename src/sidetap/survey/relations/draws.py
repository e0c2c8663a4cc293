"""When something draws: from what people noted, from registers that rest at zero, and from totals that rise in runs.

Noted events and series over time in, `Draw`s out: spans of time with a name, and how much each took where a register
tells. A noted name with a word for a beginning (start, on, open, begin) lasts until the same name with a word for an
end; a name with neither is a moment, and its end is open.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidetap.quantity import NS_PER_S
from sidetap.survey.events import YardEvent
from sidetap.survey.relations.course import Course, runs
from sidetap.survey.relations.relation import Tied
from sidetap.survey.relations.series import Flags, Floats, Sheet

FEWEST = 4  # times
_BEGINS = {"start", "starts", "started", "on", "open", "opens", "opened", "begin", "begins", "began"}
_ENDS = {"stop", "stops", "stopped", "off", "close", "closes", "closed", "end", "ends", "ended"}
_RUNNING, _RESTING = 0.1, 0.02  # of the most: a register runs above the one, and rests below the other
_RESTS = 0.1  # share of the record
_SETTLE_S = 5.0  # typed times are good to that


@dataclass(frozen=True, slots=True, eq=False)
class Draw:
    """Something that draws, again and again. when: in words, behind "falls only".

    from_s, to_s: when [times]; to_s NaN where no end was noted.
    amounts: what each time took in the register's own unit [times], or None. unsure_s: how well the times are known.
    source: the register that shows it, or None where people noted it.
    """

    when: str
    from_s: Floats
    to_s: Floats
    amounts: Floats | None
    unsure_s: float
    source: Tied | None


def noted(events: Sequence[YardEvent]) -> list[Draw]:
    """Return the draws that people noted."""
    spans: dict[str, list[tuple[float, float]]] = {}
    open_since: dict[str, float] = {}
    for event in sorted(events, key=lambda e: e.t_ns):
        words = re.findall(r"[^\W_]+", event.name)
        plain = " ".join(w for w in words if w.lower() not in _BEGINS | _ENDS)
        said = {w.lower() for w in words}
        at_s = event.t_ns / NS_PER_S
        if _BEGINS & said:
            open_since[plain] = at_s
        elif _ENDS & said:
            if plain in open_since:
                spans.setdefault(plain, []).append((open_since.pop(plain), at_s))
        else:
            spans.setdefault(event.name, []).append((at_s, np.nan))
    found = []
    for name, times in spans.items():
        if len(times) >= FEWEST:
            from_s, to_s = np.array(times).T
            when = "after the noted" if np.isnan(to_s).any() else "between the noted beginning and end of"
            found.append(Draw(f"{when} {name!r}", from_s, to_s, None, _SETTLE_S, None))
    return found


def seems_to_draw(sheet: Sheet) -> Flags:
    """Return which values are worth a closer look: they often rest, at zero or on their way up [values]."""
    numbers = sheet.numbers
    most = np.where(np.isfinite(numbers), numbers, 0.0).max(axis=1)
    with np.errstate(invalid="ignore"):
        resting = np.mean(np.abs(numbers) <= _RESTING * most[:, None], axis=1) >= _RESTS
        steps = np.diff(numbers, axis=1)
        counting = ~(steps < 0).any(axis=1) & (np.mean(steps == 0, axis=1) >= _RESTS) & (steps > 0).any(axis=1)
    return np.asarray((resting & (most > 0) & (sheet.spans > 0)) | counting)


def of_flow(course: Course, source: Tied) -> Draw | None:
    """Return the draws of a register that rests at zero and runs now and then: a flow, a speed, a current."""
    means = course.means
    known = np.isfinite(means)
    if not known.any():
        return None
    most = float(np.quantile(means[known], 0.98))
    resting = (np.abs(means) <= _RESTING * most) & known
    if most <= 0 or resting[known].mean() < _RESTS or (means[known] < -_RESTING * most).any():
        return None
    first, after = runs(np.where(known, means, 0.0) > _RUNNING * most)
    return _draw(course, source, first, after, np.where(known, means, 0.0) * course.width_s, "runs")


def of_total(course: Course, source: Tied) -> Draw | None:
    """Return the draws of a register that only rises, in runs with rests between: a totaliser."""
    steps = course.steps
    if (steps < 0).any() or (steps > 0).mean() > 1 - _RESTS:
        return None
    first, after = runs(steps > 0)
    return _draw(course, source, first, after, steps, "rises")


def _draw(
    course: Course, source: Tied, first: NDArray[np.int64], after: NDArray[np.int64], parts: Floats, does: str
) -> Draw | None:
    if len(first) < FEWEST:
        return None
    whole = np.append(0.0, np.cumsum(parts))
    return Draw(
        f"while register {source.register} of device {source.device} {does}",
        np.asarray(course.from_s + first * course.width_s, dtype=np.float64),
        np.asarray(course.from_s + after * course.width_s, dtype=np.float64),
        whole[after] - whole[first],
        course.width_s,
        source,
    )
