"""The filters over one-second buckets, each against a plain second model of it."""

import random
from math import ceil, exp

import pytest

from sidetap.scheme import Builder, GeneratedRunner, Program, first_order, second_mean

BUCKETS = 5
LAG_S = 3


def mean_program() -> Program:
    b = Builder()
    level, new, gap = b.input_int("level", 0, 1000), b.input_bool("new"), b.input_bool("gap")
    full, total = second_mean(b, "mean", level, new, gap, BUCKETS, 0, 1000)
    b.output("full", full)
    b.output("total", total)
    return b.program()


def lag_program(lag_s: int = LAG_S) -> Program:
    b = Builder()
    level, new, gap = b.input_int("level", 0, 1000), b.input_bool("new"), b.input_bool("gap")
    full, total = first_order(b, "lag", level, new, gap, lag_s, 0, 1000)
    b.output("full", full)
    b.output("total", total)
    return b.program()


MEAN, LAG = GeneratedRunner(mean_program()), GeneratedRunner(lag_program())


class Model:
    """The same words, told again: a list of completed seconds without a gap, newest first."""

    def __init__(self) -> None:
        self.into_second_ms = 0
        self.in_this_second: list[int] = []
        self.done: list[int] = []

    def scan(self, level: int, new: bool, gap: bool, elapsed_ms: int) -> list[int]:
        if gap or elapsed_ms > 1000:
            self.into_second_ms, self.in_this_second, self.done = 0, [], []
        else:
            self.into_second_ms += elapsed_ms
            if self.into_second_ms >= 1000:
                self.into_second_ms -= 1000
                value = self.in_this_second[-1] if self.in_this_second else (self.done[0] if self.done else None)
                if value is not None:
                    self.done = [value, *self.done]
                self.in_this_second = []
        if new:
            self.in_this_second.append(level)
        return self.done


def scans(seed: int) -> list[tuple[int, bool, bool, int]]:
    """Return level, whether it is new, a gap, and the time: gaps few enough that windows fill, and empty again."""
    rng = random.Random(seed)
    return [
        (
            rng.randint(0, 1000),
            rng.random() < 0.5,
            rng.random() < 0.02,
            rng.choice([rng.randint(1, 400), rng.randint(900, 1000), 1000, rng.choice([1000, 1001])]),
        )
        for _ in range(120)
    ]


@pytest.mark.parametrize("seed", range(20))
def test_the_mean_is_the_model(seed: int) -> None:
    runner, model = MEAN, Model()
    states = runner.first_states()
    for level, new, gap, elapsed_ms in scans(seed):
        inputs = {"level": level, "new": new, "gap": gap}
        states, out = runner.step(states, inputs, elapsed_ms)
        done = model.scan(level, new, gap, elapsed_ms)
        assert out["full"] == (len(done) >= BUCKETS)
        if out["full"]:
            assert out["total"] == sum(done[:BUCKETS])


@pytest.mark.parametrize("seed", range(20))
def test_the_lag_is_the_model(seed: int) -> None:
    runner, model = LAG, Model()
    states = runner.first_states()
    for level, new, gap, elapsed_ms in scans(seed):
        states, out = runner.step(states, {"level": level, "new": new, "gap": gap}, elapsed_ms)
        done = model.scan(level, new, gap, elapsed_ms)
        assert out["full"] == (len(done) >= 3 * LAG_S)
        if done:
            total = LAG_S * done[-1]
            for x in done[-2::-1]:
                total += x - ceil(total / LAG_S)
            assert out["total"] == total


@pytest.mark.parametrize("lag_s", [1, 2, 7, 15])
@pytest.mark.parametrize("to", [0, 1000])
def test_a_step_goes_as_a_lag_of_first_order_and_errs_low(lag_s: int, to: int) -> None:
    """The textbook's step response of a first-order lag sampled each second: what is left is (1 - 1/n) ** seconds."""
    runner = GeneratedRunner(lag_program(lag_s))
    states, seconds = runner.first_states(), 6 * lag_s
    for second in range(seconds + 1):
        inputs = {"level": 500 if second == 0 else to, "new": True, "gap": False}
        states, out = runner.step(states, inputs, 1000)
        if second < 2:  # the level of a scan goes into the bucket that the next one ends
            continue
        ideal = to + (500 - to) * (1 - 1 / lag_s) ** (second - 1)
        assert -2 < out["total"] / lag_s - ideal <= 1e-9
        assert out["full"] == (second >= 3 * lag_s)
        if second == 3 * lag_s + 1:
            assert abs(out["total"] / lag_s - to) <= 500 * exp(-3) + 2


@pytest.mark.parametrize("runner", [MEAN, LAG])
def test_states_stay_in_their_ranges(runner: GeneratedRunner) -> None:
    rng = random.Random(7)
    states = runner.first_states()
    for _ in range(5000):
        inputs = {"level": rng.randint(0, 1000), "new": rng.random() < 0.2, "gap": rng.random() < 0.01}
        states, _ = runner.step(states, inputs, rng.choice([1, 99, 100, 1000, 1001, 60_000]))
        for name, state in runner.program.states.items():
            assert state.low <= states[name] <= state.high
