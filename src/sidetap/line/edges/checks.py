"""Characters -> how many whole Modbus frames are among them whose check code fits. A small search, no parser.

Chance passes are counted in: what a frame that fits is worth as evidence stands beside it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidetap.line.crc import crc16

_LEAST_RTU, _MOST_RTU = 4, 256  # bytes of an RTU frame (Modbus over Serial Line V1.02, 2.5.1)
_MOST_BURST = 4096  # bytes that are looked into without a pause
_SILENCE_BITS = 14.0  # between characters of one frame at most 1.5 characters (2.5.1.1), rounded down
_RTU_NATS = float(np.log(65536 / 6))  # six lengths are tried at a place
_ASCII_NATS = float(np.log(256 * 16))  # an LRC, and that all of it are hexadecimal digits; on the low side
_HEX = frozenset(b"0123456789ABCDEF")


@dataclass(frozen=True, slots=True)
class Checks:
    """Frames whose check code fits: RTU by CRC, ASCII by LRC; bursts: how many rows of characters were looked at.

    nats: what they say for the settings they were read with, the logarithm of how unlikely chance makes them. A frame
    that comes again and again says it once.
    """

    rtu: int
    ascii: int
    bursts: int
    nats: float


def checks(values: NDArray[np.int64], good: NDArray[np.bool_], gap: NDArray[np.float64], data_bits: int) -> Checks:
    """Count frames among characters of 7 or 8 data bits: RTU needs 8 (2.5.1).

    gap: bit times of rest after each; a frame holds good characters only.
    """
    ends = np.flatnonzero((gap > _SILENCE_BITS) | ~np.isfinite(gap)) + 1
    if len(values) and (len(ends) == 0 or ends[-1] != len(values)):
        ends = np.append(ends, len(values))
    text = (values & 0xFF).astype(np.uint8).tobytes()
    rtu: list[bytes] = []
    start = 0
    for end in ends.tolist():
        if data_bits == 8 and good[start:end].all():
            rtu += _rtu(text[start : min(end, start + _MOST_BURST)])
        start = end
    lines = _ascii(text, good)
    tries = float(np.log(len(ends) / len(rtu))) if rtu else 0.0  # each row is one more chance for an accident
    nats = len(set(rtu)) * max(_RTU_NATS - tries, 0.0) + len(set(lines)) * _ASCII_NATS
    return Checks(len(rtu), len(lines), len(ends), nats)


def _rtu(burst: bytes) -> list[bytes]:
    """Return the frames that stand one after the other from the start of a burst on."""
    if _LEAST_RTU <= len(burst) <= _MOST_RTU and crc16(burst) == 0:
        return [burst]
    found: list[bytes] = []
    at = 0
    while at + _LEAST_RTU <= len(burst):
        length = next((n for n in _lengths(burst[at : at + 7]) if crc16(burst[at : at + n]) == 0), None)
        if length is None or at + length > len(burst):
            break
        found.append(burst[at : at + length])
        at += length
    return found


def _lengths(head: bytes) -> list[int]:
    """Return the lengths of the commonest frames that begin so (Application Protocol V1.1b3, 6.1 to 6.16)."""
    lengths = {8, 5, 5 + head[2]}
    if len(head) == 7:
        lengths.add(9 + head[6])
    return sorted(n for n in lengths if n <= _MOST_RTU)


def _ascii(text: bytes, good: NDArray[np.bool_]) -> list[bytes]:
    """Return the lines ``:`` hex digits LRC CR LF (Modbus over Serial Line V1.02, 2.5.2)."""
    found: list[bytes] = []
    at = text.find(b":")
    while at >= 0:
        end = text.find(b"\r\n", at, at + 516)
        body = text[at + 1 : end]
        if end > 0 and good[at : end + 2].all() and _is_line(body):
            found.append(body)
        at = text.find(b":", at + 1)
    return found


def _is_line(body: bytes) -> bool:
    """Return whether body is what stands between colon and CR: the LRC makes all bytes add up to 0."""
    if len(body) < 6 or len(body) % 2 or not _HEX.issuperset(body):
        return False
    return sum(bytes.fromhex(body.decode())) & 0xFF == 0
