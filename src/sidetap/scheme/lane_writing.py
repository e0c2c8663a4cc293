"""A program -> the text of a function for the LLVM compiler that runs one scan of it for many lanes.

Theory of operation. What costs in lanes is the memory they come from, and what each operation on them costs before
it does anything. So all operations of a scan are done for a few lanes, as many as the processor takes in one vector
instruction, in its registers; then for the next few. There is no jump but the one to the next lanes: a choice takes
one of two values that are both there, and Booleans are bits of a mask. Whole numbers have 32 bits where their range
allows it. The values of a name are a row; the rows of all states are one piece of memory, and so are those of inputs.

LLVM's own language is described at its project's pages (Language Reference); what is used of it here is what has been
in it unchanged for years: integer operations on vectors, select, load and store.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from sidetap.scheme.expression import Expr, Op, Type, ordered
from sidetap.scheme.program import Program
from sidetap.scheme.ranges import Range, declared, kind_of, ranges
from sidetap.scheme.simplify import simplified

WIDTH = 16  # lanes at a time
ARGUMENTS = ("states", "inputs", "elapsed_ms", "following", "outputs")
_BITS = {"bool": "i1", "int32": "i32", "int64": "i64"}
_STORED = _BITS | {"bool": "i8"}  # in memory
_BYTES = {"bool": 1, "int32": 4, "int64": 8}
_WORDS = {Op.AND: "and", Op.OR: "or", Op.ADD: "add", Op.SUBTRACT: "sub"}
_COMPARISONS = {Op.EQUAL: "eq", Op.LESS: "slt", Op.AT_MOST: "sle"}


@dataclass(frozen=True, slots=True)
class Layout:
    """How values stand in memory. rows: the kind of each, and the bytes a lane that the rows before it take."""

    rows: Mapping[str, tuple[str, int]]
    lane_bytes: int


def laid_out(kinds: Mapping[str, str]) -> Layout:
    """Return a layout of values of these kinds."""
    rows: dict[str, tuple[str, int]] = {}
    lane_bytes = 0
    for name, kind in kinds.items():
        rows[name] = kind, lane_bytes
        lane_bytes += _BYTES[kind]
    return Layout(rows, lane_bytes)


class LaneWriter:
    """Writes one program out. OverflowError when a number may need over 64 bits.

    states, inputs, outputs: how each stand in memory. text: of ``scan``, which takes the addresses of ARGUMENTS and
    the number of lanes, a multiple of WIDTH. It returns whether an input or a next state was outside its declared
    range in some lane; then what it has written means nothing.
    """

    def __init__(self, program: Program, outputs: Sequence[str]) -> None:
        self.program = program
        following = [s.next for s in program.states.values()]
        roots = simplified([*following, *(program.outputs[name] for name in outputs)], choose_sums=False)
        self._order = ordered(roots)
        self._range = ranges(program, self._order)
        self._following = dict(zip(program.states, roots[: len(following)], strict=True))
        self._outputs = dict(zip(outputs, roots[len(following) :], strict=True))
        self.states = laid_out({n: kind_of(s.type, declared(s)) for n, s in program.states.items()})
        self.inputs = laid_out({n: kind_of(i.type, declared(i)) for n, i in program.inputs.items()})
        self.outputs = laid_out({n: self._kind(node) for n, node in self._outputs.items()})
        self._names: dict[object, str] = {}  # of nodes; of nodes in another kind by both
        self._lines: list[str] = []
        self._wrong: list[str] = []
        self._write()
        self.text = self._function()

    # -- a scan of some lanes ------------------------------------------------------------------------------------

    def _write(self) -> None:
        elapsed = self._load("elapsed_ms", "int32", 0)
        inputs = {name: self._load("inputs", *row) for name, row in self.inputs.rows.items()}
        for name, value in inputs.items():
            if self.program.inputs[name].type is Type.INT:
                self._look(value, self.inputs.rows[name][0], declared(self.program.inputs[name]))
        for node in self._order:
            if node.op is Op.INPUT:
                self._names[node] = inputs[str(node.value)]
            elif node.op is Op.ELAPSED:
                self._names[node] = elapsed
            elif node.op is Op.PREVIOUS:
                self._names[node] = self._load("states", *self.states.rows[str(node.value)])
            else:
                self._names[node] = self._computed(node, self._kind(node))
        for name, (kind, before) in self.states.rows.items():
            state, node = self.program.states[name], self._following[name]
            if state.type is Type.INT and not declared(state).holds(self._range[node]):
                self._look(self._names[node], self._kind(node), declared(state))
            self._store("following", kind, before, self._as(node, kind))
        for name, (kind, before) in self.outputs.rows.items():
            self._store("outputs", kind, before, self._names[self._outputs[name]])

    def _computed(self, node: Expr, kind: str) -> str:
        match node.op:
            case Op.CONSTANT:
                return _constant(int(node.value or 0), kind)
            case Op.NOT:
                return self._put(f"xor {_vector(kind)} {self._names[node.args[0]]}, {_constant(1, kind)}")
            case Op.CHOOSE:
                return self._chosen(self._names[node.args[0]], node.args[1:], kind)
            case Op.EQUAL | Op.LESS | Op.AT_MOST:
                return self._compared(_COMPARISONS[node.op], node.args, self._widest(node.args))
            case Op.MINIMUM:
                wide = self._widest(node.args)
                return self._resized(
                    self._chosen(self._compared("slt", node.args, wide), node.args, wide), wide, kind
                )
            case Op.TIMES:
                factor = _constant(int(node.value or 0), kind)
                return self._put(f"mul {_vector(kind)} {self._as(node.args[0], kind)}, {factor}")
            case Op.QUOTIENT:
                wide = self._kind(node.args[0])
                return self._resized(self._divided(self._names[node.args[0]], int(node.value or 0), wide), wide, kind)
        total, *rest = (self._as(arg, kind) for arg in node.args)
        for term in rest:
            total = self._put(f"{_WORDS[node.op]} {_vector(kind)} {total}, {term}")
        return total

    def _chosen(self, condition: str, either: Sequence[Expr], kind: str) -> str:
        one, other = (f"{_vector(kind)} {self._as(node, kind)}" for node in either)
        return self._put(f"select {_vector('bool')} {condition}, {one}, {other}")

    def _compared(self, how: str, terms: Sequence[Expr], kind: str) -> str:
        one, other = (self._as(node, kind) for node in terms)
        return self._put(f"icmp {how} {_vector(kind)} {one}, {other}")

    def _divided(self, number: str, divisor: int, kind: str) -> str:
        """Return a quotient rounded down; LLVM's own is rounded towards 0, and its remainder tells which way."""
        vector, by = _vector(kind), _constant(divisor, kind)
        rounded = self._put(f"sdiv {vector} {number}, {by}")
        left = self._put(f"srem {vector} {number}, {by}")
        below = self._put(f"icmp slt {vector} {left}, {_constant(0, kind)}")
        down = self._put(f"sext {_vector('bool')} {below} to {vector}")  # all bits: -1
        return self._put(f"add {vector} {rounded}, {down}")

    # -- kinds of numbers ----------------------------------------------------------------------------------------

    def _kind(self, node: Expr) -> str:
        return kind_of(node.type, self._range.get(node, Range(0, 1)))

    def _widest(self, nodes: Iterable[Expr]) -> str:
        return max((self._kind(node) for node in nodes), key=_BYTES.__getitem__)

    def _as(self, node: Expr, kind: str) -> str:
        """Return a node's value in a kind that holds it."""
        if node.op is Op.CONSTANT:
            return _constant(int(node.value or 0), kind)
        if (node, kind) not in self._names:
            self._names[node, kind] = self._resized(self._names[node], self._kind(node), kind)
        return self._names[node, kind]

    def _resized(self, value: str, kind: str, wanted: str) -> str:
        if kind == wanted:
            return value
        return self._put(f"{'trunc' if kind == 'int64' else 'sext'} {_vector(kind)} {value} to {_vector(wanted)}")

    # -- memory --------------------------------------------------------------------------------------------------

    def _load(self, rows: str, kind: str, before: int) -> str:
        stored = f"<{WIDTH} x {_STORED[kind]}>"
        value = self._put(f"load {stored}, ptr {self._address(rows, kind, before)}, align 1")
        return self._put(f"trunc {stored} {value} to {_vector(kind)}") if kind == "bool" else value

    def _store(self, rows: str, kind: str, before: int, value: str) -> None:
        stored = f"<{WIDTH} x {_STORED[kind]}>"
        if kind == "bool":
            value = self._put(f"zext {_vector(kind)} {value} to {stored}")
        self._lines.append(f"  store {stored} {value}, ptr {self._address(rows, kind, before)}, align 1")

    def _address(self, rows: str, kind: str, before: int) -> str:
        """Return where the lanes at work are in a row; before: bytes a lane that the rows before it take."""
        skipped = self._put(f"mul i64 %lanes, {before}")
        row = self._put(f"getelementptr i8, ptr %{rows}, i64 {skipped}")
        return self._put(f"getelementptr {_STORED[kind]}, ptr {row}, i64 %lane")

    def _look(self, value: str, kind: str, allowed: Range) -> None:
        """Note lanes in which a value is not in its range."""
        for how, end in (("slt", allowed.low), ("sgt", allowed.high)):
            self._wrong.append(self._put(f"icmp {how} {_vector(kind)} {value}, {_constant(end, kind)}"))

    # -- the text ------------------------------------------------------------------------------------------------

    def _put(self, operation: str) -> str:
        """Write an operation and return the name of its value."""
        self._lines.append(f"  %v{len(self._lines)} = {operation}")
        return f"%v{len(self._lines) - 1}"

    def _function(self) -> str:
        wrong = "%wrong"
        for lanes in self._wrong:
            wrong = self._put(f"or {_vector('bool')} {wrong}, {lanes}")
        return "\n".join(
            [
                f"define i1 @scan({', '.join(f'ptr %{rows}' for rows in ARGUMENTS)}, i64 %lanes) {{",
                "start:",
                "  br label %some",
                "some:",
                "  %lane = phi i64 [0, %start], [%next, %some]",
                f"  %wrong = phi {_vector('bool')} [zeroinitializer, %start], [{wrong}, %some]",
                *self._lines,
                f"  %next = add i64 %lane, {WIDTH}",
                "  %more = icmp slt i64 %next, %lanes",
                "  br i1 %more, label %some, label %end",
                "end:",
                f"  %bits = bitcast {_vector('bool')} {wrong} to i{WIDTH}",
                f"  %any = icmp ne i{WIDTH} %bits, 0",
                "  ret i1 %any",
                "}",
            ]
        )


def _vector(kind: str) -> str:
    return f"<{WIDTH} x {_BITS[kind]}>"


def _constant(value: int, kind: str) -> str:
    if value == 0:
        return "zeroinitializer"
    return f"<{', '.join([f'{_BITS[kind]} {value}'] * WIDTH)}>"
