"""The rows of the contract, invariants over any cut and any noise, and how much is found on a line that is hit."""

import itertools
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from synthetic_line import Told, events, framed, make, parsed

from sidetap.line import Chunk, Noise, Outcome, Parser, Settings, Transaction

MS = 1_000_000


def hexed(text: str) -> bytes:
    return framed(bytes.fromhex(text))


READ = hexed("0B0300640003")
LEVEL = hexed("0B03060D9800010 0B7".replace(" ", ""))
OTHER_READ = hexed("0D0400080004")
OTHER = hexed("0D040841D8CCCD41933333")
DEAD_READ = hexed("1C0300000001")
WRITE = hexed("0F0600C80007")
BITS_READ = hexed("110200C40016")
BITS = hexed("110203030010")  # three bytes of bits that look like a request for 0x0300, 16 of them


def outcomes(data: bytes) -> list[str]:
    return [row.outcome.value for row in parsed([Chunk(None, data)])]


def timed(*deliveries: tuple[int, bytes]) -> list[Transaction]:
    return parsed([Chunk(t_ms * MS, data) for t_ms, data in deliveries])


def test_golden_frames_of_the_demo_line() -> None:
    """The five frames to check by hand of the invented demo yard, check bytes included."""
    level = bytes.fromhex("0B 03 06 0D 98 00 01 00 B7 6E A2")
    exception = bytes.fromhex("10 83 02 90 F4")
    rows = parsed([Chunk(None, READ + level + hexed("100300280002") + exception)])
    assert rows[0].words == (3480, 1, 183)
    assert rows[1].outcome is Outcome.EXCEPTION
    assert rows[1].exception_code == 2
    for frame in (
        "0C 03 06 A8 CA 00 00 00 01 39 DD",
        "0D 04 08 41 D8 CC CD 41 93 33 33 0A 44",
        "10 03 04 CC CD 40 4C 65 A8",
    ):
        data = bytes.fromhex(frame)
        assert framed(data[:-2]) == data


def test_times_are_those_of_the_chunks_with_the_last_bytes() -> None:
    (row,) = timed((10, READ[:3]), (20, READ[3:]), (30, LEVEL[:5]), (40, LEVEL[5:]))
    assert (row.t_ns, row.t_end_ns) == (20 * MS, 40 * MS)
    (row,) = timed((10, READ + LEVEL[:-1]), (30, LEVEL[-1:]))
    assert (row.t_ns, row.t_end_ns) == (10 * MS, 30 * MS)


def test_a_recording_without_times_has_rows_without_times() -> None:
    (row,) = parsed([Chunk(None, READ + LEVEL)])
    assert (row.t_ns, row.t_end_ns) == (None, None)


def test_a_pair_goes_out_with_its_last_byte_and_not_before() -> None:
    parser = Parser()
    for byte in READ + LEVEL[:-1]:
        parser.receive(Chunk(0, bytes((byte,))))
        assert parser.next_event() is None
    parser.receive(Chunk(0, LEVEL[-1:]))
    event = parser.next_event()
    assert isinstance(event, Transaction)
    assert event.outcome is Outcome.ANSWERED


def test_unanswered_and_its_retry() -> None:
    rows = parsed([Chunk(None, READ + LEVEL + DEAD_READ + DEAD_READ + READ + LEVEL)])
    assert [(row.device, row.outcome.value, row.retry) for row in rows] == [
        (11, "answered", False),
        (28, "unanswered", False),
        (28, "unanswered", True),
        (11, "answered", False),
    ]


def test_a_retry_after_a_damaged_answer_counts_as_one() -> None:
    rows = parsed([Chunk(None, READ + LEVEL + READ + LEVEL[:4] + b"\x55" + LEVEL[5:] + READ + LEVEL)])
    assert [(row.outcome.value, row.retry) for row in rows] == [
        ("answered", False),
        ("damaged", False),
        ("answered", True),
    ]


def test_no_retry_after_an_answer_an_exception_or_another_request() -> None:
    exception = hexed("0B8302")
    data = READ + exception + READ + LEVEL + READ + LEVEL + DEAD_READ + OTHER_READ + OTHER + DEAD_READ
    assert not any(row.retry for row in parsed([Chunk(None, data)]))


