"""Finding a counter-example: courses of events near a clause, then one or two last scans asked of the solver.

A model and the clauses that nobody could prove -> for a promise, a course that breaks it, replayed in the unchanged
scheme and told in words. Theory of operation: a clause speaks of few bays and vessels, so its courses are run in
its neighbourhood, where the rest of the yard rests (see near). Courses lead to states; from every one of them the
solver looks for a last scan, with any inputs and any time before it, that breaks a clause. What is found is quietened
there and has to stand its replay in the whole yard; where it doesn't, or nothing is found, the neighbourhood grows.
"""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from operator import itemgetter
from typing import Any

from sidetap.promises.model import CRASH, Clause, Model, Promise
from sidetap.quantity import NS_PER_MS
from sidetap.scheme import (
    Expr,
    Input,
    ListRunner,
    Op,
    Program,
    Type,
    Value,
    all_of,
    constant,
    ordered,
)
from sidetap.site.model import Bay
from sidetap.verify import smt
from sidetap.verify.course import LATE, SCAN_MS, STRIDE_MS, Course, Event, Tail, polled, rest_values
from sidetap.verify.independence import composed, replayed_twice, tell_both
from sidetap.verify.near import Near, Surroundings
from sidetap.verify.replay import Replayed, Replayer
from sidetap.verify.scripts import (
    beside,
    choices,
    of_a_bay,
    sharing_bays,
    two_bays,
)
from sidetap.verify.stems import Stems
from sidetap.verify.story import Step, tell

_MOST_STEPS = 3_000_000  # of the solver for one question: harder ones are not worth it while courses are left
_SNAPSHOTS = 300  # states from which the solver is asked for a last scan
_ROUNDS = 60  # disturbed courses to try when all else has found nothing
# of a hunt: courses of one bay, or between several; the rest of these; a last scan; disturbed courses, and two scans
STAGES = 4
_LAST_SCAN = 2  # the third of them
# in which order a search takes them, in the neighbourhood as it is and widened
TURNS = (*((stage, False) for stage in range(3)), *((stage, True) for stage in range(STAGES)))
_FEW = 20  # whole numbers up to this are counts, whose single values matter


@dataclass(frozen=True, slots=True)
class CounterExample:
    """A course that breaks a clause in the unchanged scheme: as events, scan by scan up to the break, in words."""

    clause: Clause
    course: Course
    scans: tuple[Replayed, ...]
    story: tuple[Step, ...]


