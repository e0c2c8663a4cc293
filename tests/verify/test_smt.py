"""The solver's reading of a program against the reference runner's, on random programs and scans."""

import ast
import random
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

import sidetap
from sidetap.scheme import (
    Builder,
    Expr,
    Op,
    Program,
    Runner,
    Value,
    all_of,
    any_of,
    choose,
    count_of,
    elapsed,
    minimum,
    times,
)
from sidetap.verify import smt


def random_program(rng: random.Random) -> Program:
    b = Builder()
    bools = [b.input_bool("key"), b.input_bool("bad"), b.state_bool("on", rng.random() < 0.5)]
    ints = [b.input_int("level", -20, 20), b.state_int("ms", 3, -1000, 1000), elapsed()]
    for _ in range(25):
        x, y, c, d = rng.choice(ints), rng.choice(ints), rng.choice(bools), rng.choice(bools)
        made: list[Expr] = [
            x + y,
            x - y,
            minimum(x, y),
            times(rng.randint(-3, 3), x),
            choose(c, x, y),
            count_of([c, d]),
        ]
        ints.append(minimum(rng.choice(made), 1000))
        bools.append(rng.choice([x < y, x <= y, x.equals(y), c.equals(d), all_of(c, d), any_of(c, d), ~c]))
    b.assign("on", bools[-1])
    b.assign("ms", ints[-1])
    b.output("shown", bools[-2])
    b.output("count", ints[-2])
    return b.program()


@settings(max_examples=150, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    level=st.integers(-20, 20),
    ms=st.integers(-1000, 1000),
    flags=st.tuples(st.booleans(), st.booleans(), st.booleans()),
    elapsed_ms=st.sampled_from([1, 99, 100, 1000, 10**7]),
)
def test_the_solver_and_the_reference_runner_agree(
    seed: int, level: int, ms: int, flags: tuple[bool, bool, bool], elapsed_ms: int
) -> None:
    program = random_program(random.Random(seed))
    states: dict[str, Value] = {"on": flags[0], "ms": ms}
    inputs: dict[str, Value] = {"key": flags[1], "bad": flags[2], "level": level}
    following, outputs = Runner(program).step(states, inputs, elapsed_ms)

    scan, solver = smt.Scan(program), smt.Solver()
    given_inputs = [Expr(Op.INPUT, program.inputs[n].type, (), n).equals(v) for n, v in inputs.items()]
    solver.add(*scan.bounds(elapsed_ms), scan.states_are(states), *(scan.term(e) for e in given_inputs))
    for expression, value in [(program.states[n].next, v) for n, v in following.items()] + [
        (program.outputs[n], v) for n, v in outputs.items()
    ]:
        same = expression.equals(value)
        # it can't be anything else, and it can be this
        assert solver.ask_with(smt.negation(scan.term(same))) is False
        assert solver.ask_with(scan.term(same)) is not False
    model = solver.ask()
    assert model is not False
    found = scan.read(model)
    assert (found.states, found.inputs, found.elapsed_ms) == (states, inputs, elapsed_ms)


def test_free_inputs_stay_in_their_ranges_and_time_passes() -> None:
    b = Builder()
    level = b.input_int("level", 3, 7)
    b.output("level", level)
    program = b.program()
    scan, solver = smt.Scan(program), smt.Solver()
    solver.add(*scan.bounds())
    for wrong in (level < 3, level > 7, elapsed() < 1):
        assert solver.ask_with(scan.term(wrong)) is False
    for right in (level.equals(3), level.equals(7), elapsed().equals(1), elapsed() > 10**9):
        assert solver.ask_with(scan.term(right)) is not False


def test_a_state_is_read_as_the_next_scan_reads_it() -> None:
    b = Builder()
    count = b.state_int("count", 0, 0, 10)
    b.assign("count", minimum(count + 1, 10))
    program = b.program()
    scan, solver = smt.Scan(program), smt.Solver()
    solver.add(*scan.bounds(), scan.states_are({"count": 4}))
    assert solver.ask_with(smt.negation(scan.after(count.equals(5), {}))) is False


def test_one_module_alone_talks_to_the_solver() -> None:
    root = Path(sidetap.__file__).parent
    users = {
        str(path.relative_to(root))
        for path in root.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text()))
        if (isinstance(node, ast.Import) and any(a.name.split(".")[0] == "z3" for a in node.names))
        or (isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "z3")
    }
    assert users == {"verify/smt.py"}
