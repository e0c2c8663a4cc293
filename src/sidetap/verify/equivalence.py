"""Whether two programs can ever say different things, and whether a bay's outputs look at what they must not.

Two programs that share inputs by name -> whether each output of the first is shown to equal the second's in every
scan. Both are laid side by side as one program; sameness of states and what counter-examples ask for do the rest.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from types import MappingProxyType

from sidetap.promises.model import Independence
from sidetap.scheme import Expr, Op, Program, Type, ordered
from sidetap.verify import facts
from sidetap.verify.graph import Graph
from sidetap.verify.twins import twins

_SECOND = "judge.second."  # states of the second program; those of the first stand for both


def equivalent(before: Program, after: Program, lemmas: Iterable[Expr] = ()) -> bool:
    """Return whether it is shown that no output of before ever differs from after's of that name.

    An output that after doesn't have differs. lemmas: candidates for facts about before's states.
    """
    if before.outputs.keys() - after.outputs.keys():
        return False
    graph = Graph()
    both = graph.program(_side_by_side(before, after))
    twin = twins(graph, both)
    become = {graph.previous(a, both.states[a].type): graph.previous(b, both.states[b].type) for a, b in twin.items()}
    left = {n: s for n, s in both.states.items() if n not in twin}
    known = graph.take([*(s.next for s in left.values()), *both.outputs.values()], become)
    merged = Program(
        both.inputs,
        MappingProxyType({n: replace(s, next=known[s.next]) for n, s in left.items()}),
        MappingProxyType({n: known[e] for n, e in both.outputs.items()}),
    )
    pool = [graph.take([fact])[fact] for fact in lemmas if left.keys() >= set(facts.states_of(fact))]
    return facts.prove(graph, merged, pool).holds >= merged.outputs.keys()


def _side_by_side(before: Program, after: Program) -> Program:
    """Return a program with the states of both, whose outputs say that outputs agree and numbers are in range."""
    second: dict[Expr, Expr] = {}
    roots = [s.next for s in after.states.values()] + list(after.outputs.values())
    for node in ordered(roots):
        if node.op is Op.PREVIOUS:
            second[node] = Expr(node.op, node.type, (), f"{_SECOND}{node.value}")
        elif all(second[a] is a for a in node.args):
            second[node] = node
        else:
            second[node] = Expr(node.op, node.type, tuple(second[a] for a in node.args), node.value)
    added = {f"{_SECOND}{n}": replace(s, next=second[s.next]) for n, s in after.states.items()}
    states = {**before.states, **added}
    agree = {n: e.equals(second[after.outputs[n]]) for n, e in before.outputs.items()}
    # every proof takes numbers to be in their ranges, so that is part of what is to be shown
    ranges = {
        f"range of {n}": (s.next >= s.low) & (s.next <= s.high) for n, s in states.items() if s.type is Type.INT
    }
    return Program(
        MappingProxyType({**after.inputs, **before.inputs}),
        MappingProxyType(states),
        MappingProxyType(agree | ranges),
    )


def is_independent(program: Program, apart: Independence) -> bool:
    """Return whether no foreign input has a way to the outputs but through the channels.

    program: of the scheme. A channel is an output, and the state of its name: what it was in the scan before.
    """
    cut = {program.outputs[n] for n in apart.channels if n in program.outputs}
    foreign, channels = set(apart.foreign), set(apart.channels)
    todo = [program.outputs[n] for n in apart.outputs if n in program.outputs]
    seen: set[Expr] = set()
    while todo:
        node = todo.pop()
        if node in seen or node in cut:
            continue
        seen.add(node)
        if node.op is Op.INPUT and node.value in foreign:
            return False
        if node.op is Op.PREVIOUS and node.value not in channels:
            todo.append(program.states[str(node.value)].next)
        todo.extend(node.args)
    return True
