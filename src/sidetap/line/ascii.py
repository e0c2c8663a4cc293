"""Modbus ASCII retold: the characters of a line -> the same messages as an RTU line would carry them.

An ASCII message says where it begins and ends, so that nothing has to be resolved but what answers what, and for that
the rules are those of RTU. A whole message becomes its bytes and their check code; every other character becomes a
byte that begins no frame. Each piece knows which characters it stands for.

Source: MODBUS over Serial Line V1.02 (2006), 2.5.2 (colon, pairs of digits, LRC, CR LF) and 6.2.1 (LRC).
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass

from sidetap.line.columns import Mode
from sidetap.line.crc import crc16
from sidetap.line.rules import LONGEST_FRAME

_MESSAGE = re.compile(rb":((?:[0-9A-Fa-f]{2}){3,})\r\n")
_OPEN = re.compile(rb":[0-9A-Fa-f]*\r?\Z")
_LONGEST = 2 * (LONGEST_FRAME - 1) + 3  # characters: an LRC is one byte shorter than a CRC
_NOTHING = b"\xff"  # no address: begins no frame
_HEAD = 4096  # bytes from which the mode of a recording is told


@dataclass(frozen=True, slots=True)
class Piece:
    """Bytes as RTU would carry them, and how many characters of the line they stand for."""

    told: bytes
    length: int


def mode_of(head: bytes) -> Mode:
    """Tell from the first bytes of a line how it frames its messages: two whole ASCII messages are no accident."""
    head = head[:_HEAD]
    whole = [found for found in _MESSAGE.finditer(head) if _is_whole(bytes.fromhex(found[1].decode()))]
    alone = len(whole) == 1 and 2 * len(whole[0][0]) >= len(head)
    return Mode.ASCII if len(whole) >= 2 or alone else Mode.RTU


class Retelling:
    """Takes characters as they come; what may still become a message waits."""

    def __init__(self) -> None:
        self._waiting = b""

    def take(self, data: bytes) -> Iterator[Piece]:
        """Yield the pieces that are sure, in order; together they stand for all characters but those that wait."""
        data, self._waiting = self._waiting + data, b""
        at = 0
        for found in _MESSAGE.finditer(data):
            message = bytes.fromhex(found[1].decode())
            if not _is_whole(message):
                continue
            if found.start() > at:
                yield _noise(data[at : found.start()])
            yield Piece(message[:-1] + crc16(message[:-1]).to_bytes(2, "little"), len(found[0]))
            at = found.end()
        waiting = _OPEN.search(data, max(at, len(data) - _LONGEST))
        end = len(data) if waiting is None else waiting.start()
        self._waiting = data[end:]
        if end > at:
            yield _noise(data[at:end])

    def close(self) -> Iterator[Piece]:
        """Yield what waits: nothing will follow it."""
        if self._waiting:
            yield _noise(self._waiting)
        self._waiting = b""


def _is_whole(message: bytes) -> bool:
    return len(message) < LONGEST_FRAME and sum(message) & 0xFF == 0


def _noise(characters: bytes) -> Piece:
    return Piece(_NOTHING * len(characters), len(characters))
