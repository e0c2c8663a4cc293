"""Finding a counter-example: runs of scripted and disturbed courses, then one last scan asked of the solver.

A model -> runs of it, the states they went through, and for each clause the first course that broke it. What is
found here is only offered: the unchanged scheme has the last word (see replay).
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from operator import itemgetter

from sidetap.promises.model import CRASH, Clause, Model
from sidetap.quantity import NS_PER_MS
from sidetap.scheme import GeneratedRunner, Type, Value
from sidetap.verify import smt
from sidetap.verify.course import (
    LATE,
    SCAN_MS,
    Course,
    Event,
    Plant,
    Tail,
    edge_courses,
    long_courses,
    natural_courses,
    polled,
    rest_values,
)

_SNAPSHOTS = 400  # states from which the solver is asked for a last scan
_ROUNDS = 60  # random courses to try when all else has found nothing
_LONG_MS = 150_000  # courses longer than this are run a few times only


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A state that a course reaches, and the course up to it."""

    course: Course
    states: dict[str, Value]


@dataclass(frozen=True, slots=True)
class Scanned:
    """One scan of a run: when it was, the states after it, and its outputs, the clauses among them."""

    now_ms: int
    states: dict[str, Value]
    outputs: dict[str, Value]


class Search:
    """Runs courses of one model and keeps what they showed: states, and the first course that broke each clause."""

    def __init__(self, model: Model) -> None:
        self.model = model
        self.broken: dict[str, Course] = {}
        self._names = [c.output for p in model.promises for c in p.clauses]
        self._valves = [v.tag for v in model.site.valves]
        outputs = self._names + [f"{v}.command" for v in self._valves]
        self._runner = GeneratedRunner(replace(model.program, outputs={n: model.program.outputs[n] for n in outputs}))
        self._key = itemgetter(*(n for n, s in model.program.states.items() if s.type is Type.BOOL))
        self._holds = itemgetter(*self._names)
        self._snapshots: dict[tuple[Value, ...], Snapshot] = {}
        self._rng = random.Random(20)  # noqa: S311  # for repeatable searches, not for secrets
        self._deviations = list(deviations(model))
        natural = [c for _, _, c in natural_courses(model) if c.end_ms <= _LONG_MS]
        self._short = [*natural, *edge_courses(model)]
        # what is still to be run
        self._scripts = iter(self._short)
        self._long = long_courses(model)
        self._random = (
            self._disturbed(self._rng.choice(self._short), self._rng.choice([1, 2, 4])) for _ in range(_ROUNDS)
        )
        self.rows: list[list[Value]] = []

    def first_break(self, clause: Clause, course: Course) -> int | None:
        """Return when the course breaks the clause first, in ms, or None."""
        for scanned in self._scans(course):
            if not scanned.outputs[clause.output]:
                return scanned.now_ms
        return None

    def inputs_after(self, course: Course) -> dict[str, Value]:
        """Return the inputs that the plant gives in the scan after the course's events."""
        plant = Plant(self.model, course)
        for _ in self._scans(replace(course, tail=()), plant):
            pass
        return plant.scan(plant.commands)[1]

    def explore(self) -> None:
        """Follow the scripts, use up one limit, and run each script once more with disturbances."""
        long = [c for _, _, c in natural_courses(self.model) if c.end_ms > _LONG_MS][:1]
        for course in (*self._scripts, *long):
            self._observe(course)
        for course in self._short:
            self._observe(self._disturbed(course, 4))

    def hunt(self, clauses: Sequence[Clause]) -> tuple[Clause, Course] | None:
        """Return one of the clauses and a course that breaks it, or None when none was found."""
        return (
            self._broken_among(clauses)
            or self._run_until_broken(self._scripts, clauses)
            or self._last_scan(clauses, SCAN_MS)
            or self._run_until_broken(self._long, clauses)
            or self._last_scan(clauses, None)
            or self._run_until_broken(self._random, clauses)
        )

    def _run_until_broken(self, courses: Iterator[Course], clauses: Sequence[Clause]) -> tuple[Clause, Course] | None:
        """Run courses until one breaks a clause. Each is run once, and looks for every clause that there is."""
        for course in courses:
            self._observe(course)
            hit = self._broken_among(clauses)
            if hit is not None:
                return hit
        return None

    def _broken_among(self, clauses: Sequence[Clause]) -> tuple[Clause, Course] | None:
        for clause in clauses:
            if clause.output in self.broken:
                return clause, self.broken[clause.output]
        return None

    def quietened(self, clause: Clause, course: Course) -> Course:
        """Return the course without the events and inputs that the clause breaks without as well."""
        for event in course.events:
            fewer = replace(course, events=tuple(e for e in course.events if e is not event))
            if self.first_break(clause, fewer) is not None:
                course = fewer
        ordinary = replace(course, tail=(), end_ms=course.end_ms + SCAN_MS)
        if course.tail and self.first_break(clause, ordinary) is not None:
            course = ordinary
        elif course.tail:
            course = self._quiet_tail(clause, course)
        at_ms = self.first_break(clause, course)
        if at_ms is not None and at_ms <= course.end_ms:
            course = replace(course, end_ms=at_ms, tail=())
        events = sorted((e for e in course.events if e.at_ms <= course.end_ms), key=lambda e: e.at_ms)
        return replace(course, events=tuple(events))

    def _quiet_tail(self, clause: Clause, course: Course) -> Course:
        """Set the inputs of the last scan back to what the plant would give, where that changes nothing."""
        (last,) = course.tail
        inputs = dict(last.inputs)
        for name, value in self.inputs_after(course).items():
            trial = Tail(last.elapsed_ms, {**inputs, name: value})
            if self.first_break(clause, replace(course, tail=(trial,))) is not None:
                inputs[name] = value
        return replace(course, tail=(Tail(last.elapsed_ms, inputs),))

    def _scans(self, course: Course, plant: Plant | None = None) -> Iterator[Scanned]:
        plant = plant or Plant(self.model, course)
        states = self._runner.first_states()
        for elapsed_ms, inputs in plant.scans():
            states, outputs = self._runner.step(states, inputs, elapsed_ms)
            plant.commands = {v: bool(outputs[f"{v}.command"]) for v in self._valves}
            yield Scanned(plant.now_ms, states, outputs)

    def _observe(self, course: Course) -> None:
        before: tuple[Value, ...] = ()
        for n, scanned in enumerate(self._scans(course)):
            key = self._key(scanned.states)
            # scans in which nothing but time passes teach little: every seventh is kept
            if key != before or n % 7 == 0:
                self.rows.append(list(scanned.states.values()))
            before = key
            if key not in self._snapshots:
                self._snapshots[key] = Snapshot(replace(course, end_ms=scanned.now_ms), scanned.states)
            for name in () if all(self._holds(scanned.outputs)) else self._names:
                if not scanned.outputs[name]:
                    self.broken.setdefault(name, replace(course, end_ms=scanned.now_ms))

    def _last_scan(self, clauses: Sequence[Clause], elapsed_ms: int | None) -> tuple[Clause, Course] | None:
        """Ask the solver for one scan that breaks one of the clauses from a state some course has reached.

        elapsed_ms: the time before that scan, or None for any.
        """
        program = self.model.program
        expressions = [program.outputs[c.output] for c in clauses]
        needed = set(program.cone(expressions)[0])
        names = [n for n in program.states if n in needed]
        distinct: dict[tuple[Value, ...], Snapshot] = {}
        for snapshot in list(self._snapshots.values())[:_SNAPSHOTS]:
            distinct.setdefault(tuple(snapshot.states[n] for n in names), snapshot)
        scan = smt.Scan(program)
        solver = smt.Solver()
        solver.add(smt.some(smt.negation(scan.term(e)) for e in expressions))
        solver.add(scan.states_are_one_of(names, list(distinct)))
        solver.add(*scan.bounds(elapsed_ms))
        answer = solver.ask()
        if answer is False or answer is None:
            return None
        found = scan.read(answer)
        snapshot = distinct[tuple(found.states[n] for n in names)]
        tail = Tail(found.elapsed_ms, {n: found.inputs[n] for n in program.inputs})
        course = replace(snapshot.course, tail=(tail,))
        return next((c, course) for c in clauses if self.first_break(c, course) is not None)

    def _disturbed(self, course: Course, events: int) -> Course:
        """Return the course with random events added, half of them near what happens in it."""
        near = [e.at_ms for e in course.events]
        added = []
        for _ in range(events):
            at_ms = self._rng.randrange(0, course.end_ms, SCAN_MS)
            if self._rng.random() < 0.5:
                at_ms = self._rng.choice(near) + self._rng.choice([-200, -100, 0, 100, 200, 1000, 5000])
            name, value = self._rng.choice(self._deviations)
            lasts_ms = SCAN_MS if name in (LATE, CRASH) else self._rng.choice([SCAN_MS, SCAN_MS, 500, 3_000, 15_000])
            added.append(Event(max(at_ms, 0), name, value, lasts_ms))
        return replace(course, events=(*course.events, *added))


