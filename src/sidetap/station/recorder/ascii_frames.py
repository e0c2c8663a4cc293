"""Bytes of a line -> its whole ASCII frames, by their form and check alone.

Source: MODBUS over Serial Line V1.02 (2006), 2.5.2: a colon, pairs of upper-case hexadecimal digits, CR LF; the last
pair is the LRC, with which the bytes add up to 0 modulo 256.
"""

import re

_FRAME = re.compile(rb":((?:[0-9A-F]{2}){3,255})\r\n")  # address, function and LRC at least


def ascii_frames(data: bytes) -> list[tuple[int, int]]:
    """Return where the frames in data start and end.

    >>> ascii_frames(b":1107E8" + bytes([13, 10]))
    [(0, 9)]
    """
    return [found.span() for found in _FRAME.finditer(data) if sum(bytes.fromhex(found[1].decode())) % 256 == 0]
