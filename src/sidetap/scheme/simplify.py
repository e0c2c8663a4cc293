"""Expressions -> the same ones for a runner to run: equal nodes once, chains of one operation as one operation.

Only runners use it: people, hashes and solvers see a program as it was built.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence

from sidetap.scheme.expression import Expr, Op, Type, ordered


def simplified(roots: Sequence[Expr], choose_sums: bool) -> list[Expr]:
    """Return expressions of the same values in the same order, in which equal nodes are one object.

    An ``and`` in an ``and``, an ``or`` in an ``or`` and a sum in a sum become one where nobody else needs the inner
    one. choose_sums: a sum of choices by one condition becomes a choice of two sums, so that a window that moves once
    a second is summed as it stands in all other scans; for runners that reckon no side of a choice but one.
    """
    shared = _Shared()
    same = shared.copied(roots, lambda node, args: shared.node(node.op, node.type, args, node.value))
    roots = [same[root] for root in roots]
    uses = Counter(arg for node in ordered(roots) for arg in node.args) + Counter(roots)

    def alone(op: Op, node: Expr, args: tuple[Expr, ...]) -> list[Expr]:
        """Return the new args, those that are op themselves and needed by this node alone as their own args."""
        return [
            term
            for arg, was in zip(args, node.args, strict=True)
            for term in (arg.args if arg.op is op and uses[was] == 1 else (arg,))
        ]

    def change(node: Expr, args: tuple[Expr, ...]) -> Expr:
        if node.op is Op.ADD:
            return shared.sum(alone(Op.ADD, node, args), choose_sums)
        if node.op in (Op.AND, Op.OR):
            terms = tuple(dict.fromkeys(alone(node.op, node, args)))
            return terms[0] if len(terms) == 1 else shared.node(node.op, Type.BOOL, terms)
        return shared.node(node.op, node.type, args, node.value)

    new = shared.copied(roots, change)
    return [new[root] for root in roots]


class _Shared:
    """Makes nodes, each only once."""

    def __init__(self) -> None:
        self._known: dict[object, Expr] = {}

    def node(self, op: Op, kind: Type, args: tuple[Expr, ...], value: int | bool | str | None = None) -> Expr:
        key = (op, kind, args, value)  # with the type, for 1 equals True
        if key not in self._known:
            self._known[key] = Expr(op, kind, args, value)
        return self._known[key]

    def sum(self, terms: Iterable[Expr], choose_sums: bool) -> Expr:
        kept = [t for t in terms if not (t.op is Op.CONSTANT and t.value == 0)]
        if len(kept) < 2:
            return kept[0] if kept else self.node(Op.CONSTANT, Type.INT, (), 0)
        if choose_sums and all(t.op is Op.CHOOSE and t.args[0] is kept[0].args[0] for t in kept):
            sums = [self.sum((s for t in kept for s in _terms(t.args[i])), choose_sums) for i in (1, 2)]
            return self.node(Op.CHOOSE, Type.INT, (kept[0].args[0], *sums))
        return self.node(Op.ADD, Type.INT, tuple(kept))

    def copied(self, roots: Iterable[Expr], change: Callable[[Expr, tuple[Expr, ...]], Expr]) -> dict[Expr, Expr]:
        """Return what each node becomes, operands first."""
        new: dict[Expr, Expr] = {}
        for node in ordered(roots):
            new[node] = change(node, tuple(new[arg] for arg in node.args))
        return new


def _terms(node: Expr) -> tuple[Expr, ...]:
    return node.args if node.op is Op.ADD else (node,)
