"""The clocks and the waiting of a process that listens. The one place of a recording that looks at a clock."""

import contextlib
import select
import signal
import socket
import time
from collections.abc import Iterator, Sequence
from typing import Protocol

from sidetap.quantity import NS_PER_S
from sidetap.station.ports.signals import signalled
from sidetap.station.ports.tap import Tap

_LONGEST_WAIT_S = 3600.0


class Clock(Protocol):
    """Time, and waiting. All in ns.

    told_to_end: somebody wants the work ended, by Ctrl-C or a signal.
    """

    told_to_end: bool

    def now_ns(self) -> int:
        """Return the time that began as UTC and since goes on evenly, whatever is done to the time of day."""
        ...

    def monotonic_ns(self) -> int:
        """Return the machine's own even clock, which counts from anywhere."""
        ...

    def utc_ns(self) -> int:
        """Return the time of day as the machine has it at present."""
        ...

    def wait(self, taps: Sequence[Tap], until_ns: int) -> None:
        """Return when a tap has something, when it is until_ns on now_ns, or when told to end."""
        ...


class MachineClock:
    """The machine's clocks. Made by ``machine_clock``."""

    def __init__(self, woken: socket.socket) -> None:
        self.told_to_end = False
        self._woken = woken
        self._ahead_ns = time.time_ns() - time.monotonic_ns()

    def now_ns(self) -> int:
        """Return the even time that began as UTC."""
        return time.monotonic_ns() + self._ahead_ns

    def monotonic_ns(self) -> int:
        """Return the machine's own even clock."""
        return time.monotonic_ns()

    def utc_ns(self) -> int:
        """Return the time of day."""
        return time.time_ns()

    def wait(self, taps: Sequence[Tap], until_ns: int) -> None:
        """Wait for bytes, the time or a signal, whatever comes first."""
        wait_s = min(max(0.0, (until_ns - self.now_ns()) / NS_PER_S), _LONGEST_WAIT_S)
        waiting = [self._woken.fileno(), *(tap.fileno() for tap in taps)]
        ready, _, _ = select.select(waiting, [], [], wait_s)
        if self._woken.fileno() in ready:
            self._woken.recv(64)
            self.told_to_end = True


@contextlib.contextmanager
def machine_clock() -> Iterator[MachineClock]:
    """Give the machine's clock; until the block ends, Ctrl-C and the like only tell it so."""
    names = ("SIGINT", "SIGTERM", "SIGHUP")  # there is no SIGHUP on Windows
    with signalled(*(getattr(signal, name) for name in names if hasattr(signal, name))) as woken:
        yield MachineClock(woken)
