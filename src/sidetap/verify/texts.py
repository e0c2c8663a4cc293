"""Facts as JSON values and back, so that a certificate can be kept and checked again.

An expression over states -> nested lists; ValueError for lists that are none.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sidetap.scheme import Expr, Op, Program, Type, all_of, any_of, choose, constant, times


def to_json(expression: Expr) -> Any:
    """Return an expression as nested lists: the operation, its value where it has one, its operands."""
    match expression.op:
        case Op.CONSTANT:
            return expression.value
        case Op.PREVIOUS | Op.INPUT | Op.TIMES | Op.QUOTIENT:
            return [str(expression.op), expression.value, *map(to_json, expression.args)]
        case _:
            return [str(expression.op), *map(to_json, expression.args)]


def from_json(program: Program, value: Any) -> Expr:
    """Return the fact; ValueError when the lists are none over states of the program."""
    fact = _read(program, value)
    if fact.type is not Type.BOOL:
        raise ValueError("a number is no fact")
    return fact


def _read(program: Program, value: Any) -> Expr:
    if isinstance(value, bool | int):
        return constant(value)
    try:
        op, *rest = value
        if op == Op.PREVIOUS:
            (name,) = rest
            return Expr(Op.PREVIOUS, program.states[name].type, (), name)
        if op == Op.TIMES:
            factor, of = rest
            return times(int(factor), _read(program, of))
        return _MADE[op](*(_read(program, v) for v in rest))
    except (KeyError, TypeError, ValueError):
        raise ValueError(f"not a fact: {str(value)[:60]}") from None


_MADE: dict[str, Callable[..., Expr]] = {
    Op.NOT: lambda a: ~a,
    Op.AND: all_of,
    Op.OR: any_of,
    Op.CHOOSE: choose,
    Op.EQUAL: lambda a, b: a.equals(b),
    Op.LESS: lambda a, b: a < b,
    Op.ADD: lambda a, *more: sum(more, a),
}
