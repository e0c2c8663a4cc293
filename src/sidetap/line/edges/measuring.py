"""The bit time by least squares over whole characters, and a baud said as people say it."""

import numpy as np
from numpy.typing import NDArray

from sidetap.line.edges.bit_time import BitTime
from sidetap.line.edges.stretch import Line

Floats = NDArray[np.float64]

_CUSTOMARY = (300, 600, 1200, 2400, 4800, 9600, 14400, 19200, 28800, 38400, 57600, 76800, 115200, 230400)
"""Bits a second that lines are usually set to; common practice, no source."""

_CLEAR = 0.35  # bit times off a bit's border: more is a disturbance
_AT_ONCE = 1 << 16  # characters worked on together: bounds memory


def measured(line: Line, bit: BitTime, bits: int, start_ns: Floats) -> tuple[BitTime, float]:
    """Return the bit time over characters that start at start_ns, and its standard uncertainty in ns.

    Each character has a start of its own in the fit, so that the jitter of its start bit doesn't count twice. How
    much later rises come than falls is in it too, since rises stand later in a character.
    """
    squares = np.zeros((3, 3))  # of bits, rises and times
    freedom = -2
    for at in range(0, len(start_ns), _AT_ONCE):
        columns, counted = _within(line, bit.bit_ns, bits, start_ns[at : at + _AT_ONCE])
        squares += columns @ columns.T
        freedom += counted
    (nn, nr, nx), (_, rr, rx), (_, _, xx) = squares.tolist()
    det = nn * rr - nr * nr
    if freedom < 1 or det <= 1e-9 * nn * rr:
        return bit, 0.1 * bit.bit_ns
    bit_ns, late_ns = (rr * nx - nr * rx) / det, (nn * rx - nr * nx) / det
    spread_ns = float(np.sqrt(max(xx - bit_ns * nx - late_ns * rx, 0.0) / freedom))
    skew_ns = bit.skew_ns + (-late_ns if line.inverted else late_ns)
    return BitTime(bit_ns, skew_ns, spread_ns / bit_ns, bit.cost), spread_ns * float(np.sqrt(rr / det))


def _within(line: Line, bit_ns: float, bits: int, start_ns: Floats) -> tuple[Floats, int]:
    """Return each character's edges about their mean, as bits, rises and ns, and how many beyond one a character."""
    first = np.searchsorted(line.t_ns, start_ns - 0.5 * bit_ns)
    index = first[:, None] + np.arange(bits + 1)
    offset = line.t_ns[np.minimum(index, len(line.t_ns) - 1)] - start_ns[:, None]
    whole = np.rint(offset / bit_ns)
    use = (index < len(line.t_ns)) & (whole < bits) & (np.abs(offset / bit_ns - whole) < _CLEAR)
    count = np.maximum(use.sum(axis=1, keepdims=True), 1)
    rise = (index - line.first_fall) % 2 * 1.0
    columns = []
    for values in (whole, rise, offset):
        used = np.where(use, values, 0.0)
        columns.append(np.where(use, used - used.sum(axis=1, keepdims=True) / count, 0.0).ravel())
    return np.stack(columns), int((count - 1).sum())


def customary(baud: float) -> int:
    """Return what lines are usually set to, nearest to baud."""
    return min(_CUSTOMARY, key=lambda known: abs(known / baud - 1))


def rounded(baud: float, baud_u: float) -> int:
    """Return a measured baud as a whole number: a customary one where the measurement can't tell it apart."""
    near = customary(baud)
    return near if abs(near - baud) <= max(2 * baud_u, 0.5) else round(baud)
