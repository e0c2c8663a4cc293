"""Normal forms: each says what the original says, bit for bit, and equal things have become one object."""

import random
from itertools import product

import pytest
from test_runners import ELAPSED_MS, random_inputs, random_program

from sidetap.scheme import (
    FALSE,
    TRUE,
    Builder,
    Expr,
    Op,
    Program,
    Runner,
    Type,
    Value,
    all_of,
    any_of,
    choose,
    constant,
    minimum,
    ordered,
    quotient,
    times,
)
from sidetap.verify.graph import Graph

BUILDER = Builder()
A, B, C = (BUILDER.input_bool(n) for n in "abc")
X, Y, Z = (BUILDER.input_int(n, -2, 2) for n in "xyz")
BUILDER.state_bool("p")
BUILDER.assign("p", A)
P = Expr(Op.PREVIOUS, Type.BOOL, (), "p")

# what is written in two ways, and must be one object; one pair and more for each rewriting
SAME = [
    (X <= Y, ~(Y < X)),
    (X > Y, Y < X),
    (X - Y, X + times(-1, Y)),
    (X - 3, X + -3),
    ((X + 1) + 2, X + 3),
    ((X + Y) + Z, X + (Y + Z)),
    (X + Y, Y + X),
    (constant(2) + 3, constant(5)),
    ((X + 2) + -2, X + 0),
    (times(2, times(-3, X)), times(-6, X)),
    (times(1, X), X),
    (times(0, X), constant(0)),
    (times(3, constant(-4)), constant(-12)),
    (quotient(constant(-7), 2), constant(-4)),
    (minimum(X, Y), minimum(Y, X)),
    (minimum(X, X), X),
    (minimum(constant(3), constant(-1)), constant(-1)),
    (minimum(constant(-1), constant(3)), constant(-1)),
    (X.equals(Y), Y.equals(X)),
    (X.equals(X + 0), TRUE),
    (constant(1).equals(constant(2)), FALSE),
    (X < X + 0, FALSE),
    (constant(1) < constant(2), TRUE),
    (constant(2) < constant(2), FALSE),
    (constant(1) < X, ~(X < 2)),
    (X <= 1, X < 2),
    (X >= 1, ~(X < 1)),
    (all_of(A, all_of(B, C)), all_of(C, B, A)),
    (any_of(A, any_of(B, C)), any_of(C, B, A)),
    (Expr(Op.AND, Type.BOOL, (A, A)), A),
    (Expr(Op.AND, Type.BOOL, (A, TRUE, B)), all_of(A, B)),
    (Expr(Op.OR, Type.BOOL, (A, FALSE, B)), any_of(A, B)),
    (Expr(Op.AND, Type.BOOL, (A, FALSE)), FALSE),
    (Expr(Op.OR, Type.BOOL, (A, TRUE)), TRUE),
    (Expr(Op.AND, Type.BOOL, (TRUE, TRUE)), TRUE),
    (all_of(A, B, ~A), FALSE),
    (any_of(A, B, ~A), TRUE),
    (all_of(A, B, ~all_of(A, B)), FALSE),
    (any_of(A, B, ~any_of(A, B)), TRUE),
    (Expr(Op.NOT, Type.BOOL, (Expr(Op.NOT, Type.BOOL, (A,)),)), A),
    (Expr(Op.NOT, Type.BOOL, (TRUE,)), FALSE),
    (choose(A, TRUE, B), any_of(A, B)),
    (choose(A, A, B), any_of(A, B)),
    (choose(A, FALSE, B), all_of(~A, B)),
    (choose(A, ~A, B), all_of(~A, B)),
    (choose(A, B, FALSE), all_of(A, B)),
    (choose(A, B, A), all_of(A, B)),
    (choose(A, B, TRUE), any_of(~A, B)),
    (choose(A, B, ~A), any_of(~A, B)),
    (choose(~A, X, Y), choose(A, Y, X)),
    (choose(A, choose(A, X, Y), Z), choose(A, X, Z)),
    (choose(A, X, choose(A, Y, Z)), choose(A, X, Z)),
    (choose(A, X + 0, X), X),
    (Expr(Op.CHOOSE, Type.INT, (TRUE, X, Y)), X),
    (Expr(Op.CHOOSE, Type.INT, (FALSE, X, Y)), Y),
    (choose(A, choose(A, B, C), choose(A, C, B)), B),
    (any_of(A, all_of(A, B)), A),
    (all_of(A, any_of(A, B)), A),
    (any_of(A, all_of(B, ~A)), any_of(A, B)),
    (all_of(A, any_of(B, ~A)), all_of(A, B)),
    (any_of(~A, all_of(B, A)), any_of(~A, B)),
    (any_of(A, B, all_of(C, ~any_of(A, B))), any_of(A, B, C)),
    (all_of(A, B, any_of(C, ~all_of(A, B))), all_of(A, B, C)),
]
# what looks alike and must stay apart
APART = [
    (X < Y, Y < X),
    (X <= 1, X <= 2),
    (minimum(X, 1), minimum(X, 2)),
    (times(2, X), times(3, X)),
    (quotient(X, 2), quotient(X, 3)),
    (X + X, X),
    (choose(A, X, Y), choose(A, Y, X)),
    (choose(A, B, C), choose(A, C, B)),
    (all_of(A, B), any_of(A, B)),
    (all_of(A, ~all_of(A, B)), FALSE),
    (any_of(A, ~any_of(A, B)), TRUE),
    (any_of(A, all_of(B, C, ~A)), any_of(A, B)),
    (any_of(A, all_of(C, ~any_of(A, B))), any_of(A, C)),
    (all_of(A, any_of(C, ~all_of(A, B))), all_of(A, C)),
    (constant(1), TRUE),
    (constant(0), FALSE),
    (P, A),
]


