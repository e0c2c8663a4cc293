"""Signals -> a byte on a socket that a loop can wait for, so that no signal interrupts what is half done."""

import contextlib
import signal
import socket
from collections.abc import Iterator
from typing import Any


@contextlib.contextmanager
def signalled(*wanted: signal.Signals) -> Iterator[socket.socket]:
    """Turn signals into bytes on the socket given, until the block ends. In the main thread only.

    One that the caller of this process has told it to ignore (nohup) stays ignored.
    """
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    theirs.setblocking(False)
    heeded = [number for number in wanted if signal.getsignal(number) is not signal.SIG_IGN]
    before: dict[int, Any] = {number: signal.signal(number, lambda *_: None) for number in heeded}
    old_descriptor = signal.set_wakeup_fd(theirs.fileno())
    try:
        yield ours
    finally:
        signal.set_wakeup_fd(old_descriptor)
        for number, handler in before.items():
            signal.signal(number, handler)
        ours.close()
        theirs.close()