def test_damaged_takes_what_came_and_no_more() -> None:
    rows = parsed([Chunk(None, READ + LEVEL + READ + LEVEL[:-3] + OTHER_READ + OTHER)])
    assert [row.outcome.value for row in rows] == ["answered", "damaged", "answered"]
    assert rows[1].raw == READ + LEVEL[:-3]
    assert rows[1].response is None


def test_an_answer_behind_stray_bytes_is_the_answer() -> None:
    rows = parsed([Chunk(None, READ + b"\x00\xff" + LEVEL)])
    assert [(row.outcome.value, row.response) for row in rows] == [("answered", LEVEL[:-2])]
    assert rows[0].raw == READ + b"\x00\xff" + LEVEL


def test_a_late_answer_of_another_does_not_hide_the_answer() -> None:
    data = READ + LEVEL + OTHER_READ + OTHER + READ + OTHER_READ + LEVEL + OTHER
    rows = parsed([Chunk(None, data)])
    assert [(row.device, row.outcome.value) for row in rows[2:]] == [(11, "unanswered"), (13, "answered")]


@pytest.mark.parametrize("length", [*range(490, 530), *range(1000, 1030), *range(1505, 1540)])
def test_a_pair_behind_noise_of_any_length_is_found(length: int) -> None:
    assert outcomes(bytes(length) + READ + LEVEL + bytes(length) + READ + LEVEL) == ["answered", "answered"]


def test_an_answer_of_the_wrong_length_or_device_is_none() -> None:
    short = hexed("0B03020D98")
    assert outcomes(READ + LEVEL + READ + short + READ + LEVEL) == ["answered", "damaged", "answered"]
    stranger = hexed("0C03060D9800010 0B7".replace(" ", ""))
    assert "answered" not in outcomes(READ + stranger)


def test_broadcast_wants_no_answer() -> None:
    everybody = hexed("000600C80007")
    assert outcomes(READ + LEVEL + everybody + READ + LEVEL) == ["answered", "broadcast", "answered"]
    assert outcomes(READ + LEVEL + everybody + everybody) == ["answered", "broadcast", "broadcast"]


def test_a_response_without_its_request() -> None:
    rows = parsed([Chunk(7 * MS, READ + LEVEL + b"\x99\x12" + OTHER + READ + LEVEL)])
    assert [row.outcome.value for row in rows] == ["answered", "unpaired-response", "answered"]
    lost = rows[1]
    assert (lost.device, lost.function, lost.table, lost.register, lost.count) == (13, 4, None, None, None)
    assert (lost.request, lost.response, lost.t_ns) == (None, OTHER[:-2], 7 * MS)


def test_an_unpaired_exception_keeps_the_function() -> None:
    rows = parsed([Chunk(None, READ + LEVEL + b"\x42" + hexed("0B8302") + READ + LEVEL)])
    assert (rows[1].outcome.value, rows[1].function, rows[1].exception_code) == ("unpaired-response", 3, 2)


@pytest.mark.parametrize("frame", [READ, LEVEL, WRITE, hexed("0B8302"), hexed("000600C80007")], ids=lambda f: f.hex())
def test_a_lone_frame_is_no_row(frame: bytes) -> None:
    noise = random.Random(1).randbytes(200).replace(b"\x0b", b"\x20")
    for data in (frame, noise + frame, frame + noise, noise + frame + noise):
        assert outcomes(data) == []


def test_what_supports_a_lone_frame() -> None:
    noise = bytes(range(0x80, 0xC0))
    assert outcomes(noise + READ + OTHER_READ + noise) == ["unanswered", "damaged"]  # they touch
    assert outcomes(noise + READ + noise + READ + noise) == ["damaged", "damaged"]  # it comes again
    assert outcomes(READ + LEVEL + noise + READ + noise) == ["answered", "damaged"]  # that device answered that
    assert outcomes(noise + READ + noise + WRITE + noise) == []  # nothing in common
    # at the very start of the input, too
    assert outcomes(READ + noise + READ + noise) == ["damaged", "damaged"]
    assert outcomes(READ + noise[: len(LEVEL)] + OTHER_READ + OTHER) == [
        "damaged",
        "answered",
    ]  # as long as its answer
    assert outcomes(READ + noise[: len(LEVEL) - 1] + OTHER_READ + OTHER) == ["answered"]
    # and far apart: the first is gone, the second is believed
    assert outcomes(bytes(2000) + READ + bytes(2000) + READ + bytes(2000)) == ["damaged"]


