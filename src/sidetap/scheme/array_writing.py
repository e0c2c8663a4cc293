"""A program -> the text of a Python function of NumPy calls that runs one scan of it for many lanes.

Theory of operation. A call for a whole array costs half a microsecond before it does anything, and a value that has
left the processor's cache costs more than all work on it. So there are few calls, of lanes that fit the cache; values
stand in buffers that are used again as soon as nobody needs them; whole numbers have 32 bits where their range allows
it. Ranges follow from those declared; where a next state can't be shown to stay in its own, each scan looks. A choice
is made by masks, since one that jumps lane by lane is guessed wrong half of the time. States that one condition
holds, as a window's do but once a second, are passed on as they are while it holds in all lanes.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

from sidetap.scheme.expression import Expr, Op, Type, ordered
from sidetap.scheme.program import Program, State
from sidetap.scheme.ranges import Range, declared, kind_of, ranges
from sidetap.scheme.simplify import simplified

Lanes: TypeAlias = npt.NDArray[Any]
_Held: TypeAlias = tuple[Expr, ...]  # next states that one condition holds as they were

HELD = 3  # so many states that one condition holds are worth a look at all its lanes

_CALLS = {
    Op.AND: "bitwise_and",
    Op.OR: "bitwise_or",
    Op.EQUAL: "equal",
    Op.LESS: "less",
    Op.AT_MOST: "less_equal",
    Op.ADD: "add",
    Op.SUBTRACT: "subtract",
    Op.MINIMUM: "minimum",
    Op.TIMES: "multiply",
    Op.QUOTIENT: "floor_divide",
}
_CALLS_WITH_NOT = {Op.AND: "greater", Op.OR: "greater_equal"}  # a & ~b, a | ~b as comparisons of Booleans


@dataclass(frozen=True, slots=True)
class ArraySource:
    """The text of ``scan(states, inputs, elapsed_ms, buffers, lanes) -> (states, outputs)``, and what it needs.

    constants: by the names they have in it. buffer_kinds: of the arrays it works in.
    """

    text: str
    constants: dict[str, Lanes]
    buffer_kinds: list[str]


def array_source(program: Program, outputs: Sequence[str]) -> ArraySource:
    """Write a program out, with the outputs of these names; OverflowError when a number may need over 64 bits."""
    writer = _Writer(program, [program.outputs[name] for name in outputs])
    return ArraySource(writer.text(), writer.constants, writer.buffer_kinds)


class _Writer:
    def __init__(self, program: Program, outputs: Sequence[Expr]) -> None:
        self.program = program
        self.input_place = {name: i for i, name in enumerate(program.inputs)}
        self.state_place = {name: i for i, name in enumerate(program.states)}
        roots = simplified([*(s.next for s in program.states.values()), *outputs], choose_sums=False)
        self.following, self.outputs = roots[: len(program.states)], roots[len(program.states) :]
        self.roots = set(roots)  # their arrays go out, so they are new each time
        self.range = ranges(program, ordered(roots))
        self.held = self.find_held()
        self.steps = self.find_steps()
        self.last = self.find_last()
        self.names: dict[object, str] = {}  # of values; of masks by their condition and kind
        self.constants: dict[str, Lanes] = {}
        self.buffer_kinds: list[str] = []
        self.free: dict[str, list[str]] = defaultdict(list)
        self.lines = ["def scan(states, inputs, elapsed_ms, buffers, lanes):"]

    # -- what is to be done --------------------------------------------------------------------------------------

    def find_held(self) -> dict[Expr, _Held]:
        """Return each next state that a condition holds as it was, with all that the same condition holds."""
        by_condition: dict[Expr, dict[Expr, None]] = defaultdict(dict)
        for state, node in zip(self.program.states.values(), self.following, strict=True):
            if self.holds(state, node):
                by_condition[node.args[0]][node] = None
        held: dict[Expr, _Held] = {}
        for condition, group in by_condition.items():
            needed = ordered([condition, *(node.args[1] for node in group)])
            if len(group) >= HELD and group.keys().isdisjoint(needed):
                held |= dict.fromkeys(group, tuple(group))
        return held

    def holds(self, state: State, node: Expr) -> bool:
        """Return whether a whole number stays as it was unless a condition moves it."""
        if (
            node.op is not Op.CHOOSE
            or node.type is Type.BOOL
            or self.kind(node) != kind_of(node.type, declared(state))
        ):
            return False
        condition, _, stays = node.args
        same = stays.op is Op.PREVIOUS and stays.value == state.name
        return same and condition.op is not Op.CONSTANT and self.kind(node) == self.kind(stays)

    def needs(self, step: Expr | _Held) -> list[Expr]:
        """Return what must be there before a step; what an ``and`` or ``or`` negates on its way it doesn't need."""
        if isinstance(step, tuple):
            return [step[0].args[0], *(arg for node in step for arg in node.args[1:])]
        if step.op in (Op.AND, Op.OR):
            plain, negated = _split(step)
            return plain + negated
        return list(step.args)

    def find_steps(self) -> list[Expr | _Held]:
        """Return all steps, each after what it needs."""
        steps: dict[Expr | _Held, None] = {}
        todo: list[tuple[Expr | _Held, bool]] = [
            (self.held.get(r, r), False) for r in [*self.following, *self.outputs]
        ]
        todo.reverse()
        while todo:
            step, ready = todo.pop()
            if step in steps:
                continue
            if ready:
                steps[step] = None
            else:
                todo.append((step, True))
                todo.extend((self.held.get(n, n), False) for n in reversed(self.needs(step)))
        return list(steps)

    def find_last(self) -> dict[int, list[object]]:
        """Return what is needed for the last time in a step, by its number."""
        last: dict[object, int] = {}
        for number, step in enumerate(self.steps):
            last.update(dict.fromkeys(self.needs(step), number))
            for node in step if isinstance(step, tuple) else (step,):
                if node.op is Op.CHOOSE and node.type is Type.INT:
                    last[node.args[0], self.kind(node)] = number
        by_step: dict[int, list[object]] = defaultdict(list)
        for value, number in last.items():
            by_step[number].append(value)
        return by_step

    def kind(self, node: Expr) -> str:
        return kind_of(node.type, self.range.get(node, Range(0, 1)))

    # -- the text ------------------------------------------------------------------------------------------------

    def text(self) -> str:
        for number, step in enumerate(self.steps):
            if isinstance(step, tuple):
                self.hold(step)
            else:
                self.compute(step)
            for value in self.last.get(number, ()):
                self.release(value)
        following = ", ".join(self.next_states())
        outputs = ", ".join(self.whole(node, self.kind(node)) for node in self.outputs)
        self.line(f"return [{following}], [{outputs}]")
        buffers = [f"    b{i} = buffers[{i}]" for i in range(len(self.buffer_kinds))]
        return "\n".join([self.lines[0], *buffers, *self.lines[1:]]) + "\n"

    def next_states(self) -> Iterator[str]:
        for (name, state), node in zip(self.program.states.items(), self.following, strict=True):
            allowed, kind = declared(state), kind_of(state.type, declared(state))
            text = self.whole(node, kind)
            if state.type is Type.INT and not allowed.holds(self.range[node]):
                self.line(f"if {text}.min() < {allowed.low} or {text}.max() > {allowed.high}:")
                self.line(f"    raise StateOutOfRange({name!r})")
            yield text if self.kind(node) == kind else f"{text}.astype({kind!r})"

    def whole(self, node: Expr, kind: str) -> str:
        """Return a root as an array, constants too."""
        return f"np.full(lanes, {node.value!r}, {kind!r})" if node.op is Op.CONSTANT else self.names[node]

    def hold(self, group: _Held) -> None:
        """Write next states that one condition holds: a look at its lanes first."""
        condition = group[0].args[0]
        for kind in {self.kind(node) for node in group}:
            self.mask(condition, kind)
        for node in group:
            self.names[node] = f"h{len(self.names)}"
        self.line(f"if {self.names[condition]}.any():")
        for node in group:
            self.line(f"    {self.names[node]} = np.empty(lanes, {self.kind(node)!r})")
            for call in self.choice(node):
                self.line(f"    {call}")
        self.line("else:")
        for node in group:
            self.line(f"    {self.names[node]} = {self.names[node.args[2]]}")

    def compute(self, node: Expr) -> None:
        leaf = self.leaf(node)
        if leaf is not None:
            self.names[node] = leaf
            return
        if node.op is Op.CHOOSE and node.type is Type.INT:
            self.mask(node.args[0], self.kind(node))
        self.names[node] = self.place(node, self.kind(node))
        for call in self.choice(node) if node.op is Op.CHOOSE else self.calls(node):
            self.line(call)

    def leaf(self, node: Expr) -> str | None:
        match node.op:
            case Op.CONSTANT:
                return self.constant(node.value, self.kind(node))
            case Op.ELAPSED:
                return "elapsed_ms"
            case Op.INPUT:
                return f"inputs[{self.input_place[str(node.value)]}]"
            case Op.PREVIOUS:
                return f"states[{self.state_place[str(node.value)]}]"
        return None

    def constant(self, value: object, kind: str) -> str:
        """Return the name of a number ready to be used; NumPy takes longer to make one than to add it to lanes."""
        name = f"k{value}".replace("-", "m")
        self.constants[name] = np.array(value, kind)
        return name

    def place(self, node: Expr, kind: str) -> str:
        """Return the name of an array to write a value to: a new one for what goes out, else a buffer."""
        if node in self.roots:
            name = f"r{len(self.names)}"
            self.line(f"{name} = np.empty(lanes, {kind!r})")
            return name
        return self.buffer(kind)

    def buffer(self, kind: str) -> str:
        if self.free[kind]:
            return self.free[kind].pop()
        self.buffer_kinds.append(kind)
        return f"b{len(self.buffer_kinds) - 1}"

    def release(self, value: object) -> None:
        name = self.names.get(value, "")
        if name.startswith("b"):
            self.free[self.buffer_kinds[int(name[1:])]].append(name)

    def mask(self, condition: Expr, kind: str) -> str:
        """Return all bits where a condition is true and none where it is not."""
        if (condition, kind) not in self.names:
            name = self.names[condition, kind] = self.buffer(kind)
            self.line(f"np.copyto({name}, {self.names[condition]})")
            self.line(f"np.negative({name}, out={name})")
        return self.names[condition, kind]

    def calls(self, node: Expr) -> Iterator[str]:
        """Yield the calls that bring a node's value into its array."""
        if node.op in (Op.AND, Op.OR):
            yield from self.gate(node)
            return
        if node.op is Op.NOT:
            yield self.call("logical_not", node, self.names[node.args[0]])
            return
        terms = [self.names[arg] for arg in node.args]
        if node.op in (Op.TIMES, Op.QUOTIENT):
            number = int(node.value or 0)
            terms.append(self.constant(number, kind_of(Type.INT, Range(number, number))))
        first, *rest = terms
        for term in rest:
            yield self.call(_CALLS[node.op], node, first, term)
            first = self.names[node]

    def gate(self, node: Expr) -> Iterator[str]:
        plain, negated = _split(node)
        if not plain:  # none of them, not all of them
            other = _CALLS[Op.OR if node.op is Op.AND else Op.AND]
            first, *rest = (self.names[arg] for arg in negated)
            for term in rest:
                yield self.call(other, node, first, term)
                first = self.names[node]
            yield self.call("logical_not", node, first)
            return
        first, *rest = (self.names[arg] for arg in plain)
        calls = [(_CALLS[node.op], term) for term in rest]
        calls += [(_CALLS_WITH_NOT[node.op], self.names[arg]) for arg in negated]
        for function, term in calls:
            yield self.call(function, node, first, term)
            first = self.names[node]

    def choice(self, node: Expr) -> Iterator[str]:
        """Yield the calls of b ^ ((a ^ b) & mask), fewer where one of them is 0."""
        condition, a, b = node.args
        mask = self.names[condition] if node.type is Type.BOOL else self.names[condition, self.kind(node)]
        one, other, out = self.names[a], self.names[b], self.names[node]
        if other == "k0":
            yield self.call("bitwise_and", node, one, mask)
        elif one == "k0":
            yield self.call("bitwise_and", node, other, mask)
            yield self.call("bitwise_xor", node, out, other)
        else:
            yield self.call("bitwise_xor", node, one, other)
            yield self.call("bitwise_and", node, out, mask)
            yield self.call("bitwise_xor", node, out, other)

    def call(self, function: str, node: Expr, *operands: str) -> str:
        # what is reckoned from short numbers into a long one must be long before it is reckoned
        long = ", dtype='int64'" if self.kind(node) == "int64" else ""
        return f"np.{function}({', '.join(operands)}, out={self.names[node]}{long})"

    def line(self, text: str) -> None:
        self.lines.append(f"    {text}")


def _split(gate: Expr) -> tuple[list[Expr], list[Expr]]:
    """Return the operands of an ``and`` or ``or``: those that stand as they are, and what the others negate."""
    plain = [arg for arg in gate.args if arg.op is not Op.NOT]
    return plain, [arg.args[0] for arg in gate.args if arg.op is Op.NOT]
