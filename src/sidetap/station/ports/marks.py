"""Bytes marked by the terminal driver -> bytes with flags.

With PARMRK the driver writes FF 00 x for a byte x that came with an error, FF 00 00 for a break and FF FF for a good
FF (POSIX.1-2017, XBD 11.2.2). It does not say whether parity or framing failed: ``error_flag`` is the one to assume.
"""

from sidetap.line.chunk import BREAK, FRAMING, GOOD, PARITY

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


def told_apart(flags: str, moved: str, error_flag: str) -> str:
    """Return flags with the kind of error that the driver counted meanwhile, where it counted one kind only.

    moved: the letters of the counts that moved. A 00 marked as a break is none when no break was counted. The driver
    counts ahead of what was read, so that a count may belong to a byte still to come: of two kinds none is sure.
    """
    if len(moved) == 1:
        return "".join(flag if flag == GOOD else moved for flag in flags)
    if moved == PARITY + FRAMING:
        return flags.replace(BREAK, error_flag)
    return flags
