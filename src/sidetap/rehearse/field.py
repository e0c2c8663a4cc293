"""The yard as a process of its own, on the wall clock: what stands outside while station and panel are real.

In a folder it makes `line` (a pseudo-terminal with the plant's line, to be listened to), `module` (another one, with
the relay and input module) and `field.sock`, which takes one line of words and answers with one. Run as
`python -m sidetap.rehearse.field FOLDER [SEED]`; it ends with SIGTERM or Ctrl-C.
"""

import contextlib
import os
import selectors
import signal
import socket
import sys
import time
import tty
from pathlib import Path

from sidetap.rehearse.module_server import ModuleServer
from sidetap.rehearse.words import act
from sidetap.yard import Yard
from sidetap.yard.live import LiveLine

TICK_S = 0.005  # well under the adapter's 16 ms


class _Stopped(Exception):
    """Somebody asked the process to end."""


class Terminal:
    """A raw pseudo-terminal under a name; whoever opens the name talks to its master side here."""

    def __init__(self, link: Path) -> None:
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self.master, False)
        self._link = link
        link.unlink(missing_ok=True)
        link.symlink_to(os.ttyname(self._slave))

    def close(self) -> None:
        """Take it away."""
        self._link.unlink(missing_ok=True)
        os.close(self._slave)
        os.close(self.master)


def serve(folder: Path, seed: int) -> None:
    """Run the yard in folder until a signal ends it."""
    yard = Yard(seed, night_window=False, noise=True)
    line = LiveLine(yard, folder / "line", time.monotonic_ns())
    module = Terminal(folder / "module")
    server = ModuleServer(yard.module)
    words = socket.socket(socket.AF_UNIX)
    address = folder / "field.sock"
    address.unlink(missing_ok=True)
    words.bind(str(address))
    words.listen()
    waiting = selectors.DefaultSelector()
    waiting.register(module.master, selectors.EVENT_READ)
    waiting.register(words, selectors.EVENT_READ)
    sys.stdout.write("field: ready\n")
    sys.stdout.flush()
    try:
        while True:
            ready = {key.fileobj for key, _ in waiting.select(TICK_S)}
            line.step(time.monotonic_ns())
            if module.master in ready:
                answer = server.receive(os.read(module.master, 4096), yard.now_ns)
                with contextlib.suppress(BlockingIOError):
                    os.write(module.master, answer)
            if words in ready:
                _hear(words, yard)
    except _Stopped:
        pass
    finally:
        waiting.close()
        words.close()
        address.unlink(missing_ok=True)
        module.close()
        line.close()


def _hear(words: socket.socket, yard: Yard) -> None:
    """Take one line from whoever called and answer it; a caller who says nothing is not waited for long."""
    caller, _ = words.accept()
    with caller, contextlib.suppress(OSError):
        caller.settimeout(0.2)
        said = caller.makefile("rw", encoding="utf-8", newline="\n")
        try:
            reply = act(yard, said.readline())
        except ValueError as problem:
            reply = f"not understood: {problem}"
        said.write(reply + "\n")
        said.flush()


def tell(folder: Path, line: str) -> str:
    """Say one line to the field process that runs in folder, and return its answer."""
    with socket.socket(socket.AF_UNIX) as caller:
        caller.connect(str(folder / "field.sock"))
        said = caller.makefile("rw", encoding="utf-8", newline="\n")
        said.write(line.strip() + "\n")
        said.flush()
        return said.readline().strip()


def _stop(_signal: int, _frame: object) -> None:
    raise _Stopped


if __name__ == "__main__":
    signal.signal(signal.SIGTERM, _stop)
    signal.signal(signal.SIGINT, _stop)
    serve(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 1)
