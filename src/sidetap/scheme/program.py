"""A program: declared inputs, states with first value, range and next value, and outputs.

Built once through ``Builder`` and never changed after; ``with_next`` and ``with_output`` give changed copies, which
is how tests plant a fault without a switch for it in the scheme.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from sidetap.scheme.expression import Expr, Op, Type, constant, ordered


@dataclass(frozen=True, slots=True)
class Input:
    """A value that comes in each scan; low and high bound a whole number, both included."""

    name: str
    type: Type
    low: int = 0
    high: int = 1


@dataclass(frozen=True, slots=True)
class State:
    """A value kept from scan to scan; low and high are a promise about it (``ranges-hold``), both included."""

    name: str
    type: Type
    first: int | bool
    next: Expr
    low: int = 0
    high: int = 1


@dataclass(frozen=True, slots=True)
class Program:
    """inputs, states and outputs, each by name."""

    inputs: Mapping[str, Input]
    states: Mapping[str, State]
    outputs: Mapping[str, Expr]

    def with_next(self, name: str, following: Expr) -> Program:
        """Return a copy in which the state called name goes on as following."""
        states = {**self.states, name: replace(self.states[name], next=following)}
        return replace(self, states=MappingProxyType(states))

    def with_output(self, name: str, output: Expr) -> Program:
        """Return a copy in which the output called name is output."""
        return replace(self, outputs=MappingProxyType({**self.outputs, name: output}))

    def cone(self, roots: Iterable[Expr]) -> tuple[list[str], list[str]]:
        """Return the names of the states and of the inputs that can have a say in roots, in order of discovery."""
        states: dict[str, None] = {}
        inputs: dict[str, None] = {}
        todo = list(roots)
        seen: set[Expr] = set()
        while todo:
            node = todo.pop()
            if node in seen:
                continue
            seen.add(node)
            todo.extend(node.args)
            if node.op is Op.INPUT:
                inputs[str(node.value)] = None
            elif node.op is Op.PREVIOUS and node.value not in states:
                states[str(node.value)] = None
                todo.append(self.states[str(node.value)].next)
        return list(states), list(inputs)

    def canonical_text(self) -> str:
        """Return one text per meaning: the same program gives the same lines, whatever order it was built in."""
        state_names, output_names = sorted(self.states), sorted(self.outputs)
        roots = [self.states[n].next for n in state_names] + [self.outputs[n] for n in output_names]
        number: dict[Expr, int] = {}
        lines: list[str] = []
        known: dict[str, int] = {}
        for name in sorted(self.inputs):
            i = self.inputs[name]
            lines.append(f"input {name} {i.type} {i.low} {i.high}")
        for node in ordered(roots):
            text = " ".join([node.op, repr(node.value), *(str(number[a]) for a in node.args)])
            if text not in known:
                known[text] = len(known)
                lines.append(f"{known[text]} {text}")
            number[node] = known[text]
        for name in state_names:
            s = self.states[name]
            lines.append(f"state {name} {s.type} {s.low} {s.high} {s.first} {number[s.next]}")
        lines.extend(f"output {name} {number[self.outputs[name]]}" for name in output_names)
        return "\n".join(lines) + "\n"

    def digest(self) -> str:
        """Return the SHA-256 of the canonical text, in hex."""
        return hashlib.sha256(self.canonical_text().encode()).hexdigest()


class Builder:
    """Collects the declarations of one program. Errors here are ours, not a user's: plain ValueError."""

    def __init__(self) -> None:
        self._inputs: dict[str, Input] = {}
        self._open_states: dict[str, tuple[Type, int | bool, int, int]] = {}
        self._next: dict[str, Expr] = {}
        self._outputs: dict[str, Expr] = {}

    def input_bool(self, name: str) -> Expr:
        """Declare a Boolean input."""
        return self._input(Input(name, Type.BOOL))

    def input_int(self, name: str, low: int, high: int) -> Expr:
        """Declare a whole-number input in [low, high]."""
        return self._input(Input(name, Type.INT, low, high))

    def state_bool(self, name: str, first: bool = False) -> Expr:
        """Declare a Boolean state and return its previous value; ``assign`` gives its next one."""
        return self._state(name, Type.BOOL, first, 0, 1)

    def state_int(self, name: str, first: int, low: int, high: int) -> Expr:
        """Declare a whole-number state in [low, high] and return its previous value."""
        return self._state(name, Type.INT, first, low, high)

    def assign(self, name: str, following: Expr | int | bool) -> Expr:
        """Say what a declared state becomes in this scan, once, and return it."""
        following = constant(following)
        if name in self._next or self._open_states[name][0] is not following.type:
            raise ValueError(f"{name} is assigned twice, or to the wrong type")
        self._next[name] = following
        return following

    def output(self, name: str, value: Expr) -> Expr:
        """Name an output and return it."""
        if name in self._outputs:
            raise ValueError(f"two outputs {name}")
        self._outputs[name] = value
        return value

    def program(self) -> Program:
        """Return the finished program; ValueError when a state was never assigned."""
        missing = self._open_states.keys() - self._next.keys()
        if missing:
            raise ValueError(f"states without a next value: {sorted(missing)}")
        states = {
            name: State(name, kind, first, self._next[name], low, high)
            for name, (kind, first, low, high) in self._open_states.items()
        }
        return Program(
            MappingProxyType(dict(self._inputs)),
            MappingProxyType(states),
            MappingProxyType(dict(self._outputs)),
        )

    def _input(self, declared: Input) -> Expr:
        if declared.name in self._inputs:
            raise ValueError(f"two inputs {declared.name}")
        self._inputs[declared.name] = declared
        return Expr(Op.INPUT, declared.type, (), declared.name)

    def _state(self, name: str, kind: Type, first: int | bool, low: int, high: int) -> Expr:
        if name in self._open_states:
            raise ValueError(f"two states {name}")
        self._open_states[name] = (kind, first, low, high)
        return Expr(Op.PREVIOUS, kind, (), name)
