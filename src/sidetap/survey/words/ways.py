"""One way to read a level off the line, through the record: what came, what it decodes to, what it would mean.

A survey and the register, encoding and law of an answer in; numbers over time and words out.
"""

from dataclasses import dataclass
from math import floor, log10

import numpy as np
from numpy.typing import NDArray

from sidetap.survey.matching import Rival
from sidetap.survey.survey import Survey
from sidetap.survey.values import Candidate, Value
from sidetap.survey.words.vocabulary import (
    bytes_as_taken,
    decimals,
    encoding_words,
    number,
    place,
    sureness,
    trend_words,
    wire_bytes,
)

_NEAR_NS = 5_000_000_000  # what a typed time is good to


@dataclass(frozen=True, eq=False)
class Way:
    """A register, how it is read, and by what law it tells the level.

    now, level_now: the last answer, decoded and as the level; "none" where it holds no value. span: of the level.
    most: the largest decoded number. t_ns, level: every good answer kept, as the level in unit.
    """

    rival: Rival
    unit: str
    decimals: int
    place: str
    encoding: str
    wire: str
    taken: str
    now: str
    level_now: str
    span: str
    law: str
    trend: str
    chance: str
    most: float
    t_ns: NDArray[np.int64]
    level: NDArray[np.float64]

    def level_at(self, t_ns: int) -> float | None:
        """Return the level about a typed time; None outside of the record."""
        near = np.abs(self.t_ns - t_ns) <= _NEAR_NS
        if near.any():
            return float(np.median(self.level[near]))
        if not len(self.t_ns) or not self.t_ns[0] <= t_ns <= self.t_ns[-1]:
            return None
        return float(np.interp(t_ns, self.t_ns, self.level))

    def told(self, level: float | None) -> str:
        """Return a level in words, to the digits of the readings."""
        return "none" if level is None else f"{number(level, self.decimals)} {self.unit}"


def way(found: Survey, rival: Rival, unit: str, places: int) -> Way | None:
    """Return the way that an answer or a rival stands for; places: decimals of the readings in unit."""
    candidate = _candidate(found, rival)
    if candidate is None or candidate.block.t_ns is None:
        return None
    series = candidate.decoded()
    good = np.isfinite(series)
    if not good.any():
        return None
    last = float(series[-1]) if good[-1] else None
    start = candidate.register - candidate.block.register
    words = [int(w) for w in candidate.block.words[-1, start : start + len(candidate.registers)]]
    level = rival.scale * series[good] + rival.offset
    low, high = float(level.min()), float(level.max())
    value = _value(found, rival)
    most = float(np.abs(series[good]).max())
    level_now = None if last is None else rival.scale * last + rival.offset
    return Way(
        rival,
        unit,
        places,
        place(rival.device, rival.table, rival.register),
        encoding_words(rival.encoding),
        wire_bytes(words),
        bytes_as_taken(rival.encoding, words) or "",
        number(last, decimals([series[good].min(), series[good].max()])),
        "none" if level_now is None else f"{number(level_now, places)} {unit}",
        f"{number(low, places)} .. {number(high, places)} {unit}",
        law_words(rival, unit, places, most),
        _trend(value, rival, unit, places),
        sureness(rival.confidence),
        float(series[good].max()),
        candidate.block.t_ns[good],
        level,
    )


def _candidate(found: Survey, rival: Rival) -> Candidate | None:
    ways = [
        c
        for device in found.devices
        if device.device == rival.device
        for c in device.candidates
        if (c.block.table, c.register, c.hypothesis.encoding) == (rival.table, rival.register, rival.encoding)
    ]
    return max(ways, key=lambda c: len(c.block.words), default=None)


def _value(found: Survey, rival: Rival) -> Value | None:
    """Return the survey's value of the same registers and encoding."""
    for value in found.values(rival.device):
        if (value.table, value.register, value.encoding) == (rival.table, rival.register, rival.encoding):
            return value
    return None


def _trend(value: Value | None, rival: Rival, unit: str, places: int) -> str:
    if value is None or value.min is None:
        return ""
    if value.min == value.max:
        return "never changed"
    per_h = None if value.trend_per_h is None else value.trend_per_h * rival.scale
    return trend_words(per_h, places, unit)


def law_words(rival: Rival, unit: str, places: int, most: float) -> str:
    """Return the law with the digits that it takes to be off by a tenth of a reading's last digit at most.

    places: decimals of the readings. most: the largest size of a decoded number.

    >>> law_words(Rival(13, "input-register", 8, "float32-high-word-first", 0.07313432, 0.41854, 1.0), "m", 3, 27.1)
    'm = decoded × 0.073134 + 0.4185'
    """
    off = 10.0 ** -(places + 1)
    digits = max(0, -floor(log10(2 * off / most))) if most > 0 else places + 1
    scale = _trimmed(rival.scale, digits)
    offset = _trimmed(abs(rival.offset), places + 1)
    times = {"1": "decoded", "-1": "decoded"}.get(scale, f"decoded × {scale.removeprefix('-')}")
    if rival.scale < 0:
        return f"{unit} = {'-' if rival.offset < 0 else ''}{offset} - {times}"
    return f"{unit} = {times}" if offset == "0" else f"{unit} = {times} {'+' if rival.offset >= 0 else '-'} {offset}"


def _trimmed(x: float, places: int) -> str:
    words = f"{x:.{places}f}"
    return words.rstrip("0").rstrip(".") if "." in words else words
