"""Bytes marked by the terminal driver -> bytes with flags.

With PARMRK the driver writes FF 00 x for a byte x that came with an error, FF 00 00 for a break and FF FF for a good
FF (POSIX.1-2017, XBD 11.2.2). It does not say whether parity or framing failed: ``error_flag`` is the one to assume.
"""

from sidetap.line.chunk import BREAK, GOOD

_MARK = 0xFF


class Unmarker:
    """Takes marked bytes in pieces cut anywhere and returns the line's own.

    Limit: a 00 with a parity error looks like a break.
    """

    def __init__(self, error_flag: str) -> None:
        self._error_flag = error_flag
        self._pending = b""

    def take(self, marked: bytes) -> tuple[bytes, str | None]:
        """Return the bytes of the line and one flag a byte, or None when all are good."""
        piece = self._pending + marked
        data = bytearray()
        flags: list[str] = []
        at = 0
        while at < len(piece):
            length, flag = self._mark(piece[at : at + 3])
            if length > len(piece) - at:
                break
            at += length
            data.append(piece[at - 1])
            flags.append(flag)
        self._pending = piece[at:]
        return bytes(data), "".join(flags) if any(flag != GOOD for flag in flags) else None

    def _mark(self, head: bytes) -> tuple[int, str]:
        """Return how many marked bytes the next byte of the line takes, and its flag."""
        if head[0] != _MARK:
            return 1, GOOD
        if len(head) < 2 or head[1] == _MARK:
            return 2, GOOD
        if len(head) < 3:
            return 3, GOOD
        return 3, BREAK if head[2] == 0 else self._error_flag
