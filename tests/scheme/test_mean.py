"""The mean over one-second buckets, against a plain second model of it."""

import random

from hypothesis import given
from hypothesis import strategies as st

from sidetap.scheme import Builder, Program, Runner, second_mean

BUCKETS = 5


def mean_program() -> Program:
    b = Builder()
    level, new, gap = b.input_int("level", 0, 1000), b.input_bool("new"), b.input_bool("gap")
    full, total = second_mean(b, "mean", level, new, gap, BUCKETS, 0, 1000)
    b.output("full", full)
    b.output("total", total)
    return b.program()


class Model:
    """The same words, told again: a list of completed seconds, newest first."""

    def __init__(self) -> None:
        self.into_second_ms = 0
        self.in_this_second: list[int] = []
        self.done: list[int] = []

    def scan(self, level: int, new: bool, gap: bool, elapsed_ms: int) -> tuple[bool, int]:
        if gap or elapsed_ms > 1000:
            self.into_second_ms, self.in_this_second, self.done = 0, [], []
        else:
            self.into_second_ms += elapsed_ms
            if self.into_second_ms >= 1000:
                self.into_second_ms -= 1000
                value = self.in_this_second[-1] if self.in_this_second else (self.done[0] if self.done else None)
                if value is not None:
                    self.done = [value, *self.done][:BUCKETS]
                self.in_this_second = []
        if new:
            self.in_this_second.append(level)
        return len(self.done) == BUCKETS, sum(self.done)


scans = st.lists(
    st.tuples(
        st.integers(0, 1000),
        st.booleans(),
        st.integers(0, 30).map(lambda n: n == 0),
        st.one_of(st.integers(1, 400), st.integers(900, 1100)),
    ),
    max_size=120,
)


@given(scans)
def test_the_mean_is_the_model(steps: list[tuple[int, bool, bool, int]]) -> None:
    runner, model = Runner(mean_program()), Model()
    states = runner.first_states()
    for level, new, gap, elapsed_ms in steps:
        inputs = {"level": level, "new": new, "gap": gap}
        states, out = runner.step(states, inputs, elapsed_ms)
        full, total = model.scan(level, new, gap, elapsed_ms)
        assert out["full"] == full
        if full:
            assert out["total"] == total


def test_states_stay_in_their_ranges() -> None:
    program, rng = mean_program(), random.Random(7)
    runner = Runner(program)
    states = runner.first_states()
    for _ in range(5000):
        inputs = {"level": rng.randint(0, 1000), "new": rng.random() < 0.2, "gap": rng.random() < 0.01}
        states, _ = runner.step(states, inputs, rng.choice([1, 99, 100, 1000, 1001, 60_000]))
        for name, state in program.states.items():
            assert state.low <= states[name] <= state.high
