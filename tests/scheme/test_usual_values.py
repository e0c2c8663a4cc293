"""Values usual in the trade, each alone at its edge, through all four runners (common practice, no source)."""

from four_runners import FourRunners, Values

from sidetap.scheme import FALSE, TRUE, Builder, Value, latch, on_delay, running_time, second_mean


def closes_after(limit_ms: int) -> None:
    """A valve closes in the scan in which its time is used up, not 1 ms before."""
    b = Builder()
    asked = b.input_bool("asked")
    open_ms = running_time(b, "open", asked, limit_ms)
    b.output("command", asked & (open_ms < limit_ms))
    four = FourRunners(b.program())
    states: Values
    states, outputs = four.step(four.reference.first_states(), {"asked": True}, 100)
    assert outputs["command"] is True
    for ms, command in ((limit_ms - 1, True), (limit_ms, False), (10 * limit_ms, False)):
        assert four.step(states, {"asked": True}, ms)[1]["command"] is command
    passed = 0
    while passed < limit_ms - 100:
        states, outputs = four.step(states, {"asked": True}, 100_000 if limit_ms > 100_000 else 100, solve=False)
        passed = int(states["open.ms"])
        assert outputs["command"] is (passed < limit_ms)


def test_an_open_limit_of_half_an_hour() -> None:
    closes_after(30 * 60 * 1000)


def test_a_limit_of_seconds_for_a_demonstration() -> None:
    closes_after(5 * 1000)


def test_a_low_cut_out_at_a_fifth_of_the_height() -> None:
    """6.000 m high, mean of 15 s, delay of 2 s: at 1.200 m nothing, 0.1 mm below it a trip after 2 s of low mean."""
    limit_01mm, buckets = 60_000 // 5, 15
    b = Builder()
    level, reset = b.input_int("level", 0, 60_000), b.input_bool("reset")
    full, total = second_mean(b, "mean", level, TRUE, FALSE, buckets, 0, 60_000)
    low = full & (total < buckets * limit_01mm)
    above = full & (total >= buckets * (limit_01mm + 1_000))
    b.output("tripped", latch(b, "trip", on_delay(b, "delay", low, 2_000), reset & above))
    four = FourRunners(b.program())
    states: Values = four.reference.first_states()

    def seconds(count: int, level_01mm: int, reset: bool = False) -> list[Value]:
        nonlocal states
        shown = []
        for _ in range(count):
            states, outputs = four.step(states, {"level": level_01mm, "reset": reset}, 1000, solve=False)
            shown.append(outputs["tripped"])
        return shown

    assert not any(seconds(40, limit_01mm))
    # the first lower bucket ends a second after the level came in, and its mean is below at once
    assert seconds(4, limit_01mm - 1) == [False, False, False, True]
    assert all(seconds(20, limit_01mm + 999, reset=True))
    assert seconds(18, limit_01mm + 1_000, reset=True)[-3:] == [False] * 3
