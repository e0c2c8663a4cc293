"""Runs of plain pcapng blocks -> arrays, compiled: only for large files, since loading it takes time.

It knows packets as a recorder writes them and skips foreign blocks. At anything else (headers, torn or broken blocks,
times or options out of the ordinary) it stops, and the careful reader takes that one block.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from sidetap.line.recording.pcapng_layout import (
    COMMENT,
    ENHANCED,
    INTERFACE,
    LATEST_NS,
    SECTION,
    SIMPLE,
)

_GOOD, _PARITY, _FRAMING, _BREAK = (ord(letter) for letter in ".pfb")

Octets = NDArray[np.uint8]
Numbers = NDArray[np.int64]


@njit(cache=True, nogil=True)
def _u16(octets: Octets, at: int, big: bool) -> int:
    first, second = np.int64(octets[at]), np.int64(octets[at + 1])
    return int(first << 8 | second if big else second << 8 | first)


@njit(cache=True, nogil=True)
def _u32(octets: Octets, at: int, big: bool) -> int:
    first, second = _u16(octets, at, big), _u16(octets, at + 2, big)
    return first << 16 | second if big else second << 16 | first


@njit(cache=True, nogil=True)
def _flags_of(octets: Octets, at: int, end: int, big: bool, length: int, most: int) -> int:
    """Return where the letters of a packet's bytes are: 0 without any, -1 if options are odd or over ``most``."""
    found = options = 0
    while at + 4 <= end:
        code, size = _u16(octets, at, big), _u16(octets, at + 2, big)
        if code == 0:
            return found
        options += 1
        if options > most or at + 4 + size > end:
            return -1
        if code == COMMENT:
            text_end = at + 4 + size
            while text_end > at + 4 and octets[text_end - 1] == 0:
                text_end -= 1
            letters = text_end > at + 4
            for place in range(at + 4, text_end):
                letter = octets[place]
                letters &= letter in (_GOOD, _PARITY, _FRAMING, _BREAK)
            if letters:
                if text_end - at - 4 != length:
                    return -1
                found = at + 4
        at += 4 + (size + 3) // 4 * 4
    return found


@njit(cache=True, nogil=True)
def walk_blocks(
    octets: Octets,
    at: int,
    end: int,
    big: bool,
    simple: bool,
    largest_block: int,
    most_options: int,
    interfaces: Numbers,
    data: Octets,
    ends: Numbers,
    t_ns: Numbers,
    flags: Octets,
) -> tuple[int, int, int, bool]:
    """Walk the blocks of octets[at:end] into the four arrays after it, as in a `Batch`.

    simple: take simple packets and no enhanced ones. largest_block, most_options: arguments, since compiled code kept
    from an earlier run would not learn of a change elsewhere. interfaces: [n, 4], of each the offset in ns, by what
    ticks are multiplied and divided, and up to which quotient.
    Returns where it stopped, chunks, bytes, and whether flags were written.
    """
    chunks = size = 0
    flagged = False
    while at + 12 <= end:
        kind, length = _u32(octets, at, big), _u32(octets, at + 4, big)
        if length < 12 or length % 4 or length > largest_block or at + length > end:
            break
        if kind in (SECTION, INTERFACE) or kind == (ENHANCED if simple else SIMPLE):
            break
        tail = at + length - 4
        if _u32(octets, tail, big) != length:
            break
        if kind != ENHANCED and kind != SIMPLE:
            at += length
            continue
        letters = 0
        if simple:
            if length < 16 or len(interfaces) == 0:
                break
            start = at + 12
            count = min(_u32(octets, at + 8, big), tail - start)
        else:
            if length < 32:
                break
            number, start = _u32(octets, at + 8, big), at + 28
            count = _u32(octets, at + 20, big)
            if number >= len(interfaces) or start + count > tail:
                break
            offset_ns, multiply, divide = interfaces[number, 0], interfaces[number, 1], interfaces[number, 2]
            ticks = np.int64(_u32(octets, at + 12, big)) << 32 | _u32(octets, at + 16, big)
            quotient = ticks // divide
            if quotient > interfaces[number, 3] or quotient < -interfaces[number, 3]:
                break
            since_ns = quotient * multiply + ticks % divide * multiply // divide
            if since_ns > LATEST_NS - max(offset_ns, 0) or since_ns < -LATEST_NS - min(offset_ns, 0):
                break
            letters = _flags_of(octets, start + (count + 3) // 4 * 4, tail, big, count, most_options)
            if letters < 0:
                break
            t_ns[chunks] = offset_ns + since_ns
        if letters and not flagged:
            flagged = True
            flags[:size] = _GOOD
        for place in range(count):
            data[size + place] = octets[start + place]
        if flagged:
            for place in range(count):
                flags[size + place] = octets[letters + place] if letters else _GOOD
        size += count
        ends[chunks] = size
        chunks += 1
        at += length
    return at, chunks, size, flagged
