"""A program -> the text of a Python function that runs one scan of it on lists.

Theory of operation. The nodes of a program are a graph. What one place alone needs is written there, so that ``and``
and ``or`` stop early; what several need is computed once, under a name, in the innermost *stretch* of the function
that holds all of them. Stretches are the two sides of a choice, and the body of an ``and`` or ``or`` that runs only
where its small operands leave the answer open: most of a scheme waits for a key, the end of a second or a time that
runs. What is small and needed in such bodies alone is written in each of them rather than computed every scan.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from sidetap.scheme.expression import Expr, Op, ordered
from sidetap.scheme.program import Program
from sidetap.scheme.simplify import simplified

SMALL = 12  # nodes: what is asked before a body is entered, or written in several bodies (tried: 8 to 20 are alike)
SLICE = 3  # neighbouring states that are cheaper together, as a slice, than one by one

_INFIX = {
    Op.AND: " and ",
    Op.OR: " or ",
    Op.EQUAL: " == ",
    Op.LESS: " < ",
    Op.AT_MOST: " <= ",
    Op.ADD: " + ",
    Op.SUBTRACT: " - ",
}
_LEAVES = {Op.CONSTANT, Op.INPUT, Op.PREVIOUS, Op.ELAPSED}


def source(program: Program, outputs: Iterable[str], states: bool = True) -> str:
    """Return the text of ``scan(states, inputs, elapsed_ms) -> (states, outputs)``, lists in the program's order.

    outputs: the names of those that it returns, in their order. states: whether it returns the next states too.
    """
    following = [s.next for s in program.states.values()] if states else []
    roots = simplified([*following, *(program.outputs[name] for name in outputs)])
    return _Writer(program, roots[: len(following)], roots[len(following) :]).text()


@dataclass(eq=False, slots=True)
class _Stretch:
    """A part of the function's text, indented by depth; named: the nodes that are computed at its start."""

    outer: _Stretch | None = None
    depth: int = 1
    named: list[Expr] = field(default_factory=list)

    def inner(self) -> _Stretch:
        return _Stretch(self, self.depth + 1)


@dataclass(slots=True)
class _Place:
    """Where a node is needed: always when its stretch is run, or only within a body that repeats it."""

    stretch: _Stretch
    always: bool


