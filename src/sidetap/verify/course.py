"""Courses of events: what people and the plant do over minutes, as inputs of the model scan by scan.

Events -> scans. A course starts at rest: everything healthy, keys released, levels half way up and polled once a
second, limit switches that follow their valves a stroke later. Events change that from a moment on. The same few
events tell a goal's natural course, the stem of a search, and in the end the story of a counter-example.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from sidetap.promises.model import CRASH, Model
from sidetap.quantity import NS_PER_MS
from sidetap.scheme import Type, Value
from sidetap.site.model import Bay, Site

SCAN_MS = 100
POLL_MS = 1000
LATE = "scan.late"  # an event of this name makes the time before a scan longer, by its value in ms


@dataclass(frozen=True, slots=True)
class Event:
    """From at_ms an input has a value, for lasts_ms or for good; "T.polled" false makes a level grow old."""

    at_ms: int
    name: str
    value: Value
    lasts_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Tail:
    """Scans at the end of a course whose inputs are given outright, with the time before each."""

    elapsed_ms: int
    inputs: Mapping[str, Value]


@dataclass(frozen=True, slots=True)
class Course:
    """Events until end_ms, then the tail."""

    events: tuple[Event, ...]
    end_ms: int
    tail: tuple[Tail, ...] = ()


def polled(vessel: str) -> str:
    """Return the name of the fact that a vessel's level is polled."""
    return f"{vessel}.polled"


def rest_values(model: Model) -> dict[str, Value]:
    """Return every input of the model, and every polled fact, at rest."""
    site = model.site
    rest: dict[str, Value] = {
        name: False if i.type is Type.BOOL else i.low for name, i in model.program.inputs.items()
    }
    high_when_well = {i.tag for i in site.inputs} | {f"{m.tag}.live" for m in site.modules}
    rest.update({name: True for name in high_when_well if name in rest})
    for bay in site.bays:
        rest[bay.hand_input] = False
        rest[bay.open_key] = False
        rest[f"{bay.tag}.choice"] = 1
    for valve in site.valves:
        rest[f"{valve.tag}.on_ticket"] = True
    for vessel in site.vessels:
        rest[f"{vessel.tag}.level"] = (vessel.trip.reset_above_01mm + vessel.high_01mm) // 2
        rest[polled(vessel.tag)] = True
    rest[LATE] = 0
    return rest


