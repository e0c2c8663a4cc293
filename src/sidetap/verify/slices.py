"""The part of a model that a clause speaks of, cut out: what lies beyond the cut may be anything in its range.

A model in normal form and some owners (a bay and its vessels, say) -> a program of their states alone. States of
others have become inputs, free in every scan, so whatever holds in a slice holds in the whole. Slices that are equal
but for names have one key, so that what was found out about one serves for all of them.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from sidetap.scheme import Expr, Input, Op, Program, Type, ordered
from sidetap.verify.graph import Graph

EVERYBODY = "site"
_ATOMS = (Op.LESS, Op.EQUAL)  # what numbers say; and, or and not of it stay as they are


@dataclass(frozen=True, slots=True)
class Slice:
    """A program whose outputs are clauses. free: inputs of it that stand for nodes of the whole, by their names.

    names: its states and inputs in the order in which the clauses lead to them. key: equal for slices that are equal
    but for names.
    """

    program: Program
    free: Mapping[str, Expr]
    names: tuple[str, ...]
    key: str


def cut_out(
    graph: Graph,
    program: Program,
    owners: Mapping[str, str],
    wanted: Collection[str],
    outputs: Iterable[str],
    states: Iterable[str] = (),
    loose: bool = True,
) -> Slice:
    """Return the slice of some owners' states that these outputs and states lead to.

    program: in the graph's normal form. owners: state or input -> owner; what has none is everybody's. wanted: the
    owners whose states are kept. loose: what the numbers of others say is a free Boolean each; else only their states
    are free.
    """
    roots = {name: program.outputs[name] for name in outputs}
    foreign = _Foreign(owners, wanted) if loose else None
    kept: dict[str, Expr] = {}
    free: dict[Expr, Input] = {}
    inputs: dict[str, None] = {}
    seen: set[Expr] = set()
    first = tuple(states)
    todo = [graph.previous(name, program.states[name].type) for name in reversed(first)]
    todo += reversed(roots.values())
    while todo:
        node = todo.pop()
        if node in seen:
            continue
        seen.add(node)
        name = str(node.value)
        if foreign is not None and node.op in _ATOMS and foreign(node):
            free[node] = Input(f"free {len(free)}", Type.BOOL)
        elif node.op is Op.INPUT:
            inputs[name] = None
        elif node.op is Op.PREVIOUS and owners[name] in wanted:
            kept[name] = node
            todo.append(program.states[name].next)
        elif node.op is Op.PREVIOUS:
            s = program.states[name]
            free[node] = Input(f"{name} before", s.type, s.low, s.high)
        else:
            todo.extend(reversed(node.args))
    become = {node: graph.input(i.name, i.type) for node, i in free.items()}
    known = graph.take([*roots.values(), *(program.states[n].next for n in kept)], become)
    declared = {name: program.inputs[name] for name in inputs} | {i.name: i for i in free.values()}
    part = Program(
        MappingProxyType(declared),
        MappingProxyType({n: replace(program.states[n], next=known[program.states[n].next]) for n in kept}),
        MappingProxyType({n: known[e] for n, e in roots.items()}),
    )
    return Slice(part, MappingProxyType({i.name: node for node, i in free.items()}), *_canonical(part, first))


class _Foreign:
    """Whether a node speaks of others, and of nobody else."""

    def __init__(self, owners: Mapping[str, str], wanted: Collection[str]) -> None:
        self._owners, self._wanted = owners, wanted
        self._known: dict[Expr, tuple[bool, bool]] = {}  # (speaks of others, speaks of ours)

    def __call__(self, root: Expr) -> bool:
        if root not in self._known:
            for node in ordered([root]):
                if node not in self._known:
                    self._known[node] = self._one(node)
        others, ours = self._known[root]
        return others and not ours

    def _one(self, node: Expr) -> tuple[bool, bool]:
        if node.op in (Op.INPUT, Op.PREVIOUS):
            owner = self._owners.get(str(node.value), EVERYBODY)
            known = owner != EVERYBODY
            return known and owner not in self._wanted, known and owner in self._wanted
        parts = [self._known[a] for a in node.args]
        return any(o for o, _ in parts), any(w for _, w in parts)


def _canonical(part: Program, first: Sequence[str]) -> tuple[tuple[str, ...], str]:
    """Return the names in the order of discovery, those of states that were asked for first, and the key."""
    colour = _Colours(part)
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
            text.append((node.op, tuple(number[a] for a in args), said, _bounds(part, node)))

    for root in part.outputs.values():
        put(root)
        text.append(number[root])
    done = 0
    while done < len(place):
        name = list(place)[done]
        done += 1
        if name in part.states:
            put(part.states[name].next)
            text.append((place[name], number[part.states[name].next]))
    return tuple(place), hashlib.sha256(repr(text).encode()).hexdigest()


_UNORDERED = (Op.AND, Op.OR, Op.ADD, Op.EQUAL, Op.MINIMUM)
_NAMED = (Op.PREVIOUS, Op.INPUT)
_ROUNDS = 3  # scans ahead that tell states apart


class _Colours:
    """What a node looks like whatever its states and inputs are called, so that slices are walked in one order."""

    def __init__(self, part: Program) -> None:
        self._part = part
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
        return hash((node.op, tuple(args), said, _bounds(self._part, node)))


def _hint(name: str) -> str:
    words = [w for w in name.split(".") if w not in ("judge", "stored")][1:]
    return ".".join(w for w in words if w.islower() or w.isdigit())


def _bounds(part: Program, node: Expr) -> tuple[int, ...]:
    if node.op is Op.PREVIOUS:
        s = part.states[str(node.value)]
        return (s.low, s.high, int(s.first))
    if node.op is Op.INPUT:
        i = part.inputs[str(node.value)]
        return (i.low, i.high, 2)
    return ()
