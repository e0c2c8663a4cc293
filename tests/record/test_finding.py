"""Finding a line's settings by listening: every framing, wrong settings, both kinds of receiver, all adapters.

Source of what to expect: MODBUS over Serial Line V1.02, 2.5.1 (characters), and a UART that samples the middle of
each bit, modelled on the bits by the yard. What a receiver of the wrong parity makes of a line follows from that.
"""

import random
from typing import get_args

import pytest
from simulated import AfterLowStop, Line, Marks, SimulatedTap, World, framed

from sidetap.line import Chunk, Settings
from sidetap.quantity import NS_PER_MS, NS_PER_S
from sidetap.station.recorder import Evidence, Found, Plan, judge, try_settings

BAUDS = (9600, 19200)  # a wrong speed and the line's own: what a longer list adds is time
TRY_NS = NS_PER_S


def trials(
    line: str,
    marks: Marks,
    after_low_stop: AfterLowStop = "wait",
    flips_per_bit: float = 0.0,
    ascii_mode: bool = False,
    bauds: tuple[int, ...] = BAUDS,
) -> tuple[list[Evidence], SimulatedTap]:
    world = World(step_ms=64)
    dice = random.Random(7)

    def flips(bits: int) -> frozenset[int]:
        return frozenset(bit for bit in range(bits) if dice.random() < flips_per_bit)

    tapped = Line(world, line, flips=flips, ascii_mode=ascii_mode)
    tap = SimulatedTap(tapped, "9600 8E1", marks=marks, after_low_stop=after_low_stop)
    tried = try_settings(tap, Plan(bauds), world, TRY_NS, lambda *_: None)
    tap.close()
    assert tap.bytes_written_to_line == 0
    assert [each.settings for each in tried] == tap.retuned
    return tried, tap


def named(found: Found) -> set[str]:
    return {str(each) for each in (found.settings, *found.rivals)}


@pytest.mark.parametrize("after_low_stop", get_args(AfterLowStop))
@pytest.mark.parametrize("marks", ["byte", "packet"])
@pytest.mark.parametrize(
    ("line", "answer"), [("8E1", "8E1"), ("8O1", "8O1"), ("8N1", "8N1"), ("8N2", "8N1")], ids=lambda text: text
)
def test_marks_tell_the_framing(line: str, answer: str, marks: Marks, after_low_stop: AfterLowStop) -> None:
    """8N1 answers for 8N2: a receiver looks at the first stop bit only."""
    tried, _ = trials(f"19200 {line}", marks, after_low_stop)
    found = judge(tried)
    assert named(found) == {f"19200 {answer}"}
    assert found.marks
    assert found.clean


@pytest.mark.parametrize("after_low_stop", get_args(AfterLowStop))
@pytest.mark.parametrize("line", ["8E1", "8O1", "8N1", "8N2"])
def test_without_marks_the_speed_is_found_and_parity_is_left_open(line: str, after_low_stop: AfterLowStop) -> None:
    tried, _ = trials(f"19200 {line}", "none", after_low_stop)
    found = judge(tried)
    assert not found.marks
    assert f"19200 {line.replace('N2', 'N1')}" in named(found)
    assert all(name.startswith("19200 8") for name in named(found))
    if line in ("8E1", "8O1"):  # every check code passes with the other parity
        assert {"19200 8E1", "19200 8O1"} <= named(found)
        # a receiver that takes the low stop bit for the next start bit reads no frames as 8N1
        assert ("19200 8N1" in named(found)) == (after_low_stop == "wait")


@pytest.mark.parametrize("after_low_stop", get_args(AfterLowStop))
@pytest.mark.parametrize("line", ["7E1", "7O1", "7N2", "8E1", "8N1"])
def test_ascii_lines(line: str, after_low_stop: AfterLowStop) -> None:
    """Seven data bits go with ASCII framing (MODBUS over Serial Line V1.02, 2.5.2); eight occur too."""
    found = judge(trials(f"19200 {line}", "byte", after_low_stop, ascii_mode=True, bauds=(19200,))[0])
    assert named(found) == {f"19200 {line}"}
    open_found = judge(trials(f"19200 {line}", "none", after_low_stop, ascii_mode=True, bauds=(19200,))[0])
    assert f"19200 {line}" in named(open_found)
    assert len(named(open_found)) > 1


