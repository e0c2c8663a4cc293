"""Courses of events: what people and the plant do over minutes, as inputs of the model scan by scan.

Events -> scans. A course starts at rest: everything healthy, keys released, levels half way up and polled once a
second, limit switches that follow their valves a stroke later. Events change that from a moment on. The same few
events tell a goal's natural course, the stem of a search, and in the end the story of a counter-example.

Scans are SCAN_MS apart around everything that happens, and up to a stride apart where nothing does: strides of a
second change little of what filters and timers see; longer ones make a sketch, in which ten minutes of open valve
cost one late scan. A late scan empties the filters, so a sketch walks by seconds for a while before each event.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from copy import copy
from dataclasses import dataclass, replace

from sidetap.promises.model import Model
from sidetap.quantity import NS_PER_MS
from sidetap.scheme import Type, Value
from sidetap.site.model import SharedOnlyAbove, Site, Vessel

SCAN_MS = 100
POLL_MS = 1000
STRIDE_MS = 1000  # longer is a gap for the filters
SKETCH_MS = 3_600_000
DIFFERS, INSTEAD = "differs:", "instead:"  # of an input, in a second course beside: that it does, and its value
LATE = "scan.late"  # an event of this name makes the time before a scan longer, by its value in ms
LOOK = "scan.look"  # an event of this name changes nothing but when scans come

_NEVER_MS = 3_600_000  # the age of a level that has not come yet, and the highest there is
_CLOSE_MS = 300  # so long after an event, scans come one by one


@dataclass(frozen=True, slots=True)
class Event:
    """From at_ms an input has a value, for lasts_ms or for good; "T.polled" false makes a level grow old."""

    at_ms: int
    name: str
    value: Value
    lasts_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Tail:
    """A scan at the end of a course: the time before it, and the inputs that the plant alone would not give."""

    elapsed_ms: int
    inputs: Mapping[str, Value]


@dataclass(frozen=True, slots=True)
class Course:
    """Events until end_ms, then the tail.

    stride_ms: the longest time between two scans. watched_ms: a second up to this moment is scanned one by one.
    """

    events: tuple[Event, ...]
    end_ms: int
    tail: tuple[Tail, ...] = ()
    stride_ms: int = SCAN_MS
    watched_ms: int | None = None


def polled(vessel: str) -> str:
    """Return the name of the fact that a vessel's level is polled."""
    return f"{vessel}.polled"


def window_ms(vessel: Vessel) -> int:
    """Return how long a vessel's filter takes to fill: its mean, or three times its lag."""
    return max(vessel.trip.mean_ns, 3 * vessel.trip.lag_ns) // NS_PER_MS


def rest_level(site: Site, vessel: Vessel) -> int:
    """Return a level, in 0.1 mm, at which nothing is wrong, and at which bays may share the vessel."""
    shared = [r.level_01mm for r in site.rules if isinstance(r, SharedOnlyAbove) and r.vessel == vessel.tag]
    return (max(vessel.trip.reset_above_01mm, vessel.low_01mm, *shared) + vessel.high_01mm) // 2


