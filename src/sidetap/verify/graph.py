"""Expressions in one normal form each: equal structure is one object, so that sameness is seen without a solver.

Expressions -> equal expressions of fewer kinds of nodes (no at-most, no subtraction), operands in a fixed order,
constants folded, Booleans that are chosen written as and and or. Every rewriting here is an equality that holds for
all values; a test holds original and rewritten against each other.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from sidetap.scheme import FALSE, TRUE, Expr, Op, Program, Type, ordered


class Graph:
    """All nodes of one normal form. An expression that came out of it may be compared by identity."""

    def __init__(self) -> None:
        self._nodes: dict[tuple[Op, tuple[int, ...], object, Type], Expr] = {}
        self._number: dict[Expr, int] = {}

    # -- in ------------------------------------------------------------------------------------------------------

    def take(self, roots: Iterable[Expr], become: Mapping[Expr, Expr] | None = None) -> dict[Expr, Expr]:
        """Return each node that the roots need with its normal form.

        become: nodes in normal form that are to be read as other nodes of this graph.
        """
        known: dict[Expr, Expr] = {}
        for node in ordered(roots):
            other = None if become is None else become.get(node)
            if other is not None:
                known[node] = other
                continue
            args = tuple([known[a] for a in node.args])
            # what is in normal form, and nothing in it changes, stays
            known[node] = node if args == node.args and node in self._number else self._make(node, list(args))
        return known

    def made(self, node: Expr, args: Sequence[Expr]) -> Expr:
        """Return a node in normal form with other operands, nodes of this graph too."""
        return node if tuple(args) == node.args else self._make(node, list(args))

    def program(self, program: Program) -> Program:
        """Return the program in normal form."""
        known = self.take([s.next for s in program.states.values()] + list(program.outputs.values()))
        return Program(
            program.inputs,
            MappingProxyType({n: replace(s, next=known[s.next]) for n, s in program.states.items()}),
            MappingProxyType({n: known[e] for n, e in program.outputs.items()}),
        )

    def previous(self, name: str, kind: Type) -> Expr:
        """Return a state's value before the scan."""
        return self._node(Op.PREVIOUS, kind, (), name)

    def input(self, name: str, kind: Type) -> Expr:
        """Return an input."""
        return self._node(Op.INPUT, kind, (), name)

    def negation(self, x: Expr) -> Expr:
        """Return not x."""
        if x.op is Op.CONSTANT:
            return FALSE if x.value else TRUE
        return x.args[0] if x.op is Op.NOT else self._node(Op.NOT, Type.BOOL, (x,))

    # -- normal forms --------------------------------------------------------------------------------------------

    def _make(self, node: Expr, a: list[Expr]) -> Expr:
        match node.op:
            case Op.CONSTANT:
                return self.constant(node.value)
            case Op.NOT:
                return self.negation(a[0])
            case Op.AND | Op.OR:
                return self.many(node.op, a)
            case Op.CHOOSE:
                return self._choose(*a)
            case Op.EQUAL:
                return self._equal(*a)
            case Op.LESS:
                return self._less(*a)
            case Op.AT_MOST:
                return self.negation(self._less(a[1], a[0]))
            case Op.ADD:
                return self._sum(a)
            case Op.SUBTRACT:
                return self._sum([a[0], self._times(-1, a[1])])
            case Op.TIMES:
                return self._times(int(node.value or 0), a[0])
            case Op.QUOTIENT if a[0].op is Op.CONSTANT:
                return self.constant(int(a[0].value or 0) // int(node.value or 1))
            case Op.MINIMUM:
                return self._minimum(*a)
            case _:
                return self._node(node.op, node.type, tuple(a), node.value)

    def many(self, op: Op, terms: Iterable[Expr]) -> Expr:
        """Return and or or of terms."""
        unit, zero = (TRUE, FALSE) if op is Op.AND else (FALSE, TRUE)
        kept: dict[Expr, None] = {}
        for term in terms:
            for x in term.args if term.op is op else (term,):
                if x is zero:
                    return zero
                if x is not unit:
                    kept[x] = None
        if any(self._contradicts(op, x, kept) for x in kept if x.op is Op.NOT):
            return zero
        dual = Op.AND if op is Op.OR else Op.OR
        if any(x.op is dual for x in kept):
            short = [self._within(dual, x, kept) for x in kept]
            if short != list(kept):
                return self.many(op, short)
        if not kept:
            return unit
        if len(kept) == 1:
            return next(iter(kept))
        return self._node(op, Type.BOOL, tuple(sorted(kept, key=self._order)))

    def _within(self, dual: Op, x: Expr, kept: Mapping[Expr, None]) -> Expr:
        """Return what an operand comes to beside the others: of x or (a and not x), a is left.

        dual: the operation of operands that can come to less.
        """
        if x.op is not dual:
            return x
        op, unit = (Op.OR, FALSE) if dual is Op.AND else (Op.AND, TRUE)
        if any(a in kept for a in x.args):
            return unit  # the other one says as much
        left = [a for a in x.args if not self._is_denied(op, a, kept)]
        return x if len(left) == len(x.args) else self.many(dual, left)

    def _is_denied(self, op: Op, x: Expr, kept: Mapping[Expr, None]) -> bool:
        """Return whether the others beside which x counts say the contrary of it."""
        return self._contradicts(op, x, kept) if x.op is Op.NOT else self.negation(x) in kept

    @staticmethod
    def _contradicts(op: Op, x: Expr, kept: Mapping[Expr, None]) -> bool:
        """Return whether a negation stands beside what it negates, whole or taken apart."""
        (of,) = x.args
        return of in kept or (of.op is op and all(a in kept for a in of.args))

    def _choose(self, c: Expr, a: Expr, b: Expr) -> Expr:
        if c.op is Op.CONSTANT or a is b:
            return a if c is TRUE or a is b else b
        if c.op is Op.NOT:
            return self._choose(c.args[0], b, a)
        if a.op is Op.CHOOSE and a.args[0] is c:
            a = a.args[1]
        if b.op is Op.CHOOSE and b.args[0] is c:
            b = b.args[2]
        if a.type is Type.BOOL:
            return self._choose_bool(c, a, b)
        return a if a is b else self._node(Op.CHOOSE, Type.INT, (c, a, b))

    def _choose_bool(self, c: Expr, a: Expr, b: Expr) -> Expr:
        if a in (TRUE, c):
            return self.many(Op.OR, [c, b])
        if a in (FALSE, self.negation(c)):
            return self.many(Op.AND, [self.negation(c), b])
        if b in (FALSE, c):
            return self.many(Op.AND, [c, a])
        if b in (TRUE, self.negation(c)):
            return self.many(Op.OR, [self.negation(c), a])
        return a if a is b else self._node(Op.CHOOSE, Type.BOOL, (c, a, b))

    def _equal(self, a: Expr, b: Expr) -> Expr:
        if a is b:
            return TRUE
        if a.op is Op.CONSTANT and b.op is Op.CONSTANT:
            return FALSE  # one object per value
        return self._node(Op.EQUAL, Type.BOOL, tuple(sorted((a, b), key=self._order)))

    def _less(self, a: Expr, b: Expr) -> Expr:
        if a is b:
            return FALSE
        if a.op is Op.CONSTANT and b.op is Op.CONSTANT:
            return TRUE if int(a.value or 0) < int(b.value or 0) else FALSE
        if a.op is Op.CONSTANT:
            return self.negation(self._less(b, self.constant(int(a.value or 0) + 1)))
        return self._node(Op.LESS, Type.BOOL, (a, b))

    def _sum(self, terms: Iterable[Expr]) -> Expr:
        fixed, kept = 0, []
        for term in terms:
            for x in term.args if term.op is Op.ADD else (term,):
                if x.op is Op.CONSTANT:
                    fixed += int(x.value or 0)
                else:
                    kept.append(x)
        if not kept:
            return self.constant(fixed)
        if fixed:
            kept.append(self.constant(fixed))
        return kept[0] if len(kept) == 1 else self._node(Op.ADD, Type.INT, tuple(sorted(kept, key=self._order)))

    def _times(self, factor: int, a: Expr) -> Expr:
        if a.op is Op.CONSTANT:
            return self.constant(factor * int(a.value or 0))
        if a.op is Op.TIMES:
            return self._times(factor * int(a.value or 0), a.args[0])
        if factor == 0:
            return self.constant(0)
        return a if factor == 1 else self._node(Op.TIMES, Type.INT, (a,), factor)

    def _minimum(self, a: Expr, b: Expr) -> Expr:
        if a is b:
            return a
        if a.op is Op.CONSTANT and b.op is Op.CONSTANT:
            return a if int(a.value or 0) < int(b.value or 0) else b
        return self._node(Op.MINIMUM, Type.INT, tuple(sorted((a, b), key=self._order)))

    def constant(self, value: object) -> Expr:
        """Return a constant."""
        if value is True:
            return TRUE
        if value is False:
            return FALSE
        return self._node(Op.CONSTANT, Type.INT, (), value)

    def _node(self, op: Op, kind: Type, args: tuple[Expr, ...], value: object = None) -> Expr:
        key = (op, tuple(map(id, args)), value, kind)
        node = self._nodes.get(key)
        if node is None:
            node = self._nodes[key] = Expr(op, kind, args, value)  # type: ignore[arg-type]  # what came in goes out
            self._number[node] = len(self._number)
        return node

    def is_in(self, part: Expr, whole: Expr) -> bool:
        """Return whether a node is a part of another, or is it."""
        # what was made later can't be a part
        return self._order(part) <= self._order(whole) and part in ordered([whole])

    def _order(self, node: Expr) -> int:
        return self._number.get(node, -1)
