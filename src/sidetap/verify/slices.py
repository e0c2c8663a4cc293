"""The part of a model that a clause speaks of, cut out: what lies beyond the cut may be anything in its range.

A model in normal form and some owners (a bay and its vessels, say) -> a program of their states alone. States of
others have become inputs, free in every scan, so whatever holds in a slice holds in the whole. Slices that are equal
but for names have one key, so that what was found out about one serves for all of them.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, replace
from enum import Enum
from types import MappingProxyType

from sidetap.scheme import Expr, Input, Op, Program, Type, Value, ordered
from sidetap.verify.graph import Graph

EVERYBODY = "site"
_ATOMS = (Op.LESS, Op.EQUAL)  # what numbers say; and, or and not of it stay as they are


class Cut(Enum):
    """Where others are cut off, the nearest first; each is as sound as the next, and proves less."""

    VERDICTS = "all that others say together, where it meets what is kept, is one free Boolean"
    SAYINGS = "each thing that numbers of others say is a free Boolean"
    STATES = "the states of others are free"


@dataclass(frozen=True, slots=True)
class Slice:
    """A program whose outputs are clauses.

    starts: what its free inputs are in the first scan, where that is known. names: its states and inputs in the order
    in which the clauses lead to them. key: equal for slices that are equal but for names.
    """

    program: Program
    starts: Mapping[str, Value]
    names: tuple[str, ...]
    key: str


def cut_out(
    graph: Graph,
    program: Program,
    speakers: Speakers,
    wanted: Set[str],
    outputs: Iterable[str],
    states: Iterable[str] = (),
    at: Cut = Cut.SAYINGS,
) -> Slice:
    """Return the slice of some owners' states that these outputs and states lead to.

    program: in the graph's normal form. wanted: the owners whose states are kept. at: where others are cut off.
    """
    roots = {name: program.outputs[name] for name in outputs}
    first = tuple(states)
    cut = _Cutting(graph, program, speakers, wanted, at)
    known = cut.take([*(graph.previous(n, program.states[n].type) for n in first), *roots.values()])
    kept, free = cut.kept, cut.free
    declared = {name: program.inputs[name] for name in cut.inputs} | {i.name: i for i in free.values()}
    part = Program(
        MappingProxyType(declared),
        MappingProxyType({n: replace(program.states[n], next=known[program.states[n].next]) for n in kept}),
        MappingProxyType({n: known[e] for n, e in roots.items()}),
    )
    starts = _starts(graph, program, speakers, free)
    return Slice(part, MappingProxyType(starts), *_canonical(part, first, starts))


class _Cutting:
    """One walk through a program: what is cut off becomes an input, and what is left is rebuilt on its way back.

    kept: the states found. free: nodes that are inputs now. inputs: the names of those that stay.
    """

    def __init__(self, graph: Graph, program: Program, speakers: Speakers, wanted: Set[str], at: Cut) -> None:
        self._graph, self._program, self._speakers = graph, program, speakers
        self._wanted, self._at = wanted, at
        self.kept: list[str] = []
        self.free: dict[Expr, Input] = {}
        self.inputs: dict[str, None] = {}

    def take(self, roots: Iterable[Expr]) -> dict[Expr, Expr]:
        """Return the roots, all that they need and what their states become, each with what it is in the slice."""
        known: dict[Expr, Expr] = {}
        self._walk(roots, known)
        done = 0
        while done < len(self.kept):
            self._walk([self._program.states[self.kept[done]].next], known)
            done += 1
        return known

    def _walk(self, roots: Iterable[Expr], known: dict[Expr, Expr]) -> None:
        """Rebuild what the roots need, operands first."""
        operands: dict[Expr, tuple[Expr, ...]] = {}
        todo = list(roots)[::-1]
        while todo:
            node = todo[-1]
            if node not in known and node not in operands:
                operands[node] = self._operands(node)
                todo.extend(a for a in reversed(operands[node]) if a not in known)
                continue
            todo.pop()
            if node not in known:
                known[node] = self._rebuilt(node, [known[a] for a in operands[node]])

    def _operands(self, node: Expr) -> tuple[Expr, ...]:
        """Return what a node is rebuilt from: nothing where it is cut, else its operands, those of others as one."""
        if node.op is not Op.INPUT and self._is_foreign(node):
            return ()
        if node.op not in (Op.AND, Op.OR):
            return node.args
        foreign = dict.fromkeys(a for a in node.args if self._at is Cut.VERDICTS and self._is_foreign(a))
        if len(foreign) < 2:
            return node.args
        return (self._graph.many(node.op, foreign), *(a for a in node.args if a not in foreign))

    def _is_foreign(self, node: Expr) -> bool:
        """Return whether a node is something that others alone say, and that is cut there."""
        if (
            self._at is Cut.STATES
            or node.type is not Type.BOOL
            or (self._at is Cut.SAYINGS and node.op not in _ATOMS)
        ):
            return False
        of = self._speakers.of(node)
        return bool(of) and not of & self._wanted

    def _rebuilt(self, node: Expr, args: list[Expr]) -> Expr:
        name = str(node.value)
        if node.op is Op.INPUT:
            self.inputs[name] = None
            return node
        if node.op is Op.PREVIOUS:
            if self._speakers.owners[name] in self._wanted:
                self.kept.append(name)
                return node
            s = self._program.states[name]
            return self._freed(node, Input(f"{name} before", s.type, s.low, s.high))
        if self._is_foreign(node):
            return self._freed(node, Input(f"free {len(self.free)}", Type.BOOL))
        return self._graph.made(node, args)

    def _freed(self, node: Expr, declared: Input) -> Expr:
        self.free[node] = declared
        return self._graph.input(declared.name, declared.type)


def _starts(graph: Graph, program: Program, speakers: Speakers, free: Mapping[Expr, Input]) -> dict[str, Value]:
    """Return the free inputs whose nodes have one value in the scan that starts a program, with it."""
    known = speakers.at_start
    new = [node for node in free if node not in known]
    states = [n for n in ordered(new) if n.op is Op.PREVIOUS]
    known.update(graph.take(new, {n: graph.constant(program.states[str(n.value)].first) for n in states}))
    constants = {i.name: known[node] for node, i in free.items() if known[node].op is Op.CONSTANT}
    return {name: e.value for name, e in constants.items() if not isinstance(e.value, str | None)}


class Speakers:
    """Whose states and inputs nodes of one model are made of; what is everybody's doesn't count.

    at_start: what nodes are in the scan that starts the model, as far as that was asked.
    """

    def __init__(self, owners: Mapping[str, str]) -> None:
        """owners: state or input -> owner; what has none is everybody's."""
        self.owners = owners
        self._known: dict[Expr, frozenset[str]] = {}
        self.at_start: dict[Expr, Expr] = {}

    def of(self, root: Expr) -> frozenset[str]:
        """Return the owners that a node speaks of."""
        todo = [root]
        while todo:
            node = todo[-1]
            missing = [a for a in node.args if a not in self._known]
            if missing and node not in self._known:
                todo.extend(missing)
                continue
            todo.pop()
            if node not in self._known:
                self._known[node] = self._one(node)
        return self._known[root]

    def _one(self, node: Expr) -> frozenset[str]:
        if node.op in _NAMED:
            return frozenset({self.owners.get(str(node.value), EVERYBODY)} - {EVERYBODY})
        return frozenset().union(*(self._known[a] for a in node.args))