def test_what_follows_a_damaged_answer_does_not_touch_a_frame() -> None:
    damaged = READ + LEVEL + READ + bytes(256)
    assert outcomes(damaged + DEAD_READ + bytes(1200)) == ["answered", "damaged"]


def test_a_write_after_a_damaged_echo_is_its_retry() -> None:
    garbled = WRITE[:3] + b"\x55" + WRITE[4:]
    rows = parsed([Chunk(None, READ + LEVEL + WRITE + garbled + WRITE + WRITE + READ + LEVEL)])
    told = [(row.outcome.value, row.retry) for row in rows[1:3]]
    assert told == [("damaged", False), ("answered", True)]
    assert outcomes(READ + LEVEL + WRITE + b"\x00\xff\x00" + WRITE + READ + LEVEL) == ["answered"] * 3


def test_a_request_at_the_end_of_the_input_is_unanswered() -> None:
    assert outcomes(READ + LEVEL + READ) == ["answered", "unanswered"]
    assert outcomes(READ + LEVEL + READ + LEVEL[:5]) == ["answered", "damaged"]


def test_an_answer_that_looks_like_a_request() -> None:
    """FC 1 and 2 answers with three bytes of bits (MODBUS Application Protocol V1.1b3, 6.1, 6.2)."""
    rows = parsed([Chunk(None, BITS_READ + BITS + READ + LEVEL)])
    assert [row.outcome.value for row in rows] == ["answered", "answered"]
    # its request lost: an answer still
    assert outcomes(BITS + READ + LEVEL) == ["unpaired-response", "answered"]
    assert outcomes(READ + LEVEL + b"\x13" + BITS + READ + LEVEL) == ["answered", "unpaired-response", "answered"]


def test_a_request_for_address_0x0300_is_one_where_it_is_known() -> None:
    request, answer = hexed("110203000010"), hexed("1102020F0F")
    data = request + answer + b"\x13" + request + READ + LEVEL
    assert outcomes(data) == ["answered", "unanswered", "answered"]


def test_a_read_of_bits_that_looks_like_its_own_answer() -> None:
    """FC 2 for 17 bits at 0x03xx: request and three-byte answer have one form, and the retry is no answer."""
    request = hexed("060203CC0011")
    assert outcomes(READ + LEVEL + request + request + READ + LEVEL) == [
        "answered",
        "unanswered",
        "unanswered",
        "answered",
    ]
    scan = [(0, READ + LEVEL), (100, DEAD_READ), (208, DEAD_READ), (316, READ + LEVEL)]
    next_one = hexed("060203DD0008")
    late = timed(*scan, (1000, request), (1108, next_one), (1216, READ + LEVEL))
    assert [row.outcome.value for row in late[-3:]] == ["unanswered", "unanswered", "answered"]
    prompt = timed(*scan, (1000, request), (1032, next_one), (1216, READ + LEVEL))
    assert [row.outcome.value for row in prompt[-2:]] == ["answered", "answered"]


def test_echoes_pair_by_order() -> None:
    assert outcomes(READ + LEVEL + WRITE + WRITE + READ + LEVEL) == ["answered"] * 3
    assert outcomes(READ + LEVEL + 6 * WRITE + READ + LEVEL) == ["answered"] * 5


def test_an_odd_run_of_echoes_without_times_starts_with_the_lost_one() -> None:
    rows = parsed([Chunk(None, READ + LEVEL + 3 * WRITE + READ + LEVEL)])
    assert [(row.outcome.value, row.retry) for row in rows[1:3]] == [("unanswered", False), ("answered", True)]


def test_of_three_echoes_times_pair_the_close_ones() -> None:
    late_last = timed((0, READ + LEVEL), (100, WRITE), (116, WRITE), (1100, WRITE), (1116, READ + LEVEL))
    assert [row.outcome.value for row in late_last] == ["answered", "answered", "unanswered", "answered"]
    late_first = timed((0, READ + LEVEL), (100, WRITE), (208, WRITE), (224, WRITE), (240, READ + LEVEL))
    assert [(row.outcome.value, row.retry) for row in late_first[1:3]] == [("unanswered", False), ("answered", True)]


