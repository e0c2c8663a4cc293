"""A program as one generated Python function, for searches that try many thousand scans.

Tens of times faster than the reference runner and never the last word: what a search finds is replayed there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeAlias

from sidetap.scheme import Expr, Op, Program, Value, ordered

Step: TypeAlias = Callable[[Sequence[Value], Sequence[Value], int], tuple[list[Value], list[Value]]]

_INFIX = {
    Op.LESS: "<",
    Op.AT_MOST: "<=",
    Op.EQUAL: "==",
    Op.ADD: "+",
    Op.SUBTRACT: "-",
    Op.AND: "and",
    Op.OR: "or",
}


class Stepper:
    """states and inputs go in as lists, in the order of the program's declarations; outputs as asked for."""

    def __init__(self, program: Program, outputs: Sequence[str]) -> None:
        self.program = program
        self.state_names = list(program.states)
        self.input_names = list(program.inputs)
        self.output_names = list(outputs)
        self.first: list[Value] = [s.first for s in program.states.values()]
        self.step: Step = self._generate()

    def _generate(self) -> Step:
        program = self.program
        state_place = {n: i for i, n in enumerate(self.state_names)}
        input_place = {n: i for i, n in enumerate(self.input_names)}
        following = [s.next for s in program.states.values()]
        shown = [program.outputs[n] for n in self.output_names]
        names: dict[Expr, str] = {}
        lines = ["def step(s, i, elapsed_ms):"]
        for k, node in enumerate(ordered(following + shown)):
            if node.op is Op.CONSTANT:
                names[node] = repr(node.value)
                continue
            if node.op is Op.PREVIOUS:
                names[node] = f"s[{state_place[str(node.value)]}]"
                continue
            if node.op is Op.INPUT:
                names[node] = f"i[{input_place[str(node.value)]}]"
                continue
            names[node] = f"t{k}"
            lines.append(f" t{k} = {_text(node, [names[a] for a in node.args])}")
        lines.append(f" return [{', '.join(names[e] for e in following)}], [{', '.join(names[e] for e in shown)}]")
        space: dict[str, Step] = {}
        exec("\n".join(lines), space)  # noqa: S102  # our own text, made of numbers and operators only
        return space["step"]


def _text(node: Expr, args: list[str]) -> str:
    if node.op in _INFIX:
        return f" {_INFIX[node.op]} ".join(args)
    if node.op is Op.NOT:
        return f"not {args[0]}"
    if node.op is Op.CHOOSE:
        return f"{args[1]} if {args[0]} else {args[2]}"
    if node.op is Op.TIMES:
        return f"{node.value} * {args[0]}"
    if node.op is Op.MINIMUM:
        return f"{args[0]} if {args[0]} < {args[1]} else {args[1]}"
    return "elapsed_ms"
