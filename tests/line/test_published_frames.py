"""Whole frames as published, and the check code against others' numbers.

Frames: the examples of MODBUS Application Protocol Specification V1.1b3 (2012), pages as noted, with unit 0x11 and
the check bytes added; those were computed here in Python, apart from this project's code, and are checked against
`fastcrc` below.
"""

import fastcrc
import pytest
from hypothesis import given
from hypothesis import strategies as st
from synthetic_line import parsed

from sidetap.line import Chunk, Outcome, crc16, rules
from sidetap.line.resolve import expected_length, within_limits

# function, page, request, response; each followed by its check bytes in the order of the wire
FRAMES = """
01 p12 110100130013 8E92 | 110103CD6B05 4012
02 p13 110200C40016 BAA9 | 110203ACDB35 2018
03 p15 1103006B0003 7687 | 110306022B00000064 C8BA
04 p16 110400080001 B298 | 110402000A F8F4
05 p18 110500ACFF00 4E8B | 110500ACFF00 4E8B
06 p19 110600010003 9A9B | 110600010003 9A9B
0F p29 110F0013000A02CD01 BF0B | 110F0013000A 2699
10 p30 11100001000204000A0102 C6F0 | 111000010002 1298
16 p37 1116000400F20025 66E2 | 1116000400F20025 66E2
17 p38 111700030006000E00030600FF00FF00FF 4B54 | 11170C00FE0ACD00010003000D00FF 0D75
01 p47 110104A10001 AF88 | 118102 C054
"""
# Other functions of the same document, for the check code alone.
MORE_FRAMES = """
07 p20 1107 4C22
08 p24 11080000A537 D81D
0B p26 110B 4C27 | 110BFFFF0108 A6E9
14 p33 11140E0600040001000206000300090002 F938 | 11140C05060DFE0020050633CD0040 69AD
15 p35 11150D0600040007000306AF04BE100D DBC7
18 p40 111804DE 0787 | 11180006000201B81284 188D
2B p45 112B0E0100 B1B4
"""


def frames_of(table: str) -> list[list[bytes]]:
    rows = [line.split(" ", 2)[2].split("|") for line in table.strip().splitlines()]
    return [[bytes.fromhex(frame.replace(" ", "")) for frame in row] for row in rows]


PAIRS = frames_of(FRAMES)
ALL = [frame for row in PAIRS + frames_of(MORE_FRAMES) for frame in row]


@pytest.mark.parametrize("frame", ALL, ids=lambda frame: frame.hex())
def test_published_check_bytes(frame: bytes) -> None:
    assert crc16(frame[:-2]).to_bytes(2, "little") == frame[-2:]
    assert crc16(frame) == 0
    assert fastcrc.crc16.modbus(frame[:-2]).to_bytes(2, "little") == frame[-2:]


@pytest.mark.parametrize(
    ("data", "crc"),
    [
        (b"123456789", 0x4B37),  # catalogue of parametrised CRC algorithms, entry CRC-16/MODBUS
        (b"\x02\x07", 0x1241),  # MODBUS over Serial Line V1.02, p. 39
        (b"", 0xFFFF),
        (b"\x00", 0x40BF),  # these two computed apart from this code
        (b"\xff", 0x00FF),
    ],
)
def test_known_check_codes(data: bytes, crc: int) -> None:
    assert crc16(data) == crc


@given(st.binary(max_size=300))
def test_check_code_is_that_of_a_reference_library(data: bytes) -> None:
    assert crc16(data) == fastcrc.crc16.modbus(data)


@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: pair[0][:2].hex())
def test_published_pair_is_one_transaction(pair: list[bytes]) -> None:
    request, response = pair
    (row,) = parsed([Chunk(None, request + response)])
    exception = response[1] & 0x80
    assert row.outcome == (Outcome.EXCEPTION if exception else Outcome.ANSWERED)
    assert (row.device, row.function) == (0x11, request[1])
    assert (row.request, row.response) == (request[:-2], response[:-2])