def test_an_echo_after_the_known_timeout_is_a_retry() -> None:
    scan = [(0, READ + LEVEL), (100, DEAD_READ), (208, DEAD_READ), (316, READ + LEVEL)]
    rows = timed(*scan, (1000, WRITE), (1108, WRITE), (1216, READ + LEVEL))
    assert [(row.outcome.value, row.retry) for row in rows[-3:-1]] == [("unanswered", False), ("unanswered", True)]
    rows = timed(*scan, (1000, WRITE), (1048, WRITE), (1216, READ + LEVEL))
    assert rows[-2].outcome is Outcome.ANSWERED


def test_a_retry_that_was_delivered_glued_tells_no_timeout() -> None:
    rows = timed(
        (0, READ + LEVEL + DEAD_READ + DEAD_READ), (316, READ + LEVEL), (1000, WRITE + WRITE), (1100, READ + LEVEL)
    )
    assert [row.outcome.value for row in rows[-2:]] == ["answered", "answered"]


def test_a_device_that_never_answers_reads_does_not_echo() -> None:
    dead_write = hexed("1C0600010005")
    data = READ + LEVEL + 4 * DEAD_READ + 2 * dead_write + READ + LEVEL
    assert outcomes(data) == ["answered"] + ["unanswered"] * 6 + ["answered"]
    assert outcomes(READ + LEVEL + 3 * DEAD_READ + 2 * dead_write)[-1] == "answered"


def test_a_damaged_retry_is_no_damaged_answer() -> None:
    scan = [(0, READ + LEVEL), (100, DEAD_READ), (208, DEAD_READ), (316, READ + LEVEL)]
    rows = timed(*scan, (1000, DEAD_READ), (1108, b"\x1c\x03\x40" + DEAD_READ[3:]), (1216, READ + LEVEL))
    assert [row.outcome.value for row in rows[-2:]] == ["unanswered", "answered"]
    rows = timed(*scan, (1000, READ), (1016, LEVEL[:5] + b"\x77" + LEVEL[6:]), (1216, READ + LEVEL))
    assert [row.outcome.value for row in rows[-2:]] == ["damaged", "answered"]


def test_silence_settles_what_is_pending() -> None:
    parser = Parser()
    parser.receive(Chunk(0, READ + LEVEL + READ))
    assert parser.next_event() is not None
    parser.idle(2_000 * MS)
    assert parser.next_event() is None
    parser.idle(2_001 * MS)
    event = parser.next_event()
    assert isinstance(event, Transaction)
    assert event.outcome is Outcome.UNANSWERED


def test_a_slow_answer_is_one_up_to_the_quiet_limit() -> None:
    assert [row.outcome.value for row in timed((0, READ), (2000, LEVEL))] == ["answered"]
    rows = timed((0, READ + LEVEL), (100, READ), (2101, LEVEL), (2200, READ + LEVEL))
    assert [row.outcome.value for row in rows] == ["answered", "unanswered", "unpaired-response", "answered"]


def test_frames_of_zeros_and_ones_are_not_extended() -> None:
    """A frame stays valid when 00 00 is appended to check bytes of 00 00; only structure tells where it ends."""
    zeros = hexed("0B0306000000000000")
    assert outcomes(READ + zeros + bytes(20) + READ + zeros) == ["answered", "answered"]
    assert outcomes(bytes(3000)) == []
    assert outcomes(b"\xff\xff\x00\x00" * 500) == []


def test_a_request_out_of_limits_is_a_row_when_it_is_answered() -> None:
    too_many = hexed("0B0300000080")
    assert outcomes(READ + LEVEL + too_many + hexed("0B8303")) == ["answered", "exception"]


def test_written_and_read_words() -> None:
    write = hexed("0B100001000204000A0102")
    (row,) = parsed([Chunk(None, write + hexed("0B1000010002"))])
    assert (row.written, row.words, row.bits) == ((1, (10, 0x102)), None, None)
    (row,) = parsed([Chunk(None, READ + hexed("0B8302"))])
    assert (row.words, row.bits, row.written, row.exception_code) == (None, None, None, 2)


