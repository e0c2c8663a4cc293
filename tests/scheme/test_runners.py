"""All four runners against each other, on random programs with every operation and block, and random scans."""

import random
import subprocess
import sys
from collections.abc import Callable, Mapping

import numpy as np
import pytest
from four_runners import FourRunners, Values, filled, lanes_agree

from sidetap.scheme import (
    FALSE,
    TRUE,
    Builder,
    Expr,
    GeneratedRunner,
    InputOutOfRange,
    ListRunner,
    Op,
    Program,
    Runner,
    Value,
    all_of,
    any_of,
    choose,
    constant,
    count_of,
    elapsed,
    falls,
    first_order,
    hysteresis,
    latch,
    minimum,
    off_delay,
    on_delay,
    ordered,
    pulse,
    quotient,
    rises,
    running_time,
    second_mean,
    times,
    votes,
)
from sidetap.scheme.arrays import ArrayRunner, StateOutOfRange
from sidetap.scheme.lane_writing import WIDTH
from sidetap.scheme.lanes import LaneRunner

MOST = 10**6
LONG = 5 * 10**9  # needs more than 32 bits


def clamped(x: Expr, most: int = MOST) -> Expr:
    return constant(0) - minimum(constant(0) - minimum(x, most), most)


def random_program(rng: random.Random) -> Program:
    b = Builder()
    bools = [b.input_bool(f"b{i}") for i in range(3)] + [b.state_bool(f"p{i}", rng.random() < 0.5) for i in range(3)]
    ints = [b.input_int(f"i{i}", -50, 50) for i in range(2)]
    n, m = (b.state_int(f"n{i}", rng.randint(-9, 9), -1000, 1000) for i in range(2))
    ints += [n, m]
    long = b.state_int("long", rng.randint(0, LONG), 0, LONG)
    ints += [elapsed(), constant(rng.randint(-60, 60)), minimum(long, MOST)]
    window = [b.state_int(f"w{i}", i, -50, 50) for i in range(4)]
    for k in range(24):
        x, y, c, d = rng.choice(ints), rng.choice(ints), rng.choice(bools), rng.choice(bools)
        ints.append(clamped(some_int(rng, b, f"x{k}", x, y, c, d)))
        bools.append(some_bool(rng, b, f"y{k}", x, y, c, d))
    for i in range(3):
        b.assign(f"p{i}", rng.choice(bools))
        b.output(f"ob{i}", rng.choice(bools))
    for i in range(2):
        b.assign(f"n{i}", choose(rng.choice(bools), clamped(rng.choice(ints), 1000), 0))
        b.output(f"on{i}", rng.choice(ints))
    b.assign("long", minimum(choose(rng.choice(bools), long, 0) + times(3, elapsed()), LONG))
    b.state_int("taken", 0, -1000, 1000)
    b.assign("taken", choose(rng.choice(bools), 7, n))  # stays, but as another one was
    moves = rng.choice(bools)
    total = constant(0)
    for i, place in enumerate(window):
        total = total + b.assign(f"w{i}", choose(moves, window[i - 1] if i else clamped(rng.choice(ints), 50), place))
    b.output("sum", total)
    b.output("scattered", window[0] + window[1] + window[3] + n + m)
    b.output("repeated", window[0] + window[0] + window[1] + window[2] + window[3])
    b.output("negative", constant(-7))
    b.output("input", ints[0])
    return b.program()


def some_int(rng: random.Random, b: Builder, name: str, x: Expr, y: Expr, c: Expr, d: Expr) -> Expr:
    makers: list[Callable[[], Expr]] = [
        lambda: x + y,
        lambda: x + y + x + 0,
        lambda: x - y,
        lambda: x - rng.randint(-5, 5),
        lambda: minimum(x, y),
        lambda: times(rng.randint(-3, 3), x),
        lambda: quotient(x, rng.randint(1, 9)),
        lambda: choose(c, x, y),
        lambda: choose(c, 0, y),
        lambda: choose(c, x, 0),
        lambda: choose(c, x, 1) + choose(c, y, 2) + choose(c, x, y),
        lambda: count_of([c, d]),
        lambda: running_time(b, name, c, 300),
        lambda: choose(*second_mean(b, name, clamped(x, 50), c, d, 3, -50, 50), -1),
        lambda: choose(*first_order(b, name, clamped(x, 50), c, d, 2, -50, 50), -1),
    ]
    return rng.choice(makers)()


def some_bool(rng: random.Random, b: Builder, name: str, x: Expr, y: Expr, c: Expr, d: Expr) -> Expr:
    preset_ms = rng.choice([1, 100, 2000])
    makers: list[Callable[[], Expr]] = [
        lambda: x < y,
        lambda: x <= y,
        lambda: x.equals(y),
        lambda: c.equals(d),
        lambda: choose(c, d, x < y),
        lambda: all_of(c, d, x < y),
        lambda: any_of(c, ~d, x < y),
        lambda: all_of(~c, d),
        lambda: any_of(~c, ~d),
        lambda: all_of(~c, ~d),
        lambda: ~c,
        lambda: votes([c, d, x < y], rng.randint(1, 3)),
        lambda: rises(b, name, c),
        lambda: falls(b, name, c),
        lambda: latch(b, name, c, d, rng.choice(["on", "off"])),
        lambda: hysteresis(b, name, x < y, x > y + 5),
        lambda: on_delay(b, name, c, preset_ms),
        lambda: off_delay(b, name, c, preset_ms),
        lambda: pulse(b, name, c, preset_ms),
    ]
    return rng.choice(makers)()


