"""The one place that talks to the solver: expressions -> its terms, questions -> yes, no or unknown.

Whole numbers are unbounded here, as in the reference runner; a test holds the two against each other.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import z3

from sidetap.scheme import Expr, Op, Program, Type, Value, ordered

Term: TypeAlias = Any  # the solver's library is untyped


@dataclass(frozen=True, slots=True)
class Found:
    """An answer with values: states and inputs of one scan, and the time before it."""

    states: dict[str, Value]
    inputs: dict[str, Value]
    elapsed_ms: int


class Scan:
    """One scan of a program as terms, states and inputs free.

    Terms are made as they are asked for, so that a question about a few states stays small.
    """

    def __init__(self, program: Program) -> None:
        self.program = program
        self._terms: dict[Expr, Term] = {}
        self._previous: dict[str, Term] = {name: _variable(f"s {name}", s.type) for name, s in program.states.items()}
        self._inputs = {name: _variable(f"i {name}", i.type) for name, i in program.inputs.items()}
        self._elapsed = z3.Int("elapsed")

    def term(self, expression: Expr) -> Term:
        """Return an expression of this scan."""
        return _encode(expression, self._terms, self._previous, self._inputs, self._elapsed)

    def after(self, expression: Expr, cache: dict[Expr, Term]) -> Term:
        """Return an expression over previous states, as it is read in the scan after this one."""
        for node in ordered([expression]):
            if node.op is Op.PREVIOUS and node not in cache:
                cache[node] = self.following(str(node.value))
        return _encode(expression, cache, {}, self._inputs, self._elapsed)

    def following(self, name: str) -> Term:
        """Return a state after this scan."""
        return self.term(self.program.states[name].next)

    def bounds(self, elapsed_ms: int | None = None) -> list[Term]:
        """Return what inputs and elapsed time obey; elapsed_ms where the time is given."""
        result = [self._elapsed >= 1 if elapsed_ms is None else self._elapsed == elapsed_ms]
        for name, declared in self.program.inputs.items():
            if declared.type is Type.INT:
                result += [self._inputs[name] >= declared.low, self._inputs[name] <= declared.high]
        return result

    def ranges(self) -> list[Term]:
        """Return that every whole-number state was in its range before this scan, but those without bounds."""
        result: list[Term] = []
        for name, s in self.program.states.items():
            if s.type is Type.INT and s.high < UNBOUNDED:
                result += [self._previous[name] >= s.low, self._previous[name] <= s.high]
        return result

    def states_are_one_of(self, names: Sequence[str], rows: Sequence[Sequence[Value]]) -> Term:
        """Return whether the named states have had, before this scan, the values of one of the rows."""
        same: dict[tuple[str, Value], Term] = {}
        for row in rows:
            for n, v in zip(names, row, strict=True):
                if (n, v) not in same:
                    same[n, v] = self._previous[n] == _constant(v)
        return z3.Or([all_of([same[n, v] for n, v in zip(names, row, strict=True)]) for row in rows])

    def states_are(self, values: Mapping[str, Value]) -> Term:
        """Return whether the states have had these values before this scan."""
        return self.states_are_one_of(list(values), [list(values.values())])

    def read(self, model: Term) -> Found:
        """Return the scan that the solver has found."""
        return Found(
            self.read_before(model),
            {n: _value(model.eval(t, True)) for n, t in self._inputs.items()},
            int(_value(model.eval(self._elapsed, True))),
        )

    def read_before(self, model: Term) -> dict[str, Value]:
        """Return the states before the scan that the solver has found."""
        return {n: _value(model.eval(t, True)) for n, t in self._previous.items()}

    def value(self, model: Term, expression: Expr) -> Value:
        """Return what an expression is in the scan that the solver has found."""
        return _value(model.eval(self.term(expression), True))

    def read_after(self, model: Term) -> dict[str, Value]:
        """Return the states after the scan that the solver has found."""
        return {n: _value(model.eval(self.following(n), True)) for n in self.program.states}


UNBOUNDED = 1 << 40  # a state declared up to it has no range that anything may rest on
MOST_STEPS = 100_000_000  # about 20 s here; the hardest question of the example takes 0.6 million


class Solver:
    """A thin face of the solver: assert, ask, and say unknown when it has worked long enough.

    Work is counted in the solver's own steps, not in time: a busy machine gets the same answers.
    """

    def __init__(self, most_steps: int = MOST_STEPS) -> None:
        self._solver = z3.Solver()
        self._switches: dict[int, Term] = {}
        self._numbers: dict[str, int] = {}
        self._solver.set("rlimit", most_steps)
        self._solver.set("random_seed", 1)
        # the older of the solver's two arithmetics is twice as fast on these small differences and bounds (tried)
        self._solver.set("smt.arith.solver", 2)

    def add(self, *terms: Term) -> None:
        """Assert terms for good."""
        self._solver.add(*terms)

    def ask(self, assumptions: Sequence[Term] = ()) -> Term | bool | None:
        """Return a model when everything can be true at once, False when it can't, None when unknown."""
        answer = self._solver.check(*assumptions)
        if answer == z3.sat:
            return self._solver.model()
        return False if answer == z3.unsat else None

    def take_up(self, number: int, term: Term) -> None:
        """Assert a term that may be switched on in ``holds_by``."""
        self._switches[number] = z3.Bool(f"on {number}")
        self._numbers[f"on {number}"] = number
        self._solver.add(z3.Implies(self._switches[number], term))

    def holds_by(self, doubt: Term, numbers: Iterable[int]) -> list[int] | Term | None:
        """Return the numbers of the terms taken up without which doubt could be true, or a model where it is.

        numbers: of the terms that are switched on. None: unknown.
        """
        name = z3.FreshBool("doubt")
        self._solver.add(z3.Implies(name, doubt))
        answer = self.ask([name, *(self._switches[n] for n in numbers)])
        if answer is not False:
            return answer
        core = (str(c) for c in self._solver.unsat_core())
        return [self._numbers[c] for c in core if c in self._numbers]

    def ask_with(self, term: Term, assumptions: Sequence[Term] = ()) -> Term | bool | None:
        """Ask with one term more, and take it back."""
        self._solver.push()
        self._solver.add(term)
        answer = self.ask(assumptions)
        self._solver.pop()
        return answer