def test_backlog_marks_all_of_a_burst_that_was_delivered_in_pieces() -> None:
    """An adapter that held 20 s of bytes: every transaction of them is marked, what comes later on time is not."""
    exchange = READ + LEVEL
    parser = Parser(Settings.parse("19200 8E1"))
    parser.receive(Chunk(0, exchange))
    first = parser.next_event()
    held = exchange * 84  # a second of line at a fifth of its capacity, 20 s long
    for at in range(0, len(held), 64):
        parser.receive(Chunk(20_000 * MS, held[at : at + 64]))
    late = []
    while (event := parser.next_event()) is not None:
        late.append(event)
    for t_ms in range(21_000, 24_000, 250):
        parser.receive(Chunk(t_ms * MS, exchange))
    fresh = []
    while (event := parser.next_event()) is not None:
        fresh.append(event)
    assert isinstance(first, Transaction)
    assert not first.backlog
    assert len(late) == 84
    assert all(isinstance(event, Transaction) and event.backlog for event in late)
    assert len(fresh) == 12
    assert all(isinstance(event, Transaction) and not event.backlog for event in fresh)


def test_an_unanswered_request_at_the_start_of_a_burst_is_backlog() -> None:
    chunks = [Chunk(0, READ + LEVEL), Chunk(10_000 * MS, DEAD_READ), Chunk(10_000 * MS, (READ + LEVEL) * 10)]
    rows = parsed(chunks, Settings.parse("19200 8E1"))
    assert [(row.outcome.value, row.backlog) for row in rows[:3]] == [
        ("answered", False),
        ("unanswered", True),
        ("answered", True),
    ]


def test_a_backlog_is_marked_once_and_for_all_that_follows_until_it_ends() -> None:
    parser = Parser(Settings.parse("19200 8E1"))
    parser.receive(Chunk(0, READ + LEVEL))
    parser.receive(Chunk(10_000 * MS, READ + LEVEL))  # the first of a burst, by itself not too fast
    for _ in range(6):
        parser.receive(Chunk(10_001 * MS, READ + LEVEL))
    parser.receive(Chunk(10_020 * MS, READ[:4]))
    parser.receive(Chunk(10_500 * MS, READ[4:] + LEVEL))
    marks = []
    while (event := parser.next_event()) is not None:
        assert isinstance(event, Transaction)
        marks.append(event.backlog)
    assert marks == [False, *7 * [True], True]  # the last began while the backlog lasted


CUT_LINE = make(60, seed=11)
CUT_LINE.flip_bits(1e-3, seed=3)
CUT_LINE.insert_glitches(0.1, seed=4)


def joined(found: list[Transaction | Noise]) -> bytes:
    return b"".join(event.raw for event in found)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(1, len(CUT_LINE.data) - 1), max_size=40), st.integers(0, 1500))
def test_events_do_not_depend_on_the_cut(cuts: list[int], first: int) -> None:
    data = bytes(CUT_LINE.data[first:])
    edges = [0, *sorted({cut for cut in cuts if cut < len(data)}), len(data)]
    pieces = [Chunk(None, data[a:b]) for a, b in itertools.pairwise(edges)]
    assert events(pieces) == events([Chunk(None, data)])


def test_single_bytes_give_the_same_events_times_included() -> None:
    chunks = CUT_LINE.chunks()
    single = [Chunk(chunk.t_ns, bytes((byte,))) for chunk in chunks for byte in chunk.data]
    assert events(single) == events(chunks)


def test_a_frame_within_a_frame_is_none_however_the_input_is_cut() -> None:
    """A known request inside the payload of a stranger's answer, which touches the frame behind it."""
    stranger = hexed("09030C" + READ.hex() + "00000000")
    data = READ + LEVEL + b"\x13" + stranger + READ + LEVEL
    whole = events([Chunk(None, data)])
    assert events([Chunk(None, bytes((byte,))) for byte in data]) == whole
    assert [event.raw for event in whole] == [
        READ + LEVEL,
        b"\x13",
        stranger,
        READ + LEVEL,
    ]


