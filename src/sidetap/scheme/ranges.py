"""Which whole numbers a node of a program can be, reckoned from the declared ranges of inputs and states."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sidetap.scheme.expression import Expr, Op, Type
from sidetap.scheme.program import Input, Program, State

MOST_MS = 1_000_000_000  # between two scans, more than eleven days


@dataclass(frozen=True, slots=True)
class Range:
    """From low to high, both included."""

    low: int
    high: int

    def holds(self, other: Range) -> bool:
        """Return whether all of other is in this one."""
        return self.low <= other.low and other.high <= self.high

    def with_all(self, *others: Range) -> Range:
        """Return the range from the lowest to the highest of all."""
        return Range(min(self.low, *(o.low for o in others)), max(self.high, *(o.high for o in others)))


def declared(of: Input | State) -> Range:
    """Return the declared range of an input or a state."""
    return Range(of.low, of.high)


def kind_of(of: Type, numbers: Range) -> str:
    """Return NumPy's name for what holds them; OverflowError when nothing does."""
    if of is Type.BOOL:
        return "bool"
    for bits in (32, 64):
        if Range(-(2 ** (bits - 1)), 2 ** (bits - 1) - 1).holds(numbers):
            return f"int{bits}"
    raise OverflowError(f"{numbers.low}..{numbers.high} needs more than 64 bits")


def ranges(program: Program, nodes: Sequence[Expr]) -> dict[Expr, Range]:
    """Return the range of each whole number among nodes, operands first, and of all that is between in reckoning it.

    What a sum adds up is between, and so are its terms: a runner that keeps numbers in few bits needs them all.
    """
    found: dict[Expr, Range] = {}
    for node in nodes:
        if node.type is Type.INT:
            found[node] = _range(node, [found[arg] for arg in node.args if arg.type is Type.INT], program)
    return found


def _range(node: Expr, args: list[Range], program: Program) -> Range:
    match node.op:
        case Op.CONSTANT:
            return Range(int(node.value or 0), int(node.value or 0))
        case Op.INPUT:
            return declared(program.inputs[str(node.value)])
        case Op.PREVIOUS:
            return declared(program.states[str(node.value)])
        case Op.ELAPSED:
            return Range(1, MOST_MS)
        case Op.CHOOSE:
            return args[0].with_all(args[1])
        case Op.ADD:
            low, high = sum(min(0, a.low) for a in args), sum(max(0, a.high) for a in args)
            return Range(low, high)
        case Op.SUBTRACT:
            a, b = args
            return a.with_all(b, Range(a.low - b.high, a.high - b.low))
        case Op.MINIMUM:
            a, b = args
            return Range(min(a.low, b.low), min(a.high, b.high))
        case Op.QUOTIENT:
            return Range(args[0].low // _number(node), args[0].high // _number(node))
    products = [_number(node) * end for end in (args[0].low, args[0].high)]
    return args[0].with_all(Range(min(products), max(products)))


def _number(node: Expr) -> int:
    return int(node.value or 0)
