"""Single frames: what is one, what is none, and when more bytes are needed. Lengths: MODBUS V1.1b3, 6.1-6.17."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from synthetic_line import framed

from sidetap.line.crc import crc16
from sidetap.line.frames import NONE, WAIT, answer_end, request_end, response_end
from sidetap.line.stretch import Stretch


def stretch(data: bytes) -> Stretch:
    line = Stretch()
    line.add(data)
    return line


def hexed(text: str) -> bytes:
    return framed(bytes.fromhex(text))


READS = ["010100130013", "020200C40016", "0B0300640003", "F70400080001", "00060001000A"]


@pytest.mark.parametrize("text", [*READS, "0B0F0000000A02CD01", "0B100001000204000A0102", "0B1600040002 0025"])
def test_a_request_ends_where_it_ends_and_not_a_byte_before(text: str) -> None:
    frame = hexed(text)
    for length in range(len(frame)):
        assert request_end(stretch(frame), 0, length) == WAIT
    assert request_end(stretch(frame + b"\x00"), 0, len(frame) + 1) == len(frame)
    for at in range(len(frame)):
        broken = frame[:at] + bytes((frame[at] ^ 1,)) + frame[at + 1 :]
        assert request_end(stretch(broken), 0, len(frame)) != len(frame)


@pytest.mark.parametrize(
    "frame",
    [
        hexed("F80300640003"),  # 248 is reserved: MODBUS over Serial Line V1.02, 2.2
        hexed("0B0700000000"),  # a function that is not ours
        hexed("0B10000000FF" + "FA" + "00" * 250),  # 259 bytes: an ADU has at most 256
    ],
)
def test_what_is_no_request(frame: bytes) -> None:
    assert request_end(stretch(frame), 0, len(frame)) == NONE


@pytest.mark.parametrize(
    "frame",
    [
        hexed("0B0100"),  # no bits
        hexed("0B0300"),  # no registers
        hexed("0B0303000102"),  # one and a half
        hexed("0003020001"),  # nobody answers as 0
        hexed("F803020001"),
        hexed("0B03FC" + "00" * 252),  # 257 bytes
    ],
)
def test_what_is_no_response(frame: bytes) -> None:
    assert response_end(stretch(frame), 0, len(frame)) == NONE


@pytest.mark.parametrize(
    "frame", [hexed("0B03020001"), hexed("0B010155"), hexed("0B03FA" + "00" * 250), hexed("0B8302")]
)
def test_what_is_a_response(frame: bytes) -> None:
    assert response_end(stretch(frame), 0, len(frame)) == len(frame)
    assert response_end(stretch(frame), 0, len(frame) - 1) == WAIT


@pytest.mark.parametrize(
    ("request_text", "answer_text", "answers"),
    [
        ("0B0300640001", "0B03020D98", True),
        ("0B0300640001", "0B8302", True),
        ("0B0300640001", "0B8402", False),
        ("0B0300640001", "0C03020D98", False),
        ("0B0300640001", "0B04020D98", False),
        ("0B0300640001", "0B03040D980001", False),
        ("0B06006400FF", "0B06006400FF", True),
        ("0B06006400FF", "0B06006400FE", False),
        ("0B100001000204000A0102", "0B1000010002", True),
        ("0B100001000204000A0102", "0B1000010001", False),
        ("000600640001", "000600640001", False),
    ],
)
def test_what_answers_what(request_text: str, answer_text: str, answers: bool) -> None:
    request, answer = hexed(request_text), hexed(answer_text)
    line = stretch(request + answer)
    end = answer_end(line, 0, len(request), len(request) + len(answer))
    assert end == (len(request) + len(answer) if answers else NONE)


@given(st.binary(min_size=1, max_size=600), st.data())
def test_any_span_is_checked_as_one_pass_over_it_would(data: bytes, choose: st.DataObject) -> None:
    start = choose.draw(st.integers(0, len(data)))
    end = choose.draw(st.integers(start, min(len(data), start + 511)))
    sealed = data[:end] + crc16(data[start:end]).to_bytes(2, "little") + data[end:]
    line = stretch(sealed)
    if end + 2 - start <= 511:
        assert line.checks(start, end + 2)
    assert line.checks(start, end) == (crc16(sealed[start:end]) == 0)


@given(st.binary(max_size=80), st.integers(0, 80), st.integers(0, 80))
def test_heads_are_found_once_and_stay_in_place(data: bytes, first: int, gone: int) -> None:
    def plain(line: bytes) -> list[int]:
        functions = {1, 2, 3, 4, 5, 6, 15, 16, 22, 23}
        return [at for at in range(len(line) - 1) if line[at] <= 247 and line[at + 1] & 0x7F in functions]

    first, gone = min(first, len(data)), min(gone, len(data))
    line = stretch(data[:first])
    assert line.heads(0, first) == plain(data[:first])
    line.add(data[first:])
    assert line.heads(0, len(data)) == plain(data)
    line.forget(gone)
    assert line.heads(0, len(data) - gone) == plain(data[gone:])
