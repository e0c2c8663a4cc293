"""Timers, latches and edges against the timing diagrams of IEC 61131-3 (TON TOF TP SR RS R_TRIG).

The diagrams were seen second-hand: one column a scan of 1 ms, preset 5 ms; ET is the elapsed time that the standard's
block shows. A reference model of our own words checks the timers again over random inputs and scan times.
"""

from collections.abc import Callable, Mapping
from itertools import product

import pytest
from four_runners import FourRunners
from hypothesis import given
from hypothesis import strategies as st

from sidetap.scheme import (
    Builder,
    Expr,
    Program,
    Runner,
    Value,
    falls,
    hysteresis,
    latch,
    off_delay,
    on_delay,
    pulse,
    rises,
    running_time,
    votes,
)

PRESET_MS = 5

Block = Callable[[Builder, Expr], Expr]


def program_of(block: Block) -> Program:
    b = Builder()
    b.output("q", block(b, b.input_bool("in")))
    return b.program()


def run(block: Block, values: list[bool], elapsed_ms: list[int]) -> list[Value]:
    runner = Runner(program_of(block))
    states, shown = runner.first_states(), []
    for value, ms in zip(values, elapsed_ms, strict=True):
        states, outputs = runner.step(states, {"in": value}, ms)
        shown.append(outputs["q"])
    return shown


def diagram(program: Program, columns: list[dict[str, Value]]) -> list[Value]:
    """Return what a program shows, column by column, 1 ms apart; all four runners show the same."""
    four = FourRunners(program)
    states: Mapping[str, Value] = four.reference.first_states()
    shown = []
    for inputs in columns:
        states, outputs = four.step(states, inputs, 1)
        shown.append(outputs["q"])
    return shown


def drawn(block: Block, signal: list[bool]) -> list[Value]:
    return diagram(program_of(block), [{"in": value} for value in signal])


def row(text: str) -> list[bool]:
    return [c == "1" for c in text.split()]


def numbers(text: str) -> list[int]:
    return [int(c) for c in text.split()]


def test_on_delay_is_ton() -> None:
    signal = row("0 1 1 1 1 1 1 1 0 0 1 1 1 0 0")
    assert drawn(lambda b, x: on_delay(b, "t", x, PRESET_MS), signal) == row("0 0 0 0 0 0 1 1 0 0 0 0 0 0 0")
    time = drawn(lambda b, x: running_time(b, "t", x, PRESET_MS), signal)
    assert time == numbers("0 0 1 2 3 4 5 5 0 0 0 1 2 0 0")


def test_off_delay_is_tof() -> None:
    signal = row("0 1 1 0 0 0 0 0 0 0 1 1 0 0 1 0 0 0 0 0 0 0")
    assert drawn(lambda b, x: off_delay(b, "t", x, PRESET_MS), signal) == row(
        "0 1 1 1 1 1 1 1 0 0 1 1 1 1 1 1 1 1 1 1 0 0"
    )


def test_pulse_is_tp() -> None:
    signal = row("0 1 1 0 0 0 0 0 0 0 1 1 1 1 1 1 1 1 0 0 1 0 1 0 0 0")
    assert drawn(lambda b, x: pulse(b, "t", x, PRESET_MS), signal) == row(
        "0 1 1 1 1 1 0 0 0 0 1 1 1 1 1 0 0 0 0 0 1 1 1 1 1 0"
    )


@pytest.mark.parametrize(("wins", "expected"), [("on", "0 1 1 1 0 1 1 0"), ("off", "0 1 1 0 0 0 0 0")])
def test_latches_are_sr_and_rs(wins: str, expected: str) -> None:
    pairs = [(c[0] == "1", c[1] == "1") for c in ["00", "10", "00", "11", "01", "11", "00", "01"]]
    b = Builder()
    b.output("q", latch(b, "l", b.input_bool("on"), b.input_bool("off"), wins=wins))
    assert diagram(b.program(), [{"on": on, "off": off} for on, off in pairs]) == row(expected)


def test_rises_without_a_start_memory_is_r_trig() -> None:
    assert drawn(lambda b, x: rises(b, "e", x, at_start=False), row("1 1 0 1 0 0 1")) == row("1 0 0 1 0 0 1")


