"""A course of events of a counter-example -> what hands have to do in the simulated yard, and when.

Most events are an act when they begin and another one when they end. What takes time in a yard begins earlier: a
level that is so old has come so long before, a module that isn't heard has been cut off before its inputs were too
old.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial

from sidetap.promises.model import CRASH
from sidetap.quantity import NS_PER_MS
from sidetap.rehearse.stage import Stage
from sidetap.site.model import Site
from sidetap.verify.course import LATE, LOOK, SCAN_MS, STRIDE_MS, Course, Event, polled, rest_level

Do = Callable[[Stage], None]
_NEAR_01MM = 2_000  # to a limit: some minutes of drawing
_LONGEST_AGES = 3  # an age is played as this many close ages at most: older than too old is no other


@dataclass(frozen=True, slots=True)
class Act:
    """Something done at_ms after the story's start.

    asked: at a panel, which comes just before a scan, and not on a contact, which is read after one. heard: it comes
    to nothing while the station doesn't hear its module.
    """

    at_ms: int
    do: Do
    asked: bool = False
    heard: bool = False


@dataclass(slots=True)
class Acts:
    """Acts in order of time, and in words what of the course no hand can do."""

    acts: list[Act] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)


def acts_of(site: Site, course: Course, *, stalls: bool = True) -> Acts:
    """Return what plays a course; what comes in its last scans as well.

    stalls: whether a scan that comes late in the course does in the yard; else others come in between.
    """
    found = Acts()
    events = [*course.events, *_of_tail(course)]
    crashes = {e.at_ms for e in events if e.name == CRASH and e.value}
    late_ms = _late_ms(course)
    for at_ms in crashes:
        found.acts.append(Act(at_ms, partial(_crash, late_ms.pop(at_ms, 0))))
    if stalls:
        found.acts += [Act(at_ms, partial(_stall, ms)) for at_ms, ms in late_ms.items()]
    elif late_ms:
        found.left_out.append("the station scans all the time, where the story has a late scan")
    for event in events:
        if event.name in (CRASH, LATE, LOOK):
            continue
        acts = list(_acts(site, event))
        found.acts += acts
        if not acts:
            found.left_out.append(f"no hand in the yard makes {event.name} {event.value}")
    if course.stride_ms > STRIDE_MS:
        found.left_out.append("the station scans all the time, where the story has long gaps between scans")
    found.left_out = list(dict.fromkeys(found.left_out))
    found.acts.sort(key=lambda act: (act.at_ms, act.asked))
    return found


def has_late_scans(course: Course) -> bool:
    """Return whether a scan comes late in a course, starts of the station aside."""
    crashes = {e.at_ms for e in (*course.events, *_of_tail(course)) if e.name == CRASH and e.value}
    return bool(_late_ms(course).keys() - crashes)


def _late_ms(course: Course) -> dict[int, int]:
    """Return by how much scans are late, by when they come."""
    return {e.at_ms: int(e.value) for e in (*course.events, *_of_tail(course)) if e.name == LATE and e.value}


def first_levels(site: Site, course: Course) -> dict[str, int]:
    """Return where vessels had better not stand half way up at first, in 0.1 mm.

    A level that the course lets jump has to go there at the speed that a point believes; where it goes past a limit
    it starts near to that limit, at a level at which nothing is wrong.
    """
    firsts: dict[str, int] = {}
    for event in (*course.events, *_of_tail(course)):
        tag, _, word = event.name.rpartition(".")
        if word == "level" and event.at_ms > 0:
            firsts.setdefault(tag, int(event.value))
    found = {}
    for vessel in site.vessels:
        rest_01mm = rest_level(site, vessel)
        first_01mm = firsts.get(vessel.tag, rest_01mm)
        low_01mm = 2 * rest_01mm - vessel.high_01mm  # rest is half way between the highest of these and the high one
        if first_01mm < low_01mm:
            found[vessel.tag] = min(low_01mm + _NEAR_01MM, rest_01mm)
        elif first_01mm > vessel.high_01mm:
            found[vessel.tag] = max(vessel.high_01mm - _NEAR_01MM, rest_01mm)
    return found


def _of_tail(course: Course) -> Iterator[Event]:
    """Yield the last scans of a course as events."""
    at_ms = course.end_ms
    for tail in course.tail:
        late_ms = tail.elapsed_ms - SCAN_MS
        on_time_ms = at_ms + SCAN_MS if late_ms > STRIDE_MS else at_ms + tail.elapsed_ms
        if late_ms > STRIDE_MS:
            yield Event(on_time_ms, LATE, late_ms, SCAN_MS)
        yield from (Event(on_time_ms, name, value, SCAN_MS) for name, value in tail.inputs.items())
        at_ms += tail.elapsed_ms


def _acts(site: Site, event: Event) -> Iterator[Act]:
    """Yield the acts of one event; none for what no hand can do."""
    tag, _, word = event.name.rpartition(".")
    at_ms = event.at_ms
    end_ms = None if event.lasts_ms is None else at_ms + event.lasts_ms
    if any(wired.tag == event.name for wired in site.inputs):
        yield Act(at_ms, partial(_wire, event.name, bool(event.value)), heard=True)
        if end_ms is not None:
            yield Act(end_ms, partial(_wire, event.name, None), heard=True)
    elif any(bay.tag == tag for bay in site.bays):
        yield from _of_bay(site, event, tag, word, end_ms)
    elif any(vessel.tag == tag for vessel in site.vessels):
        yield from _of_vessel(site, event, tag, word, end_ms)
    elif word == "on_ticket":
        yield Act(at_ms, lambda stage: stage.name(tag, bool(event.value)), asked=True)
    elif word == "live":
        before_ms = min(wired.max_age_ns for wired in site.inputs) // NS_PER_MS
        yield from _spell(lambda stage, on: stage.cut_module(on), at_ms - before_ms, end_ms, not event.value)
    elif word == "quiet":
        yield from _spell(lambda stage, on: stage.quiet(tag, on), at_ms, end_ms, bool(event.value))
    elif event.name == "site.bypass_ms":
        yield Act(at_ms, lambda stage: stage.bypass_time(int(event.value)), asked=True)


def _of_bay(site: Site, event: Event, tag: str, word: str, end_ms: int | None) -> Iterator[Act]:
    asks: dict[str, Do] = {
        "ticket_open": lambda stage: stage.ticket(tag),
        "ticket_end": lambda stage: stage.person_asks("end-ticket", bay=tag),
        "ticket_resume": lambda stage: stage.person_asks("resume", bay=tag),
        "lockout_reset": lambda stage: stage.person_asks("reset-lockout", bay=tag),
        "panel_open": lambda stage: stage.press_open(tag),
        "panel_close": lambda stage: stage.ask(ask="close", bay=tag),
    }
    if word in asks and event.value:
        yield Act(event.at_ms, asks[word], asked=True, heard=True)
    elif word == "choice":
        yield Act(event.at_ms, lambda stage: stage.choose(tag, int(event.value)), asked=True)
    elif word == "panel_age":
        longest_ms = _LONGEST_AGES * site.bay(tag).panel_lost_after_ns // NS_PER_MS
        before_ms = min(int(event.value), longest_ms)
        yield from _spell(lambda stage, on: stage.leave_panel(tag, on), event.at_ms - before_ms, end_ms, True)


def _of_vessel(site: Site, event: Event, tag: str, word: str, end_ms: int | None) -> Iterator[Act]:
    asks: dict[str, Do] = {
        "reset": lambda stage: stage.person_asks("reset-trip", vessel=tag),
        "bypass_ask": lambda stage: stage.bypass(tag),
        "bypass_approve": lambda stage: stage.approve_bypass(tag),
        "bypass_end": lambda stage: stage.person_asks("end-bypass", vessel=tag),
    }
    point = site.point(site.vessel(tag).level.point)
    if word in asks and event.value:
        yield Act(event.at_ms, asks[word], asked=True)
    elif word == "level":
        yield Act(event.at_ms, lambda stage: stage.level(tag, int(event.value)))
        if end_ms is not None:
            yield Act(end_ms, lambda stage: stage.level(tag, None))
    elif word == "bad":
        # the scheme hears of it with the next poll
        heard_ms = None if end_ms is None else max(end_ms, event.at_ms + point.poll_ns // NS_PER_MS + SCAN_MS)
        yield from _spell(lambda stage, on: stage.spoil(tag, on), event.at_ms, heard_ms, bool(event.value))
    elif event.name == polled(tag):
        yield from _spell(lambda stage, on: stage.silence(tag, on), event.at_ms, end_ms, not event.value)
    elif word == "age":
        before_ms = min(int(event.value), _LONGEST_AGES * point.close_age_ns // NS_PER_MS)
        yield from _spell(lambda stage, on: stage.silence(tag, on), event.at_ms - before_ms, end_ms, True)


def _spell(do: Callable[[Stage, bool], None], from_ms: int, end_ms: int | None, on: bool) -> Iterator[Act]:
    """Yield the acts of what lasts for a while."""
    yield Act(max(from_ms, 0), lambda stage: do(stage, on))
    if end_ms is not None:
        yield Act(end_ms, lambda stage: do(stage, not on))


def _wire(tag: str, value: bool | None, stage: Stage) -> None:
    stage.wire(tag, value)


def _crash(ms: int, stage: Stage) -> None:
    stage.crash(ms)


def _stall(ms: int, stage: Stage) -> None:
    stage.stall(ms)
