"""Every state a small program can reach, by breadth-first search: a third way to look, beside proof and search.

A program, a small alphabet of inputs and rules of one's own over inputs and outputs come in; how many states there
are, what was reached and which rules broke goes out. Written without a look at promises or prover; only the graph of
expressions is shared. A scan always takes TICK_MS: what is found is so, what isn't may be so with other times.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import reduce
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

from sidetap.scheme import Expr, Op, Program, Type, ordered

TICK_MS = 1000
AT_ONCE = 500  # states that are stepped together, each with the whole alphabet: some tens of MB

Column: TypeAlias = npt.NDArray[Any]
Columns: TypeAlias = dict[str, Column]
Symbol: TypeAlias = Mapping[str, int | bool]


@dataclass(frozen=True, slots=True)
class Scan:
    """Many scans at once: what came in and went out, in this scan and (commands, keys) in the one before."""

    inputs: Columns
    outputs: Columns
    memory: Columns


@dataclass(frozen=True, slots=True)
class Judged:
    """The judge's own memory after a scan, the rules it broke and the sights it gave, each a column of bools."""

    memory: Columns
    broken: Columns
    seen: Columns


@dataclass(frozen=True, slots=True)
class Explored:
    """What a search found: how many states and scans, and the names of rules broken and sights seen."""

    states: int
    scans: int
    broken: frozenset[str]
    seen: frozenset[str]


class TooManyStates(RuntimeError):
    """There are more states than the search was told to look at."""


def explore(
    program: Program,
    alphabet: list[Symbol],
    wiring: Callable[[Columns, Columns], Columns],
    first_memory: Mapping[str, int | bool],
    judge: Callable[[Scan], Judged],
    outputs: Iterable[str],
    at_most: int,
    until: str = "",
) -> Explored:
    """Step every reachable state with every symbol until nothing is new; TooManyStates past at_most states.

    wiring: (memory, inputs of the alphabet) -> what follows from the plant, such as limit switches. outputs: those
    the judge looks at; states that have no say in them are left out. until: a rule at whose breach it may stop.
    """
    named = {name: program.outputs[name] for name in outputs}
    state_names, _ = program.cone(named.values())
    step = _Step(program, state_names, named)
    alphabet_columns = _columns(alphabet)
    width = len(alphabet)
    frontier: Columns = {name: np.array([program.states[name].first]) for name in state_names}
    frontier |= {f"judge {name}": np.array([value]) for name, value in first_memory.items()}
    known, scans = _Known(), 0
    frontier = known.new_of(frontier)
    broken: set[str] = set()
    seen: set[str] = set()
    while size := len(next(iter(frontier.values()))):
        found: list[Columns] = []
        for start in range(0, size, AT_ONCE):
            part = {name: np.repeat(c[start : start + AT_ONCE], width) for name, c in frontier.items()}
            times = len(next(iter(part.values()))) // width
            memory = {name: part[f"judge {name}"] for name in first_memory}
            inputs = {name: np.tile(c, times) for name, c in alphabet_columns.items()}
            inputs |= wiring(memory, inputs)
            following, out = step(part, inputs)
            judged = judge(Scan(inputs, out, memory))
            broken |= {name for name, column in judged.broken.items() if column.any()}
            seen |= {name for name, column in judged.seen.items() if column.any()}
            scans += times * width
            if until in broken:
                return Explored(known.size, scans, frozenset(broken), frozenset(seen))
            found.append(known.new_of(following | {f"judge {name}": c for name, c in judged.memory.items()}))
        if known.size > at_most:
            raise TooManyStates(f"{known.size} states and more")
        frontier = {name: np.concatenate([part[name] for part in found]) for name in frontier}
    return Explored(known.size, scans, frozenset(broken), frozenset(seen))


