"""Encodings against golden values, the struct module, numpy, and minimalmodbus's own decoders."""

import math
import struct
from fractions import Fraction

import minimalmodbus
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidetap.line import ARRAY_ENCODINGS, ENCODINGS, decode, decode_array, decode_exact, reference, width

WORD = st.integers(0, 0xFFFF)


@pytest.mark.parametrize(
    ("encoding", "words", "value"),
    [
        # 123.456 as binary32 is 42F6E979 (computed apart from this code)
        ("float32-high-word-first", [0x42F6, 0xE979], 123.456),
        ("float32-low-word-first", [0xE979, 0x42F6], 123.456),
        ("float32-high-word-first-swapped", [0xF642, 0x79E9], 123.456),
        ("float32-low-word-first-swapped", [0x79E9, 0xF642], 123.456),
        ("float32-low-word-first", [0, 16320], 1.5),
        ("float32-low-word-first", [0x077A, 0x429B], 77.514603),
        ("float32-low-word-first-swapped", [0xDA77, 0xFB41], 31.433521),
        # ambiguous: the same registers, the same value, in two orders
        ("float32-low-word-first", [0, 16448], 3.0),
        ("float32-low-word-first-swapped", [0, 16448], 3.0),
        # the frame 10 03 04 CC CD 40 4C of the invented demo line
        ("float32-low-word-first", [0xCCCD, 0x404C], 3.2),
    ],
)
def test_golden_floats(encoding: str, words: list[int], value: float) -> None:
    decoded = decode(encoding, words)
    assert isinstance(decoded, float)
    assert math.isclose(decoded, value, rel_tol=1e-7)


@pytest.mark.parametrize(
    ("encoding", "words", "value"),
    [
        ("uint16", [0xFFFF], 65535),
        ("int16", [0xFFFF], -1),
        ("int16", [0x8000], -32768),
        ("bits16", [0x8001], 0x8001),
        ("bcd16", [0x1234], 1234),  # common practice, no source
        ("bcd16", [0x9999], 9999),
        ("bcd16", [0x12A4], None),  # a nibble over 9
        ("mod10k32-low-word-first", [4567, 123], 1_234_567),
        ("mod10k32-high-word-first", [123, 4567], 1_234_567),
        ("mod10k32-high-word-first", [0, 9999], 9999),
        ("mod10k32-high-word-first", [0, 10_000], None),
        ("mod10k32-high-word-first", [10_000, 0], None),
        ("uint32-high-word-first", [1, 2], 0x10002),
        ("uint32-low-word-first", [1, 2], 0x20001),
        ("uint32-high-word-first-swapped", [0x0100, 0x0200], 0x10002),
        ("uint32-low-word-first-swapped", [0x0200, 0x0100], 0x10002),
        ("int32-high-word-first", [0xFFFF, 0xFFFE], -2),
        ("int32-low-word-first", [0xFFFE, 0xFFFF], -2),
        ("float32-high-word-first", [0x7FC0, 0], None),  # NaN, IEEE 754
        ("float32-high-word-first", [0x7F80, 0], None),  # infinity
        ("float64-high-word-first", [0x3FF8, 0, 0, 0], 1.5),
        ("float64-low-word-first", [0, 0, 0, 0x3FF8], 1.5),
        ("text", [0x5431, 0x2000], "T1"),
        ("text", [0x5400, 0x3100], None),
        ("text", [0xE474], None),
    ],
)
def test_golden_values(encoding: str, words: list[int], value: object) -> None:
    assert decode(encoding, words) == value


def test_exact_values_are_exact() -> None:
    assert decode_exact("float32-low-word-first", [0xCCCD, 0x404C]) == Fraction(13421773, 4194304)
    assert decode_exact("int16", [0xFFFF]) == -1
    assert decode_exact("bcd16", [0xFFFF]) is None
    with pytest.raises(ValueError, match="text"):
        decode_exact("text", [0x3132])


def test_every_name_has_a_width_and_decodes() -> None:
    assert len(set(ENCODINGS)) == len(ENCODINGS) == 5 + 16 + 2
    for encoding in ENCODINGS:
        registers = width(encoding, 3)
        decode(encoding, [0] * registers)
        with pytest.raises(ValueError, match=r"registers|takes"):
            decode(encoding, [0x10000] * registers) if encoding != "text" else width("text")
    with pytest.raises(ValueError, match="no encoding"):
        width("float16")
    with pytest.raises(ValueError, match="takes 2 registers"):
        decode("uint32-high-word-first", [1])


# minimalmodbus's names for the four orders: two independent readings of the trade's letters
ORDERS = {
    "high-word-first": minimalmodbus.BYTEORDER_BIG,
    "low-word-first-swapped": minimalmodbus.BYTEORDER_LITTLE,
    "high-word-first-swapped": minimalmodbus.BYTEORDER_BIG_SWAP,
    "low-word-first": minimalmodbus.BYTEORDER_LITTLE_SWAP,
}


@pytest.mark.parametrize("order", ORDERS)
@given(high=WORD, low=WORD)
def test_orders_agree_with_a_library(order: str, high: int, low: int) -> None:
    payload = struct.pack(">HH", high, low)
    registers = [high, low]
    for kind, signed in (("uint32", False), ("int32", True)):
        theirs = minimalmodbus._bytes_to_long(payload, signed, 2, ORDERS[order])
        assert decode(f"{kind}-{order}", registers) == theirs
    theirs_float = minimalmodbus._bytes_to_float(payload, 2, ORDERS[order])
    ours = decode(f"float32-{order}", registers)
    assert ours == (theirs_float if math.isfinite(theirs_float) else None)


@pytest.mark.parametrize("encoding", ARRAY_ENCODINGS)
def test_arrays_agree_with_single_values(encoding: str) -> None:
    random = np.random.default_rng(7)
    words = random.integers(0, 0x10000, (500, width(encoding)), dtype=np.uint16)
    words[:100] %= 10_000  # some that hold decimal digits
    words[100:200] = np.array([int(str(w), 16) for w in range(100)])[:, None]
    values = decode_array(encoding, words)
    whole = encoding.startswith(("uint", "int", "bits"))
    assert values.dtype == (np.int64 if whole else np.float64)
    for row, value in zip(words.tolist(), values.tolist(), strict=True):
        single = decode(encoding, row)
        assert single == value or (single is None and not math.isfinite(value))


def test_arrays_refuse_what_they_can_not_do() -> None:
    with pytest.raises(ValueError, match="no arrays of 'text'"):
        decode_array("text", np.zeros((1, 1), np.uint16))
    with pytest.raises(ValueError, match="rows of 2 registers"):
        decode_array("uint32-high-word-first", np.zeros((4, 1), np.uint16))


@pytest.mark.parametrize(
    ("table", "register", "text"),
    [
        # item 1 has the address 0: MODBUS Application Protocol V1.1b3, 4.4; the leading digit: common practice
        ("holding-register", 0x6B, "400108"),
        ("holding-register", 100, "400101"),
        ("holding-register", 65535, "465536"),
        ("input-register", 8, "300009"),
        ("discrete-input", 0, "100001"),
        ("coil", 0, "000001"),
    ],
)
def test_references(table: str, register: int, text: str) -> None:
    assert reference(table, register) == text
