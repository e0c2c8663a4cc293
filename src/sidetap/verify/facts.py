"""Facts that make clauses provable by induction: chosen from a pool as counter-examples ask for them.

A slice, its clauses and candidates over its states -> which clauses hold in every scan, and the facts that this rests
on. A clause is asked of one scan from any state. Where the solver finds a state from which it breaks, a candidate
that is false there is taken up; it must then itself hold after the first scan and be kept by every scan, or is
dropped. What is returned has been proved all together, and nothing rests on a candidate that was dropped.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from sidetap.scheme import Expr, Op, Program, Runner, Type, Value, ordered
from sidetap.verify import smt
from sidetap.verify.graph import Graph
from sidetap.verify.twins import constants

_AT_ONCE = 3  # candidates that are taken up for one counter-example


@dataclass(frozen=True, slots=True)
class Outcome:
    """The names of the clauses that are proved, and what that rests on."""

    holds: frozenset[str]
    facts: tuple[Expr, ...]


def prove(
    graph: Graph, part: Program, pool: Sequence[Expr], starts: Mapping[str, Value] = MappingProxyType({})
) -> Outcome:
    """Return which outputs of the program are true in every scan.

    pool: candidates in the graph's normal form, what is likely or short first; those over
    states that the program has not are left out. starts: inputs whose value in the first scan is known.
    """
    return _Proof(graph, part, pool, starts).run()


class _Proof:
    def __init__(self, graph: Graph, part: Program, pool: Sequence[Expr], starts: Mapping[str, Value]) -> None:
        pool = [c for c in pool if part.states.keys() >= set(states_of(c))]
        self._graph, self._part, self._pool, self._starts = graph, part, pool, starts
        self._alive = set(range(len(pool)))
        self._taken: list[int] = []
        self._rests_on: dict[int, set[str | int]] = {}
        same = {n: replace(s, next=_previous(s.type, n)) for n, s in part.states.items()}
        self._values = Runner(Program({}, same, {str(i): c for i, c in enumerate(pool)}))
        self._scan, self._solver = smt.Scan(part), smt.Solver()
        self._solver.add(*self._scan.bounds(), *self._scan.ranges())
        # every scan that is asked of has one before it; the first one is asked of apart
        if lone := constants(part):
            self._solver.add(self._scan.states_are(lone))
        self._after: dict[Expr, smt.Term] = {}
        self._failed: set[str] = set()

    def run(self) -> Outcome:
        first = _FirstScan(self._graph, self._part, self._starts)
        self._failed = first.breaks(self._part.outputs)
        outputs = [n for n in self._part.outputs if n not in self._failed]
        queue: deque[str | int] = deque(n for n in outputs if self._part.outputs[n].value is not True)
        while queue:
            goal = queue.popleft()
            if isinstance(goal, int) and goal not in self._alive:
                continue
            queue.extend(self._settle(goal, first))
        holds = frozenset(self._part.outputs) - self._failed
        facts = tuple(self._pool[i] for i in self._taken if i in self._alive and self._rests_on.get(i))
        return Outcome(holds, facts)

    def _settle(self, goal: str | int, first: _FirstScan) -> list[str | int]:
        """Prove a goal or give it up; return the goals that are open because of it."""
        opened: list[str | int] = []
        while True:
            rests_on = self._solver.holds_by(self._doubt(goal), [i for i in self._taken if i in self._alive])
            if isinstance(rests_on, list):
                for i in rests_on:
                    self._rests_on.setdefault(i, set()).add(goal)
                return opened
            more = [] if rests_on is None else self._against(self._scan.read_before(rests_on), first)
            if not more:
                return opened + self._give_up(goal)
            opened.extend(more)

    def _doubt(self, goal: str | int) -> smt.Term:
        if isinstance(goal, str):
            return smt.negation(self._scan.term(self._part.outputs[goal]))
        return smt.negation(self._scan.after(self._pool[goal], self._after))

    def _against(self, states: Mapping[str, Value], first: _FirstScan) -> list[int]:
        """Take up candidates that are false in these states, and return them."""
        _, true = self._values.step(states, {}, 1)
        more: list[int] = []
        for i, candidate in enumerate(self._pool):
            if i not in self._alive or i in self._taken or true[str(i)]:
                continue
            if not first.leaves(candidate):
                self._alive.discard(i)
                continue
            self._taken.append(i)
            self._solver.take_up(i, self._scan.term(candidate))
            more.append(i)
            if len(more) == _AT_ONCE:
                break
        return more

    def _give_up(self, goal: str | int) -> list[str | int]:
        if isinstance(goal, str):
            self._failed.add(goal)
            return []
        self._alive.discard(goal)
        return sorted(self._rests_on.pop(goal, set()), key=str)


class _FirstScan:
    """The scan that starts a program: states have their first values."""

    def __init__(self, graph: Graph, part: Program, starts: Mapping[str, Value]) -> None:
        self._graph, self._part = graph, part
        self._become = {graph.previous(n, s.type): graph.constant(s.first) for n, s in part.states.items()}
        self._become |= {graph.input(n, part.inputs[n].type): graph.constant(v) for n, v in starts.items()}
        self._after: dict[Expr, Expr] = {}
        self._scan, self._solver = smt.Scan(replace(part, states={})), smt.Solver()
        self._solver.add(*self._scan.bounds())

    def breaks(self, clauses: Mapping[str, Expr]) -> set[str]:
        """Return which clauses are not true in every first scan."""
        known = self._graph.take(clauses.values(), self._become)
        doubtful = {n: known[e] for n, e in clauses.items() if known[e].value is not True}
        doubts = smt.some([smt.negation(self._scan.term(e)) for e in doubtful.values()])
        # all at once first, since hardly ever one of them breaks
        if self._solver.ask_with(doubts) is False:
            return set()
        return {n for n, e in doubtful.items() if not self._true(e)}

    def leaves(self, fact: Expr) -> bool:
        """Return whether a fact over states is true after every first scan."""
        for name in states_of(fact):
            s = self._part.states[name]
            before = self._graph.previous(name, s.type)
            if before not in self._after:
                self._after[before] = self._graph.take([s.next], self._become)[s.next]
        return self._true(self._graph.take([fact], self._after)[fact])

    def _true(self, holds: Expr) -> bool:
        return holds.value is True or self._solver.ask_with(smt.negation(self._scan.term(holds))) is False


def _previous(kind: Type, name: str) -> Expr:
    return Expr(Op.PREVIOUS, kind, (), name)


def states_of(fact: Expr) -> list[str]:
    """Return the names of the states that a fact speaks of."""
    return [str(n.value) for n in ordered([fact]) if n.op is Op.PREVIOUS]
