"""The Unix socket that panels connect to: one JSON document a line, each way.

Messages of panels come in, replies and snapshots go out. A panel that is slow misses snapshots and never holds
anything up; one that takes no replies either, or sends no lines, is hung up on.
"""

from __future__ import annotations

import json
import os
import socket
from pathlib import Path
from typing import Any

from sidetap.errors import Refused

LONGEST_LINE = 65_536  # bytes of one message; an ask has some hundred
MOST_UNSENT = 1 << 20  # bytes of replies that a panel may leave unread
MOST_PANELS = 32
_MOST = 65_536  # bytes a read


class Panel:
    """One connected panel."""

    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection
        self._in = b""
        self._out = b""
        self.gone = False

    def fileno(self) -> int:
        """Return the descriptor, for select."""
        return self._connection.fileno()

    @property
    def unsent(self) -> bool:
        """Whether something waits to be taken by the panel."""
        return bool(self._out)

    def read(self) -> list[dict[str, Any]]:
        """Return the whole messages that have come in; what is no JSON object is an empty message."""
        try:
            data = self._connection.recv(_MOST)
        except BlockingIOError:
            return []
        except OSError:
            data = b""
        if not data:
            self.gone = True
            return []
        *lines, self._in = (self._in + data).split(b"\n")
        if len(self._in) > LONGEST_LINE:
            self.gone = True
        return [_message(line) for line in lines if line.strip()]

    def reply(self, document: dict[str, Any]) -> None:
        """Send a reply; it waits its turn behind what is unsent."""
        self._out += encode(document)
        self.gone = self.gone or len(self._out) > MOST_UNSENT
        self.flush()

    def show(self, snapshot: bytes) -> None:
        """Send a snapshot, or leave it out when the panel has not taken the one before."""
        if not self._out:
            self._out = snapshot
            self.flush()

    def flush(self) -> None:
        """Send what the panel takes now."""
        try:
            self._out = self._out[self._connection.send(self._out) :] if self._out else b""
        except BlockingIOError:
            return
        except OSError:
            self.gone = True

    def close(self) -> None:
        """Hang up."""
        self._connection.close()


class PanelDoor:
    """The listening socket. Nobody but the user who runs the station may connect."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.setblocking(False)
        path.unlink(missing_ok=True)  # of a station that was killed: whoever opens this holds the directory's lock
        old_mask = os.umask(0o177)
        try:
            self._socket.bind(str(path))
        except OSError as problem:
            self._socket.close()
            reason = problem.strerror.lower() if problem.strerror else str(problem)
            raise Refused(
                str(path), f"panels can't be served: {reason}", "Use --state with a shorter path."
            ) from None
        finally:
            os.umask(old_mask)
        self._socket.listen(MOST_PANELS)

    def fileno(self) -> int:
        """Return the descriptor, for select."""
        return self._socket.fileno()

    def accept(self) -> Panel | None:
        """Return a panel that has just connected, None when it has gone again."""
        try:
            connection, _ = self._socket.accept()
        except OSError:
            return None
        connection.setblocking(False)
        return Panel(connection)

    def close(self) -> None:
        """Stop to listen, and take the socket's name away."""
        self._socket.close()
        self._path.unlink(missing_ok=True)


def encode(document: dict[str, Any]) -> bytes:
    """Return a document as one line."""
    return json.dumps(document, allow_nan=False, ensure_ascii=True).encode() + b"\n"


def _message(line: bytes) -> dict[str, Any]:
    try:
        message = json.loads(line)
    except (ValueError, RecursionError):
        return {}
    return message if isinstance(message, dict) else {}
