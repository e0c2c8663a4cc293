"""The simulated line as a device one can listen to: the yard's bytes out through a pseudo-terminal, in real time.

Whoever runs it brings the clock and waits: ``step(now_ns)`` again and again, and when ``fileno()`` is readable.
Bytes that anybody writes into the line from the other side are counted and go nowhere. A pseudo-terminal knows no
baud rate and no parity; what is asked of the settings of its far side is not seen here.
"""

import contextlib
import fcntl
import os
import sys
import termios
import tty
from pathlib import Path

from sidetap.yard.yard import Yard

PERIOD_NS = 16_000_000  # how often the simulated adapter hands over: step at least that often
_UNREAD_MOST = 1024  # bytes, 5 s of this line: more than that nobody is reading, and whoever comes wants fresh ones


class LiveLine:
    """A yard's line on a pseudo-terminal.

    yard: advanced by ``step`` and by nobody else. link: path of a symbolic link to the terminal, replaced if it is
    a link already, removed by ``close``. now_ns: the caller's monotonic clock at the yard's present.
    bytes_lost: what nobody read in time, as in a receiver that overruns.
    """

    def __init__(self, yard: Yard, link: Path, now_ns: int) -> None:
        self.bytes_lost = 0
        self._yard = yard
        self._link = link
        self._zero_ns = now_ns - yard.now_ns
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)  # before anybody opens it: no echo, no translation of bytes
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)  # the slave stays open here, so that the line outlives its readers
        try:
            if link.is_symlink():
                link.unlink()
            link.symlink_to(self.path)
        except OSError:
            self._close_terminal()
            raise

    def fileno(self) -> int:
        """Readable when somebody wrote into the line."""
        return self._master

    def yard_ns(self, now_ns: int) -> int:
        """Return the yard's time at now_ns of the caller's clock."""
        return now_ns - self._zero_ns

    def step(self, now_ns: int) -> None:
        """Let the yard catch up with the clock, hand over what its line said, and count what came back."""
        to_ns = self.yard_ns(now_ns)
        self._yard.advance(to_ns)
        unread = int.from_bytes(fcntl.ioctl(self._slave, termios.FIONREAD, bytes(4)), sys.byteorder)
        if unread > _UNREAD_MOST:
            termios.tcflush(self._slave, termios.TCIFLUSH)
            self.bytes_lost += unread
        for _, data, _ in self._yard.tap.take(to_ns):
            written = 0
            with contextlib.suppress(BlockingIOError):
                written = os.write(self._master, data)
            self.bytes_lost += len(data) - written
        with contextlib.suppress(BlockingIOError):
            self._yard.tap.write(os.read(self._master, 4096))

    def close(self) -> None:
        """Take the line away."""
        if self._link.is_symlink() and os.readlink(self._link) == self.path:
            self._link.unlink()
        self._close_terminal()

    def _close_terminal(self) -> None:
        os.close(self._slave)
        os.close(self._master)
