"""Facts that hold after every scan: guessed from sampled runs, then proved or dropped.

States that some runs of the model went through -> candidates that none of them contradicts -> those that the
program keeps. A candidate is an expression over previous states. Guessing is cheap and may be wrong; what is
returned has been proved: all of it together holds in the first states and is kept by every scan, whatever the
inputs and the elapsed time. (Guess and strike out, known as Houdini.)
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from sidetap.scheme import Expr, Op, Program, Type, Value, ordered
from sidetap.verify import smt
from sidetap.verify.stepper import Stepper

_SMALL = 20  # whole numbers up to this are counts, whose single values may matter
_TIMEOUT_MS = 20_000
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

    rows: states seen in runs, in the order of the program. hints: candidates of the judges' own. guards: states
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
    """Return the largest set of candidates that holds in the first states and, with what is known, keeps itself."""
    judge = _Judge(program, candidates)
    stepper = Stepper(program, [])
    rng = random.Random(1)  # noqa: S311  # for repeatable proofs, not for secrets
    alive = judge.true_in([stepper.first], range(len(candidates)))
    scan = smt.Scan(program)
    solver = smt.Solver(_TIMEOUT_MS)
    solver.add(*scan.bounds(), *(scan.term(k) for k in known))
    cache: dict[Expr, smt.Term] = {}
    after = [scan.after(c, cache) for c in candidates]
    switches = [smt.switch(f"on {i}") for i in range(len(candidates))]
    for i in alive:
        solver.add(smt.implies(switches[i], scan.term(candidates[i])))
    while alive:
        solver.push()
        solver.add(smt.some(smt.negation(after[i]) for i in alive))
        answer = solver.ask([switches[i] for i in alive])
        solver.pop()
        if answer is False:
            break
        if answer is None:
            return []
        # the state found satisfies all that is left: what any of its successors contradicts goes
        found = scan.read(answer)
        before = [found.states[n] for n in program.states]
        as_found = ([found.inputs[n] for n in program.inputs], found.elapsed_ms)
        ways = [as_found, *(_variant(program, found, rng) for _ in range(_VARIANTS))]
        alive = judge.true_in((stepper.step(before, *way)[0] for way in ways), alive)
    return [candidates[i] for i in alive]


def _variant(program: Program, found: smt.Found, rng: random.Random) -> tuple[list[Value], int]:
    """Return inputs like those found, some of them changed, and some time."""
    inputs: list[Value] = []
    for name, declared in program.inputs.items():
        value = found.inputs[name]
        if rng.random() < 0.1:
            value = not value if declared.type is Type.BOOL else rng.randint(declared.low, declared.high)
        inputs.append(value)
    return inputs, rng.choice([found.elapsed_ms, found.elapsed_ms, 1, 100, 1000, 60_000])


class _Judge:
    """Tests states against many candidates at once."""

    def __init__(self, program: Program, candidates: Sequence[Expr]) -> None:
        same = {n: replace(s, next=Expr(Op.PREVIOUS, s.type, (), n)) for n, s in program.states.items()}
        outputs = {str(i): c for i, c in enumerate(candidates)}
        self._stepper = Stepper(Program({}, same, outputs), list(outputs))

    def true_in(self, states: Iterable[Sequence[Value]], alive: Iterable[int]) -> list[int]:
        """Return those of the alive candidates that are true in all of the states."""
        left = list(alive)
        for state in states:
            _, true = self._stepper.step(state, (), 1)
            left = [i for i in left if true[i]]
        return left


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
