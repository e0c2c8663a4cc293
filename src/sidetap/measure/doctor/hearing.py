"""What the line reported when somebody read: transactions around the readings in, one comparison for each out.

Theory of operation. A typed time is good to some seconds, so the level of a moment is that of a straight line laid
through the good answers around it, and its slope is the rate that the reading's tolerance grows by. The answer
nearest to the moment decides the quality: where that one is no level, neither is the moment.

A level above the vessel's top, and one outside the valid range, are never handed out by ``measure``; but a wrong
density or a wrong unit is what makes them, so their numbers are kept here, marked, as evidence. Sans-I/O, no clock.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction

import numpy as np

from sidetap.line import Outcome, Transaction, decode_exact, width
from sidetap.measure.doctor.naming import Noted
from sidetap.measure.judging import holds_point, judge
from sidetap.quantity import NS_PER_S, Quality, to_si
from sidetap.site.levels import level_m
from sidetap.site.model import Point, Site, Vessel

TYPED_TIME_NS = 5 * NS_PER_S  # what a typed time is good to
_LEAD_NS = 60 * NS_PER_S  # of line before a reading, from which a parser finds its feet
_POLLS = 2  # on each side of a reading, where polls are slow
_ANYTHING = (Fraction(-(10**12)), Fraction(10**12))


class Standing(StrEnum):
    """How far the line's number at a reading can be used."""

    GOOD = "good"  # a level as the station would show it
    ABOVE_TOP = "above-top"  # valid, but the vessel ends below
    INVALID = "invalid"  # outside the point's valid range; only its number is known
    NOTHING = "nothing"  # no number at all


@dataclass(frozen=True, slots=True)
class Comparison:
    """A reading beside what the line reported, lengths in m, exact; None with NOTHING.

    reason: why standing is not GOOD. rate_m_per_s: of the reported level, its amount. scatter_m: standard deviation
    of the answers about their straight line.
    """

    noted: Noted
    standing: Standing
    reason: str
    reported_m: float | None = None
    rate_m_per_s: float = 0.0
    scatter_m: float = 0.0


@dataclass(frozen=True, slots=True)
class _Answer:
    t_ns: int
    standing: Standing
    reason: str
    level_m: float | None


class Hearing:
    """Listens to a site's line around the moments at which people read."""

    def __init__(self, site: Site, noted: Sequence[Noted]) -> None:
        self._noted = tuple(noted)
        self._first_line = site.lines[0].tag
        self._answers: dict[str, list[_Answer]] = defaultdict(list)
        self._windows: dict[str, list[tuple[int, int]]] = defaultdict(list)
        self._vessels: dict[str, tuple[Vessel, Point]] = {}
        for each in noted:
            self._vessels[each.vessel.tag] = (each.vessel, each.point)
            self._windows[each.vessel.tag].append(_window(each))
        self._spans = [span for spans in self._windows.values() for span in spans]

    def wants(self, t_ns: int) -> bool:
        """Return whether bytes of this time can matter; all others may be passed over."""
        return any(start - _LEAD_NS <= t_ns <= end + NS_PER_S for start, end in self._spans)

    def receive(self, transaction: Transaction, line: str | None = None) -> None:
        """Take what happened on a line (by its tag; None: the site's first), in the order it was heard."""
        if transaction.outcome is not Outcome.ANSWERED or transaction.repaired or transaction.backlog:
            return
        words, t_ns, first = transaction.words, transaction.t_end_ns, transaction.register
        if words is None or t_ns is None or first is None:
            return
        tag = self._first_line if line is None else line
        for vessel, point in self._vessels.values():
            if (point.line, point.device, point.table) != (tag, transaction.device, transaction.table):
                continue
            if not holds_point(point, first, len(words)):
                continue
            if any(start <= t_ns <= end for start, end in self._windows[vessel.tag]):
                self._answers[vessel.tag].append(_answer(vessel, point, first, words, t_ns))

    def comparisons(self) -> list[Comparison]:
        """Return one comparison for each reading, in their order."""
        return [self._compared(noted) for noted in self._noted]

    def _compared(self, noted: Noted) -> Comparison:
        start, end = _window(noted)
        near = [a for a in self._answers[noted.vessel.tag] if start <= a.t_ns <= end]
        if not near:
            return Comparison(noted, Standing.NOTHING, f"no whole answer from device {noted.point.device} then")
        moment = noted.reading.t_ns
        nearest = min(near, key=lambda a: abs(a.t_ns - moment))
        if nearest.level_m is None:
            return Comparison(noted, Standing.NOTHING, nearest.reason)
        of_its_kind = [(a.t_ns, a.level_m) for a in near if a.standing is nearest.standing and a.level_m is not None]
        if len({t_ns for t_ns, _ in of_its_kind}) < 2:
            return Comparison(noted, Standing.NOTHING, "a single good answer then, so that its rate is unknown")
        level, rate, scatter = _line(moment, of_its_kind)
        return Comparison(noted, nearest.standing, nearest.reason, level, abs(rate), scatter)


def _window(noted: Noted) -> tuple[int, int]:
    around_ns = max(TYPED_TIME_NS, _POLLS * noted.point.poll_ns)
    return noted.reading.t_ns - around_ns, noted.reading.t_ns + around_ns


def _answer(vessel: Vessel, point: Point, first: int, words: Sequence[int], t_ns: int) -> _Answer:
    sample = judge(vessel, point, first, words)
    if sample.level_m is not None:
        return _Answer(t_ns, Standing.GOOD, "", float(sample.level_m))
    quality = sample.quality
    standing = Standing.ABOVE_TOP
    if quality is Quality.BAD:  # because of its valid range alone?
        quality = judge(vessel, replace(point, valid=_ANYTHING), first, words).quality
        standing = Standing.INVALID
    if quality in (Quality.GOOD, Quality.ABOVE_TOP):
        return _Answer(t_ns, standing, sample.reason, _unchecked_m(vessel, point, first, words))
    return _Answer(t_ns, Standing.NOTHING, sample.reason, None)


def _unchecked_m(vessel: Vessel, point: Point, first: int, words: Sequence[int]) -> float | None:
    start = point.register - first
    decoded = decode_exact(point.encoding, words[start : start + width(point.encoding)])
    if decoded is None:
        return None
    return float(level_m(vessel.level, vessel.density, to_si(decoded * point.scale + point.offset, point.unit)))


def _line(moment_ns: int, answers: Sequence[tuple[int, float]]) -> tuple[float, float, float]:
    """Return level in m, rate in m/s and scatter in m at a moment, by least squares through answers around it."""
    seconds = np.array([(t_ns - moment_ns) / NS_PER_S for t_ns, _ in answers])
    levels = np.array([level for _, level in answers])
    centre = seconds.mean()
    rate = float(((seconds - centre) * levels).sum() / ((seconds - centre) ** 2).sum())
    level = float(levels.mean() - rate * centre)
    rest = levels - level - rate * seconds
    scatter = float(np.sqrt((rest**2).sum() / (len(rest) - 2))) if len(rest) > 2 else 0.0
    return level, rate, scatter
