"""The levels of a site, from the transactions of its lines. Sans-I/O: feed ``receive``, ask ``level`` for any moment.

Theory of operation. Each vessel keeps the latest whole answer that holds its point and all that the point is judged
by, and the last good one. A good answer makes a new sample; one that says no (status, valid range, no number, a step)
makes the vessel bad until the next good one. Everything else only ages: an exception, a missed or damaged answer, an
answer without the status beside the value, repaired bytes and a backlog never refresh anything, for better or worse.

Age counts from when the last byte of the answer was on the wire. A clock that has been set back makes an age unknown,
and unknown is old.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, replace
from fractions import Fraction

from sidetap.line import Outcome, Transaction
from sidetap.measure.judging import Sample, holds_point, judge
from sidetap.measure.level_reading import LevelReading
from sidetap.quantity import NS_PER_S, Quality, format_number
from sidetap.site.model import Point, Site, Vessel


@dataclass(slots=True)
class _Watched:
    """A vessel, its point, and what the line has said about it."""

    vessel: Vessel
    point: Point
    latest: Sample | None = None
    latest_ns: int = 0
    good: Fraction | None = None
    good_ns: int = 0
    samples: int = 0
    bad_samples: int = 0


class Meter:
    """The levels of one site."""

    def __init__(self, site: Site) -> None:
        self._first_line = site.lines[0].tag
        self._watched = {v.tag: _Watched(v, site.point(v.level.point)) for v in site.vessels}
        self._of_device: dict[tuple[str, int, str], list[_Watched]] = defaultdict(list)
        for watched in self._watched.values():
            point = watched.point
            self._of_device[point.line, point.device, point.table].append(watched)

    def receive(self, transaction: Transaction, line: str | None = None) -> None:
        """Take what happened on a line (by its tag; None: the site's first), in the order it was heard."""
        if transaction.outcome is not Outcome.ANSWERED or transaction.repaired or transaction.backlog:
            return
        words, t_ns = transaction.words, transaction.t_end_ns
        if words is None or t_ns is None or transaction.table is None or transaction.register is None:
            return
        key = (self._first_line if line is None else line, transaction.device, transaction.table)
        for watched in self._of_device.get(key, ()):
            if holds_point(watched.point, transaction.register, len(words)):
                _take(watched, judge(watched.vessel, watched.point, transaction.register, words), t_ns)

    def level(self, vessel: str, now_ns: int) -> LevelReading:
        """Return what is known of a vessel at now_ns, on the clock of the chunks; KeyError for no such vessel."""
        watched = self._watched[vessel]
        quality, reason = _quality(watched, now_ns)
        age_ns = now_ns - watched.good_ns if watched.good is not None and now_ns >= watched.good_ns else None
        latest = watched.latest
        reading = LevelReading(
            vessel=vessel,
            level_01mm=None,
            level_m=None,
            quality=quality,
            reason=reason,
            age_ns=age_ns,
            sample=watched.samples,
            bad_samples=watched.bad_samples,
            bad=latest is not None and latest.level_m is None,
            last_good=None if watched.good is None else (_floor_01mm(watched.good), watched.good_ns),
        )
        return _with_volume(reading, watched)


def _take(watched: _Watched, sample: Sample, t_ns: int) -> None:
    if sample.level_m is not None and watched.good is not None:
        sample = _step_judged(watched, sample, sample.level_m - watched.good, t_ns - watched.good_ns)
    watched.latest, watched.latest_ns = sample, t_ns
    if sample.level_m is None:
        watched.bad_samples += 1
        return
    watched.good, watched.good_ns = sample.level_m, t_ns
    watched.samples += 1


def _step_judged(watched: _Watched, sample: Sample, step_m: Fraction, since_ns: int) -> Sample:
    """Return sample, or a bad one when the level can't have moved so far since the last good one.

    Answers that come closer than the poll period (a second master, chunks delivered together) get the whole period,
    so that the last digit's flicker is no step.
    """
    point = watched.point
    if point.max_step_m_per_s is None:
        return sample
    allowed_m = point.max_step_m_per_s * max(since_ns, point.poll_ns) / NS_PER_S
    if abs(step_m) <= allowed_m:
        return sample
    moved = f"{format_number(step_m * 1000)} mm in {format_number(Fraction(since_ns, NS_PER_S), 1)} s"
    return Sample(None, Quality.BAD, f"a step of {moved}, over {format_number(allowed_m * 1000)} mm")


def _quality(watched: _Watched, now_ns: int) -> tuple[Quality, str]:
    point, latest = watched.point, watched.latest
    where = f"device {point.device} on line {point.line}"
    if latest is None:
        return Quality.OLD, f"no whole answer yet from {where}"
    silence_ns = now_ns - watched.latest_ns
    if silence_ns < 0:
        return Quality.OLD, "the clock was set back, so that its age is unknown"
    if silence_ns >= point.close_age_ns:
        return Quality.OLD, f"no answer for {_seconds(silence_ns)} s from {where}"
    if latest.level_m is None:
        return latest.quality, latest.reason
    if silence_ns >= point.warn_age_ns:
        return Quality.WARN, f"no answer for {_seconds(silence_ns)} s from {where}"
    return Quality.GOOD, ""


def _with_volume(reading: LevelReading, watched: _Watched) -> LevelReading:
    vessel, latest = watched.vessel, watched.latest
    shape = vessel.geometry
    if reading.quality is Quality.BELOW_SENSOR and latest is not None and latest.at_most_m is not None:
        return replace(reading, volume_at_most_m3=shape.volume_m3(float(latest.at_most_m)))
    if not reading.quality.usable or watched.good is None:
        return reading
    level = float(watched.good)
    volume = shape.volume_m3(level)
    from_level = vessel.uncertainty.reading_01mm / 10_000 * shape.area_m2(level)
    from_shape = float(vessel.uncertainty.volume) * volume
    return replace(
        reading,
        level_01mm=_floor_01mm(watched.good),
        level_m=watched.good,
        volume_m3=volume,
        mass_kg=volume * float(vessel.density.kg_per_m3),
        uncertainty_m3=math.hypot(from_level, from_shape),
    )


def _floor_01mm(level_m: Fraction) -> int:
    return level_m * 10_000 // 1


def _seconds(duration_ns: int) -> str:
    return format_number(Fraction(duration_ns, NS_PER_S), 1)