def rest_values(model: Model) -> dict[str, Value]:
    """Return every input of the model, and every polled fact, at rest."""
    site = model.site
    rest: dict[str, Value] = {
        name: False if i.type is Type.BOOL else i.low for name, i in model.program.inputs.items()
    }

    def put(name: str, value: Value) -> None:
        if name in rest:
            rest[name] = value

    for wired in (*(i.tag for i in site.inputs), *(f"{m.tag}.live" for m in site.modules)):
        put(wired, True)
    for bay in site.bays:
        put(bay.hand_input, False)
        put(bay.open_key, False)
        put(f"{bay.tag}.choice", 1)
    for valve in site.valves:
        put(f"{valve.tag}.on_ticket", True)
        put(valve.open_switch, False)
    for vessel in site.vessels:
        put(f"{vessel.tag}.level", rest_level(site, vessel))
        put(f"{vessel.tag}.new", True)
        rest[polled(vessel.tag)] = True
    if site.bypass is not None:
        put("site.bypass_ms", site.bypass.time_ns // NS_PER_MS)
    rest[LATE] = 0
    rest[LOOK] = False
    return rest


@dataclass(frozen=True, slots=True)
class Change:
    """What an event changes, when it begins or ends; value: None for as at rest again, and then no name changes none.

    close_ms: for so long after it, scans come one by one.
    """

    at_ms: int
    name: str
    value: Value | None
    close_ms: int


class Plant:
    """Turns a course into each scan's inputs; its owner sets commands after each scan to what the scan gave."""

    def __init__(self, model: Model, course: Course, rest: Mapping[str, Value] | None = None) -> None:
        """Prepare the first scan; rest: what rest_values gives, for those who have it."""
        self.now_ms = 0
        self.commands: Mapping[str, bool] = {}
        self._course = course
        self._rest = rest if rest is not None else rest_values(model)
        names = model.program.inputs
        self._inputs = {name: self._rest[name] for name in names}
        self._facts = {name: value for name, value in self._rest.items() if name not in names}
        self._changes = changes(course, self._rest)
        self.come = 0
        self._tails = 0
        self._forced: set[str] = set()
        self._valves = [
            (v.tag, v.closed_switch, v.open_switch, v.stroke_ns // NS_PER_MS)
            for v in model.site.valves
            if f"{v.tag}.command" in model.program.outputs
        ]
        self._open = {tag: False for tag, *_ in self._valves}
        self._moved_ms = {tag: -stroke_ms for tag, _, _, stroke_ms in self._valves}
        self._moving: set[str] = {tag for tag, *_ in self._valves}
        self._vessels = [(v.tag, f"{v.tag}.age", f"{v.tag}.new") for v in model.site.vessels]
        self._good_ms: dict[str, int] = {}
        self._close_until_ms = _CLOSE_MS
        # before an event of a sketch: long enough for every filter
        self._walk_ms = max((window_ms(v) for v in model.site.vessels), default=0) + 2 * STRIDE_MS

    def fork(self) -> Plant:
        """Return another plant that stands where this one does."""
        other = copy(self)
        other._inputs, other._facts = self._inputs.copy(), self._facts.copy()
        other._forced, other._moving = self._forced.copy(), self._moving.copy()
        other._open, other._moved_ms = self._open.copy(), self._moved_ms.copy()
        other._good_ms = self._good_ms.copy()
        return other

    def along(self, course: Course, its_changes: list[Change]) -> Plant:
        """Go on along another course, whose changes until now are those that have come."""
        self._course, self._changes = course, its_changes
        return self

    def scans(self) -> Iterator[tuple[int, dict[str, Value]]]:
        """Yield the course scan by scan: the time before the scan and its inputs."""
        while self.now_ms < self._course.end_ms:
            yield self.scan(self.commands)
        for last in self._course.tail:
            self._tails += 1
            self.now_ms += last.elapsed_ms
            usual = self._scan(last.elapsed_ms, self.commands)
            yield last.elapsed_ms, {**usual, **last.inputs}

    def scan(self, commands: Mapping[str, bool]) -> tuple[int, dict[str, Value]]:
        """Return the time before the next scan and its inputs; commands are those that the scan before gave."""
        next_ms = self._next_ms(commands)
        elapsed_ms = next_ms - self.now_ms + self._late_ms(next_ms)
        self.now_ms += elapsed_ms
        return elapsed_ms, self._scan(elapsed_ms, commands)

    def upto_now(self) -> Course:
        """Return what of the course has been so far."""
        if self._tails:
            return replace(self._course, tail=self._course.tail[: self._tails])
        return replace(self._course, end_ms=self.now_ms, tail=())

    def _scan(self, elapsed_ms: int, commands: Mapping[str, bool]) -> dict[str, Value]:
        """Return the inputs at now_ms, elapsed_ms after the scan before."""
        self._follow(commands, self.now_ms - elapsed_ms)
        self._apply_changes()
        self._move_valves()
        self._poll_levels(elapsed_ms)
        return dict(self._inputs)

    def _next_ms(self, commands: Mapping[str, bool]) -> int:
        """Return when the next scan is due."""
        now_ms, soonest_ms = self.now_ms, self.now_ms + SCAN_MS
        if now_ms < self._close_until_ms or any(
            commands.get(tag, is_open) is not is_open for tag, is_open in self._open.items()
        ):
            return soonest_ms
        upcoming_ms = self._changes[self.come].at_ms if self.come < len(self._changes) else self._course.end_ms
        upcoming_ms = min(upcoming_ms, self._course.end_ms)
        due_ms = now_ms + min(self._course.stride_ms, STRIDE_MS)
        if self._course.stride_ms > STRIDE_MS:
            due_ms = max(due_ms, min(now_ms + self._course.stride_ms, upcoming_ms - self._walk_ms))
        for tag, _, _, stroke_ms in self._valves:
            if tag in self._moving:
                due_ms = min(due_ms, self._moved_ms[tag] + stroke_ms)
        # a scan just before what comes, and one in its very millisecond
        last_ms = upcoming_ms - SCAN_MS
        if last_ms - SCAN_MS < due_ms:
            due_ms = last_ms - SCAN_MS if last_ms - SCAN_MS >= soonest_ms and due_ms < last_ms else last_ms
        return max(soonest_ms, due_ms)

    def _late_ms(self, next_ms: int) -> int:
        """Return by how much the scan due at next_ms is late."""
        for change in self._changes[self.come :]:
            if change.at_ms > next_ms:
                break
            if change.name == LATE and change.value:
                return int(change.value)
        return 0

    def _apply_changes(self) -> None:
        come: set[str] = set()
        while self.come < len(self._changes) and self._changes[self.come].at_ms <= self.now_ms:
            change = self._changes[self.come]
            if change.value is None and change.name in come:
                break  # what came and went between two scans is seen by one of them
            self.come += 1
            self._close_until_ms = max(self._close_until_ms, self.now_ms + change.close_ms)
            if not change.name:
                continue
            come.add(change.name)
            facts = self._inputs if change.name in self._inputs else self._facts
            facts[change.name] = self._rest[change.name] if change.value is None else change.value
            # while an event says what a switch or an age is, it doesn't follow its valve or its polls
            (self._forced.discard if change.value is None else self._forced.add)(change.name)
            self._moving.update(self._open)

    def _follow(self, commands: Mapping[str, bool], since_ms: int) -> None:
        for tag, command in commands.items():
            if tag in self._open and command is not self._open[tag]:
                self._open[tag] = command
                self._moved_ms[tag] = since_ms
                self._moving.add(tag)
                self._close_until_ms = max(self._close_until_ms, since_ms + _CLOSE_MS)

    def _move_valves(self) -> None:
        for tag, closed_switch, open_switch, stroke_ms in self._valves:
            if tag not in self._moving:
                continue
            there = self.now_ms - self._moved_ms[tag] >= stroke_ms
            for switch, wanted in ((closed_switch, False), (open_switch, True)):
                if switch not in self._forced and switch in self._inputs:
                    self._inputs[switch] = there and self._open[tag] is wanted
            if there:
                self._moving.discard(tag)

    def _poll_levels(self, elapsed_ms: int) -> None:
        due = self.now_ms % POLL_MS < elapsed_ms
        for tag, age, new in self._vessels:
            good = due and bool(self._facts[polled(tag)]) and not self._inputs.get(f"{tag}.bad")
            if good:
                self._good_ms[tag] = self.now_ms
            if new in self._inputs:
                self._inputs[new] = good
            if age in self._inputs and age not in self._forced:
                self._inputs[age] = min(self.now_ms - self._good_ms.get(tag, -_NEVER_MS), _NEVER_MS)


def changes(course: Course, known: Mapping[str, Value]) -> list[Change]:
    """Return what changes in a course, in order of time; events of inputs that are not known change nothing."""
    found = []
    for e in course.events:
        if e.name not in known:
            continue
        found.append(Change(e.at_ms, e.name, e.value, _CLOSE_MS))
        if e.lasts_ms is not None:
            found.append(Change(e.at_ms + e.lasts_ms, e.name, None, _CLOSE_MS))
    if course.watched_ms is not None:
        found.append(Change(course.watched_ms - STRIDE_MS, "", None, STRIDE_MS + _CLOSE_MS))
    return sorted(found, key=lambda c: c.at_ms)
