"""A raw serial server as a tap. Its sending half is shut before the first byte is read: nothing can go out."""

import socket
from collections.abc import Callable

from sidetap.errors import BadInput
from sidetap.line import Chunk, Settings
from sidetap.station.ports.identity import Identity
from sidetap.station.ports.lost import TapLost, reason_of

_MOST = 4096  # bytes a read
_CONNECT_TIMEOUT_S = 2.0  # whoever waits for a server to return does nothing else meanwhile


class TcpTap:
    """A connection to a raw serial server."""

    def __init__(self, source: str, connection: socket.socket, clock: Callable[[], int]) -> None:
        self.source = source
        self.identity: Identity | None = None
        self.raised_ns: int | None = None
        self._connection = connection
        self._clock = clock

    def fileno(self) -> int:
        """Return the descriptor, for select."""
        return self._connection.fileno()

    def read(self) -> Chunk | None:
        """Return what has come in; None when nothing has, TapLost when the server has hung up."""
        try:
            data = self._connection.recv(_MOST)
        except BlockingIOError:
            return None
        except OSError as error:
            raise TapLost(self.source, reason_of(error)) from None
        if not data:
            raise TapLost(self.source, "the other side hung up")
        return Chunk(self._clock(), data)

    def overruns(self) -> int | None:
        """Return None: the server does not tell."""
        return None

    def retune(self, settings: Settings) -> None:
        """Refuse: to set up a server takes bytes, and it gets none."""
        raise BadInput(
            self.source,
            "a serial server keeps its own settings, so that none can be tried",
            "Look at the server's own page, or listen with a serial adapter.",
        )

    def close(self) -> None:
        """Close the connection."""
        self._connection.close()


def open_tcp(source: str, clock: Callable[[], int]) -> TcpTap:
    """Connect to ``tcp:HOST:PORT``; BadInput when nobody is there."""
    host, _, port = source.removeprefix("tcp:").rpartition(":")
    if not host or not port.isdecimal() or not 0 < int(port) < 65536:
        raise BadInput(source, "this names no host and port", "Write tcp:HOST:PORT.")
    try:
        connection = socket.create_connection((host.strip("[]"), int(port)), _CONNECT_TIMEOUT_S)
    except OSError as error:
        raise BadInput(source, f"no connection: {reason_of(error)}", "Check the server and the network.") from None
    try:
        connection.shutdown(socket.SHUT_WR)  # from here on the kernel itself refuses to send for us
    except OSError as error:  # it hung up at once
        connection.close()
        raise BadInput(source, f"no connection: {reason_of(error)}", "Check the server and the network.") from None
    connection.setblocking(False)
    return TcpTap(source, connection, clock)
