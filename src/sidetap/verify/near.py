"""The neighbourhood of a clause: the model without the bays and vessels that have no say in it.

A model and tags -> a smaller model in which every other bay and vessel rests. What is found in it is only a guess
about the whole: other bays never rest for good, so a course found here counts once the whole scheme has replayed it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

from sidetap.promises.model import Clause, Model
from sidetap.scheme import Expr, Input, Op, Program, State, Value, all_of, any_of, choose, constant
from sidetap.site.model import ExclusiveVessel, Rule, SharedOnlyAbove, Site, TripVote
from sidetap.verify.course import rest_values

_ANY = 2**62  # the range of what comes in from a program that keeps its own ranges


@dataclass(frozen=True, slots=True)
class Near:
    """Tags of bays and vessels."""

    bays: frozenset[str]
    vessels: frozenset[str]

    def holds(self, other: Near) -> bool:
        """Return whether the other one lies within."""
        return other.bays <= self.bays and other.vessels <= self.vessels


class Surroundings:
    """What belongs to which bay or vessel of a model; made once, since large yards have many names."""

    def __init__(self, model: Model) -> None:
        self.model = model
        self.rest = rest_values(model)
        site = model.site
        self._bays = {b.tag for b in site.bays}
        self._vessels = {v.tag for v in site.vessels}
        self._owner = _owners_of_inputs(site, model.program.inputs) | dict(model.owners)
        self._rules = {r.tag: r for r in site.rules}
        self._vessel_of = {v.tag: {v.vessel} for v in site.valves}
        self._draws = {b.tag: {v.vessel for v in site.valves_of(b.tag)} for b in site.bays}

    def of(self, clause: Clause, subject: str) -> Near:
        """Return the bays and vessels that a clause speaks of: as it says itself, or else those it looks at."""
        owners = {self._owner.get(tag, tag) for tag in (*clause.near, subject)} | self._vessel_of.get(subject, set())
        if not clause.near:
            owners |= self._looked_at(clause.holds)
        for rule in [self._rules[tag] for tag in owners if tag in self._rules]:
            owners |= _named(rule)
        bays, vessels = owners & self._bays, owners & self._vessels
        if not bays:
            bays = {b for b, drawn in self._draws.items() if drawn & vessels} or self._bays
        if not vessels:
            vessels = set().union(*(self._draws[b] for b in bays))
        return Near(frozenset(bays), frozenset(vessels))

    def owners(self, names: Iterable[str]) -> set[str]:
        """Return whose these states and inputs are."""
        return {self._owner.get(n, "site") for n in names}

    def bay(self, tag: str) -> Near:
        """Return a bay with all that it draws from, and the vessels that count in its votes."""
        voters = [set(r.vessels) for r in self._rules.values() if isinstance(r, TripVote) and tag in r.bays]
        return Near(frozenset([tag]), frozenset(self._draws[tag].union(*voters)))

    def wider(self, near: Near) -> Near:
        """Return the bays that share a vessel with these, with all their vessels."""
        drawn = near.vessels.union(*(self._draws[b] for b in near.bays))
        bays = near.bays | {b for b, d in self._draws.items() if d & drawn}
        return Near(bays, drawn.union(*(self._draws[b] for b in bays)))

    def cut(self, near: Near, outputs: Collection[str]) -> Model:
        """Return the model with these outputs and the commands near, and all else at rest."""
        model = self.model
        drawn = near.vessels.union(*(self._draws[b] for b in near.bays))
        kept = near.bays | near.vessels | {"site"} | {t for t, r in self._rules.items() if self._binds(r, near)}
        kept |= {p.tag for p in model.site.promises}  # what they watch may rest; their own clocks must not
        site = replace(
            model.site,
            bays=tuple(b for b in model.site.bays if b.tag in near.bays),
            vessels=tuple(v for v in model.site.vessels if v.tag in drawn),
            valves=tuple(v for v in model.site.valves if v.bay in near.bays),
            rules=tuple(r for r in model.site.rules if r.tag in kept),
        )
        wanted = dict.fromkeys([*outputs, *(f"{v.tag}.command" for v in site.valves)])
        known = {(Op.PREVIOUS, n): s.first for n, s in model.program.states.items() if self._owner[n] not in kept}
        known |= {(Op.INPUT, n): self.rest[n] for n in model.program.inputs if self._owner.get(n, "site") not in kept}
        program = simplified(model.program, wanted, known)
        return replace(model, site=site, program=program)

    def _looked_at(self, expression: Expr) -> set[str]:
        """Return the owners of the states and inputs in an expression."""
        names: set[str] = set()
        todo, seen = [expression], {expression}
        while todo:
            node = todo.pop()
            if node.op in (Op.PREVIOUS, Op.INPUT):
                names.add(str(node.value))
            for arg in node.args:
                if arg not in seen:
                    seen.add(arg)
                    todo.append(arg)
        return self.owners(names)

    @staticmethod
    def _binds(rule: Rule, near: Near) -> bool:
        named = _named(rule)
        return not named or bool(named & (near.bays | near.vessels))


def _named(rule: Rule) -> set[str]:
    """Return the vessels and bays that a rule names; none for a rule of the whole site."""
    match rule:
        case ExclusiveVessel():
            return {rule.vessel}
        case SharedOnlyAbove():
            return {rule.vessel, *rule.bays}
        case TripVote():
            return {*rule.vessels, *rule.bays}
    return set()


def _owners_of_inputs(site: Site, inputs: Iterable[str]) -> dict[str, str]:
    """Return the bay or vessel of each input that has one; a wired input is the bay's that names it."""
    owner = {v.tag: v.bay for v in site.valves}
    owner |= {tag: tag for things in (site.vessels, site.bays, site.rules) for tag in (t.tag for t in things)}
    wired: dict[str, str] = {}
    for bay in site.bays:
        keys = (bay.auto_input, bay.hand_input, bay.stop_input, bay.hose_input, bay.open_key, bay.close_key)
        wired |= dict.fromkeys((*bay.run_permissives, *keys), bay.tag)
    for valve in site.valves:
        wired |= dict.fromkeys((valve.closed_switch, valve.open_switch), valve.bay)
    found = {name: wired.get(name) or owner.get(name.split(".")[0]) for name in inputs}
    return {name: tag for name, tag in found.items() if tag is not None} | owner