def test_published_examples_mean_what_the_specification_says() -> None:
    rows = {pair[0][1]: parsed([Chunk(None, pair[0] + pair[1])])[0] for pair in PAIRS[:-1]}
    told = {f: (row.table, row.register, row.count) for f, row in rows.items()}
    assert told == {
        1: ("coil", 0x13, 0x13),
        2: ("discrete-input", 0xC4, 0x16),
        3: ("holding-register", 0x6B, 3),
        4: ("input-register", 8, 1),
        5: ("coil", 0xAC, 1),
        6: ("holding-register", 1, 1),
        15: ("coil", 0x13, 10),
        16: ("holding-register", 1, 2),
        22: ("holding-register", 4, 1),
        23: ("holding-register", 3, 6),
    }
    # p. 12: "The status of outputs 27-20 is shown as the byte value CD hex": output 20 is the least significant bit
    assert rows[1].bits is not None
    assert rows[1].bits[:8] == (True, False, True, True, False, False, True, True)
    assert len(rows[1].bits) == 19
    assert rows[3].words == (0x022B, 0, 0x64)  # p. 15: 555, 0, 100
    assert rows[4].words == (10,)
    assert rows[6].written == (1, (3,))
    assert rows[16].written == (1, (0x000A, 0x0102))
    assert rows[23].written == (14, (0xFF, 0xFF, 0xFF))
    assert rows[23].words == (0xFE, 0x0ACD, 1, 3, 0xD, 0xFF)


def test_lengths_are_those_of_the_specification() -> None:
    """ADU lengths, MODBUS Application Protocol V1.1b3, 6.1-6.17, at the limits of each function."""
    requests = {1: 8, 2: 8, 3: 8, 4: 8, 5: 8, 6: 8, 15: 9 + 246, 16: 9 + 246, 22: 10, 23: 13 + 242}
    counted = {15: 246, 16: 246, 23: 242}  # data bytes of 1968 coils, 123 and 121 registers
    for function, length in requests.items():
        assert rules.REQUEST_LENGTH[function].fixed + counted.get(function, 0) == length
        assert length <= rules.LONGEST_FRAME
    answers = {(1, 2000): 255, (2, 1): 6, (3, 125): 255, (4, 1): 7, (23, 125): 255}
    for (function, count), length in answers.items():
        assert expected_length(bytearray((1, function, 0, 0)) + count.to_bytes(2, "big"), 0, 8) == length
    for function, length in ((5, 8), (6, 8), (15, 8), (16, 8), (22, 10)):
        assert expected_length(bytearray((1, function, 0, 0, 0, 1)), 0, requests[function]) == length


@pytest.mark.parametrize(
    ("function", "most"), [(1, 2000), (2, 2000), (3, 125), (4, 125)], ids=["fc1", "fc2", "fc3", "fc4"]
)
def test_limit_of_items_on_both_sides(function: int, most: int) -> None:
    def within(count: int, register: int = 0) -> bool:
        head = bytes((1, function)) + register.to_bytes(2, "big") + count.to_bytes(2, "big")
        return bool(within_limits(bytearray(head), 0))

    assert [within(count) for count in (0, 1, most, most + 1)] == [False, True, True, False]
    assert within(1, 0xFFFF)
    assert not within(2, 0xFFFF)


@pytest.mark.parametrize(
    ("request_hex", "within"),
    [
        ("01050000FF00", True),
        ("010500000000", True),
        ("010500000001", False),
        ("010F0000000A02FFFF", True),
        ("010F0000000A03FFFFFF", False),
        ("01100000000102FFFF", True),
        ("01100000000104FFFF", False),
        ("01170000000100000001020000", True),
        ("01170000000100000001040000", False),
        ("01170000007E00000001020000", False),
        ("011600000000FFFF", True),
    ],
)
def test_limits_of_values_and_byte_counts(request_hex: str, within: bool) -> None:
    assert bool(within_limits(bytearray.fromhex(request_hex), 0)) is within
