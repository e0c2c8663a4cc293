"""A second route to "true in every scan": the program as rules for the solver's fixed-point engine.

A program in any form and an output -> whether it is true in every scan that can be reached, or None. It shares
nothing with the prover but the graph of expressions: its own table of what operations mean, no induction of ours, no
assumed ranges, no facts.
"""

from collections.abc import Callable, Mapping
from functools import reduce
from typing import Any

import z3

from sidetap.scheme import Expr, Op, Program, Type, ordered

MOST_STEPS = 30_000_000

_TABLE: Mapping[Op, Callable[..., Any]] = {
    Op.NOT: z3.Not,
    Op.AND: lambda *a: z3.And(*a),
    Op.OR: lambda *a: z3.Or(*a),
    Op.CHOOSE: z3.If,
    Op.EQUAL: lambda a, b: a == b,
    Op.LESS: lambda a, b: a < b,
    Op.AT_MOST: lambda a, b: a <= b,
    Op.ADD: lambda *a: reduce(lambda x, y: x + y, a),
    Op.SUBTRACT: lambda a, b: a - b,
    Op.MINIMUM: lambda a, b: z3.If(a < b, a, b),
}


def spacer(part: Program, output: str) -> bool | None:
    """Return whether an output of a program is true in every scan; None when the engine gives up."""
    engine = z3.Fixedpoint()
    engine.set("engine", "spacer")
    engine.set("rlimit", MOST_STEPS)
    elapsed = z3.Int("elapsed")
    inputs = {n: _variable(f"input {n}", i.type) for n, i in part.inputs.items()}
    names, _ = part.cone([part.outputs[output]])
    states = {n: _variable(f"state {n}", part.states[n].type) for n in names}
    said = _terms(part, [part.outputs[output], *(part.states[n].next for n in names)], states, inputs, elapsed)
    bounds = [elapsed >= 1]
    for n, i in part.inputs.items():
        if i.type is Type.INT:
            bounds += [inputs[n] >= i.low, inputs[n] <= i.high]
    reached = z3.Function("reached", *(v.sort() for v in states.values()), z3.BoolSort())
    broken = z3.Function("broken", z3.BoolSort())
    engine.register_relation(reached, broken)
    engine.declare_var(elapsed, *inputs.values(), *states.values())
    engine.rule(reached(*(_constant(part.states[n].first) for n in names)))
    here = reached(*states.values())
    engine.rule(reached(*(said[part.states[n].next] for n in names)), [here, *bounds])
    engine.rule(broken(), [here, *bounds, z3.Not(said[part.outputs[output]])])
    try:
        answer = engine.query(broken())
    except z3.Z3Exception:  # it has worked long enough
        return None
    return None if answer == z3.unknown else answer == z3.unsat


def _terms(
    part: Program, roots: list[Expr], states: Mapping[str, Any], inputs: Mapping[str, Any], elapsed: Any
) -> dict[Expr, Any]:
    terms: dict[Expr, Any] = {}
    for node in ordered(roots):
        args = [terms[a] for a in node.args]
        if node.op is Op.CONSTANT:
            terms[node] = _constant(node.value)
        elif node.op is Op.INPUT:
            terms[node] = inputs[str(node.value)]
        elif node.op is Op.PREVIOUS:
            terms[node] = states[str(node.value)]
        elif node.op is Op.ELAPSED:
            terms[node] = elapsed
        elif node.op is Op.TIMES:
            terms[node] = int(node.value or 0) * args[0]
        elif node.op is Op.QUOTIENT:
            terms[node] = args[0] / int(node.value or 1)
        else:
            terms[node] = _TABLE[node.op](*args)
    return terms


def _variable(name: str, kind: Type) -> Any:
    return z3.Bool(name) if kind is Type.BOOL else z3.Int(name)


def _constant(value: object) -> Any:
    return z3.BoolVal(value) if isinstance(value, bool) else z3.IntVal(value)
