"""Freshness: what an honest adapter delivers is fresh, what was held back is not, on both sides of the allowance."""

import pytest

from sidetap.line import Chunk, Pace, Settings
from sidetap.line.pace import ALLOWANCE_NS, DEEPEST_NS

MS = 1_000_000
LINE = Settings.parse("19200 8E1")
# 11 bits at 19200 baud: 572.92 us (MODBUS over Serial Line V1.02, 2.5.1.1 gives 11 bits a character)
CHARACTER_NS = 572_917


def test_settings_tell_the_character_time() -> None:
    assert LINE.character_ns == CHARACTER_NS
    # 1200 and 9600 baud, 11 bits: 9166.67 and 1145.83 us (same place)
    assert Settings.parse("1200 8N2").character_ns == 9_166_667
    assert Settings.parse("9600 8e1").character_ns == 1_145_833
    assert Settings.parse("9600 8N1").character_bits == 10
    assert Settings.parse("9600 7E1").character_bits == 10


@pytest.mark.parametrize(
    "text", ["", "19200", "19200 9E1", "19200 8X1", "8E1 19200", "19200 8E3", "0 8E1", "49 8N1", "1e4 8N1"]
)
def test_what_is_no_setting(text: str) -> None:
    with pytest.raises(ValueError, match="write speed and format like 19200 8E1"):
        Settings.parse(text)


def test_settings_are_printed_as_they_are_read() -> None:
    for text in ("19200 8E1", "9600 8N2", "4800 7O1 inverted"):
        assert str(Settings.parse(text)) == text


@pytest.mark.parametrize("latency_ms", [1, 16, 32])
def test_a_saturated_line_is_fresh_for_ever(latency_ms: int) -> None:
    pace = Pace(LINE)
    sent = 0
    for turn in range(1, 2000):
        due = turn * latency_ms * MS // CHARACTER_NS
        assert not pace.judge(Chunk(turn * latency_ms * MS, bytes(due - sent)))
        sent = due


def test_the_allowance_on_both_sides() -> None:
    most = ALLOWANCE_NS // CHARACTER_NS
    assert not Pace(LINE).judge(Chunk(0, bytes(most)))
    assert Pace(LINE).judge(Chunk(0, bytes(most + 1)))


def test_a_burst_in_many_reads_is_recognised_and_dated_to_its_start() -> None:
    pace = Pace(LINE)
    assert not pace.judge(Chunk(0, bytes(50)))
    judged = [pace.judge(Chunk(20_000 * MS + read, bytes(64))) for read in range(60)]
    assert not judged[0]  # alone it could have come just now; began_ns takes it back
    assert all(judged[1:])
    assert pace.began_ns == 20_000 * MS


def test_a_backlog_ends_when_the_line_had_time_to_carry_it() -> None:
    pace = Pace(LINE)
    assert pace.judge(Chunk(0, bytes(4096)))  # 2.3 s of line; the bucket holds no more than half a second
    assert pace.judge(Chunk(DEEPEST_NS - 1, b"x"))
    assert pace.judge(Chunk(DEEPEST_NS, b"x"))
    assert not pace.judge(Chunk(DEEPEST_NS + 2 * CHARACTER_NS, b"x"))


def test_a_clock_that_runs_backwards_frees_nothing() -> None:
    pace = Pace(LINE)
    assert pace.judge(Chunk(1000 * MS, bytes(600)))
    assert pace.judge(Chunk(0, b"x"))
    assert not pace.judge(Chunk(1000 * MS, b"x"))


def test_without_times_nothing_is_judged() -> None:
    assert not Pace(LINE).judge(Chunk(None, bytes(100_000)))


def test_a_frame_delivered_at_its_end_is_no_backlog() -> None:
    """Serial servers hand over a frame when it has ended: 256 characters last 147 ms, and are none too many then."""
    pace = Pace(LINE)
    assert not any(pace.judge(Chunk(n * 200 * MS, bytes(256))) for n in range(1, 50))
    assert pace.judge(Chunk(50 * 200 * MS, bytes(600)))  # no frame is so long
    late = Pace(LINE)
    assert not late.judge(Chunk(0, bytes(8)))
    assert late.judge(Chunk(20 * MS, bytes(256)))  # faster than the line


def test_long_answers_delivered_at_their_ends_are_no_backlog_with_requests_between() -> None:
    """A request 8 characters long, its answer of 253, 20 ms of thinking before each: one chunk a frame."""
    pace, t_ns = Pace(LINE), 0
    for size in [8, 253] * 30:
        t_ns += 20 * MS + size * LINE.character_ns
        assert not pace.judge(Chunk(t_ns, bytes(size)))