def _canonical(part: Program, first: Sequence[str], starts: Mapping[str, Value]) -> tuple[tuple[str, ...], str]:
    """Return the names in the order of discovery, those of states that were asked for first, and the key."""
    colour = _Colours(part, starts)
    number: dict[Expr, int] = {}
    place: dict[str, int] = {name: i for i, name in enumerate(first)}
    text: list[object] = []

    def put(root: Expr) -> None:
        todo = [root]
        while todo:
            node = todo[-1]
            if node in number:
                todo.pop()
                continue
            args = sorted(node.args, key=colour.of) if node.op in _UNORDERED else node.args
            missing = [a for a in args if a not in number]
            if missing:
                todo.append(missing[0])
                continue
            todo.pop()
            number[node] = len(number)
            said = place.setdefault(str(node.value), len(place)) if node.op in _NAMED else node.value
            text.append((node.op, tuple(number[a] for a in args), said, _bounds(part, node, starts)))

    for root in part.outputs.values():
        put(root)
        text.append(number[root])
    done = 0
    while done < len(place):
        name = list(place)[done]
        done += 1
        if name in part.states:
            s = part.states[name]
            put(s.next)
            # bounds and first value here too: nobody may read the state in this slice, and somebody beyond it
            text.append((place[name], number[s.next], s.low, s.high, s.first))
    return tuple(place), hashlib.sha256(repr(text).encode()).hexdigest()


_UNORDERED = (Op.AND, Op.OR, Op.ADD, Op.EQUAL, Op.MINIMUM)
_NAMED = (Op.PREVIOUS, Op.INPUT)
_ROUNDS = 2  # scans ahead that tell states apart


class _Colours:
    """What a node looks like whatever its states and inputs are called, so that slices are walked in one order."""

    def __init__(self, part: Program, starts: Mapping[str, Value]) -> None:
        self._part, self._starts = part, starts
        nodes = ordered([*part.outputs.values(), *(s.next for s in part.states.values())])
        # what a name says without its tag is no more than a hint: it orders, and has no part in the key
        colours = {name: hash(_hint(name)) for name in (*part.states, *part.inputs)}
        for _ in range(_ROUNDS):
            self.of_node: dict[Expr, int] = {}
            for node in nodes:
                self.of_node[node] = self._one(node, colours)
            colours |= {name: hash((_hint(name), self.of_node[s.next])) for name, s in part.states.items()}

    def of(self, node: Expr) -> int:
        """Return a number that like nodes share."""
        return self.of_node[node]

    def _one(self, node: Expr, colours: Mapping[str, int]) -> int:
        args = [self.of_node[a] for a in node.args]
        if node.op in _UNORDERED:
            args.sort()
        said = colours.get(str(node.value), 0) if node.op in _NAMED else node.value
        return hash((node.op, tuple(args), said, _bounds(self._part, node, self._starts)))


def _hint(name: str) -> str:
    words = [w for w in name.split(".") if w not in ("judge", "stored")][1:]
    return ".".join(w for w in words if w.islower() or w.isdigit())


def _bounds(part: Program, node: Expr, starts: Mapping[str, Value]) -> tuple[object, ...]:
    if node.op is Op.PREVIOUS:
        s = part.states[str(node.value)]
        return (s.low, s.high, s.first)
    if node.op is Op.INPUT:
        i = part.inputs[str(node.value)]
        return (i.low, i.high, starts.get(i.name))
    return ()
