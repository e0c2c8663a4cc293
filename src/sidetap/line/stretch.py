"""A stretch of line bytes: any span of it is checked in a few look-ups, and is looked at for heads of frames once.

Bytes are added at the end and forgotten at the start. Theory of operation: the check code of a span follows from
the running codes at its two ends, because the code is linear: the code at the end is what the span alone gives,
exclusive-or what the code at its start becomes when as many zero bytes follow. That last step is applied by powers
of two, from eight small tables. A window full of beginnings of long frames costs no more than one of short ones.
"""

import re
from array import array
from bisect import bisect_left

from sidetap.line import rules
from sidetap.line.crc import TABLE

_FUNCTIONS = b"".join(re.escape(bytes((function,))) for function in sorted(rules.RESPONSE_LENGTH))
# An address and a function: everywhere a frame may start at all. Matches overlap, hence the look-ahead.
_HEAD = re.compile(b"(?=[\\x00-\\xf7][" + _FUNCTIONS + b"])", re.DOTALL)

_START = 0xFFFF  # the code before the first byte of a frame
_POWERS = 9  # spans of up to 2**9 - 1 bytes


def _after_zeros() -> tuple[tuple[tuple[int, ...], tuple[int, ...]], ...]:
    """Return per power of two what a code becomes after so many zero bytes: by its low byte, by its high byte."""
    low = tuple(TABLE)
    high = tuple(range(256))
    tables = []
    for _ in range(_POWERS):
        tables.append((low, high))
        low, high = (
            tuple(low[code & 0xFF] ^ high[code >> 8] for code in low),
            tuple(low[code & 0xFF] ^ high[code >> 8] for code in high),
        )
    return tuple(tables)


_AFTER_ZEROS = _after_zeros()


class Stretch:
    """``data`` may be read; it is changed by ``add`` and ``forget`` alone."""

    def __init__(self) -> None:
        self.data = bytearray()
        self._codes = array("H", [_START])  # one more than bytes: the running code before each and after the last
        self._heads: list[int] = []  # of the bytes before _looked
        self._looked = 0

    def add(self, data: bytes) -> None:
        """Append bytes of the line."""
        self.data += data
        code = self._codes[-1]
        add = self._codes.append
        for byte in data:
            code = code >> 8 ^ TABLE[(code ^ byte) & 0xFF]
            add(code)

    def forget(self, count: int) -> None:
        """Drop the first bytes; offsets count from there on."""
        del self.data[:count]
        del self._codes[:count]
        self._heads = [head - count for head in self._heads[bisect_left(self._heads, count) :]]
        self._looked = max(0, self._looked - count)

    def heads(self, start: int, stop: int) -> list[int]:
        """Return every offset from start to before stop where the two bytes could open a frame."""
        if stop - 1 > self._looked:
            self._heads += [match.start() for match in _HEAD.finditer(self.data, self._looked, stop)]
            self._looked = stop - 1
        return self._heads[bisect_left(self._heads, start) : bisect_left(self._heads, stop - 1)]

    def checks(self, start: int, end: int) -> bool:
        """Whether the bytes from start up to before end are a frame with its right check bytes (up to 511 bytes)."""
        # over a frame with its own check bytes the code is 0: its end must be just what its start became
        code = self._codes[start] ^ _START
        length = end - start
        for power, (low, high) in enumerate(_AFTER_ZEROS):
            if length >> power & 1:
                code = low[code & 0xFF] ^ high[code >> 8]
        return code == self._codes[end]