@pytest.mark.parametrize("line", ["8E1", "8O1", "8N2"])
def test_marks_of_framing_errors_alone_leave_the_two_parities_open(line: str) -> None:
    found = judge(trials(f"19200 {line}", "framing")[0])
    assert found.marks
    assert f"19200 {line.replace('N2', 'N1')}" in named(found)
    assert {"19200 8E1", "19200 8O1"} <= named(found)
    assert ("19200 8N1" in named(found)) == (line == "8N2")


@pytest.mark.parametrize("line", ["8E1", "8O1", "8N1"])
def test_a_noisy_line_is_found_too(line: str) -> None:
    """One bit in 500 turned over: one byte in 45 is marked, and a third of the exchanges are damaged."""
    found = judge(trials(f"19200 {line}", "byte", flips_per_bit=2e-3)[0])
    assert named(found) == {f"19200 {line}"}


@pytest.mark.parametrize("baud", [1200, 4800, 38400, 115200])
def test_every_speed(baud: int) -> None:
    world = World(step_ms=64)
    tap = SimulatedTap(Line(world, f"{baud} 8E1", period_ms=250), "9600 8E1")
    found = judge(try_settings(tap, Plan((9600, baud)), world, 2 * NS_PER_S, lambda *_: None))
    assert named(found) == {f"{baud} 8E1"}


def test_the_plan_tries_everything_where_nothing_convinces_and_one_speed_where_something_does() -> None:
    plan = Plan()
    tried: list[Evidence] = []
    order: list[str] = []
    while (settings := plan.next(tried)) is not None:
        order.append(str(settings))
        tried.append(evidence(str(settings), 0, 0, frames=0))
    assert len(order) == len(set(order)) == 8 * 6
    assert order[:3] == ["9600 8E1", "9600 8N1", "19200 8E1"]
    assert order[16:18] == ["9600 7E1", "19200 7E1"]
    tried[2] = evidence("19200 8E1", 1000, 0)
    rest: list[Evidence] = []
    while (settings := plan.next(tried[:3] + rest)) is not None:
        rest.append(evidence(str(settings), 0, 0, frames=0))
    assert [each.settings.framing for each in rest] == ["8N1", "7E1", "8O1", "7O1", "7N2"]
    assert {each.settings.baud for each in rest} == {19200}


def test_it_stops_early_and_tries_no_more_than_it_must() -> None:
    """At 9600 the first setting gives frames at once; then only that speed's framings are tried."""
    world = World()
    tap = SimulatedTap(Line(world, "9600 8E1"), "9600 8E1")
    tried = try_settings(tap, Plan(), world, 30 * NS_PER_S, lambda *_: None)
    assert [str(each.settings) for each in tried][:2] == ["9600 8E1", "9600 8N1"]
    assert {each.settings.baud for each in tried} == {9600}
    assert len(tried) == 6
    assert world.agenda.now_ns < 15 * NS_PER_S  # six times 30 s if none had ended early


def test_a_silent_line_ends_after_the_time_of_each_setting() -> None:
    world = World()
    tap = SimulatedTap(Line(world, period_ms=10**9), "9600 8E1")
    tried = try_settings(tap, Plan(BAUDS), world, NS_PER_S, lambda *_: None)
    assert len(tried) == len(BAUDS) * 6
    assert world.agenda.now_ns == len(tried) * NS_PER_S
    assert judge(tried) == Found(None, (), False, False)


def test_what_came_while_the_settings_changed_is_not_looked_at() -> None:
    world = World()
    line = Line(world, period_ms=10**9)
    tap = SimulatedTap(line, "9600 8E1")
    handed_over = [Chunk(world.now_ns() + ms * NS_PER_MS, b"x" * n) for ms, n in ((0, 1), (49, 2), (50, 4), (60, 8))]
    tap.read = lambda: handed_over.pop(0) if handed_over else None  # type: ignore[method-assign]  # a tap that hands over what it is given
    tried = try_settings(tap, Plan((9600,)), world, NS_PER_S, lambda *_: None)
    assert tried[0].bytes == 12