def _all_values() -> list[dict[str, Value]]:
    rows = product((False, True), (False, True), (False, True), (-2, 0, 1, 2), (-2, 1), (0, 2))
    return [dict(zip("abcxyz", row, strict=True)) for row in rows]


def _outputs_of(expressions: dict[str, Expr]) -> list[dict[str, Value]]:
    program = BUILDER.program()
    runner = Runner(Program(program.inputs, program.states, expressions))
    return [dict(runner.step({"p": False}, inputs, 1)[1]) for inputs in _all_values()]


def test_what_is_the_same_becomes_one_object_that_says_the_same() -> None:
    graph = Graph()
    known = graph.take([e for pair in SAME for e in pair])
    assert [i for i, (a, b) in enumerate(SAME) if known[a] is not known[b]] == []
    originals = {f"{i} {j}": e for i, pair in enumerate(SAME) for j, e in enumerate(pair)}
    assert _outputs_of(originals) == _outputs_of({n: known[e] for n, e in originals.items()})


def test_what_is_not_the_same_stays_apart() -> None:
    graph = Graph()
    known = graph.take([e for pair in APART for e in pair])
    assert [i for i, (a, b) in enumerate(APART) if known[a] is known[b]] == []


@pytest.mark.parametrize("seed", range(12))
def test_a_program_and_its_normal_form_do_the_same(seed: int) -> None:
    rng = random.Random(seed)
    program = random_program(rng)
    normal = Graph().program(program)
    assert (normal.inputs, list(normal.states), list(normal.outputs)) == (
        program.inputs,
        list(program.states),
        list(program.outputs),
    )
    original, rewritten = Runner(program), Runner(normal)
    states = dict(original.first_states())
    for _ in range(25):
        inputs, elapsed_ms = random_inputs(rng), rng.choice(ELAPSED_MS)
        said = original.step(states, inputs, elapsed_ms)
        assert _typed(said) == _typed(rewritten.step(states, inputs, elapsed_ms))
        # from anywhere, not only from where a run comes to
        states = {
            n: rng.choice([said[0][n], rng.random() < 0.5 if s.type is Type.BOOL else rng.randint(s.low, s.high)])
            for n, s in program.states.items()
        }


def _typed(said: tuple[object, ...]) -> str:
    return repr([dict(values) for values in said])  # type: ignore[call-overload]


def test_a_normal_form_has_no_at_most_no_difference_and_no_node_twice() -> None:
    graph = Graph()
    program = graph.program(random_program(random.Random(1)))
    nodes = ordered([s.next for s in program.states.values()] + list(program.outputs.values()))
    assert {n.op for n in nodes} & {Op.AT_MOST, Op.SUBTRACT} == set()
    assert len({(n.op, n.type, n.args, n.value) for n in nodes}) == len(nodes)
    again = graph.take(nodes)
    assert all(again[n] is n for n in nodes)


def test_nodes_are_read_as_others_where_that_is_asked() -> None:
    """Both at once: what stands for a node isn't read as another again."""
    graph = Graph()
    before, after = choose(A, B, C), choose(B, A, C)
    known = graph.take([before, after])
    read = graph.take([known[before]], {known[A]: known[B], known[B]: known[A]})
    assert read[known[before]] is known[after]
