"""Check codes and forms of frames, many at once: bodies (address and PDU) in, frames as they travel out.

CRC as SL 6.2.2 describes it (polynomial A001, start FFFF, low byte first), LRC as SL 6.2.1 does (two's complement of
the sum of all bytes).
"""

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]

_DIGITS = np.frombuffer(b"0123456789ABCDEF", dtype=np.uint8)


def _table() -> NDArray[np.uint16]:
    table = np.arange(256, dtype=np.uint16)
    for _ in range(8):
        table = np.where(table & 1, table >> 1 ^ 0xA001, table >> 1).astype(np.uint16)
    return table


_TABLE = _table()


def starts_of(lengths: Ints) -> Ints:
    """Return where each of the pieces starts when they lie one behind the other."""
    starts = np.zeros(len(lengths), dtype=np.int64)
    np.cumsum(lengths[:-1], out=starts[1:])
    return starts


def places(lengths: Ints) -> tuple[Ints, Ints]:
    """Return for every byte of pieces that lie one behind the other its piece and its place in it."""
    piece = np.repeat(np.arange(len(lengths)), lengths)
    return piece, np.arange(len(piece)) - starts_of(lengths)[piece]


def crcs(pool: Bytes, starts: Ints, lengths: Ints) -> NDArray[np.uint16]:
    """Return the CRC of each piece of the pool."""
    order = np.argsort(-lengths, kind="stable")
    starts, sorted_lengths = starts[order], lengths[order]
    longest = int(sorted_lengths[0]) if len(order) else 0
    alive = len(order) - np.searchsorted(sorted_lengths[::-1], np.arange(longest), side="right")
    codes = np.full(len(order), 0xFFFF, dtype=np.uint16)
    for place in range(longest):
        still = int(alive[place])
        now = codes[:still]
        codes[:still] = now >> 8 ^ _TABLE[(now ^ pool[starts[:still] + place]) & 0xFF]
    answer = np.empty_like(codes)
    answer[order] = codes
    return answer


def crc(body: bytes) -> bytes:
    """Return the two check bytes of a body, as they travel."""
    pool = np.frombuffer(body, dtype=np.uint8)
    code = int(crcs(pool, np.zeros(1, dtype=np.int64), np.array([len(body)]))[0])
    return code.to_bytes(2, "little")


def rtu(pool: Bytes, sources: Ints, lengths: Ints, bare: NDArray[np.bool_]) -> tuple[Bytes, Ints]:
    """Return frames, joined, and where each starts. bare: pieces that are no frames and stay as they are."""
    sizes = np.where(bare, lengths, lengths + 2)
    starts = starts_of(sizes)
    line = np.empty(int(sizes.sum()), dtype=np.uint8)
    piece, place = places(lengths)
    line[starts[piece] + place] = pool[sources[piece] + place]
    framed = np.flatnonzero(~bare)
    codes = crcs(line, starts[framed], lengths[framed])
    ends = starts[framed] + lengths[framed]
    line[ends] = codes & 0xFF
    line[ends + 1] = codes >> 8
    return line, starts


def ascii_frames(pool: Bytes, sources: Ints, lengths: Ints, bare: NDArray[np.bool_]) -> tuple[Bytes, Ints]:
    """As `rtu`, for the ASCII mode: colon, two digits a byte, LRC, carriage return and line feed (SL 2.5.2)."""
    sizes = np.where(bare, lengths, 2 * lengths + 5)
    starts = starts_of(sizes)
    line = np.empty(int(sizes.sum()), dtype=np.uint8)
    piece, place = places(lengths)
    octets = pool[sources[piece] + place]
    plain = bare[piece]
    line[starts[piece[plain]] + place[plain]] = octets[plain]
    piece, place, octets = piece[~plain], place[~plain], octets[~plain]
    first = starts[piece] + 1 + 2 * place
    line[first], line[first + 1] = _DIGITS[octets >> 4], _DIGITS[octets & 15]
    framed = np.flatnonzero(~bare)
    sums = np.bincount(piece, weights=octets, minlength=len(lengths))[framed].astype(np.int64)
    lrc = -sums & 0xFF
    ends = starts[framed] + 1 + 2 * lengths[framed]
    line[starts[framed]] = ord(":")
    line[ends], line[ends + 1] = _DIGITS[lrc >> 4], _DIGITS[lrc & 15]
    line[ends + 2], line[ends + 3] = 13, 10
    return line, starts
