"""The rules and the memory of a line as the flat sequences that `resolve` works on."""

from collections.abc import Iterable
from functools import cache

from sidetap.line import resolve, rules
from sidetap.line.crc import TABLE


@cache
def wire() -> tuple[int, ...]:
    """Return the rules as one flat table (see the W_ names of `resolve`)."""
    table = [0] * resolve.WIRE_SIZE
    codes = list(TABLE)
    for zeros in range(4):
        table[resolve.W_CRC + 256 * zeros : resolve.W_CRC + 256 * (zeros + 1)] = codes
        codes = [code >> 8 ^ TABLE[code & 0xFF] for code in codes]
    for lengths, fixed_at, count_at in (
        (rules.REQUEST_LENGTH, resolve.W_REQUEST, resolve.W_REQUEST_COUNT_AT),
        (rules.RESPONSE_LENGTH, resolve.W_RESPONSE, resolve.W_RESPONSE_COUNT_AT),
    ):
        for function, length in lengths.items():
            table[fixed_at + function] = length.fixed
            table[count_at + function] = length.count_at or 0
    table[resolve.W_SYNDROME : resolve.W_SYNDROME + 65536] = _syndromes()
    inverse = {code >> 8: byte for byte, code in enumerate(TABLE)}
    bits, opened = [1 << bit for bit in range(8)], 0xFFFF
    for offset in range(resolve.WINDOW):
        for half in range(2):
            for value in range(16):
                at = resolve.W_BACK + 32 * offset + 16 * half + value
                table[at] = _sum(bits[4 * half + bit] for bit in range(4) if value >> bit & 1)
        table[resolve.W_OPENED + offset] = opened
        bits, opened = [_back(code, inverse) for code in bits], _back(opened, inverse)
    return tuple(table)


def _back(code: int, inverse: dict[int, int]) -> int:
    """Return what the code was before a zero byte."""
    byte = inverse[code >> 8]
    return ((code ^ TABLE[byte]) & 0xFF) << 8 | byte


def _sum(codes: Iterable[int]) -> int:
    total = 0
    for code in codes:
        total ^= code
    return total


def memory(mends: bool, character_ns: int = 0) -> list[int]:
    """Return the memory of a line of which nothing was heard yet."""
    numbers = [0] * resolve.MEMORY_SIZE
    numbers[resolve.ANCHOR] = numbers[resolve.OPEN_KEY] = resolve.NONE
    numbers[resolve.MENDS] = int(mends)
    numbers[resolve.CHARACTER_NS] = character_ns
    return numbers


def _syndromes() -> list[int]:
    found = [-1] * 65536
    for bit in range(8):
        code = TABLE[1 << bit]
        for behind in range(rules.LONGEST_FRAME):
            found[code] = 8 * behind + bit
            code = code >> 8 ^ TABLE[code & 0xFF]
    return found
