"""Surgery on a compiled program: the small cuts that faults are made of.

A program comes in, a changed copy goes out; what is changed is found by the names of inputs, states and outputs and
by constants beside them. A cut that finds nothing to change raises ``NothingToCut``: a fault must be one.
"""

from collections.abc import Callable
from dataclasses import replace
from types import MappingProxyType

from sidetap.scheme import FALSE, Expr, Op, Program, Type, constant, ordered

Change = Callable[[Expr], Expr | None]


class NothingToCut(LookupError):
    """The program has nothing of what a fault wants to change."""


def rewritten(program: Program, change: Change) -> Program:
    """Return the program with every node that change answers for replaced, wherever it is used."""
    new = _changed([s.next for s in program.states.values()] + list(program.outputs.values()), change)
    return Program(
        program.inputs,
        MappingProxyType({name: replace(s, next=new[s.next]) for name, s in program.states.items()}),
        MappingProxyType({name: new[e] for name, e in program.outputs.items()}),
    )


def replaced(program: Program, old: Expr, new: Expr) -> Program:
    """Return the program with new for old, wherever old is used; new may use old. A constant is not one place."""
    if old.op is Op.CONSTANT:
        raise NothingToCut("a constant stands in many places")
    return rewritten(program, lambda node: new if node is old else None)


def never(program: Program, output: str) -> Program:
    """Return the program in which what an output says is never so, for whoever uses it."""
    return replaced(program, program.outputs[output], FALSE)


def raw(program: Program, name: str) -> Expr:
    """Return an input in this scan."""
    return Expr(Op.INPUT, program.inputs[name].type, (), name)


def before(program: Program, name: str) -> Expr:
    """Return a state after the scan before."""
    return Expr(Op.PREVIOUS, program.states[name].type, (), name)


def now(program: Program, name: str) -> Expr:
    """Return a state after this scan."""
    return program.states[name].next


def reading(name: str, other: Expr) -> Change:
    """Return the change that other is read where the input or state before called name was."""
    return lambda node: other if node.op in (Op.INPUT, Op.PREVIOUS) and node.value == name else None


def with_first(program: Program, name: str, first: int | bool) -> Program:
    """Return the program with another first value of a state."""
    states = {**program.states, name: replace(program.states[name], first=first)}
    return replace(program, states=MappingProxyType(states))


def inside(root: Expr, wanted: Callable[[Expr], bool]) -> list[Expr]:
    """Return the nodes of root's expression, of this scan only, that are wanted."""
    return [node for node in ordered([root]) if wanted(node)]


def compares_with(number: int) -> Callable[[Expr], bool]:
    """Return a test for comparisons with this constant on either side."""
    return lambda node: node.op in (Op.LESS, Op.AT_MOST, Op.EQUAL) and any(_is(a, number) for a in node.args)


def with_number(program: Program, root: Expr, old: int, new: int) -> Program:
    """Return the program in which root's expression counts with the number new instead of old."""

    def changed(node: Expr) -> Expr | None:
        return constant(new) if _is(node, old) else None

    return recut(program, root, changed)


def with_operation(program: Program, root: Expr, number: int, op: Op) -> Program:
    """Return the program in which root's expression compares with number by another operation."""
    wanted = compares_with(number)

    def changed(node: Expr) -> Expr | None:
        return Expr(op, node.type, node.args) if wanted(node) else None

    return recut(program, root, changed)


def recut(program: Program, root: Expr, change: Change) -> Program:
    """Return the program with change done inside root's expression only, not where others share parts of it."""
    return replaced(program, root, _changed([root], change)[root])


def preset(program: Program, timer: str, old: int, new: int) -> Program:
    """Return the program in which the running time called timer counts to new instead of old, for all who ask."""
    time = now(program, f"{timer}.ms")

    def longer(node: Expr) -> Expr | None:
        return constant(new) if _is(node, old) else None

    counted = _changed([time], longer)[time]
    asks = compares_with(old)

    def change(node: Expr) -> Expr | None:
        if node is time:
            return counted
        if asks(node) and time in node.args:
            return Expr(node.op, node.type, tuple(counted if a is time else constant(new) for a in node.args))
        return None

    changed = rewritten(program, change)
    state = replace(changed.states[f"{timer}.ms"], high=new)
    return replace(changed, states=MappingProxyType({**changed.states, state.name: state}))


def _changed(roots: list[Expr], change: Change) -> dict[Expr, Expr]:
    """Return what becomes of every node of roots."""
    new: dict[Expr, Expr] = {}
    touched = False
    for node in ordered(roots):
        other = change(node)
        touched |= other is not None
        if other is None:
            args = tuple(new[a] for a in node.args)
            same = all(a is b for a, b in zip(args, node.args, strict=True))
            other = node if same else Expr(node.op, node.type, args, node.value)
        new[node] = other
    if not touched:
        raise NothingToCut
    return new


def _is(node: Expr, number: int) -> bool:
    return node.op is Op.CONSTANT and node.type is Type.INT and node.value == number