@pytest.mark.parametrize("copies", range(2, 8))
def test_runs_of_one_write_do_not_depend_on_the_cut(copies: int) -> None:
    data = READ + LEVEL + copies * WRITE + READ + LEVEL
    assert events([Chunk(None, bytes((byte,))) for byte in data]) == events([Chunk(None, data)])


SNIPPETS = [READ, LEVEL, OTHER_READ, OTHER, WRITE, BITS_READ, BITS, DEAD_READ, hexed("0B8302"), hexed("000600C80007")]


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.one_of(st.sampled_from(SNIPPETS), st.binary(max_size=12)), max_size=25),
    st.lists(st.integers(0, 400), max_size=12),
)
def test_no_byte_is_lost_and_no_cut_matters(pieces: list[bytes], cuts: list[int]) -> None:
    data = b"".join(pieces)
    whole = events([Chunk(None, data)])
    assert joined(whole) == data
    edges = [0, *sorted({cut for cut in cuts if 0 < cut < len(data)}), len(data)]
    assert events([Chunk(None, data[a:b]) for a, b in itertools.pairwise(edges)]) == whole


@pytest.mark.parametrize(
    "pattern", [b"\x01", b"\x00\x01\x03", b"\x04\x03\xfa", b"\x10", b"\x17\x17\x01\x00", b"\xff"]
)
def test_patterns_without_end_are_answered_in_bounded_memory(pattern: bytes) -> None:
    data = (pattern * 8_000)[:8_000]
    parser = Parser()
    held = 0
    seen = bytearray()
    for at in range(0, len(data), 100):
        parser.receive(Chunk(None, data[at : at + 100]))
        while (event := parser.next_event()) is not None:
            seen += event.raw
        held = max(held, at + 100 - len(seen))
    assert held <= 1200
    parser.close()
    while (event := parser.next_event()) is not None:
        seen += event.raw
    assert bytes(seen) == data


def starts_of(found: list[Transaction | Noise]) -> dict[int, Transaction]:
    rows = {}
    at = 0
    for event in found:
        if isinstance(event, Transaction):
            rows[at] = event
        at += len(event.raw)
    return rows


def found_whole(told: Told, rows: dict[int, Transaction]) -> bool:
    row = rows.get(told.request_span[0])
    return row is not None and row.request == told.request and row.response == told.answer


@pytest.mark.parametrize("timed_chunks", [True, False], ids=["timed", "bytes-alone"])
@pytest.mark.parametrize("bit_error_rate", [0.0, 1e-4, 1e-3, 3e-3])
def test_recall_and_precision_on_a_line_that_is_hit(bit_error_rate: float, timed_chunks: bool) -> None:
    line = make(4000, seed=21)
    line.flip_bits(bit_error_rate, seed=22)
    found = events(line.chunks() if timed_chunks else [Chunk(None, bytes(line.data))])
    assert joined(found) == bytes(line.data)
    rows = starts_of(found)
    answered = [told for told in line.told if told.intact and told.answer is not None]
    assert all(found_whole(told, rows) for told in answered)
    truth = {told.request_span[0]: told for told in line.told}
    claimed = [at for at, row in rows.items() if row.outcome in (Outcome.ANSWERED, Outcome.EXCEPTION)]
    wrong = [at for at in claimed if at not in truth or not found_whole(truth[at], rows)]
    # bytes alone can't tell the retry of a write from its echo until the device is known to be dead
    assert len(wrong) <= (0.001 if timed_chunks else 0.015) * len(claimed)
    silent = [told for told in line.told if told.intact and told.answer is None]
    seen = [told for told in silent if (row := rows.get(told.request_span[0])) and row.response is None]
    if timed_chunks:
        assert len(seen) >= 0.995 * len(silent)


def test_glitches_between_frames_cost_nothing() -> None:
    line = make(3000, seed=31)
    line.insert_glitches(0.2, seed=32)
    rows = parsed([Chunk(None, bytes(line.data))])
    truly = sum(told.answer is not None for told in line.told)
    found = sum(row.outcome in (Outcome.ANSWERED, Outcome.EXCEPTION) for row in rows)
    assert found >= 0.998 * truly


def test_pure_noise_makes_no_rows() -> None:
    noise = random.Random(41).randbytes(300_000)
    assert parsed([Chunk(None, noise)]) == []
