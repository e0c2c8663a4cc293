"""The module's port: the one device that the station writes to. A path -> bytes both ways, nobody else beside us.

Opened exclusively: two masters on one module would each undo what the other commands. Bytes that come with a parity
or framing error are dropped by the driver; an answer without them fails its check.
"""

from __future__ import annotations

import fcntl
import os
import stat
import termios
from pathlib import Path

from sidetap.errors import BadInput
from sidetap.line import Settings
from sidetap.station.ports.terminal import raw_attributes, set_up

_MOST = 4096  # bytes a read


class PortLost(BadInput):
    """The device is gone, or does not take what is written."""


class ModulePort:
    """An opened port. Made by ``open_module_port``."""

    def __init__(self, source: str, descriptor: int) -> None:
        self.source = source
        self._descriptor = descriptor

    def fileno(self) -> int:
        """Return the descriptor, for select."""
        return self._descriptor

    def read(self) -> bytes:
        """Return what has come in, empty when nothing has; PortLost at the device's end."""
        try:
            data = os.read(self._descriptor, _MOST)
        except BlockingIOError:
            return b""
        except OSError as problem:
            raise self._lost(problem.strerror or "it failed") from None
        if not data:
            raise self._lost("the other side hung up")
        return data

    def write(self, data: bytes) -> None:
        """Send data at once; PortLost when the device does not take all of it."""
        try:
            taken = os.write(self._descriptor, data)
        except BlockingIOError:
            taken = 0
        except OSError as problem:
            raise self._lost(problem.strerror or "it failed") from None
        if taken != len(data):
            raise self._lost("it takes no more bytes")

    def close(self) -> None:
        """Close the device, and with it our hold on it."""
        os.close(self._descriptor)

    def _lost(self, reason: str) -> PortLost:
        return PortLost(self.source, f"the port is lost: {reason.lower()}", "Check the adapter and its cable.")


def open_module_port(source: str, settings: Settings) -> ModulePort:
    """Open a device path or ``pty:PATH`` for reading and writing; BadInput when it can't be, or is in use."""
    read_errors = termios.INPCK | termios.IGNPAR
    raw_attributes(source, settings, read_errors)  # a speed that can't be had is refused before the opening
    path = source.removeprefix("pty:")
    try:
        if not stat.S_ISCHR(Path(path).stat().st_mode):
            raise BadInput(source, "this is no serial port", "Give a device such as /dev/serial/by-path/NAME.")
        descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
    except (OSError, ValueError) as problem:
        reason = getattr(problem, "strerror", None) or str(problem)
        raise BadInput(source, f"it can't be opened: {reason.lower()}", "Check the path and its rights.") from None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        fcntl.ioctl(descriptor, termios.TIOCEXCL)
        set_up(source, descriptor, settings, read_errors)
    except BlockingIOError:
        os.close(descriptor)
        raise BadInput(source, "another program uses this port", "End it; a module has one master.") from None
    except (OSError, termios.error) as problem:
        os.close(descriptor)
        reason = str(problem.args[-1]).lower()
        raise BadInput(source, f"it can't be set up: {reason}", "Give a serial port or a pty.") from None
    except BadInput:
        os.close(descriptor)
        raise
    return ModulePort(source, descriptor)
