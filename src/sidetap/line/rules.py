"""The wire rules of RTU as tables: how long a frame is, what it speaks of, and what answers it.

Frames (bytes with address and check) -> lengths and limits. Nothing here builds a request. Everything that finds
frames uses these tables and no rules of its own.

Source: MODBUS Application Protocol Specification V1.1b3 (2012), 6.1-6.17 and 7; addresses and the longest frame from
MODBUS over Serial Line V1.02 (2006), 2.1-2.2.
"""

from dataclasses import dataclass

BROADCAST = 0
LAST_DEVICE = 247  # 248-255 are reserved
LONGEST_FRAME = 256
EXCEPTION = 0x80
EXCEPTION_LENGTH = 5


@dataclass(frozen=True, slots=True)
class Length:
    """Length of a frame: fixed bytes, and as many more as the byte at ``count_at`` says (None: no more)."""

    fixed: int
    count_at: int | None = None


REQUEST_LENGTH: dict[int, Length] = {
    1: Length(8),
    2: Length(8),
    3: Length(8),
    4: Length(8),
    5: Length(8),
    6: Length(8),
    15: Length(9, 6),
    16: Length(9, 6),
    22: Length(10),
    23: Length(13, 10),
}
RESPONSE_LENGTH: dict[int, Length] = {
    1: Length(5, 2),
    2: Length(5, 2),
    3: Length(5, 2),
    4: Length(5, 2),
    5: Length(8),
    6: Length(8),
    15: Length(8),
    16: Length(8),
    22: Length(10),
    23: Length(5, 2),
} | {function | EXCEPTION: Length(EXCEPTION_LENGTH) for function in REQUEST_LENGTH}

# Which table a function reads or writes, and how many items one request may name (1: it has no count field).
TABLE: dict[int, str] = {
    1: "coil",
    2: "discrete-input",
    3: "holding-register",
    4: "input-register",
    5: "coil",
    6: "holding-register",
    15: "coil",
    16: "holding-register",
    22: "holding-register",
    23: "holding-register",
}
MOST_ITEMS: dict[int, int] = {1: 2000, 2: 2000, 3: 125, 4: 125, 5: 1, 6: 1, 15: 1968, 16: 123, 22: 1, 23: 125}
MOST_WRITTEN_BY_23 = 121

BIT_READS = frozenset({1, 2})  # answers with a byte count and bits
REGISTER_READS = frozenset({3, 4, 23})  # answers with a byte count and registers
WHOLE_ECHOES = frozenset({5, 6, 22})  # the answer is the request again: only the order tells them apart
HEAD_ECHOES = frozenset({15, 16})  # the answer repeats register and count


def word(data: bytes | bytearray, at: int) -> int:
    """Return the 16-bit number at an offset, high byte first."""
    return data[at] << 8 | data[at + 1]


def item_count(data: bytes | bytearray, start: int) -> int:
    """Return how many items the request at start names; 1 for the functions without a count."""
    return 1 if MOST_ITEMS[data[start + 1]] == 1 else word(data, start + 4)


def request_within_limits(data: bytes | bytearray, start: int) -> bool:
    """Whether count, byte count and value of the request at start keep the specification's limits.

    A request outside them is still a request (it earns exception 03), but is believed on better evidence only.
    """
    function = data[start + 1]
    count = item_count(data, start)
    if not 1 <= count <= MOST_ITEMS[function] or word(data, start + 2) + count > 0x10000:
        return False
    if function == 5:
        return word(data, start + 4) in (0x0000, 0xFF00)
    if function == 15:
        return data[start + 6] == (count + 7) // 8
    if function == 16:
        return data[start + 6] == 2 * count
    if function == 23:
        written = word(data, start + 8)
        return 1 <= written <= MOST_WRITTEN_BY_23 and data[start + 10] == 2 * written
    return True


def answer_length(data: bytes | bytearray, start: int) -> int:
    """Return the length of the normal answer to the request at start."""
    function = data[start + 1]
    if function in BIT_READS:
        return 5 + (item_count(data, start) + 7) // 8
    if function in REGISTER_READS:
        return 5 + 2 * item_count(data, start)
    return RESPONSE_LENGTH[function].fixed
