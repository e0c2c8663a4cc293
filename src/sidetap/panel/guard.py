"""Every request in, only ours out: names of this host, pages of this origin, and headers that forbid the rest.

A page of another site that this browser happens to show must not be able to ask for a valve: WebSockets obey no
same-origin rule by themselves, so Origin is compared with Host, and Host with the names this panel serves under
(a foreign name that resolves to loopback is refused too). It never looks into a message.
"""

from __future__ import annotations

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

HEADERS = {
    "content-security-policy": (
        "default-src 'self'; connect-src 'self'; object-src 'none'; base-uri 'none'; form-action 'none'; "
        "frame-ancestors 'none'"
    ),
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cache-control": "no-store",  # a page from a cache would be a page of another day
}


class Guard:
    """ASGI middleware around the whole application; hosts: names without port."""

    def __init__(self, app: ASGIApp, hosts: frozenset[str]) -> None:
        self._app = app
        self._hosts = hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or refuse it."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        allowed = host_name(host) in self._hosts
        if scope["type"] == "websocket":
            if allowed and headers.get("origin") == f"http://{host}":
                await self._app(scope, receive, send)
            else:
                await send({"type": "websocket.close", "code": 1008})
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(HEADERS)
            await send(message)

        app = self._app if allowed else PlainTextResponse("this panel has no such name\n", status_code=421)
        await app(scope, receive, send_with_headers)


def host_name(host: str) -> str:
    """Return a Host header without its port.

    >>> host_name("127.0.0.1:8080"), host_name("[::1]:8080"), host_name("localhost")
    ('127.0.0.1', '::1', 'localhost')
    """
    if host.startswith("["):
        return host[1:].partition("]")[0]
    return host.partition(":")[0]
