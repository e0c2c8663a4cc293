"""Facts that hold after every scan: guessed from sampled runs, then proved or dropped.

States that some runs of the model went through -> candidates that none of them contradicts -> those that the
program keeps. A candidate is an expression over previous states. Guessing is cheap and may be wrong; what is
returned has been proved: all of it together holds after the first scan and is kept by every scan after it, whatever
the inputs and the elapsed time. (Guess and strike out, known as Houdini.)
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from sidetap.scheme import Expr, GeneratedRunner, Op, Program, Type, Value, ordered
from sidetap.verify import smt

_SMALL = 20  # whole numbers up to this are counts, whose single values may matter
_VARIANTS = 40

Columns = dict[str, NDArray[np.int64]]


def invariants(
    program: Program,
    rows: Sequence[Sequence[Value]],
    hints: Sequence[Expr],
    guards: Sequence[str],
    parts: Sequence[Sequence[str]],
) -> list[Expr]:
    """Return proved facts about the program's states.

    rows: states seen after scans, in the order of the program. hints: candidates of the judges' own. guards: states
    that say when others matter, such as a running ticket. parts: names of states that are looked at together, one
    part after the other; the facts of a part may build on those of earlier parts.
    """
    table = np.unique(np.array(rows, dtype=np.int64), axis=0)
    columns = {name: table[:, i] for i, name in enumerate(program.states)}
    proved: list[Expr] = []
    for names in parts:
        mine = [h for h in hints if all(n.value in names for n in ordered([h]) if n.op is Op.PREVIOUS)]
        candidates = [*mine, *_Guesser(program, names, columns, guards).all()]
        proved += _strike_out(program, candidates, proved)
    return proved


def _strike_out(program: Program, candidates: Sequence[Expr], known: Sequence[Expr]) -> list[Expr]:
    """Return the largest set of candidates that is true after the first scan and keeps itself, with what is known."""
    scan = smt.Scan(program)
    terms = [scan.term(c) for c in candidates]
    cache: dict[Expr, smt.Term] = {}
    after = [scan.after(c, cache) for c in candidates]
    switches = [smt.switch(f"on {i}") for i in range(len(candidates))]
    judge = _Judge(program, candidates)
    first = {name: s.first for name, s in program.states.items()}

    def struck(solver: smt.Solver, alive: list[int], *, keeping: bool) -> list[int]:
        while alive:
            doubt = smt.some(smt.negation(after[i]) for i in alive)
            answer = solver.ask_with(doubt, [switches[i] for i in alive] if keeping else [])
            if answer is False:
                break
            if answer is None:
                return []
            alive = judge.left(scan.read(answer), alive)
        return alive

    start = smt.Solver()
    start.add(*scan.bounds(), scan.states_are(first))
    alive = struck(start, list(range(len(candidates))), keeping=False)
    later = smt.Solver()
    later.add(*scan.bounds(), *(scan.term(k) for k in known))
    for i in alive:
        later.add(smt.implies(switches[i], terms[i]))
    return [candidates[i] for i in struck(later, alive, keeping=True)]


class _Judge:
    """Tests the scans that may follow a state against many candidates at once."""

    def __init__(self, program: Program, candidates: Sequence[Expr]) -> None:
        same = {n: replace(s, next=Expr(Op.PREVIOUS, s.type, (), n)) for n, s in program.states.items()}
        outputs = {str(i): c for i, c in enumerate(candidates)}
        self._program = program
        self._names = list(outputs)
        self._candidates = GeneratedRunner(Program({}, same, outputs))
        self._model = GeneratedRunner(replace(program, outputs={}))
        self._rng = random.Random(1)  # noqa: S311  # for repeatable proofs, not for secrets

    def left(self, found: smt.Found, alive: Sequence[int]) -> list[int]:
        """Return the alive candidates that are true after the scan found, and after scans much like it.

        What the solver has found satisfies all that is alive, so whatever may follow it counts against them.
        """
        left = list(alive)
        for n in range(1 + _VARIANTS):
            inputs, elapsed_ms = (found.inputs, found.elapsed_ms) if n == 0 else self._variant(found)
            states, _ = self._model.step(found.states, inputs, elapsed_ms)
            _, true = self._candidates.step(states, {}, 1)
            left = [i for i in left if true[self._names[i]]]
        return left

    def _variant(self, found: smt.Found) -> tuple[dict[str, Value], int]:
        inputs = dict(found.inputs)
        for name, declared in self._program.inputs.items():
            if self._rng.random() < 0.1:
                other = self._rng.randint(declared.low, declared.high)
                inputs[name] = not inputs[name] if declared.type is Type.BOOL else other
        return inputs, self._rng.choice([found.elapsed_ms, found.elapsed_ms, 1, 100, 1000, 60_000])


class _Guesser:
    """Makes candidates about some states: ranges, twins, pairs that never meet, bounds under a guard."""

    def __init__(self, program: Program, names: Sequence[str], columns: Columns, guards: Sequence[str]) -> None:
        self._program, self._names, self._columns = program, names, columns
        self._guards = [g for g in guards if g in names]

    def all(self) -> Iterator[Expr]:
        states = self._program.states
        for n in self._names:
            if states[n].type is Type.INT:
                yield (self._state(n) >= states[n].low) & (self._state(n) <= states[n].high)
        twins = dict(self._twins())
        for name, twin in twins.items():
            yield self._state(name).equals(self._state(twin))
        bools = [n for n in self._names if states[n].type is Type.BOOL and n not in twins]
        ints = [n for n in self._names if states[n].type is Type.INT and n not in twins]
        guards = [(n, wanted) for n in bools for wanted in (True, False) if np.any(self._columns[n] == wanted)]
        for n in bools:
            if np.all(self._columns[n] == self._columns[n][0]):
                yield self._literal(n, bool(self._columns[n][0]))
        for (a, wa), (b, wb) in combinations(guards, 2):
            if a != b and not np.any((self._columns[a] == wa) & (self._columns[b] == wb)):
                yield ~self._literal(a, wa) | ~self._literal(b, wb)
        for guard in self._guards:
            yield from self._guarded_twins(guard)
        for n in ints:
            yield from self._bounds(n, guards)
        for a, b in combinations([n for n in self._names if states[n].type is Type.INT], 2):
            if (states[a].low, states[a].high) == (states[b].low, states[b].high):
                yield from self._order(a, b)
                yield from self._order(b, a)

    def _twins(self) -> Iterator[tuple[str, str]]:
        """Yield each state with an earlier one of the same kind that has had the same value in every sample."""
        seen: dict[tuple[Type, int, int, bytes], str] = {}
        for n in self._names:
            s, column = self._program.states[n], self._columns[n]
            if np.all(column == column[0]):
                continue
            twin = seen.setdefault((s.type, s.low, s.high, column.tobytes()), n)
            if twin != n:
                yield n, twin

    def _guarded_twins(self, guard: str) -> Iterator[Expr]:
        """Yield pairs of Booleans that don't differ while the guard is true; elsewhere they may."""
        mask = self._columns[guard] == 1
        bools = [n for n in self._names if self._program.states[n].type is Type.BOOL]
        for a, b in combinations(bools, 2):
            x, y = self._columns[a], self._columns[b]
            if np.array_equal(x[mask], y[mask]) and len(np.unique(x[mask])) == 2:
                yield ~self._state(guard) | self._state(a).equals(self._state(b))

    def _bounds(self, n: str, guards: list[tuple[str, bool]]) -> Iterator[Expr]:
        s, column, x = self._program.states[n], self._columns[n], self._state(n)
        values = range(s.low, s.high + 1) if s.high <= _SMALL else [s.low]
        short = s.high > _SMALL and bool(np.all(column < s.high))
        if short:
            yield x < s.high
        for guard, wanted in guards:
            seen = column[self._columns[guard] == wanted]
            unless = ~self._literal(guard, wanted)
            for value in values:
                if np.all(seen == value):
                    yield unless | x.equals(value)
                elif s.high <= _SMALL and not np.any(seen == value):
                    yield unless | ~x.equals(value)
            if s.high > _SMALL and not short and np.all(seen < s.high):
                yield unless | (x < s.high)

    def _order(self, a: str, b: str) -> Iterator[Expr]:
        """Yield a <= b, and the same under each guard: what holds of itself only while a ticket runs is common."""
        x, y = self._columns[a], self._columns[b]
        at_most = self._state(a) <= self._state(b)
        if np.all(x <= y):
            yield at_most
        for guard in self._guards:
            mask = self._columns[guard] == 1
            if np.any(mask) and np.all(x[mask] <= y[mask]):
                yield ~self._state(guard) | at_most

    def _state(self, name: str) -> Expr:
        return Expr(Op.PREVIOUS, self._program.states[name].type, (), name)

    def _literal(self, name: str, wanted: bool) -> Expr:
        return self._state(name) if wanted else ~self._state(name)
