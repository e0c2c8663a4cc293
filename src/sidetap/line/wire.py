"""The rules and the memory of a line as the flat sequences that `resolve` works on."""

from sidetap.line import resolve, rules
from sidetap.line.crc import TABLE


def wire() -> list[int]:
    """Return the rules as one flat table (see the W_ names of `resolve`)."""
    table = [0] * resolve.WIRE_SIZE
    table[resolve.W_CRC : resolve.W_CRC + 256] = TABLE
    for lengths, fixed_at, count_at in (
        (rules.REQUEST_LENGTH, resolve.W_REQUEST, resolve.W_REQUEST_COUNT_AT),
        (rules.RESPONSE_LENGTH, resolve.W_RESPONSE, resolve.W_RESPONSE_COUNT_AT),
    ):
        for function, length in lengths.items():
            table[fixed_at + function] = length.fixed
            table[count_at + function] = length.count_at or 0
    table[resolve.W_SYNDROME :] = _syndromes()
    return table


def memory(mends: bool) -> list[int]:
    """Return the memory of a line of which nothing was heard yet."""
    numbers = [0] * resolve.MEMORY_SIZE
    numbers[resolve.ANCHOR] = numbers[resolve.OPEN_KEY] = resolve.NONE
    numbers[resolve.MENDS] = int(mends)
    return numbers


def _syndromes() -> list[int]:
    found = [-1] * 65536
    for bit in range(8):
        code = TABLE[1 << bit]
        for behind in range(rules.LONGEST_FRAME):
            found[code] = 8 * behind + bit
            code = code >> 8 ^ TABLE[code & 0xFF]
    return found
