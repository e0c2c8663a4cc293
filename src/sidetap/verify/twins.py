"""States that always have one value: found by trying, confirmed by induction, and then one state.

A slice in normal form -> which of its states are another one's twin. No run of the program is needed: all states of
one kind and one first value start in one class; from random states in which every class has one value, classes whose
members differ after a scan are split; what is left is asked of the solver, which splits further or agrees. What
remains holds for every scan: the largest sameness that a scan keeps.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidetap.scheme import Expr, Op, Program, Type, Value, ordered
from sidetap.scheme.arrays import ArrayRunner
from sidetap.verify import smt
from sidetap.verify.graph import Graph

_LANES = 256
_QUIET_ROUNDS = 6  # random scans in a row that split nothing, before the solver is asked
_TIMES_MS = (1, 99, 100, 101, 999, 1000, 1001, 2000, 5000, 60_000)

Column = NDArray[Any]


def twins(graph: Graph, part: Program, claimed: Mapping[str, str] | None = None) -> dict[str, str]:
    """Return each state of the program that has a twin, with the twin that stands for all of them.

    claimed: which are said to be; then no others are looked for.
    """
    classes = _Classes(part, claimed)
    lone = constants(part)
    if claimed is None:
        _split_by_trying(part, classes, lone)
    first = {_previous(graph, part, n): graph.constant(s.first) for n, s in part.states.items()}
    later = {_previous(graph, part, n): graph.constant(value) for n, value in lone.items()}
    while True:
        twin = classes.twins()
        same = {_previous(graph, part, a): _previous(graph, part, b) for a, b in twin.items()}
        # the first scan starts from first values; every later one finds what a scan has left
        found = _difference(graph, part, twin, first) or _difference(graph, part, twin, same | later)
        if found is None:
            return twin
        classes.split(found)


def constants(part: Program) -> dict[str, Value]:
    """Return the states that have one value from the first scan on."""
    nexts = {n: s.next for n, s in part.states.items()}
    return {n: e.value for n, e in nexts.items() if e.op is Op.CONSTANT and not isinstance(e.value, str | None)}


class _Classes:
    """Which states may be twins so far. A state of the scheme, not of a judge, stands for its class."""

    def __init__(self, part: Program, claimed: Mapping[str, str] | None) -> None:
        start: dict[object, list[str]] = {}
        for name, s in part.states.items():
            mark = (s.type, s.first, None if claimed is None else claimed.get(name, name))
            start.setdefault(mark, []).append(name)
        self._classes = [names for names in start.values() if len(names) > 1]

    def twins(self) -> dict[str, str]:
        """Return each state with the one that stands for its class."""
        pairs: dict[str, str] = {}
        for names in self._classes:
            first = min(names, key=lambda n: n.startswith(("judge.", "stored.")))
            pairs.update({n: first for n in names if n != first})
        return pairs

    def split(self, values: Mapping[str, Value]) -> None:
        """Part the states that have different values."""
        self._part({name: value for names in self._classes for name, value in ((n, values[n]) for n in names)})

    def split_columns(self, columns: Mapping[str, Column]) -> bool:
        """Part the states that differ in some lane; return whether any did."""
        before = sum(map(len, self._classes)) - len(self._classes)
        self._part({n: columns[n].tobytes() for names in self._classes for n in names})
        return before != sum(map(len, self._classes)) - len(self._classes)

    def _part(self, marks: Mapping[str, object]) -> None:
        parted: list[list[str]] = []
        for names in self._classes:
            groups: dict[object, list[str]] = {}
            for name in names:
                groups.setdefault(marks[name], []).append(name)
            parted.extend(group for group in groups.values() if len(group) > 1)
        self._classes = parted


def _split_by_trying(part: Program, classes: _Classes, lone: Mapping[str, Value]) -> None:
    runner = ArrayRunner(_widened(part))
    draw = Draw(part)
    first = {n: draw.all_of(s.first) for n, s in part.states.items()}
    classes.split_columns(runner.step(first, draw.inputs(), draw.elapsed_ms())[0])
    quiet = 0
    while quiet < _QUIET_ROUNDS:
        states = draw.states() | {n: draw.all_of(value) for n, value in lone.items()}
        for name, twin in classes.twins().items():
            states[name] = states[twin]
        after, _ = runner.step(states, draw.inputs(), draw.elapsed_ms())
        quiet = 0 if classes.split_columns(after) else quiet + 1


def _widened(part: Program) -> Program:
    """Return the program without outputs, its states free to leave their ranges: those drawn may be impossible."""
    states = {
        n: s if s.type is Type.BOOL else replace(s, low=-smt.UNBOUNDED, high=smt.UNBOUNDED)
        for n, s in part.states.items()
    }
    return replace(part, states=states, outputs={})


class Draw:
    """Random states and inputs of a program in their ranges, many at once; seeded, with a liking for the edges."""

    def __init__(self, part: Program, lanes: int = _LANES) -> None:
        self._rng = np.random.default_rng(1)
        self._part, self._lanes = part, lanes
        roots = [s.next for s in part.states.values()] + list(part.outputs.values())
        self._edges = np.unique([int(n.value or 0) for n in ordered(roots) if _is_number(n)] or [0])

    def states(self) -> dict[str, Column]:
        """Return a value for each state and lane."""
        return {n: self._values(s.type, s.low, s.high) for n, s in self._part.states.items()}

    def inputs(self) -> dict[str, Column]:
        """Return a value for each input and lane."""
        return {n: self._values(i.type, i.low, i.high) for n, i in self._part.inputs.items()}

    def all_of(self, value: Value) -> Column:
        """Return one value in every lane."""
        return np.full(self._lanes, value)

    def elapsed_ms(self) -> Column:
        """Return a time before the scan for each lane."""
        return self._rng.choice(_TIMES_MS, self._lanes)

    def _values(self, kind: Type, low: int, high: int) -> Column:
        rng = self._rng
        if kind is Type.BOOL:
            return rng.random(self._lanes) < 0.5
        near = np.clip(rng.choice(self._edges, self._lanes) + rng.integers(-1, 2, self._lanes), low, high)
        anywhere = rng.integers(low, high + 1, self._lanes)
        ends = np.where(rng.random(self._lanes) < 0.5, low, high)
        which = rng.integers(0, 4, self._lanes)
        return np.where(which == 0, ends, np.where(which == 1, anywhere, near))


def _is_number(node: Expr) -> bool:
    return node.op is Op.CONSTANT and node.type is Type.INT


def _difference(
    graph: Graph, part: Program, twin: Mapping[str, str], become: Mapping[Expr, Expr]
) -> Mapping[str, Value] | None:
    """Return the states after a scan in which twins differ, or None when there is no such scan.

    become: what states read as in that scan.
    """
    following = graph.take([s.next for s in part.states.values()], become)
    after = {name: following[s.next] for name, s in part.states.items()}
    doubtful = {a: b for a, b in twin.items() if after[a] is not after[b]}
    if not doubtful:
        return None
    program = replace(part, states={n: replace(s, next=after[n]) for n, s in part.states.items()}, outputs={})
    scan, solver = smt.Scan(program), smt.Solver()
    solver.add(*scan.bounds(), *scan.ranges())
    for a, b in doubtful.items():
        answer = solver.ask_with(smt.differ(scan.following(a), scan.following(b)))
        if answer is None:
            return {n: i for i, n in enumerate(part.states)}  # nobody knows: no state has a twin
        if answer is not False:
            return scan.read_after(answer)
    return None


def _previous(graph: Graph, part: Program, name: str) -> Expr:
    return graph.previous(name, part.states[name].type)


def same_nodes(part: Program, nodes: Sequence[Expr]) -> dict[Expr, Expr]:
    """Return the Boolean nodes that always equal an earlier one of them, with it.

    part: states that stay as they are. nodes: over them, what is to stand for others first.
    """
    columns: dict[Expr, list[bytes]] = {n: [] for n in nodes}
    names = {n: f"node {i}" for i, n in enumerate(nodes)}
    runner = ArrayRunner(replace(part, outputs={names[n]: n for n in nodes}))
    draw = Draw(part)
    for _ in range(_QUIET_ROUNDS):
        states = draw.states()
        _, values = runner.step(states, draw.inputs(), draw.elapsed_ms())
        for n in nodes:
            columns[n].append(np.broadcast_to(values[names[n]], _LANES).tobytes())
    alike: dict[bytes, list[Expr]] = {}
    for n in nodes:
        alike.setdefault(b"".join(columns[n]), []).append(n)
    scan, solver = smt.Scan(part), smt.Solver()
    solver.add(*scan.bounds(), *scan.ranges())
    same: dict[Expr, Expr] = {}
    groups = [group for group in alike.values() if len(group) > 1]
    while groups:
        first, *others = groups.pop()
        for n in others:
            found = solver.ask_with(smt.differ(scan.term(first), scan.term(n)))
            if found is False:
                same[n] = first
            elif found is not None:
                groups.extend(_parted(scan, found, [x for x in (first, *others) if x not in same]))
                break
    return same


def _parted(scan: smt.Scan, found: smt.Term, nodes: Sequence[Expr]) -> list[list[Expr]]:
    """Return nodes in groups of one value in a scan that the solver has found; lone ones are left out."""
    groups: dict[Value, list[Expr]] = {}
    for n in nodes:
        groups.setdefault(scan.value(found, n), []).append(n)
    return [group for group in groups.values() if len(group) > 1]