class Search:
    """Looks for counter-examples in one model. Courses are run for all unproved clauses together."""

    def __init__(self, model: Model, unproved: Iterable[Clause]) -> None:
        self._model = model
        subject = {c.output: p.subject for p in model.promises for c in p.clauses}
        around = Surroundings(model)
        self._around = around
        self._unproved = {c.output: c for c in unproved}
        self._near = {c.output: around.of(c, subject[c.output]) for c in self._unproved.values()}
        self._hunts: dict[Near, Hunt] = {}
        self._replayer: Replayer | None = None

    def counter_example(self, promise: Promise) -> CounterExample | None:
        """Return a course that breaks one of the promise's unproved clauses, or None when none was found."""
        found = self.first_broken([promise])
        return None if found is None else found[1]

    def first_broken(
        self, promises: Sequence[Promise], turns: Sequence[tuple[int, bool]] = TURNS
    ) -> tuple[Promise, CounterExample] | None:
        """Return the promise that is seen to break first, with a course that breaks it, or None.

        Cheap stages come before thorough ones and small neighbourhoods before wide ones; a bay that depends on others
        is looked for last. turns: those that are taken.
        """
        of = self._clauses(promises)
        for stage, wide in turns:
            for near, clauses in self._places(of, wide=wide).items():
                found = self._stands(self._hunt(near), clauses, stage)
                if found is not None:
                    return of[found.clause.output], found
        for promise in promises:
            apart = self._apart(promise) if promise.independent is not None else None
            if apart is not None:
                return promise, apart
        return None

    def seen_broken(self, promises: Sequence[Promise], bays: Iterable[str]) -> tuple[Promise, CounterExample] | None:
        """Return the promise that a course breaks first, with the course, or None; no solver is asked.

        bays: whose own courses are run, each with all other bays at rest. Those between bays come last, or first if
        there are several.
        """
        of = self._clauses(promises)
        between = list(self._places(of, wide=True).items())
        alone = [
            (self._around.bay(tag), [self._unproved[name] for name in of if tag in self._near[name].bays])
            for tag in bays
        ]
        for near, clauses in (*between, *alone) if len(alone) > 1 else (*alone, *between):
            found = self._stands(self._hunt_for(near, clauses), clauses, 0) if clauses else None
            if found is not None:
                return of[found.clause.output], found
        return None

    def _clauses(self, promises: Sequence[Promise]) -> dict[str, Promise]:
        """Return the promise of each unproved clause that one course may break."""
        return {
            c.output: p for p in promises if p.independent is None for c in p.clauses if c.output in self._unproved
        }

    def _places(self, names: Iterable[str], *, wide: bool) -> dict[Near, list[Clause]]:
        """Return the neighbourhoods of clauses, as they are or widened."""
        places: dict[Near, list[Clause]] = defaultdict(list)
        for name in names:
            near = self._near[name]
            places[self._around.wider(near) if wide else near].append(self._unproved[name])
        return places

    def _stands(self, hunt: Hunt, clauses: Sequence[Clause], stage: int) -> CounterExample | None:
        """Return what a hunt finds by a stage, once it has stood its replay."""
        while True:
            found = hunt.find([c for c in clauses if c.output not in hunt.refuted], stage)
            if found is None:
                return None
            clause, course = found
            course = hunt.quietened(clause, course)
            scans = self._replayed(clause, course)
            if scans is not None:
                return CounterExample(clause, course, scans, tell(self._model.site, course, scans, clause))
            hunt.refuted.add(clause.output)

    def _apart(self, promise: Promise) -> CounterExample | None:
        """Return two courses in one that a bay's outputs tell apart, though they should not."""
        assert promise.independent is not None  # noqa: S101  # whoever calls has looked
        commands = tuple(n for n in promise.independent.outputs if n.endswith(".command"))
        # valves first: people care less for a reason that differs
        for apart in (replace(promise.independent, outputs=commands), promise.independent):
            both, near, clause = composed(self._model, self._around, promise.subject, apart)
            hunt = Hunt(both, near, [clause])
            found = hunt.find([clause], _LAST_SCAN)
            course = None if found is None else hunt.quietened(clause, found[1])
            seen = None if course is None else replayed_twice(self._model, both, apart, course)
            if course is not None and seen is not None:
                scans, different = seen
                story = tell_both(self._model, promise.subject, course, scans, different)
                return CounterExample(clause, course, scans, story)
        return None

    def _hunt(self, near: Near) -> Hunt:
        """Return the hunt for all that lies within a neighbourhood."""
        if near not in self._hunts:
            within = [c for name, c in self._unproved.items() if near.holds(self._near[name])]
            self._hunts[near] = self._hunt_for(near, within)
        return self._hunts[near]

    def _hunt_for(self, near: Near, clauses: Sequence[Clause]) -> Hunt:
        return Hunt(self._around.cut(near, [c.output for c in clauses]), near, clauses)

    def _replayed(self, clause: Clause, course: Course) -> tuple[Replayed, ...] | None:
        """Return the course in the unchanged scheme up to the scan that breaks the clause, None if none does."""
        if self._replayer is None:
            self._replayer = Replayer(self._model, list(self._unproved))
        scans = []
        for scan in self._replayer.scans(course):
            scans.append(scan)
            if not scan.outputs[clause.output]:
                return tuple(scans)
        return None


@dataclass(frozen=True, slots=True)
class _Snapshot:
    """A state that a course reaches, and the course up to it."""

    course: Course
    states: list[Value]


