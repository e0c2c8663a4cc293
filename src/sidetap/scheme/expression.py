"""Expressions of the block language: a graph of small integer and Boolean operations.

Everything reduces to these few operations, so that every runner (interpreter, solver) is a short table. An
expression is shared by using the same Python object twice; two objects are never compared by value.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum


class Type(StrEnum):
    """Bool or whole number; there is no third kind."""

    BOOL = "bool"
    INT = "int"


class Op(StrEnum):
    """All there is. The comments give operands -> result."""

    CONSTANT = "constant"  # value -> it
    INPUT = "input"  # name -> its value in this scan
    PREVIOUS = "previous"  # name of a state -> its value after the scan before
    ELAPSED = "elapsed"  # -> ms since the scan before, at least 1
    NOT = "not"  # bool -> bool
    AND = "and"  # bools -> bool
    OR = "or"  # bools -> bool
    CHOOSE = "choose"  # bool, x, x -> x
    EQUAL = "equal"  # int, int -> bool
    LESS = "less"  # int, int -> bool
    AT_MOST = "at-most"  # int, int -> bool
    ADD = "add"  # ints -> int
    SUBTRACT = "subtract"  # int, int -> int
    TIMES = "times"  # int, with a constant factor as value -> int
    QUOTIENT = "quotient"  # int, with a positive constant divisor as value -> int, rounded down
    MINIMUM = "minimum"  # int, int -> int


@dataclass(frozen=True, slots=True, eq=False)
class Expr:
    """One node. Write ``&``, ``|``, ``~`` for and, or, not; ``+``, ``-`` and comparisons work with whole numbers."""

    op: Op
    type: Type
    args: tuple[Expr, ...] = field(default=(), repr=False)  # a graph told as a tree has no end
    value: int | bool | str | None = None

    def __bool__(self) -> bool:
        raise TypeError("an expression has no truth of its own; use & | ~ and choose()")

    def __and__(self, other: Expr) -> Expr:
        return all_of(self, other)

    def __or__(self, other: Expr) -> Expr:
        return any_of(self, other)

    def __invert__(self) -> Expr:
        if self.op is Op.CONSTANT:
            return FALSE if self.value else TRUE
        return self.args[0] if self.op is Op.NOT else Expr(Op.NOT, Type.BOOL, (self._is(Type.BOOL),))

    def __add__(self, other: Expr | int) -> Expr:
        return Expr(Op.ADD, Type.INT, (self._is(Type.INT), constant(other)._is(Type.INT)))

    def __sub__(self, other: Expr | int) -> Expr:
        return Expr(Op.SUBTRACT, Type.INT, (self._is(Type.INT), constant(other)._is(Type.INT)))

    def __lt__(self, other: Expr | int) -> Expr:
        return Expr(Op.LESS, Type.BOOL, (self._is(Type.INT), constant(other)._is(Type.INT)))

    def __le__(self, other: Expr | int) -> Expr:
        return Expr(Op.AT_MOST, Type.BOOL, (self._is(Type.INT), constant(other)._is(Type.INT)))

    def __gt__(self, other: Expr | int) -> Expr:
        return constant(other) < self

    def __ge__(self, other: Expr | int) -> Expr:
        return constant(other) <= self

    def equals(self, other: Expr | int | bool) -> Expr:
        """Return whether both are the same; works for both types."""
        b = constant(other)
        if self.type is Type.BOOL:
            return choose(self, b, ~b)
        return Expr(Op.EQUAL, Type.BOOL, (self, b._is(Type.INT)))

    def _is(self, wanted: Type) -> Expr:
        if self.type is not wanted:
            raise TypeError(f"{self.op} is {self.type}, not {wanted}")
        return self


def constant(value: Expr | int | bool) -> Expr:
    """Return value as an expression; an expression passes through."""
    if isinstance(value, Expr):
        return value
    if isinstance(value, bool):
        return TRUE if value else FALSE
    return Expr(Op.CONSTANT, Type.INT, (), value)


TRUE = Expr(Op.CONSTANT, Type.BOOL, (), True)
FALSE = Expr(Op.CONSTANT, Type.BOOL, (), False)


def elapsed() -> Expr:
    """Return the whole ms since the scan before, at least 1."""
    return Expr(Op.ELAPSED, Type.INT)


def all_of(*terms: Expr) -> Expr:
    """Return whether every term is true; constants are folded away."""
    return _many(Op.AND, terms, TRUE, FALSE)


def any_of(*terms: Expr) -> Expr:
    """Return whether some term is true; constants are folded away."""
    return _many(Op.OR, terms, FALSE, TRUE)


def _many(op: Op, terms: Sequence[Expr], unit: Expr, zero: Expr) -> Expr:
    kept: list[Expr] = []
    for term in terms:
        term._is(Type.BOOL)
        if term is zero:
            return zero
        if term is not unit and term not in kept:
            kept.append(term)
    if not kept:
        return unit
    return kept[0] if len(kept) == 1 else Expr(op, Type.BOOL, tuple(kept))


def choose(condition: Expr, then: Expr | int | bool, otherwise: Expr | int | bool) -> Expr:
    """Return then where condition holds, else otherwise; both of one type."""
    a, b = constant(then), constant(otherwise)
    if condition is TRUE or a is b:
        return a
    if condition is FALSE:
        return b
    return Expr(Op.CHOOSE, a.type, (condition._is(Type.BOOL), a, b._is(a.type)))


def minimum(a: Expr, b: Expr | int) -> Expr:
    """Return the smaller of two whole numbers."""
    return Expr(Op.MINIMUM, Type.INT, (a._is(Type.INT), constant(b)._is(Type.INT)))


def times(factor: int, a: Expr) -> Expr:
    """Return a whole number times a constant; products of two variables stay out, solvers can't do them."""
    return Expr(Op.TIMES, Type.INT, (a._is(Type.INT),), factor)


def quotient(a: Expr, divisor: int) -> Expr:
    """Return a whole number divided by a positive constant, rounded towards minus infinity."""
    if divisor < 1:
        raise ValueError(f"divisor {divisor}: runners agree on positive ones only")
    return Expr(Op.QUOTIENT, Type.INT, (a._is(Type.INT),), divisor)


def count_of(terms: Iterable[Expr]) -> Expr:
    """Return how many terms are true."""
    ones = [choose(t, 1, 0) for t in terms]
    return Expr(Op.ADD, Type.INT, tuple(ones)) if ones else constant(0)


def ordered(roots: Iterable[Expr]) -> list[Expr]:
    """Return every node that the roots need, operands first. Depth of the graph is no limit."""
    done: set[Expr] = set()
    result: list[Expr] = []
    stack = [(root, False) for root in reversed(list(roots))]
    while stack:
        node, ready = stack.pop()
        if node in done:
            continue
        if ready:
            done.add(node)
            result.append(node)
        else:
            stack.append((node, True))
            stack.extend((arg, False) for arg in reversed(node.args) if arg not in done)
    return result
