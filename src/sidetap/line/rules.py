"""The wire rules as tables: how long a frame is, what it speaks of, and what answers it.

Function code -> lengths, limits, roles. Nothing here builds a request. Everything that finds frames uses these tables
and no rules of its own. A function that is in no table is unknown: its frames are found by their check code alone.

Source: MODBUS Application Protocol Specification V1.1b3 (2012), 6.1-6.21 and 7; addresses and the longest frame from
MODBUS over Serial Line V1.02 (2006), 2.1-2.2.
"""

from dataclasses import dataclass

BROADCAST = 0
LAST_DEVICE = 247  # 248-255 are reserved
LONGEST_FRAME = 256
EXCEPTION = 0x80
EXCEPTION_LENGTH = 5
CHECK_BYTES = 2

DIAGNOSTICS = 8
WRITE_FILE = 21
READ_QUEUE = 24
INTERFACE = 43
IDENTIFICATION = 14  # the one transport of function 43 whose frames are told by their form


@dataclass(frozen=True, slots=True)
class Length:
    """Length of a frame: fixed bytes, and as many more as the byte at ``count_at`` says (None: no more).

    wide: the count has two bytes. step: the count is a multiple of it.
    """

    fixed: int
    count_at: int | None = None
    wide: bool = False
    step: int = 1


REQUEST_LENGTH: dict[int, Length] = {
    1: Length(8),
    2: Length(8),
    3: Length(8),
    4: Length(8),
    5: Length(8),
    6: Length(8),
    7: Length(4),
    DIAGNOSTICS: Length(8),  # with one word of data; sub-function 0 may carry more and is then found by its check
    11: Length(4),
    12: Length(4),
    15: Length(9, 6),
    16: Length(9, 6),
    17: Length(4),
    20: Length(5, 2, step=7),
    WRITE_FILE: Length(5, 2),
    22: Length(10),
    23: Length(13, 10),
    READ_QUEUE: Length(6),
    INTERFACE: Length(7),
}
RESPONSE_LENGTH: dict[int, Length] = {
    1: Length(5, 2),
    2: Length(5, 2),
    3: Length(5, 2, step=2),
    4: Length(5, 2, step=2),
    5: Length(8),
    6: Length(8),
    7: Length(5),
    DIAGNOSTICS: Length(8),
    11: Length(8),
    12: Length(5, 2),
    15: Length(8),
    16: Length(8),
    17: Length(5, 2),
    20: Length(5, 2),
    WRITE_FILE: Length(5, 2),
    22: Length(10),
    23: Length(5, 2, step=2),
    READ_QUEUE: Length(6, 2, wide=True, step=2),
    INTERFACE: Length(10),  # and the objects, which tell their lengths one by one
} | {function | EXCEPTION: Length(EXCEPTION_LENGTH) for function in range(1, EXCEPTION)}

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
# The answer is the request again: only the order tells them apart. (Of 8 only where the data is sent back.)
WHOLE_ECHOES = frozenset({5, 6, DIAGNOSTICS, WRITE_FILE, 22})
HEAD_ECHOES = frozenset({15, 16})  # the answer repeats register and count
SILENT_DIAGNOSTICS = 4  # the sub-function of 8 that is never answered


def word(data: bytes | bytearray, at: int) -> int:
    """Return the 16-bit number at an offset, high byte first."""
    return data[at] << 8 | data[at + 1]