class Plant:
    """Turns a course into each scan's inputs; its owner sets commands after each scan to what the scan gave."""

    def __init__(self, model: Model, course: Course) -> None:
        self.now_ms = 0
        self.commands: Mapping[str, bool] = {}
        self._model, self._course = model, course
        self._rest = rest_values(model)
        self._facts = dict(self._rest)
        changes: list[tuple[int, str, Value | None]] = []
        for e in course.events:
            changes.append((e.at_ms, e.name, e.value))
            if e.lasts_ms is not None:
                changes.append((e.at_ms + e.lasts_ms, e.name, None))
        self._changes = sorted(changes, key=lambda c: c[0])
        self._next = 0
        self._forced: set[str] = set()
        self._seen = {v.tag: False for v in model.site.valves}
        self._moved_ms = {v.tag: -v.stroke_ns // NS_PER_MS for v in model.site.valves}
        self._good_ms: dict[str, int] = {}

    def scans(self) -> Iterator[tuple[int, dict[str, Value]]]:
        """Yield the course scan by scan: the time before the scan and its inputs."""
        while self.now_ms < self._course.end_ms:
            yield self.scan(self.commands)
        for last in self._course.tail:
            self.now_ms += last.elapsed_ms
            yield last.elapsed_ms, dict(last.inputs)

    def scan(self, commands: Mapping[str, bool]) -> tuple[int, dict[str, Value]]:
        """Return the time before the next scan and its inputs; commands are those that the scan before gave."""
        for tag, command in commands.items():
            if command is not self._seen[tag]:
                self._seen[tag] = command
                self._moved_ms[tag] = self.now_ms
        elapsed_ms = SCAN_MS + self._late_ms(self.now_ms + SCAN_MS)
        self.now_ms += elapsed_ms
        come: set[str] = set()
        while self._next < len(self._changes) and self._changes[self._next][0] <= self.now_ms:
            _, name, value = self._changes[self._next]
            if value is None and name in come:
                break  # what came and went between two scans is seen by one of them
            come.add(name)
            self._facts[name] = self._rest[name] if value is None else value
            # while an event says what a switch or an age is, it doesn't follow its valve or its polls
            (self._forced.discard if value is None else self._forced.add)(name)
            self._next += 1
        self._move_valves()
        self._poll_levels(elapsed_ms)
        return elapsed_ms, {name: self._facts[name] for name in self._model.program.inputs}

    def _late_ms(self, next_ms: int) -> int:
        """Return by how much the scan due at next_ms is late."""
        for at_ms, name, value in self._changes[self._next :]:
            if at_ms > next_ms:
                break
            if name == LATE and value:
                return int(value)
        return 0

    def _move_valves(self) -> None:
        for valve in self._model.site.valves:
            there = self.now_ms - self._moved_ms[valve.tag] >= valve.stroke_ns // NS_PER_MS
            for switch, wanted in ((valve.closed_switch, False), (valve.open_switch, True)):
                if switch not in self._forced:
                    self._facts[switch] = there and self._seen[valve.tag] is wanted

    def _poll_levels(self, elapsed_ms: int) -> None:
        for vessel in self._model.site.vessels:
            tag, age = vessel.tag, f"{vessel.tag}.age"
            due = self.now_ms % POLL_MS < elapsed_ms and bool(self._facts[polled(tag)])
            good = due and not self._facts[f"{tag}.bad"]
            if good:
                self._good_ms[tag] = self.now_ms
            self._facts[f"{tag}.new"] = good
            if age not in self._forced:
                high = self._model.program.inputs[age].high
                self._facts[age] = min(self.now_ms - self._good_ms.get(tag, -high), high)


def loading(site: Site, bay: Bay, choice: int, start_ms: int = 0) -> tuple[list[Event], int]:
    """Return the events that open a valve on a new ticket, and the moment of the opening.

    The hose is seen off and put on, a ticket is opened, and the key is pressed once the mean has filled.
    """
    valve = site.valves_of(bay.tag)[choice - 1]
    window_ms = site.vessel(valve.vessel).trip.mean_ns // NS_PER_MS
    press_ms = start_ms + max(window_ms, 1000) + 2300  # between two polls
    return [
        Event(start_ms + 1000, bay.hose_input, False, 1000),
        Event(start_ms + 2500, f"{bay.tag}.ticket_open", True, SCAN_MS),
        Event(start_ms + 2500, f"{bay.tag}.choice", choice),
        Event(press_ms, bay.open_key, True, 500),
    ], press_ms


def natural_courses(model: Model) -> Iterator[tuple[str, str, Course]]:
    """Yield for each goal of each bay the courses of events that should reach it: (goal, bay, course)."""
    site = model.site
    for bay in site.bays:
        for choice, valve in enumerate(site.valves_of(bay.tag), 1):
            opening, at_ms = loading(site, bay, choice)
            yield "can-open", bay.tag, Course(tuple(opening), at_ms + 1000)
            limit_ms = valve.open_limit_ns // NS_PER_MS
            yield "can-reach-limit", bay.tag, Course(tuple(opening), at_ms + limit_ms + 1000)
            again, now_ms = _all_restarts(bay, opening, at_ms)
            yield "can-use-all-restarts", bay.tag, Course(tuple(again), now_ms + 1000)
            yield "can-trip-and-reopen", bay.tag, _trip_and_reopen(site, bay, choice)


def _all_restarts(bay: Bay, opening: list[Event], at_ms: int) -> tuple[list[Event], int]:
    """Return the events that close and open again as often as a ticket permits, and the last opening's moment."""
    wait_ms = bay.restart_wait_ns // NS_PER_MS
    events = list(opening)
    for _ in range(bay.restarts):
        events.append(Event(at_ms + 5_000, f"{bay.tag}.panel_close", True, SCAN_MS))
        at_ms += 5_000 + wait_ms + 2_000
        events.append(Event(at_ms, bay.open_key, True, 500))
    return events, at_ms


def _trip_and_reopen(site: Site, bay: Bay, choice: int) -> Course:
    vessel = site.vessel(site.valves_of(bay.tag)[choice - 1].vessel)
    window_ms = vessel.trip.mean_ns // NS_PER_MS
    events, now_ms = loading(site, bay, choice)
    rest = (vessel.trip.reset_above_01mm + vessel.high_01mm) // 2
    low_ms = now_ms + 3_000
    up_ms = low_ms + window_ms + vessel.trip.delay_ns // NS_PER_MS + 3_000
    events += [
        Event(low_ms, f"{vessel.tag}.level", vessel.trip.below_01mm - 100),
        Event(up_ms, f"{vessel.tag}.level", rest),
        Event(up_ms + window_ms + 3_000, f"{vessel.tag}.reset", True, SCAN_MS),
        Event(up_ms + window_ms + 4_000, f"{bay.tag}.ticket_end", True, SCAN_MS),
    ]
    reopening, end_ms = loading(site, bay, choice, up_ms + window_ms + 5_000)
    return Course((*events, *reopening), end_ms + 1_000)


def edge_courses(model: Model) -> Iterator[Course]:
    """Yield courses along the edges of rules: levels exactly at a limit, crashes, stuck switches, odd presses."""
    site = model.site
    for bay in site.bays:
        wait_ms = bay.restart_wait_ns // NS_PER_MS
        for choice, valve in enumerate(site.valves_of(bay.tag), 1):
            vessel = site.vessel(valve.vessel)
            trip, level = vessel.trip, f"{vessel.tag}.level"
            mean_ms = trip.mean_ns // NS_PER_MS
            opening, at_ms = loading(site, bay, choice)
            stuck_ms = valve.supervise_ns // NS_PER_MS + 2_000
            low_ms = at_ms + 3_000
            settled_ms = low_ms + mean_ms + trip.delay_ns // NS_PER_MS + 2_000

            def course(end_ms: int, *events: Event, opening: list[Event] = opening) -> Course:
                return Course((*opening, *events), end_ms)

            yield course(settled_ms, Event(low_ms, level, trip.below_01mm))
            yield course(at_ms + 1_000, Event(at_ms - mean_ms - 1_300, level, trip.below_01mm - 1))
            yield course(settled_ms, Event(low_ms, level, trip.below_01mm - 1))
            for reset_level in (trip.reset_above_01mm, trip.reset_above_01mm - 1):
                up_ms = settled_ms + mean_ms + 3_000
                again_ms = max(up_ms, low_ms + wait_ms + mean_ms) + 3_000
                yield course(
                    again_ms + 2_000,
                    Event(low_ms, level, trip.below_01mm - 1),
                    Event(settled_ms, level, reset_level),
                    Event(up_ms, f"{vessel.tag}.reset", True, SCAN_MS),
                    Event(again_ms, bay.open_key, True, 500),
                )
            resume_ms = low_ms + mean_ms + 5_000
            press_ms = max(resume_ms, low_ms + wait_ms) + 3_000
            yield course(
                press_ms + 5_000,
                Event(low_ms, CRASH, True, SCAN_MS),
                Event(resume_ms, f"{bay.tag}.ticket_resume", True, SCAN_MS),
                Event(press_ms, bay.open_key, True, 500),
                Event(press_ms + 3_000, CRASH, True, SCAN_MS),
            )
            yield course(
                low_ms + 2 * stuck_ms,
                Event(low_ms, f"{bay.tag}.panel_close", True, SCAN_MS),
                Event(low_ms, valve.closed_switch, False, stuck_ms),
                Event(low_ms + stuck_ms + 1_000, f"{bay.tag}.lockout_reset", True, SCAN_MS),
            )
            yield course(low_ms + 2_000, Event(at_ms + 1_000, bay.open_key, True, 500))
            # a crash in the last permitted opening, and a new ticket as early as can be
            used, last_ms = _all_restarts(bay, opening, at_ms)
            crash_ms = last_ms + 3_000
            late_ms = crash_ms + mean_ms + 3_000
            yield Course(
                (
                    *used,
                    Event(crash_ms, CRASH, True, SCAN_MS),
                    Event(crash_ms + SCAN_MS, bay.hose_input, False, SCAN_MS),
                    Event(crash_ms + SCAN_MS, f"{bay.tag}.ticket_open", True, SCAN_MS),
                    Event(late_ms, bay.open_key, True, 500),
                ),
                late_ms + 2_000,
            )


def long_courses(model: Model) -> Iterator[Course]:
    """Yield courses that use up the open time of a ticket with something odd on the way.

    Half way to the limit the key is pressed again; or the valve is closed and opened again; or the station crashes
    and the load is resumed. Each then goes on until the limit must have closed the valve.
    """
    for bay in model.site.bays:
        wait_ms = bay.restart_wait_ns // NS_PER_MS + 2_000
        for choice, valve in enumerate(model.site.valves_of(bay.tag), 1):
            opening, at_ms = loading(model.site, bay, choice)
            limit_ms = valve.open_limit_ns // NS_PER_MS
            half_ms = at_ms + limit_ms // 2 // SCAN_MS * SCAN_MS
            end_ms = at_ms + limit_ms + wait_ms + 30_000
            again = Event(half_ms, bay.open_key, True, 500)
            yield Course((*opening, again), end_ms)
            close = Event(half_ms, f"{bay.tag}.panel_close", True, SCAN_MS)
            reopen = Event(half_ms + wait_ms, bay.open_key, True, 500)
            yield Course((*opening, close, reopen), end_ms)
            # just before the next storing, and the start takes longer than the watchdog's relay holds the valve
            crash_ms = half_ms + 900
            crash = [Event(crash_ms, CRASH, True, SCAN_MS), Event(crash_ms, LATE, 5_000, SCAN_MS)]
            window_ms = model.site.vessel(valve.vessel).trip.mean_ns // NS_PER_MS
            resume = Event(crash_ms + 6_000, f"{bay.tag}.ticket_resume", True, SCAN_MS)
            reopen = Event(crash_ms + 6_000 + max(wait_ms, window_ms + 2_000), bay.open_key, True, 500)
            yield Course((*opening, *crash, resume, reopen), end_ms)
