"""Modbus frames among characters: what counts, and what is chance."""

import numpy as np
import pytest
from edge_line import ascii_line, rtu

from sidetap.line.edges.checks import Checks, checks

REQUEST = bytes.fromhex("1103006B00037687")  # Application Protocol V1.1b3, 6.3, with unit 0x11 and its CRC, [ran]
RESPONSE = bytes.fromhex("110306022B00000064C8BA")


def counted(*rows: bytes, bad: tuple[int, ...] = (), data_bits: int = 8) -> Checks:
    """Rows of characters with a silence after each; bad: places of characters with a fault."""
    text = b"".join(rows)
    good = np.full(len(text), True)
    good[list(bad)] = False
    gap = np.zeros(len(text))
    gap[np.cumsum([len(row) for row in rows]) - 1] = 38.5
    gap[-1] = np.inf
    return checks(np.frombuffer(text, dtype=np.uint8).astype(np.int64), good, gap, data_bits)


def test_whole_frames() -> None:
    found = counted(REQUEST, RESPONSE, REQUEST, RESPONSE[:-1])
    assert (found.rtu, found.ascii, found.bursts) == (3, 0, 4)


@pytest.mark.parametrize("pdu", ["1183 02", "1107", "1103006B0003", "110F0013000A02CD01", "110306022B00000064"])
def test_frames_without_a_silence_between(pdu: str) -> None:
    """Lengths by Application Protocol V1.1b3, 6.1 to 6.16, and of an exception (7): 5 bytes with address and CRC."""
    frame = rtu(bytes.fromhex(pdu))
    alone = counted(frame)
    assert alone.rtu == 1
    if len(frame) > 4:  # one of 4 bytes is known by the silence around it only
        assert counted(frame + REQUEST + frame).rtu == 3


def test_a_frame_with_a_faulty_character_does_not_count() -> None:
    assert counted(REQUEST, RESPONSE, bad=(3,)).rtu == 1
    line = ascii_line(b"\x11\x03\x00\x6b\x00\x03")
    assert counted(line, line, bad=(len(line) + 4,)).ascii == 1
    assert counted(line, line, bad=(2 * len(line) - 1,)).ascii == 1


def test_rtu_needs_eight_data_bits() -> None:
    """Modbus over Serial Line V1.02, 2.5.1."""
    assert counted(REQUEST, data_bits=7).rtu == 0


def test_lines_are_whole_and_in_capitals() -> None:
    line = ascii_line(b"\x11\x03\x00\x6b\x00\x03")
    assert line == b":1103006B00037E\r\n"
    assert counted(line, line.lower(), line[:-2], line.replace(b"7E", b"7F"), line[1:], data_bits=7).ascii == 1
    assert counted(b":00\r\n", b":" + line).ascii == 1


def test_frames_that_repeat_say_it_once() -> None:
    once = counted(REQUEST)
    assert counted(*[REQUEST] * 50).nats == once.nats > 9
    assert counted(REQUEST, RESPONSE).nats == pytest.approx(2 * once.nats)


def test_accidents_say_nothing() -> None:
    """Of random rows of 8 bytes one in some ten thousand passes; then it is one in so many tries."""
    rng = np.random.default_rng(1)
    rows = [rng.integers(0, 256, 8, dtype=np.uint8).tobytes() for _ in range(20_000)]
    found = counted(*rows)
    assert found.rtu <= 6
    assert found.nats < 3.0
    assert counted(*rows[:5000], REQUEST).nats < 1.0