def test_a_key_held_at_the_start_makes_no_press() -> None:
    """Ours, not the standard's: the memory of a key starts at 1, so that a restart makes no press."""
    assert drawn(lambda b, x: rises(b, "e", x), row("1 1 0 1 0 0 1")) == row("0 0 0 1 0 0 1")


def test_falls_is_f_trig_that_starts_low() -> None:
    assert drawn(lambda b, x: falls(b, "e", x), row("0 1 0 1 1 0 0")) == row("0 0 1 0 0 1 0")


def test_a_low_condition_comes_with_below_and_goes_with_above() -> None:
    b = Builder()
    level = b.input_int("level", 0, 100)
    b.output("q", hysteresis(b, "h", level < 10, level > 15))
    levels = (12, 9, 12, 15, 16, 12, 10, 9)
    assert diagram(b.program(), [{"level": level} for level in levels]) == row("0 1 1 1 0 0 0 1")


def test_a_high_condition_is_the_same_with_the_signs_turned() -> None:
    b = Builder()
    level = b.input_int("level", 0, 100)
    b.output("q", hysteresis(b, "h", level > 90, level <= 85))
    levels = (88, 90, 91, 88, 86, 85, 88, 91)
    assert diagram(b.program(), [{"level": level} for level in levels]) == row("0 0 1 1 1 0 0 1")


@pytest.mark.parametrize("at_least", [1, 2, 3])
def test_a_vote_counts_the_true_ones(at_least: int) -> None:
    b = Builder()
    b.output("q", votes([b.input_bool(n) for n in "abc"], at_least))
    cases = list(product((False, True), repeat=3))
    shown = diagram(b.program(), [dict(zip("abc", case, strict=True)) for case in cases])
    assert shown == [sum(case) >= at_least for case in cases]


@pytest.mark.parametrize("at_least", [0, 4])
def test_a_vote_that_says_nothing_is_refused(at_least: int) -> None:
    b = Builder()
    with pytest.raises(ValueError, match="of 3"):
        votes([b.input_bool(n) for n in "abc"], at_least)


scans = st.lists(st.tuples(st.booleans(), st.integers(1, 9)), min_size=1, max_size=40)


@given(scans)
def test_on_delay_over_any_scan_times(steps: list[tuple[bool, int]]) -> None:
    """True since a scan at t0 -> on in the first scan at or after t0 + preset."""
    now, since, expected = 0, None, []
    for value, ms in steps:
        now += ms
        since = (now if since is None else since) if value else None
        expected.append(since is not None and now - since >= PRESET_MS)
    values, times = [v for v, _ in steps], [m for _, m in steps]
    assert run(lambda b, x: on_delay(b, "t", x, PRESET_MS), values, times) == expected


@given(scans)
def test_off_delay_over_any_scan_times(steps: list[tuple[bool, int]]) -> None:
    """False since a scan at t0 after having been true -> off in the first scan at or after t0 + preset."""
    now, gone_since, was_on, expected = 0, None, False, []
    for value, ms in steps:
        now += ms
        if value:
            gone_since, was_on = None, True
        elif gone_since is None:
            gone_since = now
        expected.append(value or (was_on and gone_since is not None and now - gone_since < PRESET_MS))
    values, times = [v for v, _ in steps], [m for _, m in steps]
    assert run(lambda b, x: off_delay(b, "t", x, PRESET_MS), values, times) == expected


@given(scans)
def test_pulse_over_any_scan_times(steps: list[tuple[bool, int]]) -> None:
    """A rise while no pulse runs starts one; it ends in the first scan at or after its start + preset."""
    now, started, before, expected = 0, None, False, []
    for value, ms in steps:
        now += ms
        if started is not None and now - started >= PRESET_MS:
            started = None
        elif started is None and value and not before:
            started = now
        expected.append(started is not None)
        before = value
    values, times = [v for v, _ in steps], [m for _, m in steps]
    assert run(lambda b, x: pulse(b, "t", x, PRESET_MS), values, times) == expected