def deviations(model: Model) -> Iterator[tuple[str, Value]]:
    """Yield inputs with values that differ from rest; what people press and do comes up more often."""
    site = model.site
    rest = rest_values(model)
    for name, declared in model.program.inputs.items():
        if declared.type is Type.BOOL and not name.endswith(".new"):
            yield name, not rest[name]
    for bay in site.bays:
        for _ in range(3):
            yield bay.open_key, True
            for word in ("panel_open", "panel_close", "ticket_open", "ticket_end", "ticket_resume"):
                yield f"{bay.tag}.{word}", True
            yield bay.hose_input, False
            yield CRASH, True
        lost_ms = bay.panel_lost_after_ns // NS_PER_MS
        yield f"{bay.tag}.panel_age", lost_ms
        yield f"{bay.tag}.panel_age", lost_ms - 1
        for choice in range(len(site.valves_of(bay.tag)) + 1):
            yield f"{bay.tag}.choice", choice
    for vessel in site.vessels:
        tag, point = vessel.tag, site.point(vessel.level.point)
        yield polled(tag), False
        for at in (vessel.trip.below_01mm, vessel.trip.reset_above_01mm):
            yield f"{tag}.level", at
            yield f"{tag}.level", at - 1
        for age_ms in (point.warn_age_ns // NS_PER_MS, point.close_age_ns // NS_PER_MS):
            yield f"{tag}.age", age_ms
            yield f"{tag}.age", age_ms - 1
    for late_ms in (900, 1_000, 5_000):
        yield LATE, late_ms
