"""Starts a panel server as a process of its own, and ends it in several ways."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

PROCESS = Path(__file__).with_name("panel_process.py")


class PanelProcess:
    """A panel server of its own; start it again after a kill, on the same port."""

    def __init__(self, socket_path: Path) -> None:
        self.socket_path = socket_path
        self.address = ""
        self.port = 0
        self.start()

    def start(self) -> None:
        command = [sys.executable, str(PROCESS), str(self.socket_path), str(self.port)]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert self.process.stdout is not None
        self.address = self.process.stdout.readline().strip()
        self.port = int(self.address.rstrip("/").rpartition(":")[2])

    def send(self, number: int) -> None:
        os.kill(self.process.pid, number)

    def end(self, number: int = signal.SIGKILL) -> int:
        if self.process.poll() is None:
            self.send(number)
        status = self.process.wait(10)
        assert self.process.stdout is not None
        self.process.stdout.close()
        return status
