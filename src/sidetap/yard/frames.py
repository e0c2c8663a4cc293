"""RTU frames and register encodings of the yard's own: values in, bytes out. Shares no code with the listener's."""

import struct
from collections.abc import Iterable, Sequence
from functools import lru_cache


def _table() -> tuple[int, ...]:
    rows = []
    for index in range(256):
        value = index
        for _ in range(8):
            value = (value >> 1) ^ (0xA001 if value & 1 else 0)
        rows.append(value)
    return tuple(rows)


_CRC = _table()


@lru_cache(maxsize=1024)  # a line says the same things again and again
def crc(data: bytes) -> int:
    """Return the CRC-16 of Modbus over serial line (its guide V1.02, 6.2.2), sent low byte first.

    >>> hex(crc(b"123456789"))
    '0x4b37'
    """
    value = 0xFFFF
    for byte in data:
        value = (value >> 8) ^ _CRC[(value ^ byte) & 0xFF]
    return value


def frame(address: int, pdu: bytes) -> bytes:
    """Return address + PDU + check bytes.

    >>> frame(0x10, bytes((0x83, 2))).hex(" ")
    '10 83 02 90 f4'
    """
    body = bytes((address,)) + pdu
    return body + crc(body).to_bytes(2, "little")


def whole(data: bytes) -> bool:
    """Return whether data is one frame with the right check bytes."""
    return 4 <= len(data) <= 256 and crc(data[:-2]) == data[-2] | data[-1] << 8


def read_request(address: int, function: int, first: int, count: int) -> bytes:
    """Return the frame that asks for count registers from the 0-based address first."""
    return frame(address, struct.pack(">BHH", function, first, count))


def write_request(address: int, register: int, value: int) -> bytes:
    """Return the frame of function 06 that writes one register."""
    return frame(address, struct.pack(">BHH", 6, register, value))


def pdu_of_words(function: int, words: Sequence[int]) -> bytes:
    """Return the answer of function 03 or 04 that carries words."""
    return struct.pack(f">BB{len(words)}H", function, 2 * len(words), *words)


def uint16(value: float) -> tuple[int]:
    """Return value, to the nearest and within 0-65535, as one word."""
    return (min(max(int(value + 0.5), 0), 0xFFFF),)


def int16(value: float) -> tuple[int]:
    """Return value, to the nearest and within ±32767, as one word in two's complement."""
    nearest = int(value + 0.5) if value >= 0 else -int(0.5 - value)
    return (min(max(nearest, -0x7FFF), 0x7FFF) & 0xFFFF,)


def uint32_low_first(value: float) -> tuple[int, int]:
    """Return value, to the nearest, as two words, the low one first."""
    number = min(max(int(value + 0.5), 0), 0xFFFF_FFFF)
    return number & 0xFFFF, number >> 16


def float32_high_first(*values: float) -> tuple[int, ...]:
    """Return each value as two words of IEEE 754 binary32, the high one first."""
    return struct.unpack(f">{2 * len(values)}H", struct.pack(f">{len(values)}f", *values))


def float32_low_first(value: float) -> tuple[int, int]:
    """Return value as two words of IEEE 754 binary32, the low one first."""
    high, low = struct.unpack(">2H", struct.pack(">f", value))
    return low, high


def joined(parts: Iterable[Sequence[int]]) -> tuple[int, ...]:
    """Return the words of all parts in a row."""
    return tuple(word for part in parts for word in part)
