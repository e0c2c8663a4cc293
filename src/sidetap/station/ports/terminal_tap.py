"""A serial port or a pty as a tap: a path -> chunks with flags. Opened for reading only, for us alone.

What happens at the opening, in this order: is it the adapter that is expected (before anything is opened, since the
opening itself raises DTR and RTS); open; clear DTR and RTS; take it for us alone; set it up.
"""

import errno
import fcntl
import os
import stat
import struct
import termios
import time
from collections.abc import Callable
from pathlib import Path

from sidetap.errors import BadInput
from sidetap.line import Chunk, Settings
from sidetap.line.chunk import FRAMING, PARITY
from sidetap.station.ports.counters import counters
from sidetap.station.ports.identity import Identity, find, identity
from sidetap.station.ports.lost import OtherAdapter, TapLost, reason_of
from sidetap.station.ports.marks import Unmarker, told_apart
from sidetap.station.ports.terminal import is_pty, raw_attributes, set_up

_MOST = 4096  # bytes a read
_MODEM_LINES = struct.pack("i", termios.TIOCM_DTR | termios.TIOCM_RTS)
_READ_ERRORS = termios.INPCK | termios.PARMRK


class TerminalTap:
    """An opened terminal. Made by ``open_terminal``."""

    def __init__(
        self,
        source: str,
        descriptor: int,
        settings: Settings,
        clock: Callable[[], int],
        adapter: Identity | None,
        raised_ns: int | None,
    ) -> None:
        self.source = source
        self.identity = adapter
        self.raised_ns = raised_ns
        self._descriptor: int | None = descriptor
        self._clock = clock
        self._opened_with = self._counted = counters(descriptor)
        self._tune(settings)

    def fileno(self) -> int:
        """Return the descriptor, for select."""
        return -1 if self._descriptor is None else self._descriptor

    def read(self) -> Chunk | None:
        """Return what has come in, stamped with the clock; None when nothing has. TapLost at the line's end."""
        try:
            marked = os.read(self.fileno(), _MOST)
        except BlockingIOError:
            return None
        except OSError as error:
            raise TapLost(self.source, reason_of(error)) from None
        if not marked:
            raise TapLost(self.source, "the other side hung up")
        t_ns = self._clock()
        data, flags = self._unmarker.take(marked)
        if flags is not None and self._counted is not None:
            now = counters(self.fileno())
            if now is not None:
                flags = told_apart(flags, now.moved_since(self._counted), self._error_flag)
                self._counted = now
        return Chunk(t_ns, data, flags) if data else None

    def overruns(self) -> int | None:
        """Return how many times the driver lost bytes since the opening; None where it does not count."""
        now = counters(self.fileno())
        return None if now is None or self._opened_with is None else now.overruns - self._opened_with.overruns

    def retune(self, settings: Settings) -> None:
        """Listen with other settings from now on; what came in before is dropped."""
        _refuse_inverted(self.source, settings)
        if is_pty(self.fileno()):
            problem = "a pseudo-terminal has no speed and no parity, so that none can be tried"
            raise BadInput(self.source, problem, "Listen with a serial adapter.")
        try:
            set_up(self.source, self.fileno(), settings, _READ_ERRORS)
        except (OSError, termios.error) as error:
            problem = f"it can't be set to {settings}: {reason_of(error)}"
            raise BadInput(self.source, problem, "Use an adapter that can.") from None
        self._tune(settings)

    def close(self) -> None:
        """Close the device, and with it our hold on it."""
        descriptor, self._descriptor = self._descriptor, None
        if descriptor is not None:
            os.close(descriptor)

    def _tune(self, settings: Settings) -> None:
        self._error_flag = FRAMING if settings.framing[1] == "N" else PARITY
        self._unmarker = Unmarker(self._error_flag)
        self._counted = counters(self.fileno())


def open_terminal(
    source: str, settings: Settings, clock: Callable[[], int], expected: Identity | None
) -> TerminalTap:
    """Open a device path or ``pty:PATH``; see ``open_tap``."""
    _refuse_inverted(source, settings)
    raw_attributes(source, settings, _READ_ERRORS)  # a speed that can't be had is refused before anything is opened
    path, adapter = _adapter(source, expected)
    descriptor, raised_ns = _open(source, path)
    try:
        set_up(source, descriptor, settings, _READ_ERRORS)
        return TerminalTap(source, descriptor, settings, clock, adapter, raised_ns)
    except (OSError, termios.error) as error:
        os.close(descriptor)
        problem = f"it can't be set up: {reason_of(error)}"
        raise BadInput(source, problem, "Give a serial port or a pty.") from None
    except BadInput:
        os.close(descriptor)
        raise


def _adapter(source: str, expected: Identity | None) -> tuple[str, Identity | None]:
    """Return the path to open and the adapter there; OtherAdapter when it is not the expected one."""
    path = source.removeprefix("pty:")
    if expected is None:
        return path, identity(path)
    found = find(expected)
    if found is not None:
        return found.device, found
    other = identity(path)
    if other is None:
        raise BadInput(source, f"the adapter is away ({expected})", "Plug it in again.")
    raise OtherAdapter(source, f"another adapter is there ({other})", f"Plug in the one it was ({expected}).")


def _open(source: str, path: str) -> tuple[int, int | None]:
    """Open a character device for us alone and clear its modem lines; also return for how long they were up."""
    try:
        if not stat.S_ISCHR(Path(path).stat().st_mode):
            raise BadInput(source, "this is no serial port", "Give a device such as /dev/serial/by-id/NAME.")
        began_ns = time.monotonic_ns()
        descriptor = os.open(path, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
    except (OSError, ValueError) as error:
        if isinstance(error, OSError) and error.errno == errno.EBUSY:
            raise _in_use(source) from None
        raise BadInput(source, f"it can't be opened: {reason_of(error)}", "Check the path and its rights.") from None
    try:
        # A port that somebody of ours holds already is left as it is: it may be an output, with lines of its own.
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        has_modem_lines = _drop_modem_lines(descriptor)
        raised_ns = time.monotonic_ns() - began_ns if has_modem_lines else None
        if has_modem_lines:  # on a pty this would outlive us, since its other side stays open
            fcntl.ioctl(descriptor, termios.TIOCEXCL)
    except BlockingIOError:
        os.close(descriptor)
        raise _in_use(source) from None
    except OSError as error:
        os.close(descriptor)
        problem = f"it can't be set up: {reason_of(error)}"
        raise BadInput(source, problem, "Give a serial port or a pty.") from None
    return descriptor, raised_ns


def _drop_modem_lines(descriptor: int) -> bool:
    """Clear DTR and RTS; False where there are none, as on a pty."""
    try:
        fcntl.ioctl(descriptor, termios.TIOCMBIC, _MODEM_LINES)
    except OSError as error:
        if error.errno in (errno.ENOTTY, errno.EINVAL):
            return False
        raise
    return True


def _in_use(source: str) -> BadInput:
    return BadInput(source, "another program uses this port", "End it; two on one port take each other's bytes.")


def _refuse_inverted(source: str, settings: Settings) -> None:
    if settings.inverted:
        raise BadInput(source, "a serial port can't read an inverted line", "Swap the pair at the adapter.")
