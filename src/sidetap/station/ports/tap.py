"""A tap on a line: a device or a socket -> chunks. Never writes a payload byte: no tap holds a way to.

What the software can't do: Linux raises DTR and RTS whenever a serial port is opened. They are cleared at once, and
how long that took is told; an adapter that keys its transmitter by RTS drives the plant's line meanwhile. The only
protection is hardware: a receive-only adapter, or its transmit enable tied off.
"""

import time
from collections.abc import Callable
from typing import Protocol

from sidetap.errors import BadInput
from sidetap.line import Chunk, Settings
from sidetap.station.ports.identity import Identity
from sidetap.station.ports.lost import OtherAdapter, TapLost
from sidetap.station.ports.tcp_tap import open_tcp

__all__ = ["OtherAdapter", "Tap", "TapLost", "open_tap"]


class Tap(Protocol):
    """An opened tap.

    source: as it was named. identity: its adapter; None where there is none (a network, a pty).
    raised_ns: for how long at most DTR and RTS were up, in all; None where the source has none.
    """

    source: str
    identity: Identity | None
    raised_ns: int | None

    def fileno(self) -> int:
        """Return the descriptor, for select."""
        ...

    def read(self) -> Chunk | None:
        """Return what has come in, stamped with the clock; None when nothing has. TapLost at the line's end."""
        ...

    def overruns(self) -> int | None:
        """Return how many times bytes were lost before we could read them; None where nobody counts."""
        ...

    def retune(self, settings: Settings) -> None:
        """Listen with other settings from now on, without opening anew; what came in before is dropped.

        BadInput where the source can't: a serial server keeps settings of its own, a pseudo-terminal has none.
        """
        ...

    def close(self) -> None:
        """Close the device or socket; a second time does nothing."""
        ...


def open_tap(
    source: str, settings: Settings, clock: Callable[[], int] = time.time_ns, expected: Identity | None = None
) -> Tap:
    """Open a tap for reading only: a device path, ``pty:PATH``, or ``tcp:HOST:PORT`` of a raw serial server.

    clock stamps the chunks, in ns. A serial server keeps its own line settings; those given here must be the same.
    expected: the adapter it must be, found by its identity wherever it is plugged in; OtherAdapter when another one
    is in its place, which then is not opened. BadInput when the source can't be opened.
    """
    if source.startswith("tcp:"):
        return open_tcp(source, clock)
    try:
        from sidetap.station.ports.terminal_tap import open_terminal  # there are such terminals on Linux only
    except ImportError:
        raise BadInput(source, "serial ports are read on Linux only so far", "Give tcp:HOST:PORT.") from None
    return open_terminal(source, settings, clock, expected)