class Hunt:
    """Runs courses in one neighbourhood, piece by piece, and keeps the first course that broke each clause."""

    def __init__(self, model: Model, near: Near, clauses: Sequence[Clause]) -> None:
        self.model = model
        self.clauses = tuple(clauses)
        self._near = near
        self._rest = rest_values(model)
        self.refuted: set[str] = set()  # clauses whose course here did nothing in the whole yard
        self._broken: dict[str, Course] = {}
        self._names = [c.output for c in clauses]
        self._runner = ListRunner(model.program)
        self._stems = Stems(model, self._runner, self._rest)
        self._trials = Stems(model, self._runner, self._rest)  # of one clause, none of them beyond its break
        self._tried: Clause | None = None
        place = {name: n for n, name in enumerate(self._runner.outputs)}
        self._place = {name: place[name] for name in self._names}
        self._holds = itemgetter(*self._place.values(), place[self._names[0]])  # twice: one name gives a tuple too
        states = model.program.states
        self._single = itemgetter(
            *(n for n, s in enumerate(states.values()) if s.type is Type.BOOL or s.high - s.low <= _FEW), 0, 0
        )
        self._snapshots: dict[tuple[Value, ...], _Snapshot] = {}
        self._rng = random.Random(20)  # noqa: S311  # for repeatable searches, not for secrets
        self._work = self._pieces()
        self._stage = 0

    def find(self, clauses: Sequence[Clause], stage: int) -> tuple[Clause, Course] | None:
        """Return one of the clauses and a course that breaks it, or None when all up to a stage has been tried."""
        while clauses:
            for clause in clauses:
                if clause.output in self._broken:
                    return clause, self._broken[clause.output]
            if self._stage > stage:
                return None
            self._stage = next(self._work, STAGES)
        return None

    def first_break(self, clause: Clause, course: Course) -> int | None:
        """Return when the course breaks the clause first, in ms, or None."""
        if clause is not self._tried:
            self._trials.forget()
            self._tried = clause
        for plant, _, outputs in self._trials.scans(course):
            if not outputs[self._place[clause.output]]:
                return plant.now_ms
        return None

    # -- what is tried, in this order

    def _pieces(self) -> Iterator[int]:
        """Try all there is, piece by piece, each time saying which stage it is in."""
        site = self.model.site
        bays = [(bay, n) for bay in site.bays for n, _, v in choices(site, bay) if v.tag in self._near.vessels]
        alone = [of_a_bay(site, bay, n) for bay, n in bays]
        between = [
            *(two_bays(site, *pair) for pair in sharing_bays(site)),
            *(beside(site, bay, n) for bay, n in bays),
        ]
        short: list[Course] = []
        for stage, kinds in enumerate((between, alone) if len(site.bays) > 1 else (alone, between)):
            for courses in kinds:
                yield from self._run(courses, short, stage)
            yield stage + 1
        yield from self._ask_for_scans(1, SCAN_MS, 2)
        yield from self._ask_for_scans(1, None, 2)
        yield 3
        odd = list(deviations(self.model, [bay for bay, _ in bays]))
        odd_courses = (disturbed(self._rng, self._rng.choice(short), odd) for _ in range(_ROUNDS))
        yield from self._run(odd_courses, [], 3)
        yield from self._ask_for_scans(1, None, 3)
        yield from self._ask_for_scans(2, None, 3)

    def _run(self, courses: Iterable[Course], kept: list[Course], stage: int) -> Iterator[int]:
        self._stems.forget()
        for course in map(self._possible, courses):
            if course.stride_ms <= STRIDE_MS:
                kept.append(course)
            self._observe(course)
            yield stage

    def _possible(self, course: Course) -> Course:
        """Return the course with its numbers within what each input can be."""
        declared = self.model.program.inputs
        events = tuple(
            replace(e, value=min(max(int(e.value), declared[e.name].low), declared[e.name].high))
            if e.name in declared and declared[e.name].type is Type.INT
            else e
            for e in course.events
        )
        return replace(course, events=events)

    def _observe(self, course: Course) -> None:
        before: tuple[Value, ...] = ()
        for plant, states, outputs in self._stems.scans(course):
            key = self._single(states)
            if key != before and key not in self._snapshots:
                self._snapshots[key] = _Snapshot(plant.upto_now(), states)
            before = key
            if not all(self._holds(outputs)):
                for name in self._names:
                    if not outputs[self._place[name]]:
                        self._broken.setdefault(name, plant.upto_now())

    def _ask_for_scans(self, count: int, elapsed_ms: int | None, stage: int) -> Iterator[int]:
        """Ask the solver for last scans that break a clause from a state that some course has reached.

        elapsed_ms: the time before each scan, or None for any.
        """
        program = unrolled(self.model.program, self._names, count, elapsed_ms)
        left = [n for n in self._names if n not in self._broken]
        if not left:
            return
        question = smt.Scan(program)
        solver = smt.Solver(_MOST_STEPS)
        solver.add(*question.bounds())
        needed = set(_looked_at(program.outputs[n] for n in left))
        places = [n for n, name in enumerate(program.states) if name in needed]
        names = [name for name in program.states if name in needed]
        distinct: dict[tuple[Value, ...], _Snapshot] = {}
        for snapshot in self._snapshots.values():
            distinct.setdefault(tuple(snapshot.states[n] for n in places), snapshot)
        rows = list(distinct)
        rows = rows[:: len(rows) // _SNAPSHOTS + 1]
        if names:
            solver.add(question.states_are_one_of(names, rows))
        while left:
            answer = solver.ask_with(smt.some(smt.negation(question.term(program.outputs[n])) for n in left))
            if answer is False or answer is None:
                return
            found = question.read(answer)
            snapshot = distinct[tuple(found.states[n] for n in names)]
            events = tuple(e for e in snapshot.course.events if e.at_ms <= snapshot.course.end_ms)
            self._observe(replace(snapshot.course, events=events, tail=_tail(found, count, elapsed_ms)))
            yield stage
            still = [n for n in left if n not in self._broken]
            if len(still) == len(left):
                return  # the plant gave another course than the solver was told: nothing of it can be trusted
            left = still

    # -- less of what was found

    def quietened(self, clause: Clause, course: Course) -> Course:
        """Return the course without what the clause breaks without as well, and told as plainly as can be."""
        course = self._without_tail(clause, course)
        course = self._with_fewer_events(clause, course)
        by_seconds = replace(course, stride_ms=STRIDE_MS)
        if course.stride_ms > STRIDE_MS and self.first_break(clause, by_seconds) is not None:
            course = by_seconds
        if not course.tail:
            at_ms = self.first_break(clause, course) or course.end_ms
            watched = replace(course, watched_ms=at_ms)
            broken_ms = self.first_break(clause, watched)
            if broken_ms is not None:
                course = replace(watched, end_ms=broken_ms)
        events = sorted((e for e in course.events if e.at_ms <= course.end_ms), key=lambda e: e.at_ms)
        return replace(course, events=tuple(events))

    def _without_tail(self, clause: Clause, course: Course) -> Course:
        """Return the course with as little of its tail as it needs, told as events if they do as well."""
        if not course.tail:
            return course
        course = self._quiet_tail(clause, course)
        for late in (False, True):
            told = _told_as_events(course, late=late)
            if self.first_break(clause, told) is not None:
                return told
        return course

    def _quiet_tail(self, clause: Clause, course: Course) -> Course:
        """Leave the inputs of the last scans to the plant, where that changes nothing."""
        for n, tail in enumerate(course.tail):
            for some in (*_halves(list(tail.inputs)), *([name] for name in tail.inputs)):
                now = course.tail[n]
                fewer = replace(now, inputs={k: v for k, v in now.inputs.items() if k not in some})
                trial = replace(course, tail=(*course.tail[:n], fewer, *course.tail[n + 1 :]))
                if len(fewer.inputs) < len(now.inputs) and self.first_break(clause, trial) is not None:
                    course = trial
            for elapsed_ms in (SCAN_MS, STRIDE_MS):
                sooner = replace(course.tail[n], elapsed_ms=elapsed_ms)
                trial = replace(course, tail=(*course.tail[:n], sooner, *course.tail[n + 1 :]))
                if elapsed_ms < course.tail[n].elapsed_ms and self.first_break(clause, trial) is not None:
                    course = trial
        return course

    def _with_fewer_events(self, clause: Clause, course: Course) -> Course:
        for some in (*_halves(list(course.events)), *([e] for e in course.events)):
            fewer = tuple(e for e in course.events if e not in some)
            trial = replace(course, events=fewer)
            if len(fewer) < len(course.events) and self.first_break(clause, trial) is not None:
                course = trial
        return course


def _told_as_events(course: Course, *, late: bool) -> Course:
    """Return the course with its tail as events: each scan late by what it came later, or after ordinary ones."""
    at_ms, events = course.end_ms, list(course.events)
    for tail in course.tail:
        wait_ms = max(tail.elapsed_ms - SCAN_MS, 0)
        if late and wait_ms:
            events.append(Event(at_ms + SCAN_MS, LATE, wait_ms, SCAN_MS))
        on_time_ms = at_ms + (SCAN_MS if late else -(-tail.elapsed_ms // SCAN_MS) * SCAN_MS)
        events += [Event(on_time_ms, n, v, SCAN_MS) for n, v in tail.inputs.items()]
        at_ms = on_time_ms + (wait_ms if late else 0)
    return replace(course, tail=(), events=tuple(events), end_ms=at_ms + STRIDE_MS)


def _halves(things: list[Any]) -> Iterator[list[Any]]:
    """Yield a list's first and second half, its quarters and eighths: most of them can go at once."""
    for parts in (2, 4, 8):
        size = -(-len(things) // parts)
        if size > 1:
            yield from (things[i : i + size] for i in range(0, len(things), size))


def _tail(found: smt.Found, count: int, elapsed_ms: int | None) -> tuple[Tail, ...]:
    """Return the scans that the solver found in an unrolled program."""
    scans: list[dict[str, Value]] = [{} for _ in range(count)]
    for name, value in found.inputs.items():
        n, _, plain = name.partition(":")
        scans[int(n)][plain] = value
    return tuple(Tail(int(s.pop(_ELAPSED, elapsed_ms or SCAN_MS)), s) for s in scans)


_ELAPSED = "elapsed"
_MOST_MS = 100_000_000  # more than a day is no other time


def unrolled(program: Program, outputs: Iterable[str], count: int, elapsed_ms: int | None) -> Program:
    """Return one program whose scan is count scans of a program: an output holds when it holds in all of them.

    Inputs are called N:NAME, N counting from 0; the time before a scan is its input elapsed, or elapsed_ms. States
    are those before the first of the scans, and stay.
    """
    inputs: dict[str, Input] = {}
    held: dict[str, list[Expr]] = {name: [] for name in outputs}
    before: dict[str, Expr] = {}
    for n in range(count):
        new: dict[Expr, Expr] = {}
        for node in ordered(
            [program.outputs[o] for o in held] + [s.next for s in program.states.values()] * (n + 1 < count)
        ):
            if node.op is Op.INPUT:
                name = f"{n}:{node.value}"
                inputs[name] = replace(program.inputs[str(node.value)], name=name)
                new[node] = Expr(Op.INPUT, node.type, (), name)
            elif node.op is Op.ELAPSED and elapsed_ms is not None:
                new[node] = constant(elapsed_ms)
            elif node.op is Op.ELAPSED:
                name = f"{n}:{_ELAPSED}"
                inputs[name] = Input(name, Type.INT, 1, _MOST_MS)
                new[node] = Expr(Op.INPUT, Type.INT, (), name)
            elif node.op is Op.PREVIOUS and before:
                new[node] = before[str(node.value)]
            else:
                new[node] = replace(node, args=tuple(new[a] for a in node.args)) if node.args else node
        for name, seen in held.items():
            seen.append(new[program.outputs[name]])
        if n + 1 < count:
            before = {name: new[s.next] for name, s in program.states.items()}
    kept = {n: replace(s, next=Expr(Op.PREVIOUS, s.type, (), n)) for n, s in program.states.items()}
    return Program(inputs, kept, {name: all_of(*seen) for name, seen in held.items()})


def _looked_at(expressions: Iterable[Expr]) -> Iterator[str]:
    """Yield the states that expressions read."""
    return (str(node.value) for node in ordered(expressions) if node.op is Op.PREVIOUS)


def deviations(model: Model, bays: Iterable[Bay]) -> Iterator[tuple[str, Value]]:
    """Yield inputs with values that differ from rest; what people press and do comes up more often."""
    site = model.site
    rest = rest_values(model)
    for name, declared in model.program.inputs.items():
        if declared.type is Type.BOOL and not name.endswith(".new"):
            yield name, not rest[name]
    for bay in dict.fromkeys(bays):
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


def disturbed(rng: random.Random, course: Course, odd: Sequence[tuple[str, Value]]) -> Course:
    """Return the course with random events added, half of them near what happens in it."""
    near = [e.at_ms for e in course.events]
    added = []
    for _ in range(rng.choice([1, 2, 4])):
        at_ms = rng.randrange(0, course.end_ms, SCAN_MS)
        if rng.random() < 0.5:
            at_ms = rng.choice(near) + rng.choice([-200, -100, 0, 100, 200, 1000, 5000])
        name, value = rng.choice(odd)
        lasts_ms = SCAN_MS if name in (LATE, CRASH) else rng.choice([SCAN_MS, SCAN_MS, 500, 3_000, 15_000])
        added.append(Event(max(at_ms, 0), name, value, lasts_ms))
    return replace(course, events=(*course.events, *added))
