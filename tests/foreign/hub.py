"""A line of pseudo-terminals: what one end says, all others hear, as on RS-485."""

import os
import selectors
import threading
import tty
from types import TracebackType


class PtyHub:
    """So many ends on one line. ``path(i)`` is the device of an end; ``said(i)`` the bytes that came from it."""

    def __init__(self, ends: int) -> None:
        pairs = [os.openpty() for _ in range(ends)]
        self._masters = [master for master, _ in pairs]
        self._slaves = [slave for _, slave in pairs]
        for slave in self._slaves:
            tty.setraw(slave)
        self._said = [0] * ends
        self._stop, stop_writer = os.pipe()
        self._stop_writer = stop_writer
        self._thread = threading.Thread(target=self._carry)

    def path(self, end: int) -> str:
        return os.ttyname(self._slaves[end])

    def said(self, end: int) -> int:
        return self._said[end]

    def _carry(self) -> None:
        with selectors.DefaultSelector() as waiting:
            waiting.register(self._stop, selectors.EVENT_READ)
            for master in self._masters:
                waiting.register(master, selectors.EVENT_READ)
            while True:
                for key, _ in waiting.select():
                    if key.fd == self._stop:
                        return
                    data = os.read(key.fd, 4096)
                    self._said[self._masters.index(key.fd)] += len(data)
                    for other in self._masters:
                        if other != key.fd:
                            os.write(other, data)

    def __enter__(self) -> "PtyHub":
        self._thread.start()
        return self

    def __exit__(self, *_: type[BaseException] | BaseException | TracebackType | None) -> None:
        os.write(self._stop_writer, b"x")
        self._thread.join()
        for fd in (*self._masters, *self._slaves, self._stop, self._stop_writer):
            os.close(fd)
