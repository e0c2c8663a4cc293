"""Talk to a running station over its Unix socket: snapshots in, asks out. For commands and tests; it blocks."""

from __future__ import annotations

import json
import socket
import stat
from pathlib import Path
from types import TracebackType
from typing import Any

from sidetap.errors import BadInput
from sidetap.station.process import default_state

TIMEOUT_S = 3.0  # a station that runs shows itself five times a second


class Connection:
    """One connection to a station; use it in a ``with``."""

    def __init__(self, socket_path: Path, timeout_s: float = TIMEOUT_S) -> None:
        """Connect; BadInput when no station listens there."""
        self._path = socket_path
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.settimeout(timeout_s)
        try:
            self._socket.connect(str(socket_path))
        except OSError:
            self._socket.close()
            raise BadInput(str(socket_path), "no station runs there", "Start it: sidetap run SITE.") from None
        self._lines = self._socket.makefile("rb")

    def snapshot(self) -> dict[str, Any]:
        """Return the next snapshot."""
        return self._next("snapshot")

    def ask(self, ask: str, **more: Any) -> dict[str, Any]:
        """Ask something and return the reply; snapshots that come before it are passed over."""
        try:
            self._socket.sendall(json.dumps({"ask": ask, **more}).encode() + b"\n")
        except OSError:
            raise self._silent() from None
        return self._next("reply")

    def close(self) -> None:
        """Hang up."""
        self._lines.close()
        self._socket.close()

    def __enter__(self) -> Connection:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _next(self, kind: str) -> dict[str, Any]:
        while True:
            try:
                line = self._lines.readline()
            except OSError:
                line = b""
            if not line.endswith(b"\n"):
                raise self._silent()
            try:
                document: dict[str, Any] = json.loads(line)
                if document["kind"] == kind:
                    return document
            except (ValueError, KeyError, TypeError, RecursionError):
                raise BadInput(str(self._path), "what answers there is no station", "See what runs there.") from None

    def _silent(self) -> BadInput:
        return BadInput(str(self._path), "the station does not answer", "See whether it runs.")


def snapshot(path: Path) -> dict[str, Any]:
    """Return one snapshot of the station whose socket is path, or of the site file path with the default state."""
    is_socket = path.exists() and stat.S_ISSOCK(path.stat().st_mode)
    with Connection(path if is_socket else default_state(path) / "station.sock") as station:
        return station.snapshot()