def simplified(
    program: Program,
    outputs: Iterable[str],
    known: Mapping[tuple[Op, str], Value],
    keep: Iterable[str] = (),
    given: Mapping[Expr, str] | None = None,
) -> Program:
    """Return the program with these outputs alone, where some states and inputs always have a known value.

    keep: states that stay even where no output needs them. given: nodes that come in as inputs instead, by name.
    """
    given = given or {}
    new: dict[Expr, Expr] = {}

    def fold(root: Expr) -> Expr:
        stack = [root]
        while stack:
            node = stack[-1]
            if node in new:
                stack.pop()
                continue
            missing = [a for a in node.args if a not in new]
            if node in given:
                inputs[given[node]] = Input(given[node], node.type, -_ANY, _ANY)
                new[node] = Expr(Op.INPUT, node.type, (), given[node])
                stack.pop()
            elif missing:
                stack.extend(missing)
            else:
                new[node] = _folded(node, [new[a] for a in node.args], known)
                stack.pop()
                if node.op is Op.PREVIOUS and new[node] is node:
                    todo.append(str(node.value))
        return new[root]

    todo = list(keep)
    inputs: dict[str, Input] = {}
    folded = {name: fold(program.outputs[name]) for name in outputs}
    states: dict[str, State] = {}
    while todo:
        name = todo.pop()
        if name not in states:
            states[name] = program.states[name]
            states[name] = replace(program.states[name], next=fold(program.states[name].next))
    read = {str(n.value) for n in new if n.op is Op.INPUT and new[n] is n}
    inputs |= {n: i for n, i in program.inputs.items() if n in read}
    kept_states = {n: states[n] for n in program.states if n in states}
    return Program(MappingProxyType(inputs), MappingProxyType(kept_states), MappingProxyType(folded))


def _folded(node: Expr, args: list[Expr], known: Mapping[tuple[Op, str], Value]) -> Expr:
    """Return a node over folded arguments, itself folded where they leave no choice."""
    op = node.op
    if op in (Op.PREVIOUS, Op.INPUT):
        value = known.get((op, str(node.value)))
        return node if value is None else constant(value)
    if all(a is b for a, b in zip(args, node.args, strict=True)):
        return node
    if op is Op.AND:
        return all_of(*args)
    if op is Op.OR:
        return any_of(*args)
    if op is Op.NOT:
        return ~args[0]
    if op is Op.CHOOSE:
        return choose(*args)
    if all(a.op is Op.CONSTANT for a in args):
        return constant(_computed(node, [a.value for a in args]))
    return replace(node, args=tuple(args))


def _computed(node: Expr, values: list[Any]) -> Value:
    """Return what an operation gives for numbers."""
    match node.op:
        case Op.EQUAL:
            return bool(values[0] == values[1])
        case Op.LESS:
            return bool(values[0] < values[1])
        case Op.AT_MOST:
            return bool(values[0] <= values[1])
        case Op.ADD:
            return sum(values)
        case Op.SUBTRACT:
            return int(values[0] - values[1])
        case Op.MINIMUM:
            return int(min(values))
        case Op.TIMES:
            return int(values[0] * node.value)
        case Op.QUOTIENT:
            return int(values[0] // node.value)
    raise ValueError(node.op)
