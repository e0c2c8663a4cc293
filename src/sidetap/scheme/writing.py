"""A program -> the text of a Python function that runs one scan of it on lists.

Theory of operation. The nodes of a program are a graph. What one place alone needs is written there, so that ``and``,
``or`` and ``if`` stop early: most of a scheme waits for a key, the end of a second or a time that runs. What several
places need is computed once, under a name; but where all of these may be stopped before, and it is short, it is
written in each of them rather than computed in every scan. The next states begin as a copy of the states, so that
what a condition holds as it was costs nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from sidetap.scheme.expression import Expr, Op, ordered
from sidetap.scheme.program import Program
from sidetap.scheme.simplify import simplified

SHORT = 12  # nodes; 6 to 30 make no difference that can be measured
LARGE = 10**6
DEEP = 50  # nested operands; Python's own limit for brackets is 200
SLICE = 3  # so many neighbouring states are cheaper as one slice than one by one

_INFIX = {
    Op.AND: " and ",
    Op.OR: " or ",
    Op.EQUAL: " == ",
    Op.LESS: " < ",
    Op.AT_MOST: " <= ",
    Op.SUBTRACT: " - ",
}
_LEAVES = {Op.CONSTANT, Op.INPUT, Op.PREVIOUS, Op.ELAPSED}


def source(program: Program, outputs: Iterable[str], states: bool = True) -> str:
    """Return the text of ``scan(states, inputs, elapsed_ms) -> (states, outputs)``, lists in the program's order.

    outputs: the names of those that it returns, in their order. states: whether it goes on; else it returns the
    states that came in.
    """
    following = [s.next for s in program.states.values()] if states else []
    roots = simplified([*following, *(program.outputs[name] for name in outputs)], choose_sums=True)
    return _Writer(program, roots[: len(following)], roots[len(following) :]).text()


class _Writer:
    def __init__(self, program: Program, following: Sequence[Expr], outputs: Sequence[Expr]) -> None:
        self.input_place = {name: i for i, name in enumerate(program.inputs)}
        self.state_place = {name: i for i, name in enumerate(program.states)}
        self.following = following
        self.outputs = outputs
        self.order = ordered([*following, *outputs])
        self.size: dict[Expr, int] = {}  # nodes to be run at most; LARGE is no different from more
        for node in self.order:
            self.size[node] = min(LARGE, 1 + sum(self.size[arg] for arg in node.args))
        self.names: dict[Expr, str] = {}
        self.lines = ["def scan(states, inputs, elapsed_ms):", "    following = states.copy()"]

    def text(self) -> str:
        self.name()
        self.store()
        self.lines.append(f"    return following, [{', '.join(map(self.term, self.outputs))}]")
        return "\n".join(self.lines) + "\n"

    # -- what is computed once -----------------------------------------------------------------------------------

    def name(self) -> None:
        """Write a line for each node that has a name, operands first."""
        uses, always = self.needs()
        length: dict[Expr, int] = {}  # nodes in the text of a node, a name being one
        depth: dict[Expr, int] = {}
        for number, node in enumerate(self.order):
            length[node] = 1 + sum(1 if arg in self.names else length[arg] for arg in node.args)
            depth[node] = 1 + max((0 if arg in self.names else depth[arg] for arg in node.args), default=0)
            shared = uses[node] > 1 and not self.is_plain(node) and (node in always or length[node] > SHORT)
            if shared or depth[node] > DEEP:
                self.lines.append(f"    t{number} = {self.written(node)}")
                self.names[node] = f"t{number}"

    def needs(self) -> tuple[dict[Expr, int], set[Expr]]:
        """Return how many places need each node, and which nodes some place needs in every scan."""
        roots = [*self.following, *self.outputs]
        uses = dict.fromkeys(self.order, 0)
        for needed in (*roots, *(arg for node in self.order for arg in node.args)):
            uses[needed] += 1
        always = set(roots)
        for node in reversed(self.order):
            if node in always and node.args:
                if node.op is Op.CHOOSE:
                    always.add(node.args[0])
                elif node.op in (Op.AND, Op.OR):
                    always.add(min(node.args, key=self.cost))
                else:
                    always.update(node.args)
        return uses, always

    def is_plain(self, node: Expr) -> bool:
        """Return whether a node is as cheap as a name: a leaf, a name, or not one of them."""
        return node in self.names or node.op in _LEAVES or (node.op is Op.NOT and self.is_plain(node.args[0]))

    # -- the next states -----------------------------------------------------------------------------------------

    def store(self) -> None:
        """Write the next states; neighbours that one condition holds, or none, together."""
        place = 0
        while place < len(self.following):
            condition, end = self.moves(place), place + 1
            while end < len(self.following) and self.moves(end) is condition:
                end += 1
            nodes, indent = self.following[place:end], "    "
            if condition is not None:
                self.lines.append(f"    if {self.term(condition)}:")
                nodes, indent = [node.args[1] for node in nodes], "        "
            if len(nodes) == 1:
                self.lines.append(f"{indent}following[{place}] = {self.term(nodes[0])}")
            else:
                self.lines.append(f"{indent}following[{place}:{end}] = {', '.join(self.listed(nodes))},")
            place = end

    def moves(self, place: int) -> Expr | None:
        """Return the condition without which the state at a place stays as it was, if it has one for its own."""
        node = self.following[place]
        stays = node.op is Op.CHOOSE and node not in self.names and self.state(node.args[2]) == place
        return node.args[0] if stays else None

    def listed(self, nodes: Sequence[Expr]) -> list[str]:
        """Return nodes as terms of a tuple; neighbouring states are one slice."""
        terms: list[str] = []
        i = 0
        while i < len(nodes):
            first, end = self.state(nodes[i]), i + 1
            while first is not None and end < len(nodes) and self.state(nodes[end]) == first + end - i:
                end += 1
            if first is None or end - i < SLICE:
                terms.append(self.term(nodes[i]))
                i += 1
            else:
                terms.append(f"*states[{first}:{first + end - i}]")
                i = end
        return terms

    # -- expressions ---------------------------------------------------------------------------------------------

    def term(self, node: Expr) -> str:
        """Return a node as an operand of anything."""
        if node in self.names:
            return self.names[node]
        return self.written(node) if node.op in _LEAVES else f"({self.written(node)})"

    def cost(self, node: Expr) -> int:
        return 0 if node in self.names else self.size[node]

    def state(self, node: Expr) -> int | None:
        return self.state_place[str(node.value)] if node.op is Op.PREVIOUS else None

    def written(self, node: Expr) -> str:
        """Return a node's own text, its operands by name where they have one."""
        if node.op is Op.ADD:
            return self.sum(node)
        # what is short is asked first
        args = sorted(node.args, key=self.cost) if node.op in (Op.AND, Op.OR) else node.args
        a = [self.term(arg) for arg in args]
        if node.op in _INFIX:
            return _INFIX[node.op].join(a)
        match node.op:
            case Op.CONSTANT:
                return repr(node.value)
            case Op.ELAPSED:
                return "elapsed_ms"
            case Op.INPUT:
                return f"inputs[{self.input_place[str(node.value)]}]"
            case Op.PREVIOUS:
                return f"states[{self.state_place[str(node.value)]}]"
            case Op.NOT:
                return f"not {a[0]}"
            case Op.CHOOSE:
                return f"{a[1]} if {a[0]} else {a[2]}"
            case Op.TIMES:
                return f"{node.value!r} * {a[0]}"
            case Op.QUOTIENT:
                return f"{a[0]} // {node.value!r}"
        # the smaller of two: a call of min() takes longer than all the rest of a timer
        if node.args[1].op is not Op.CONSTANT:
            return f"min({a[0]}, {a[1]})"
        if self.is_plain(node.args[0]):
            return f"{a[0]} if {a[0]} < {a[1]} else {a[1]}"
        return f"x if (x := {a[0]}) < {a[1]} else {a[1]}"

    def sum(self, node: Expr) -> str:
        """Return a sum; neighbouring states in it are summed as a slice."""
        places = sorted({p for p in map(self.state, node.args) if p is not None})
        rest = [self.term(arg) for arg in node.args if self.state(arg) is None]
        once = len(places) + len(rest) == len(node.args)
        if not once or len(places) <= SLICE or places[-1] - places[0] + 1 != len(places):
            return " + ".join(map(self.term, node.args))
        return " + ".join([f"sum(states[{places[0]}:{places[-1] + 1}])", *rest])