class _Writer:
    def __init__(self, program: Program, following: Sequence[Expr], outputs: Sequence[Expr]) -> None:
        self.input_place = {name: i for i, name in enumerate(program.inputs)}
        self.state_place = {name: i for i, name in enumerate(program.states)}
        self.following, self.outputs = following, outputs
        self.order = ordered([*following, *outputs])
        self.size: dict[Expr, int] = {}
        for node in self.order:
            self.size[node] = 1 + sum(self.size[a] for a in node.args)
        self.lines: list[str] = []
        self.names: dict[Expr, str] = {}
        self.all = _Stretch()
        self.home: dict[Expr, _Place] = {}
        self.uses: dict[Expr, int] = {}
        self.inside: dict[Expr, list[_Stretch]] = {}
        self.blocks: set[Expr] = set()
        self.find_homes()
        self.find_names()

    # -- where everything goes -----------------------------------------------------------------------------------

    def find_homes(self) -> None:
        """Find the stretch of each node, those that need a node before the node."""
        needed: dict[Expr, list[_Place]] = defaultdict(list)
        for root in (*self.following, *self.outputs):
            needed[root].append(_Place(self.all, True))
        for node in reversed(self.order):
            places = needed[node]
            home = places[0].stretch
            for place in places[1:]:
                home = _common(home, place.stretch)
            always = any(p.stretch is home and p.always for p in places)
            self.home[node] = _Place(home, always)
            self.uses[node] = len(places)
            for arg, stretch in self.divided(node, home):
                needed[arg].append(_Place(stretch, always))

    def divided(self, node: Expr, home: _Stretch) -> list[tuple[Expr, _Stretch]]:
        """Return the operands of a node with the stretches in which they are needed."""
        if node.op is Op.CHOOSE:
            then, otherwise = self.inside[node] = [home.inner(), home.inner()]
            condition, a, b = node.args
            return [(condition, home), (a, then), (b, otherwise)]
        asked = self.asked(node)
        if not asked:
            return [(arg, home) for arg in node.args]
        body = home.inner()
        self.inside[node] = [body]
        early = {arg for terms in asked for arg in terms}
        return [(arg, home) for arg in early] + [(arg, body) for arg in node.args if arg not in early]

    def asked(self, node: Expr) -> list[tuple[Expr, ...]]:
        """Return the small terms that are asked before the body of an ``and`` (one tuple) or ``or`` (one each)."""
        if node.op is Op.AND:
            small = tuple(arg for arg in node.args if self.size[arg] <= SMALL)
            return [small] if small and len(small) < len(node.args) else []
        if node.op is not Op.OR or all(self.size[arg] <= SMALL for arg in node.args):
            return []
        asked = [
            (arg,) if self.size[arg] <= SMALL else tuple(t for x in self.asked(arg) for t in x) for arg in node.args
        ]
        alone = all(arg.op is Op.AND or self.size[arg] <= SMALL for arg in node.args)
        return asked if alone and all(asked) else []

    def find_names(self) -> None:
        """Name what is computed on a line of its own, operands first."""
        written: dict[Expr, int] = {}  # how many nodes the text of a node holds
        for number, node in enumerate(self.order):
            written[node] = 1 + sum(1 if a in self.names else written[a] for a in node.args)
            home = self.home[node]
            if any(_busy(s) for s in self.inside.get(node, ())):
                self.blocks.add(node)
            elif self.uses[node] == 1 or self.is_plain(node) or not (home.always or written[node] > SMALL):
                continue
            self.names[node] = f"t{number}"
            home.stretch.named.append(node)

    def is_plain(self, node: Expr) -> bool:
        """Return whether a node is as cheap as a name: a leaf, a name, or not one of them."""
        return node in self.names or node.op in _LEAVES or (node.op is Op.NOT and self.is_plain(node.args[0]))

    # -- the text ------------------------------------------------------------------------------------------------

    def text(self) -> str:
        self.lines = ["def scan(states, inputs, elapsed_ms):", "    following = states.copy()"]
        self.stretch(self.all)
        self.store()
        self.line(self.all, f"return following, [{', '.join(map(self.term, self.outputs))}]")
        return "\n".join(self.lines) + "\n"

    def store(self) -> None:
        """Write the next states, neighbours as one slice, and such that one condition holds only where it does not."""
        place = 0
        while place < len(self.following):
            end = place + 1
            condition = self.holds(place)
            while end < len(self.following) and self.holds(end) is condition:
                end += 1
            nodes = self.following[place:end]
            stretch = self.all
            if condition is not None:
                self.line(self.all, f"if {self.term(condition)}:")
                nodes, stretch = [node.args[1] for node in nodes], self.all.inner()
            places = f"{place}:{end}" if len(nodes) > 1 else place
            self.line(stretch, f"following[{places}] = {', '.join(self.listed(nodes))}")
            place = end

    def holds(self, place: int) -> Expr | None:
        """Return the condition without which the state at a place stays as it was, if there is one for itself."""
        node = self.following[place]
        if node.op is not Op.CHOOSE or node in self.names or self.state(node.args[2]) != place:
            return None
        return node.args[0]

    def listed(self, nodes: Sequence[Expr]) -> list[str]:
        """Return nodes as terms of a list; neighbouring states are one slice."""
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

    def state(self, node: Expr) -> int | None:
        return self.state_place[str(node.value)] if node.op is Op.PREVIOUS else None

    def stretch(self, stretch: _Stretch) -> None:
        for node in stretch.named:
            name, inside = self.names[node], self.inside.get(node, [])
            if node not in self.blocks:
                self.line(stretch, f"{name} = {self.written(node)}")
            elif node.op is Op.CHOOSE:
                condition, *sides = node.args
                for word, side, body in zip((f"if {self.term(condition)}", "else"), sides, inside, strict=True):
                    self.line(stretch, f"{word}:")
                    self.stretch(body)
                    self.line(body, f"{name} = {self.term(side)}")
            else:
                # an `and` is false where one of the small ones is, an `or` where none of its terms can be true
                asked = [" and ".join(map(self.term, sorted(terms, key=self.cost))) for terms in self.asked(node)]
                self.line(stretch, f"{name} = False")
                self.line(stretch, f"if {' or '.join(asked)}:")
                (body,) = inside
                self.stretch(body)
                self.line(body, f"{name} = {self.written(node)}")

    def line(self, stretch: _Stretch, text: str) -> None:
        self.lines.append(f"{'    ' * stretch.depth}{text}")

    def term(self, node: Expr) -> str:
        """Return a node as an operand of anything."""
        if node in self.names:
            return self.names[node]
        return self.written(node) if node.op in _LEAVES else f"({self.written(node)})"

    def cost(self, node: Expr) -> int:
        return 0 if node in self.names else self.size[node]

    def written(self, node: Expr) -> str:
        """Return a node's own text, its operands by name where they have one."""
        if node.op in (Op.AND, Op.OR):
            return _INFIX[node.op].join(map(self.term, sorted(node.args, key=self.cost)))
        if node.op is Op.ADD:
            return self.sum(node)
        a = [self.term(arg) for arg in node.args]
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
        # the smaller of two; a call of min() takes as long as all the rest of a timer
        if node.args[1].op is not Op.CONSTANT:
            return f"min({a[0]}, {a[1]})"
        if self.is_plain(node.args[0]):
            return f"{a[0]} if {a[0]} < {a[1]} else {a[1]}"
        return f"x if (x := {a[0]}) < {a[1]} else {a[1]}"

    def sum(self, node: Expr) -> str:
        """Return a sum; neighbouring states in it are summed as a slice."""
        places = sorted({p for p in map(self.state, node.args) if p is not None})
        rest = [self.term(arg) for arg in node.args if self.state(arg) is None]
        if len(node.args) - len(rest) != len(places) or not SLICE < len(places) == places[-1] - places[0] + 1:
            return " + ".join(map(self.term, node.args))
        return " + ".join([f"sum(states[{places[0]}:{places[-1] + 1}])", *rest])


def _common(a: _Stretch, b: _Stretch) -> _Stretch:
    """Return the innermost stretch that holds both."""
    while a is not b:
        if a.depth < b.depth:
            a, b = b, a
        assert a.outer is not None  # noqa: S101  # for the type checker: the outermost holds all
        a = a.outer
    return a


def _busy(stretch: _Stretch) -> bool:
    return bool(stretch.named)
