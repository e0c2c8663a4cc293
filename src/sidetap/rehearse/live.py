"""The live demo: yard, station and panel as three processes on the wall clock, started, watched and ended together.

A prepared folder in, the panel's address out. Each process says one line when it is ready. Whatever happens, `close`
leaves nothing running: panel first, then the station, which closes its valves, then the yard.
"""

import os
import selectors
import signal
import subprocess
import sys
import time
from pathlib import Path
from types import TracebackType

from sidetap.errors import BadInput
from sidetap.rehearse.field import tell
from sidetap.rehearse.folder import DemoFolder

READY_WITHIN_S = 30.0
ENDS_WITHIN_S = 10.0


class LiveDemo:
    """Three processes on a demo folder. As a context it ends what was started; ``address`` is the panel's."""

    def __init__(self, folder: DemoFolder, seed: int, port: int = 0) -> None:
        self.folder = folder
        self._seed = seed
        self._port = port
        self.processes: dict[str, subprocess.Popen[str]] = {}
        self.address = ""

    def __enter__(self) -> "LiveDemo":
        return self

    def __exit__(self, *_: type[BaseException] | BaseException | TracebackType | None) -> None:
        self.close()

    def start(self) -> None:
        """Start all three, the yard first."""
        self.start_field()
        self.start_station()
        self.start_panel()

    def start_field(self) -> None:
        """Start the yard."""
        self._start("field", "-m", "sidetap.rehearse.field", str(self.folder.root), str(self._seed))

    def start_station(self) -> None:
        """Start the station, or start it again."""
        self._start("station", "-m", "sidetap", "run", *self._site())

    def start_panel(self) -> None:
        """Start the panel, or start it again."""
        said = self._start("panel", "-m", "sidetap", "panel", *self._site(), "--port", str(self._port))
        self.address = said.split()[-1]
        # one that is started again is found where it was, so that an open page comes back by itself
        self._port = int(self.address.rstrip("/").rpartition(":")[2])

    def tell(self, words: str) -> str:
        """Let something happen in the yard, in words, and return the yard's answer."""
        return tell(self.folder.root, words)

    def ended(self) -> str | None:
        """Return the name of a process that is gone, None while all run."""
        return next((name for name, process in self.processes.items() if process.poll() is not None), None)

    def kill(self, name: str) -> None:
        """End one process as a power cut would."""
        process = self.processes.pop(name)
        process.kill()
        _forget(process)

    def close(self) -> None:
        """End what runs, in order, and wait until it is gone."""
        for name in ("panel", "station", "field"):
            process = self.processes.pop(name, None)
            if process is None:
                continue
            if process.poll() is None:
                process.send_signal(signal.SIGCONT)  # one that a person has stopped can't end either
                process.terminate()
            try:
                process.wait(ENDS_WITHIN_S)
            except subprocess.TimeoutExpired:
                process.kill()
            _forget(process)

    def _site(self) -> list[str]:
        return [str(self.folder.site), "--state", str(self.folder.state)]

    def _start(self, name: str, *arguments: str) -> str:
        log = self.folder.root / f"{name}.log"
        with log.open("w", encoding="utf-8") as errors:
            # a session of its own: Ctrl-C at the terminal reaches the demo only, which ends the others in order
            process = subprocess.Popen(  # noqa: S603  (our own commands)
                [sys.executable, *arguments],
                stdout=subprocess.PIPE,
                stderr=errors,
                stdin=subprocess.DEVNULL,
                text=True,
                start_new_session=True,
            )
        self.processes[name] = process
        return _first_line(name, process, log)


def _forget(process: "subprocess.Popen[str]") -> None:
    process.wait()
    if process.stdout is not None:
        process.stdout.close()


def _first_line(name: str, process: subprocess.Popen[str], log: Path) -> str:
    """Wait for the line that says it is ready; BadInput with what it said instead."""
    assert process.stdout is not None  # noqa: S101  (it was started with a pipe)
    said = b""
    until_s = time.monotonic() + READY_WITHIN_S
    with selectors.DefaultSelector() as waiting:
        waiting.register(process.stdout, selectors.EVENT_READ)
        while b"\n" not in said and waiting.select(max(0.0, until_s - time.monotonic())):
            data = os.read(process.stdout.fileno(), 4096)
            if not data:
                break
            said += data
    if b"\n" in said:
        return said.partition(b"\n")[0].decode()
    told = log.read_text(encoding="utf-8", errors="replace").strip().removeprefix("error: ")
    raise BadInput(f"the demo's {name}", told.rstrip(".") or "it did not start", f"What it said is in {log}.")
