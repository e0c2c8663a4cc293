"""The station's runner against the reference runner, on random programs and random scans."""

import random

import pytest

from sidetap.scheme import (
    Builder,
    Expr,
    GeneratedRunner,
    InputOutOfRange,
    Program,
    Runner,
    all_of,
    any_of,
    choose,
    constant,
    count_of,
    elapsed,
    minimum,
    times,
)


def random_program(rng: random.Random) -> Program:
    b = Builder()
    bools = [b.input_bool(f"b{i}") for i in range(3)] + [b.state_bool(f"p{i}", rng.random() < 0.5) for i in range(3)]
    ints = [b.input_int(f"i{i}", -50, 50) for i in range(2)]
    ints += [b.state_int(f"n{i}", rng.randint(-9, 9), -(10**9), 10**9) for i in range(2)]
    ints += [elapsed(), constant(rng.randint(-60, 60))]
    for _ in range(40):
        x, y, c = rng.choice(ints), rng.choice(ints), rng.choice(bools)
        made: Expr = rng.choice(
            [
                x + y,
                x - y,
                x - rng.randint(-5, 5),
                minimum(x, y),
                times(rng.randint(-3, 3), x),
                choose(c, x, y),
                count_of([c, rng.choice(bools)]),
            ]
        )
        ints.append(minimum(made, 10**6))
        bools.append(
            rng.choice([x < y, x <= y, x.equals(y), all_of(c, rng.choice(bools)), any_of(c, rng.choice(bools)), ~c])
        )
    for i in range(3):
        b.assign(f"p{i}", rng.choice(bools))
        b.output(f"ob{i}", rng.choice(bools))
    for i in range(2):
        b.assign(f"n{i}", choose(rng.choice(bools), minimum(rng.choice(ints), 1000), 0))
        b.output(f"on{i}", rng.choice(ints))
    return b.program()


@pytest.mark.parametrize("seed", range(60))
def test_both_runners_agree(seed: int) -> None:
    rng = random.Random(seed)
    program = random_program(rng)
    reference, generated = Runner(program), GeneratedRunner(program)
    states = reference.first_states()
    for _ in range(30):
        inputs: dict[str, int | bool] = {f"b{i}": rng.random() < 0.5 for i in range(3)}
        inputs |= {f"i{i}": rng.randint(-50, 50) for i in range(2)}
        elapsed_ms = rng.choice([1, 100, 5000])
        expected = reference.step(states, inputs, elapsed_ms)
        assert generated.step(states, inputs, elapsed_ms) == expected
        states = expected[0]


def test_an_input_the_scheme_was_not_checked_for_is_refused() -> None:
    b = Builder()
    b.output("x", b.input_int("level", 0, 10) + 1)
    b.output("y", b.input_bool("key"))
    for runner in (Runner(b.program()), GeneratedRunner(b.program())):
        for inputs in ({"level": 11, "key": True}, {"level": True, "key": True}, {"level": 1, "key": 1}):
            with pytest.raises(InputOutOfRange):
                runner.step({}, inputs, 100)
        with pytest.raises(InputOutOfRange, match="ms since"):
            runner.step({}, {"level": 1, "key": True}, 0)