def random_inputs(rng: random.Random) -> dict[str, Value]:
    inputs: dict[str, Value] = {f"b{i}": rng.random() < 0.5 for i in range(3)}
    return inputs | {f"i{i}": rng.randint(-50, 50) for i in range(2)}


SEEDS = range(12)
ELAPSED_MS = [1, 99, 100, 999, 1000, 1001, 10**9]


@pytest.mark.parametrize("seed", SEEDS)
def test_all_runners_agree(seed: int) -> None:
    rng = random.Random(seed)
    program = random_program(rng)
    four = FourRunners(program)
    states: Mapping[str, Value] = four.reference.first_states()
    for scan in range(10):
        states, _ = four.step(states, random_inputs(rng), rng.choice(ELAPSED_MS), solve=scan == 9)
    lanes = WIDTH
    rows = [[random_inputs(rng) for _ in range(lanes)] for _ in range(10)]
    lanes_agree(program, rows, [[rng.choice(ELAPSED_MS) for _ in range(lanes)] for _ in rows])


def test_the_random_programs_have_every_operation() -> None:
    programs = [random_program(random.Random(seed)) for seed in SEEDS]
    roots = [e for p in programs for e in (*(s.next for s in p.states.values()), *p.outputs.values())]
    assert {node.op for node in ordered(roots)} == set(Op)


def test_numbers_of_32_and_of_64_bits_meet() -> None:
    b = Builder()
    x, long = b.input_int("x", -50, 50), b.state_int("long", LONG, -LONG, LONG)
    small = b.state_int("small", 0, -50, 50)
    b.assign("long", choose(x < 0, minimum(x, long), LONG))
    b.assign("small", choose(x < 0, long - long, small) + x)  # more than 32 bits, as far as its range tells
    b.output("sum", long + x)
    b.output("less", x < long)
    b.output("same", long.equals(x))
    b.output("least", minimum(long, x))
    b.output("share", quotient(long, 10**6))
    rows: list[list[Values]] = [[{"x": n} for n in numbers] for numbers in ((-8, 0) * 8, (-7, 7) * 8, (5, -5) * 8)]
    lanes_agree(b.program(), rows, [[1] * WIDTH for _ in rows])


def test_depth_of_a_program_is_no_limit() -> None:
    b = Builder()
    x, c = b.input_int("x", 0, 9), b.input_bool("c")
    y, z = x, c
    for i in range(150):
        y = quotient(choose(c, minimum(y + 1, x + i), times(2, y) - i), 2)
        z = ~all_of(z, y < i)
    b.output("y", y)
    b.output("z", z)
    FourRunners(b.program()).step({}, {"x": 5, "c": True}, 1, solve=False)


def test_constants_may_be_all_there_is() -> None:
    b = Builder()
    b.state_bool("first", True)
    b.assign("first", False)
    b.output("yes", TRUE)
    b.output("no", all_of(FALSE, b.input_bool("key")))
    b.output("one", constant(1))
    b.output("five", constant(2) + 3)
    four = FourRunners(b.program())
    _, outputs = four.step(four.reference.first_states(), {"key": True}, 1)
    assert outputs == {"yes": True, "no": False, "one": 1, "five": 5}


def test_states_may_all_stay_as_they_are() -> None:
    b = Builder()
    for i in range(5):
        b.assign(f"n{i}", b.state_int(f"n{i}", i, 0, 9))
    four = FourRunners(b.program())
    before = four.reference.first_states()
    assert four.step(before, {}, 1) == (before, {})


def test_states_may_change_places_and_follow_each_other_in_one_scan() -> None:
    b = Builder()
    moves, x = b.input_bool("moves"), b.input_int("x", 0, 9)
    turned = [b.state_int(f"turned{i}", i, 0, 9) for i in range(5)]
    for i in range(5):
        b.assign(f"turned{i}", turned[4 - i])
    following = x
    for i in range(4):
        following = b.assign(f"chain{i}", choose(moves, following, b.state_int(f"chain{i}", i, 0, 9)))
    four = FourRunners(b.program())
    states: Mapping[str, Value] = four.reference.first_states()
    for moved, value in ((False, 7), (True, 8), (False, 9)):
        states, _ = four.step(states, {"moves": moved, "x": value}, 1)
    assert [states[f"turned{i}"] for i in range(5)] == [4, 3, 2, 1, 0]
    assert [states[f"chain{i}"] for i in range(4)] == [8, 8, 8, 8]


