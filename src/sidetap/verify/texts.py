"""Facts as JSON values and back, so that a certificate can be kept and checked again.

An expression over states -> nested lists; ValueError for lists that are none.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sidetap.scheme import Expr, Op, Program, all_of, any_of, choose, constant, times


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
    """Return the expression; ValueError when it is none over states of the program."""
    if isinstance(value, bool | int):
        return constant(value)
    if not isinstance(value, list) or not value:
        raise ValueError("not a fact")
    op, *rest = value
    try:
        if op == Op.PREVIOUS:
            (name,) = rest
            return Expr(Op.PREVIOUS, program.states[name].type, (), name)
        if op == Op.TIMES:
            return times(rest[0], from_json(program, rest[1]))
        args = [from_json(program, v) for v in rest]
        return _MADE[op](*args)
    except (KeyError, TypeError, IndexError):
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
