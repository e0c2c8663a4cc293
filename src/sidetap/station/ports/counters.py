"""What the driver of a serial port counts: a descriptor -> numbers of errors by kind, where it counts at all.

Source: struct serial_icounter_struct and TIOCGICOUNT of Linux, linux/serial.h; from memory.
"""

import fcntl
import struct
import termios
from dataclasses import dataclass

from sidetap.line.chunk import BREAK, FRAMING, PARITY

_COUNTS = struct.Struct("20i")  # four of modem lines, received, sent, then those named next
_FRAMING, _OVERRUN, _PARITY, _BREAK, _BUFFER_OVERRUN = range(6, 11)


@dataclass(frozen=True, slots=True)
class Counters:
    """Errors since the driver was loaded. overruns: of the receiver and of the driver's buffer."""

    parity: int
    framing: int
    breaks: int
    overruns: int

    def moved_since(self, before: "Counters") -> str:
        """Return the flag letters of the kinds of error that came since."""
        kinds = (
            (PARITY, self.parity, before.parity),
            (FRAMING, self.framing, before.framing),
            (BREAK, self.breaks, before.breaks),
        )
        return "".join(letter for letter, now, then in kinds if now != then)


def counters(descriptor: int) -> Counters | None:
    """Return the counts of a port; None where its driver keeps none."""
    try:
        counts = _COUNTS.unpack(fcntl.ioctl(descriptor, termios.TIOCGICOUNT, bytes(_COUNTS.size)))
    except OSError:
        return None
    overruns = counts[_OVERRUN] + counts[_BUFFER_OVERRUN]
    return Counters(counts[_PARITY], counts[_FRAMING], counts[_BREAK], overruns)
