"""Runs of plain csv rows -> arrays, compiled: only for large files, since loading it takes time.

It knows rows as a recorder or a script writes them: a decimal time, hex, flags. At any other row it stops, and the
careful reader takes that one row.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from sidetap.quantity import NS_PER_S

_COMMA, _LINE_END, _RETURN, _SPACE, _POINT, _PLUS, _MINUS = (ord(letter) for letter in ",\n\r .+-")
_GOOD, _PARITY, _FRAMING, _BREAK = (ord(letter) for letter in ".pfb")
_MOST_WHOLE = 10  # digits
_MOST_NS_DIGITS = 9
_MOST_DIGITS = 28  # in all; beyond that the careful reader's decimals round too

Octets = NDArray[np.uint8]
Numbers = NDArray[np.int64]

_VALUE = np.full(256, -1, dtype=np.int64)
for _text in ("0123456789abcdef", "0123456789ABCDEF"):
    _VALUE[np.frombuffer(_text.encode(), dtype=np.uint8)] = np.arange(16)


@njit(cache=True, nogil=True)
def _spaces(octets: Octets, at: int) -> int:
    while octets[at] == _SPACE:
        at += 1
    return at


@njit(cache=True, nogil=True)
def _time(octets: Octets, at: int) -> tuple[int, int]:
    """Return a decimal time in ns, to the nearest, halves to even, and where it ended: -1 if it is not plain."""
    negative = octets[at] == _MINUS
    if negative or octets[at] == _PLUS:
        at += 1
    whole = digits = 0
    while 0 <= _VALUE[octets[at]] < 10:
        whole = whole * 10 + _VALUE[octets[at]]
        digits += 1
        at += 1
        if digits > _MOST_WHOLE:
            return 0, -1
    if digits == 0 or whole > 9_223_372_035:
        return 0, -1
    ns = decimals = first_beyond = more_beyond = 0
    if octets[at] == _POINT:
        at += 1
        while 0 <= _VALUE[octets[at]] < 10:
            digit = _VALUE[octets[at]]
            decimals += 1
            at += 1
            if decimals <= _MOST_NS_DIGITS:
                ns = ns * 10 + digit
            elif decimals == _MOST_NS_DIGITS + 1:
                first_beyond = digit
            else:
                more_beyond |= digit
            if digits + decimals > _MOST_DIGITS:
                return 0, -1
    for _ in range(decimals, _MOST_NS_DIGITS):
        ns *= 10
    if first_beyond > 5 or (first_beyond == 5 and (more_beyond or ns & 1)):
        ns += 1
    ns += whole * NS_PER_S
    return -ns if negative else ns, at


@njit(cache=True, nogil=True)
def walk_rows(
    octets: Octets,
    at: int,
    end: int,
    columns: int,
    longest: int,
    data: Octets,
    ends: Numbers,
    t_ns: Numbers,
    flags: Octets,
) -> tuple[int, int, int, int, bool]:
    """Walk the whole lines of octets[at:end] into the four arrays at the end, as in a `Batch`.

    columns: 2, or 3 with flags. longest: bytes of a line. octets[end - 1] must be a line end.
    Returns where it stopped, lines, rows, bytes, and whether flags were written.
    """
    lines = rows = size = 0
    flagged = False
    while at < end:
        place = at
        if octets[place] == _LINE_END or (octets[place] == _RETURN and octets[place + 1] == _LINE_END):
            at = place + 1 + (octets[place] == _RETURN)
            lines += 1
            continue
        t_ns[rows], place = _time(octets, _spaces(octets, place))
        if place < 0:
            break
        place = _spaces(octets, place)
        if octets[place] != _COMMA:
            break
        place = _spaces(octets, place + 1)
        written = size
        while True:
            high = _VALUE[octets[place]]
            if high < 0:
                break
            low = _VALUE[octets[place + 1]]
            if low < 0:
                break
            data[written] = high << 4 | low
            written += 1
            place += 2
        if written == size:
            break
        place = letters = _spaces(octets, place)
        bad = 0
        if columns == 3:
            if octets[place] != _COMMA:
                break
            place = letters = _spaces(octets, place + 1)
            while True:
                letter = octets[place]
                if letter in (_PARITY, _FRAMING, _BREAK):
                    bad += 1
                elif letter != _GOOD:
                    break
                place += 1
            if place != letters and place - letters != written - size:
                break
            place = _spaces(octets, place)
        if octets[place] == _RETURN:
            place += 1
        if octets[place] != _LINE_END or place + 1 - at > longest:
            break
        if bad and not flagged:
            flagged = True
            flags[:size] = _GOOD
        if flagged:
            for offset in range(written - size):
                flags[size + offset] = octets[letters + offset] if bad else _GOOD
        size = written
        ends[rows] = size
        rows += 1
        lines += 1
        at = place + 1
    return at, lines, rows, size, flagged