class _Known:
    """The set of states met so far. A hash finds who may be equal, and the columns are then compared: it is exact."""

    def __init__(self) -> None:
        self.size = 0
        self._hashes: npt.NDArray[np.uint64] = np.zeros(0, np.uint64)
        self._rows: Columns = {}

    def new_of(self, rows: Columns) -> Columns:
        """Return those of rows that were never met, each once, and remember them."""
        hashes, index, inverse = np.unique(_hash(rows), return_index=True, return_inverse=True)
        self._require_equal({name: c[index][inverse] for name, c in rows.items()}, rows)
        place = np.searchsorted(self._hashes, hashes)
        met = np.zeros(len(hashes), bool)
        inside = place < self.size
        met[inside] = self._hashes[place[inside]] == hashes[inside]
        once = {name: c[index] for name, c in rows.items()}
        if self.size:
            known = {name: c[place[met]] for name, c in self._rows.items()}
            self._require_equal(known, {name: c[met] for name, c in once.items()})
        new = {name: c[~met] for name, c in once.items()}
        where = place[~met]
        self._rows = {name: np.insert(self._rows.get(name, c[:0]), where, c) for name, c in new.items()}
        self._hashes = np.insert(self._hashes, where, hashes[~met])
        self.size = len(self._hashes)
        return new

    @staticmethod
    def _require_equal(a: Columns, b: Columns) -> None:
        if not all(np.array_equal(a[name], b[name]) for name in a):
            raise AssertionError("two states have one hash: change the factors")


def _hash(rows: Columns) -> npt.NDArray[np.uint64]:
    factors = np.random.default_rng(1).integers(0, 2**63, len(rows), dtype=np.uint64)
    total: npt.NDArray[np.uint64] = np.zeros(len(next(iter(rows.values()))), np.uint64)
    for factor, name in zip(factors, sorted(rows), strict=True):
        value = rows[name].astype(np.uint64) + np.uint64(1)
        total += (value * (factor | np.uint64(1))) ^ (value * np.uint64(2) * factor >> np.uint64(29))
    return total


def _columns(alphabet: list[Symbol]) -> Columns:
    return {name: np.array([symbol[name] for symbol in alphabet]) for name in alphabet[0]}


class _Step:
    """The program over columns: this judge's own table of what the operations mean."""

    _TABLE: Mapping[Op, Callable[..., Column]] = {
        Op.NOT: np.logical_not,
        Op.CHOOSE: np.where,
        Op.EQUAL: np.equal,
        Op.LESS: np.less,
        Op.AT_MOST: np.less_equal,
        Op.SUBTRACT: np.subtract,
        Op.MINIMUM: np.minimum,
    }
    _MANY: Mapping[Op, Callable[[Any, Any], Any]] = {Op.AND: operator.and_, Op.OR: operator.or_, Op.ADD: operator.add}

    def __init__(self, program: Program, state_names: list[str], outputs: Mapping[str, Expr]) -> None:
        self._next = {name: program.states[name].next for name in state_names}
        self._outputs = outputs
        self._nodes = ordered([*self._next.values(), *outputs.values()])

    def __call__(self, states: Columns, inputs: Columns) -> tuple[Columns, Columns]:
        """Return (states, outputs) after one tick."""
        size = len(next(iter(states.values())))
        value: dict[Expr, Any] = {}
        for node in self._nodes:
            args = [value[a] for a in node.args]
            if node.op is Op.INPUT:
                value[node] = inputs[str(node.value)]
            elif node.op is Op.PREVIOUS:
                value[node] = states[str(node.value)]
            elif node.op is Op.CONSTANT:
                value[node] = np.bool_(node.value) if node.type is Type.BOOL else np.int64(node.value or 0)
            elif node.op is Op.ELAPSED:
                value[node] = np.int64(TICK_MS)
            elif node.op is Op.TIMES:
                value[node] = np.int64(node.value or 0) * args[0]
            elif node.op in self._MANY:
                value[node] = reduce(self._MANY[node.op], args)
            else:
                value[node] = self._TABLE[node.op](*args)

        def column(node: Expr) -> Column:
            return np.broadcast_to(value[node], (size,))

        return {n: column(e) for n, e in self._next.items()}, {n: column(e) for n, e in self._outputs.items()}