def differ(a: Term, b: Term) -> Term:
    """Return whether two terms of one kind have different values."""
    return a != b


def some(terms: Iterable[Term]) -> Term:
    """Return whether at least one is true."""
    return z3.Or(list(terms))


def negation(term: Term) -> Term:
    """Return not term."""
    return z3.Not(term)


def all_of(terms: Sequence[Term]) -> Term:
    """Return whether all terms are true."""
    return _made(z3.Z3_mk_and, Type.BOOL, terms, counted=True)


def _made(make: Callable[..., Any], kind: Type, terms: Sequence[Term], *, counted: bool = False) -> Term:
    """Return a term made by the C interface, for the Python one looks at the sort of each operand first.

    counted: it takes any number of operands.
    """
    context = z3.main_ctx()
    asts = [t.as_ast() for t in terms]
    made = make(context.ref(), len(asts), (z3.Ast * len(asts))(*asts)) if counted else make(context.ref(), *asts)
    return (z3.BoolRef if kind is Type.BOOL else z3.ArithRef)(made, context)


def _variable(name: str, kind: Type) -> Term:
    return z3.Bool(name) if kind is Type.BOOL else z3.Int(name)


def _constant(value: Value) -> Term:
    return z3.BoolVal(value) if isinstance(value, bool) else z3.IntVal(value)


def _value(term: Term) -> Value:
    if z3.is_bool(term):
        return bool(z3.is_true(term))
    return int(term.as_long())


def _encode(
    root: Expr,
    cache: dict[Expr, Term],
    previous: Mapping[str, Term],
    inputs: Mapping[str, Term],
    elapsed: Term,
) -> Term:
    if root in cache:
        return cache[root]
    for node in ordered([root]):
        if node not in cache:
            cache[node] = _one(node, [cache[a] for a in node.args], previous, inputs, elapsed)
    return cache[root]


def _one(
    node: Expr, args: list[Term], previous: Mapping[str, Term], inputs: Mapping[str, Term], elapsed: Term
) -> Term:
    match node.op:
        case Op.CONSTANT:
            return _constant(node.value)  # type: ignore[arg-type]  # CONSTANT carries a number
        case Op.INPUT:
            return inputs[str(node.value)]
        case Op.PREVIOUS:
            return previous[str(node.value)]
        case Op.ELAPSED:
            return elapsed
        case Op.NOT:
            return _made(z3.Z3_mk_not, Type.BOOL, args)
        case Op.AND:
            return all_of(args)
        case Op.OR:
            return _made(z3.Z3_mk_or, Type.BOOL, args, counted=True)
        case Op.CHOOSE:
            return _made(z3.Z3_mk_ite, node.type, args)
        case Op.EQUAL:
            return _made(z3.Z3_mk_eq, Type.BOOL, args)
        case Op.LESS:
            return _made(z3.Z3_mk_lt, Type.BOOL, args)
        case Op.AT_MOST:
            return args[0] <= args[1]
        case Op.ADD:
            return _made(z3.Z3_mk_add, Type.INT, args, counted=True)
        case Op.SUBTRACT:
            return args[0] - args[1]
        case Op.TIMES:
            return args[0] * node.value
        case Op.QUOTIENT:
            return args[0] / node.value  # whole numbers over a positive constant: the solver rounds down too
        case Op.MINIMUM:
            return z3.If(args[0] < args[1], args[0], args[1])