def test_states_may_come_from_another_runner() -> None:
    runners: list[GeneratedRunner] = []
    for names in (("n", "m"), ("m", "n")):
        b = Builder()
        for name in names:
            b.assign(name, b.state_int(name, len(runners), 0, 99) + (1 if name == "n" else 10))
        runners.append(GeneratedRunner(b.program()))
    states, _ = runners[0].step(runners[1].first_states(), {}, 1)
    assert runners[1].step(states, {}, 1)[0] == {"n": 3, "m": 21}


def test_a_node_is_shown_without_all_that_it_stands_on() -> None:
    x = Builder().input_int("x", 0, 9)
    for _ in range(100):
        x = x + x
    assert len(repr(x)) < 100


def test_an_input_the_scheme_was_not_checked_for_is_refused() -> None:
    b = Builder()
    b.output("x", b.input_int("level", 0, 10) + 1)
    b.output("y", b.input_bool("key"))
    program = b.program()
    wrong: list[dict[str, Value]] = [
        {"level": 11, "key": True},
        {"level": -1, "key": True},
        {"level": True, "key": True},
        {"level": 1, "key": 1},
    ]
    for runner in (Runner(program), GeneratedRunner(program)):
        for inputs in wrong:
            with pytest.raises(InputOutOfRange):
                runner.step({}, inputs, 100)
        with pytest.raises(InputOutOfRange, match="ms since"):
            runner.step({}, {"level": 1, "key": True}, 0)
    arrays, lists = ArrayRunner(program), ListRunner(program, ["x"])
    for inputs in wrong:
        with pytest.raises(InputOutOfRange):
            lists.step([], list(inputs.values()), 100)
        with pytest.raises(InputOutOfRange):
            lists.others([], list(inputs.values()), 100)
        with pytest.raises(InputOutOfRange):
            arrays.step({}, {n: np.array([v]) for n, v in inputs.items()}, np.array([100]))
    for elapsed_ms in (0, 10**9 + 1):
        with pytest.raises(InputOutOfRange, match="elapsed_ms"):
            arrays.step({}, {"level": np.array([1]), "key": np.array([True])}, np.array([elapsed_ms]))


def test_lanes_refuse_a_state_that_leaves_its_range() -> None:
    """Their widths stand on the declared ranges: a count that runs away must not go round."""
    b = Builder()
    count = b.state_int("count", 0, 0, 10)
    b.assign("count", count + 1)
    runner = ArrayRunner(b.program())
    states = runner.first_states(2)
    for _ in range(10):
        states, _ = runner.step(states, {}, np.array([1, 1]))
    with pytest.raises(StateOutOfRange, match="count"):
        runner.step(states, {}, np.array([1, 1]))
    compiled, times = LaneRunner(b.program()), np.full(WIDTH, 1)
    rows = compiled.first_states(WIDTH)
    for _ in range(10):
        rows, _ = compiled.step(rows, compiled.inputs(WIDTH), times)
    assert rows["count"].tolist() == [10] * WIDTH
    with pytest.raises(StateOutOfRange, match="count"):
        compiled.step(rows, compiled.inputs(WIDTH), times)


def test_compiled_lanes_refuse_what_is_not_theirs() -> None:
    b = Builder()
    b.output("x", b.input_int("level", 0, 10) + 1)
    b.input_int("unused", 0, 5)
    runner = LaneRunner(b.program())
    lanes = 2 * WIDTH
    good = np.full(lanes, 3)
    states, inputs = runner.first_states(lanes), filled(runner.inputs(lanes), {"level": good, "unused": good})
    times = np.full(lanes, 100)
    assert runner.step(states, inputs, times)[1]["x"].tolist() == [4] * lanes
    for name, value in (("level", 11), ("level", -1), ("unused", 6)):
        for lane in (0, -1):
            inputs[name][lane] = value
            with pytest.raises(InputOutOfRange, match=name):
                runner.step(states, inputs, times)
            inputs[name][lane] = 3
    for elapsed_ms in (0, 10**9 + 1, 2**32 + 100):
        with pytest.raises(InputOutOfRange, match="elapsed_ms"):
            runner.step(states, inputs, np.full(lanes, elapsed_ms))
    with pytest.raises(ValueError, match="16 of times"):
        runner.step(states, inputs, np.full(WIDTH, 100))
    with pytest.raises(ValueError, match="another runner"):
        runner.step(inputs, inputs, times)
    with pytest.raises(ValueError, match="no multiple"):
        runner.inputs(WIDTH + 1)


def test_a_number_of_more_than_64_bits_is_refused_before_it_goes_round() -> None:
    b = Builder()
    x = b.input_int("x", 0, 10)
    b.output("x", times(10**19, x))
    for runner in (ArrayRunner, LaneRunner):
        with pytest.raises(OverflowError):
            runner(b.program())


def test_the_station_gets_no_numpy_with_a_scheme() -> None:
    code = "import sys, sidetap.scheme; print(*sorted({'numpy', 'numba', 'llvmlite', 'z3'} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "\n"
