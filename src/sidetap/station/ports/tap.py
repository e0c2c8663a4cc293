"""A tap on a line: a device or a socket -> chunks. Never writes a payload byte, and can't: it holds no way to.

What the software can't do: Linux raises DTR and RTS whenever a serial port is opened, and until the port is set up
the terminal driver may even echo what it hears. Both are undone at once, and how long it took is told; an adapter
that keys its transmitter by RTS drives the plant's line meanwhile. The only protection is hardware: a receive-only
adapter, or its transmit enable tied off.
"""

import errno
import fcntl
import os
import socket
import stat
import struct
import termios
import time
from collections.abc import Callable
from pathlib import Path

from sidetap.errors import BadInput
from sidetap.line import Chunk, Settings
from sidetap.line.chunk import FRAMING, PARITY
from sidetap.quantity import NS_PER_MS
from sidetap.station.ports.marks import Unmarker
from sidetap.station.ports.terminal import raw_attributes

_MOST = 4096  # bytes a read
_CONNECT_TIMEOUT_S = 5.0
_MODEM_LINES = struct.pack("i", termios.TIOCM_DTR | termios.TIOCM_RTS)


class TapLost(BadInput):
    """The device is gone or the other side hung up; what was read before stays good."""


class Tap:
    """An opened tap. Made by ``open_tap``.

    raised_ms: for how long the modem lines may have been raised; None where the source has none.
    """

    def __init__(
        self,
        source: str,
        descriptor: int,
        close: Callable[[], None],
        clock: Callable[[], int],
        unmarker: Unmarker | None = None,
        raised_ms: float | None = None,
    ) -> None:
        self.source = source
        self.raised_ms = raised_ms
        self._descriptor = descriptor
        self._close = close
        self._clock = clock
        self._unmarker = unmarker

    def fileno(self) -> int:
        """Return the descriptor, for select."""
        return self._descriptor

    def read(self) -> Chunk | None:
        """Return what has come in, stamped with the clock; None when nothing has. TapLost at the line's end."""
        try:
            data = os.read(self._descriptor, _MOST)
        except BlockingIOError:
            return None
        except OSError as error:
            raise self._lost(error.strerror or "it failed") from None
        if not data:
            raise self._lost("the other side hung up")
        flags = None
        if self._unmarker is not None:
            data, flags = self._unmarker.take(data)
        return Chunk(self._clock(), data, flags) if data else None

    def close(self) -> None:
        """Close the device or socket; a second time does nothing."""
        close, self._close = self._close, lambda: None
        close()

    def _lost(self, reason: str) -> TapLost:
        return TapLost(self.source, f"the line's bytes ended: {reason.lower()}", "Check the adapter and its cable.")


def open_tap(source: str, settings: Settings, clock: Callable[[], int] = time.time_ns) -> Tap:
    """Open a tap for reading only: a device path, ``pty:PATH``, or ``tcp:HOST:PORT`` of a raw serial server.

    clock stamps the chunks, in ns. A serial server keeps its own line settings; those given here must be the same.
    BadInput when the source can't be opened.
    """
    if source.startswith("tcp:"):
        return _open_tcp(source, clock)
    return _open_terminal(source, source.removeprefix("pty:"), settings, clock)


def _open_tcp(source: str, clock: Callable[[], int]) -> Tap:
    host, _, port = source.removeprefix("tcp:").rpartition(":")
    if not host or not port.isdecimal() or not 0 < int(port) < 65536:
        raise BadInput(source, "this names no host and port", "Write tcp:HOST:PORT.")
    try:
        connection = socket.create_connection((host.strip("[]"), int(port)), _CONNECT_TIMEOUT_S)
    except OSError as error:
        raise BadInput(source, f"no connection: {_reason(error)}", "Check the server and the network.") from None
    connection.shutdown(socket.SHUT_WR)  # from here on the kernel itself refuses to send for us
    connection.setblocking(False)
    return Tap(source, connection.fileno(), connection.close, clock)


def _open_terminal(source: str, path: str, settings: Settings, clock: Callable[[], int]) -> Tap:
    if settings.inverted:
        raise BadInput(source, "a serial port can't read an inverted line", "Swap the pair at the adapter.")
    attributes = raw_attributes(source, settings, termios.INPCK | termios.PARMRK)
    try:
        if not stat.S_ISCHR(Path(path).stat().st_mode):
            raise BadInput(source, "this is no serial port", "Give a device such as /dev/serial/by-id/NAME.")
        began_ns = time.monotonic_ns()
        descriptor = os.open(path, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
    except (OSError, ValueError) as error:
        raise BadInput(source, f"it can't be opened: {_reason(error)}", "Check the path and its rights.") from None
    try:
        has_modem_lines = _drop_modem_lines(descriptor)
        termios.tcsetattr(descriptor, termios.TCSANOW, attributes)
        termios.tcflush(descriptor, termios.TCIOFLUSH)  # an echo of what came before echoing was off
        raised_ms = (time.monotonic_ns() - began_ns) / NS_PER_MS if has_modem_lines else None
    except (OSError, termios.error) as error:
        os.close(descriptor)
        reason = error.args[-1] if error.args else "refused"
        raise BadInput(source, f"it can't be set up: {reason}", "Give a serial port or a pty.") from None
    flag = FRAMING if settings.framing[1] == "N" else PARITY
    return Tap(source, descriptor, lambda: os.close(descriptor), clock, Unmarker(flag), raised_ms)


def _drop_modem_lines(descriptor: int) -> bool:
    """Clear DTR and RTS; False where there are none, as on a pty."""
    try:
        fcntl.ioctl(descriptor, termios.TIOCMBIC, _MODEM_LINES)
    except OSError as error:
        if error.errno in (errno.ENOTTY, errno.EINVAL):
            return False
        raise
    return True


def _reason(error: Exception) -> str:
    if isinstance(error, OSError) and error.strerror:
        return error.strerror.lower()
    return str(error).lower()
