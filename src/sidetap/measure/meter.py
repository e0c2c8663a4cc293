"""The levels of a site, from the transactions of its lines. Sans-I/O: feed ``receive``, ask ``level`` for any moment.

Theory of operation. Each vessel keeps the latest whole answer that holds its point and all that the point is judged
by, and the last good one. A good answer makes a new sample; one that says no (status, valid range, no number, a step)
makes the vessel bad until the next good one. Everything else only ages: an exception, a missed or damaged answer, an
answer without the status beside the value, repaired bytes and a backlog never refresh anything, for better or worse.

Age counts from when the last byte of the answer was on the wire. A clock that has been set back makes an age unknown,
and unknown is old.

Whoever commands valves tells with ``draw`` what they let out. From that come the watch on frozen values, the time to
the trip, and whether two levels tell what a load took. Without it (a recording, a panel) these three know nothing.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from fractions import Fraction

from sidetap.line import Outcome, Transaction
from sidetap.measure.budget import Budget
from sidetap.measure.by_level import Drawn, drawn
from sidetap.measure.course import Course
from sidetap.measure.judging import Judge, Sample
from sidetap.measure.level_reading import Content, LevelReading, Rate
from sidetap.measure.trend import Trend
from sidetap.measure.watch import Watch
from sidetap.quantity import NS_PER_S, Quality, format_number
from sidetap.site.model import Line, Point, Site, Vessel

# Members, looked up once: in Python 3.11 each look-up of one costs as much as all else that is done with it
_ANSWERED = Outcome.ANSWERED
_GOOD, _WARN, _OLD, _BAD = Quality.GOOD, Quality.WARN, Quality.OLD, Quality.BAD
_BELOW_SENSOR, _SIMULATED = Quality.BELOW_SENSOR, Quality.SIMULATED
_USABLE = frozenset(quality for quality in Quality if quality.usable)


class _Watched:
    """A vessel, its point, and what the line has said about it."""

    __slots__ = (
        "bad_samples",
        "budget",
        "content",
        "course",
        "fastest_01mm_per_ns",
        "good",
        "good_ns",
        "heel_m3",
        "judge",
        "latest",
        "latest_ns",
        "line",
        "passed_by",
        "point",
        "rate",
        "samples",
        "trend",
        "trip_m3",
        "vessel",
        "watch",
    )

    def __init__(self, vessel: Vessel, point: Point, line: Line) -> None:
        self.vessel, self.point, self.line = vessel, point, line
        self.judge, self.budget = Judge(vessel, point), Budget(vessel)
        self.trend, self.watch = Trend(point.poll_ns, self.judge.step_m), Watch(vessel.frozen)
        self.course = Course(vessel.frozen)
        fastest = point.max_step_m_per_s
        self.fastest_01mm_per_ns = None if fastest is None else float(fastest) * 10_000 / NS_PER_S
        self.trip_m3, self.heel_m3 = (_volume_m3(vessel, at) for at in (vessel.trip.below_01mm, vessel.heel_01mm))
        self.latest: Sample | None = None
        self.latest_ns = 0
        self.good: Sample | None = None
        self.good_ns = 0
        self.content: Content | None = None
        self.rate: Rate | None = None  # of the trend's slope
        self.samples = self.bad_samples = 0
        self.passed_by = False  # an answer of the device's table held not all that the point needs


class Meter:
    """The levels of one site."""

    def __init__(self, site: Site) -> None:
        lines = {line.tag: line for line in site.lines}
        self._first_line = site.lines[0].tag
        self._watched: dict[str, _Watched] = {}
        self._of_device: dict[tuple[str, int, str], list[_Watched]] = defaultdict(list)
        for vessel in site.vessels:
            point = site.point(vessel.level.point)
            watched = self._watched[vessel.tag] = _Watched(vessel, point, lines[point.line])
            self._of_device[point.line, point.device, point.table].append(watched)

    # -- in ----------------------------------------------------------------------------------------------------------

    def receive(self, transaction: Transaction, line: str | None = None) -> None:
        """Take what happened on a line (by its tag; None: the site's first), in the order it was heard."""
        if transaction.outcome is not _ANSWERED or transaction.repaired or transaction.backlog:
            return
        device, table = transaction.device, transaction.table
        first, t_ns = transaction.register, transaction.t_end_ns
        if table is None or first is None or t_ns is None:
            return
        of_device = self._of_device.get((self._first_line if line is None else line, device, table))
        words = transaction.words if of_device else None
        if of_device is None or words is None:
            return
        for watched in of_device:
            if watched.judge.holds(first, len(words)):
                _take(watched, watched.judge.judge(first, words), t_ns)
            else:
                watched.passed_by = True

    def draw(self, vessel: str, flows_m3_per_s: Sequence[float], receiving: bool, now_ns: int) -> None:
        """Take what is drawn from a vessel from now_ns on: the nominal flow of each open valve.

        receiving: whether its receipt's input is energised. The times of all calls never go back.
        """
        watched = self._watched[vessel]
        flow = sum(flows_m3_per_s)
        if flow != watched.watch.flow_m3_per_s or receiving != watched.watch.receiving:
            watched.trend.restart()
        watched.watch.draw(flow, receiving, now_ns)
        watched.course.draw(len(flows_m3_per_s), receiving)

    def freeze(self, vessel: str, level_01mm: int, text: str) -> None:
        """Take up that a value was found frozen by an earlier run."""
        self._watched[vessel].watch.freeze(level_01mm, text)

    def trust(self, vessel: str) -> None:
        """Believe a frozen value again, since a person has checked it."""
        self._watched[vessel].watch.trust()

    # -- out ---------------------------------------------------------------------------------------------------------

    def level(self, vessel: str, now_ns: int) -> LevelReading:
        """Return what is known of a vessel at now_ns, on the clock of the chunks; KeyError for no such vessel."""
        watched = self._watched[vessel]
        quality, reason = _quality(watched, now_ns)
        latest, good, watch = watched.latest, watched.good, watched.watch
        usable = good if quality in _USABLE else None
        content = watched.content if usable is not None else None
        rate = watched.rate if content is not None and watched.trend.slope is not None else None
        state, text = watch.state()
        at_most_m3 = None
        if quality is _BELOW_SENSOR and latest is not None and latest.at_most_m is not None:
            at_most_m3 = watched.vessel.geometry.volume_m3(float(latest.at_most_m))
        return LevelReading(
            vessel=vessel,
            level_01mm=None if usable is None else usable.level_01mm,
            exact=None if usable is None else usable.exact,
            quality=quality,
            reason=reason,
            age_ns=now_ns - watched.good_ns if good is not None and now_ns >= watched.good_ns else None,
            sample=watched.samples,
            bad_samples=watched.bad_samples,
            bad=(latest is not None and latest.exact is None) or watch.frozen is not None,
            last_good=None if good is None else (good.level_01mm, watched.good_ns),
            content=content,
            volume_at_most_m3=at_most_m3,
            rate=rate,
            to_trip_ns=None if content is None else _to_trip_ns(watched, content, rate),
            watch=state,
            watch_text=text,
        )

    def frozen(self, vessel: str) -> tuple[int, str] | None:
        """Return at which level in 0.1 mm a vessel's value stands frozen, and the sentence; else None."""
        return self._watched[vessel].watch.frozen

    def drawn(self, vessel: str, first_01mm: int | None, last_01mm: int | None, least_m3: float) -> Drawn:
        """Return what the present or last draw from a vessel took between two of its levels; see ``drawn``.

        Where the vessel's draws, receipts or the course of its level say that something else moved it too, that is
        the reason why it can't be determined.
        """
        watched = self._watched[vessel]
        objection = watched.course.objection()
        if objection:
            return Drawn(None, None, objection)
        return drawn(watched.vessel, first_01mm, last_01mm, least_m3)


def _take(watched: _Watched, sample: Sample, t_ns: int) -> None:
    good = watched.good
    if sample.exact is not None and good is not None:
        sample = _step_judged(watched, sample, good, t_ns - watched.good_ns)
    gap = t_ns - watched.latest_ns >= watched.point.close_age_ns
    watched.latest, watched.latest_ns = sample, t_ns
    if sample.exact is None:
        watched.bad_samples += 1
        watched.trend.restart()
        return
    watched.good, watched.good_ns = sample, t_ns
    watched.samples += 1
    if gap:
        watched.trend.restart()
    level_m, shape = sample.metres, watched.vessel.geometry
    volume_m3, area_m2 = shape.volume_m3(level_m), shape.area_m2(level_m)
    watched.content = watched.budget.content(level_m, volume_m3, area_m2, watched.heel_m3)
    watched.watch.see(sample.level_01mm, area_m2, t_ns)
    point = watched.trend.see(t_ns, level_m)
    if point is not None:
        point_ns, point_m = point
        watched.rate = _rate(watched.trend.slope, watched.budget, area_m2)
        watched.course.see(watched.watch.drawn_m3(point_ns), shape.volume_m3(point_m), area_m2)


def _step_judged(watched: _Watched, sample: Sample, good: Sample, since_ns: int) -> Sample:
    """Return sample, or a bad one when the level can't have moved so far since the last good one.

    Answers that come closer than the poll period (a second master, chunks delivered together) get the whole period,
    so that the last digit's flicker is no step.
    """
    if watched.fastest_01mm_per_ns is None:
        return sample
    allowed_ns = max(since_ns, watched.point.poll_ns)
    allowed_01mm = watched.fastest_01mm_per_ns * allowed_ns
    if abs(sample.level_01mm - good.level_01mm) < allowed_01mm - 2:
        return sample  # by more than what rounding hides; only what is near the limit is worked out exactly
    now_m, before_m, fastest = sample.level_m, good.level_m, watched.point.max_step_m_per_s
    if now_m is None or before_m is None or fastest is None:
        return sample
    step_m, allowed_m = now_m - before_m, fastest * allowed_ns / NS_PER_S
    if abs(step_m) <= allowed_m:
        return sample
    moved = f"{format_number(step_m * 1000)} mm in {format_number(Fraction(since_ns, NS_PER_S), 1)} s"
    return Sample(None, _BAD, f"a step of {moved}, over {format_number(allowed_m * 1000)} mm")


def _quality(watched: _Watched, now_ns: int) -> tuple[Quality, str]:
    point, latest = watched.point, watched.latest
    if latest is None and watched.passed_by:
        needed = sorted({point.register, *(condition.register for condition in point.good_when)})
        registers = " and ".join(str(register) for register in needed)
        return _OLD, f"no answer yet holds register{'s' if needed[1:] else ''} {registers} of {_where(point)}"
    if latest is None:
        return _OLD, f"no whole answer yet from {_where(point)}"
    silence_ns = now_ns - watched.latest_ns
    if silence_ns < 0:
        return _OLD, "the clock was set back, so that its age is unknown"
    if silence_ns >= point.close_age_ns:
        return _OLD, f"no answer for {_seconds(silence_ns)} s from {_where(point)}"
    if latest.exact is None:
        return latest.quality, latest.reason
    if watched.watch.frozen is not None:
        return _BAD, watched.watch.frozen[1]
    if silence_ns >= point.warn_age_ns:
        return _WARN, f"no answer for {_seconds(silence_ns)} s from {_where(point)}"
    if watched.line.port.startswith("pty:"):
        return _SIMULATED, f"line {point.line} is simulated"
    return _GOOD, ""


def _rate(slope: tuple[float, float] | None, budget: Budget, area_m2: float) -> Rate | None:
    if slope is None:
        return None
    level_m_per_s, level_u_m_per_s = slope
    flow = level_m_per_s * area_m2
    return Rate(level_m_per_s, level_u_m_per_s, flow, budget.flow_m3_per_s(flow, level_u_m_per_s, area_m2))


def _to_trip_ns(watched: _Watched, content: Content, rate: Rate | None) -> int | None:
    """Return how long the present draw can go on, by the faster of what is declared and what is seen."""
    flow = watched.watch.flow_m3_per_s
    if rate is not None:
        flow = max(flow, -rate.volume_m3_per_s) if rate.falling else 0.0
    if flow <= 0:
        return None
    return int(max(0.0, content.volume_m3 - watched.trip_m3) / flow) * NS_PER_S


def _volume_m3(vessel: Vessel, level_01mm: int) -> float:
    """Return the volume at a limit of the vessel; under its lowest level there is none to speak of."""
    level_m, shape = level_01mm / 10_000, vessel.geometry
    return shape.volume_m3(level_m) if level_m >= shape.bottom_m else 0.0


def _where(point: Point) -> str:
    return f"device {point.device} on line {point.line}"


def _seconds(duration_ns: int) -> str:
    return format_number(Fraction(duration_ns, NS_PER_S), 1)
