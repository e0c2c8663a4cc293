"""The station's runner: a program, written out once as straight-line Python and compiled.

It does what the reference runner does, an order of magnitude faster, so that a scan is cheap on small hardware and
a rehearsal runs many times faster than time. A test holds the two against each other.
"""

from collections.abc import Callable, Mapping
from typing import Any

from sidetap.scheme.expression import Expr, Op, ordered
from sidetap.scheme.program import Program
from sidetap.scheme.runner import Runner, Value

_INFIX = {
    Op.AND: " and ",
    Op.OR: " or ",
    Op.EQUAL: " == ",
    Op.LESS: " < ",
    Op.AT_MOST: " <= ",
    Op.ADD: " + ",
    Op.SUBTRACT: " - ",
}


class GeneratedRunner(Runner):
    """Steps one program, as Runner does, by compiled code."""

    def __init__(self, program: Program) -> None:
        super().__init__(program)
        names: dict[str, Any] = {}
        exec(compile(source(program), "<scheme>", "exec"), names)  # noqa: S102  (our own text, from checked nodes)
        self._step: Callable[..., tuple[dict[str, Value], dict[str, Value]]] = names["step"]

    def _run(
        self, states: Mapping[str, Value], inputs: Mapping[str, Value], elapsed_ms: int
    ) -> tuple[dict[str, Value], dict[str, Value]]:
        return self._step(states, inputs, elapsed_ms)


def source(program: Program) -> str:
    """Return the program as the text of a Python function ``step(states, inputs, elapsed_ms)``."""
    roots = [s.next for s in program.states.values()] + list(program.outputs.values())
    place: dict[Expr, str] = {}
    lines = ["def step(states, inputs, elapsed_ms):"]
    for number, node in enumerate(ordered(roots)):
        a = [place[arg] for arg in node.args]
        if node.op is Op.CONSTANT:
            place[node] = repr(node.value)
            continue
        if node.op is Op.ELAPSED:
            place[node] = "elapsed_ms"
            continue
        if node.op in _INFIX:
            text = _INFIX[node.op].join(a)
        elif node.op is Op.NOT:
            text = f"not {a[0]}"
        elif node.op is Op.CHOOSE:
            text = f"{a[1]} if {a[0]} else {a[2]}"
        elif node.op is Op.TIMES:
            text = f"{node.value!r} * {a[0]}"
        elif node.op is Op.QUOTIENT:
            text = f"{a[0]} // {node.value!r}"
        elif node.op is Op.MINIMUM:
            text = f"{a[0]} if {a[0]} < {a[1]} else {a[1]}"
        else:
            text = f"{'states' if node.op is Op.PREVIOUS else 'inputs'}[{node.value!r}]"
        place[node] = f"t{number}"
        lines.append(f"    t{number} = {text}")
    following = ", ".join(f"{name!r}: {place[s.next]}" for name, s in program.states.items())
    outputs = ", ".join(f"{name!r}: {place[e]}" for name, e in program.outputs.items())
    lines.append(f"    return {{{following}}}, {{{outputs}}}")
    return "\n".join(lines) + "\n"
