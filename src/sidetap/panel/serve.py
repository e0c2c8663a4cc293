"""An application -> a listening server, until SIGTERM or SIGINT.

The socket is bound before anything else, so that a taken port is one plain error, and the address is announced
only when a request would be answered.
"""

from __future__ import annotations

import socket
from collections.abc import Callable
from ipaddress import ip_address

import uvicorn
from starlette.applications import Starlette

from sidetap.errors import BadInput

GRACE_S = 1  # open WebSockets would otherwise hold the process for ever
MESSAGE_LIMIT_BYTES = 16_384


def is_loopback(host: str) -> bool:
    """Return whether only this machine can reach host."""
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


def serve(app: Starlette, host: str, port: int, announce: Callable[[str], None]) -> None:
    """Serve app until told to stop; announce gets the address as soon as it answers. port 0: any free one.

    Raises BadInput when the address can't be had.
    """
    listening = _bind(host, port)
    bound_port = listening.getsockname()[1]
    shown_host = f"[{host}]" if ":" in host else host
    config = uvicorn.Config(
        app,
        ws="websockets-sansio",
        ws_max_size=MESSAGE_LIMIT_BYTES,
        ws_per_message_deflate=False,
        ws_ping_interval=5.0,
        ws_ping_timeout=5.0,
        lifespan="on",
        log_config=None,
        access_log=False,
        proxy_headers=False,
        server_header=False,
        timeout_graceful_shutdown=GRACE_S,
    )
    with listening:
        _Announcing(config, lambda: announce(f"http://{shown_host}:{bound_port}/")).run(sockets=[listening])


class _Announcing(uvicorn.Server):
    def __init__(self, config: uvicorn.Config, ready: Callable[[], None]) -> None:
        super().__init__(config)
        self._ready = ready

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        if self.started:
            self._ready()


def _bind(host: str, port: int) -> socket.socket:
    place = f"--host {host} --port {port}"
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        listening = socket.socket(family, kind, protocol)
    except (OSError, OverflowError, UnicodeError) as e:
        raise BadInput(place, f"no such address ({e})", "Give an address of this machine.") from e
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(address)
        listening.listen(64)
        listening.setblocking(False)
    except OSError as e:
        listening.close()
        raise BadInput(place, f"can't listen there ({e.strerror})", "Give another port, or 0 for a free one.") from e
    return listening