def test_told_to_end_it_judges_what_it_has() -> None:
    world = World()
    tap = SimulatedTap(Line(world), "9600 8E1")
    world.at(0.2, world.end)
    tried = try_settings(tap, Plan(), world, NS_PER_S, lambda *_: None)
    assert len(tried) == 1


def evidence(settings: str, explained: int, marked: int, frames: int = 100, different: int = 9) -> Evidence:
    return Evidence(Settings.parse(settings), 1000, frames, different, explained, marked, 0, 0)


@pytest.mark.parametrize(
    ("tried", "expected"),
    [
        ([evidence("9600 8E1", 1000, 0), evidence("9600 8O1", 1000, 1000)], {"9600 8E1"}),
        ([evidence("9600 8E1", 1000, 20), evidence("9600 8N1", 1000, 0)], {"9600 8E1", "9600 8N1"}),
        ([evidence("9600 8E1", 1000, 21), evidence("9600 8N1", 1000, 0)], {"9600 8N1"}),
        ([evidence("9600 8E1", 1000, 0), evidence("9600 8N1", 900, 0)], {"9600 8E1", "9600 8N1"}),
        ([evidence("9600 8E1", 1000, 0), evidence("9600 8N1", 899, 0)], {"9600 8E1"}),
        ([evidence("9600 8E1", 500, 0)], {"9600 8E1"}),
        ([evidence("9600 8E1", 499, 0)], {"None"}),
        ([evidence("9600 8E1", 1000, 0, frames=4)], {"9600 8E1"}),
        ([evidence("9600 8E1", 1000, 0, frames=3)], {"None"}),
        ([evidence("9600 8E1", 1000, 0, different=2)], {"9600 8E1"}),
        ([evidence("9600 8E1", 1000, 0, different=1)], {"None"}),
        ([], {"None"}),
    ],
)
def test_limits_of_the_verdict(tried: list[Evidence], expected: set[str]) -> None:
    assert named(judge(tried)) == expected


def test_even_the_best_may_be_marked_too_often() -> None:
    assert judge([evidence("9600 8E1", 1000, 20)]).clean
    assert not judge([evidence("9600 8E1", 1000, 21)]).clean


def test_the_likeliest_of_rivals_is_the_default_of_the_standard() -> None:
    """Even parity: MODBUS over Serial Line V1.02, 2.5.1."""
    found = judge([evidence("9600 8N1", 1000, 0), evidence("9600 8O1", 1000, 0), evidence("9600 8E1", 1000, 0)])
    assert str(found.settings) == "9600 8E1"
    assert [str(each) for each in found.rivals] == ["9600 8N1", "9600 8O1"]


def test_garbage_convinces_nobody() -> None:
    dice = random.Random(3)
    chunks = [Chunk(n * 16_000_000, dice.randbytes(180)) for n in range(120)]
    assert not Evidence.of(Settings.parse("115200 8E1"), chunks).convinces


def test_garbage_that_repeats_itself_and_passes_a_check_convinces_nobody() -> None:
    """A poll cycle as a wrong setting makes it: the same each time, and by luck a piece of it has a valid check."""
    cycle = framed("11 10 0001 0020 40 " + "A5" * 64) + bytes.fromhex("8A 3C 51")
    seen = Evidence.of(Settings.parse("9600 8E1"), [Chunk(n * 10**9, cycle) for n in range(30)])
    assert seen.frames >= 20
    assert seen.explained > 0.9 * seen.bytes
    assert seen.different == 1
    assert not seen.convinces


def test_what_could_be_mended_is_no_evidence() -> None:
    request, answer = framed("11 03 006B 0003"), framed("11 03 06 022B 0000 0064")
    line = Settings.parse("9600 8E1")
    flipped = answer[:4] + bytes((answer[4] ^ 4,)) + answer[5:]
    heard = Evidence.of(line, [Chunk(0, (request + answer) * 5 + request + flipped + (request + answer) * 2)])
    assert (heard.frames, heard.explained) == (15, 8 * len(request) + 7 * len(answer))


def test_of_nothing_nothing_follows() -> None:
    assert Evidence.of(Settings.parse("9600 8E1"), []) == Evidence(Settings.parse("9600 8E1"), 0, 0, 0, 0, 0, 0, 0)
