"""One open page: its asks go to the station at once, snapshots and replies come back to it.

A snapshot is sent only after the page has said that it drew the one before (`{"seen": SEQ}`). So a slow page gets
fewer snapshots, never older ones: nothing piles up in a socket between here and the screen. Replies are few and go
first; more than a page can take are dropped, oldest first.

The one thing judged here is whether a press is still of now. An open that was caught in a stalled process, and comes
out of it seconds later, is a press nobody makes any more: a page says which snapshot its person saw, and an open on
one that came in here too long ago goes no further. Closing is never late.
"""

from __future__ import annotations

import asyncio
import json
from collections import deque
from collections.abc import Mapping
from typing import Any

from starlette.websockets import WebSocket, WebSocketDisconnect

from sidetap.panel.asks import for_station
from sidetap.panel.link import Frame, StationLink

REPLIES_KEPT = 16
FRESH_S = 2.0  # a page that is live shows a snapshot of the last 1.5 s


class Conversation:
    """The panel's side of one page. words: the sentences for what the panel itself must refuse."""

    def __init__(self, socket: WebSocket, link: StationLink, bay: str, words: Mapping[str, str]) -> None:
        self._socket = socket
        self._link = link
        self._bay = bay
        self._words = words
        self._replies: deque[str] = deque(maxlen=REPLIES_KEPT)
        self._sent: Frame | None = None
        self._seen = True
        self._wake = asyncio.Event()

    async def run(self) -> None:
        """Talk until the page goes away."""
        stop_listening = self._link.listen(self._wake.set)
        self._wake.set()
        sender = asyncio.create_task(self._send())
        try:
            await self._receive()
        except WebSocketDisconnect:
            pass
        finally:
            stop_listening()
            sender.cancel()
            await asyncio.gather(sender, return_exceptions=True)

    async def _receive(self) -> None:
        while True:
            text = await self._socket.receive_text()
            try:
                message = json.loads(text)
            except (ValueError, RecursionError):
                continue
            if isinstance(message, dict) and "seen" in message:
                self._has_seen(message["seen"])
            else:
                self._ask(message)

    def _has_seen(self, seq: Any) -> None:
        if self._sent is not None and seq == self._sent.seq:
            self._seen = True
            self._wake.set()

    def _ask(self, message: Any) -> None:
        passed = for_station(message, self._bay)
        if passed is None:
            return
        ask = passed["ask"]
        if ask == "open" and not self._is_of_now(message.get("seq")):
            self._reply(ask, None, "late-press")
            return
        self._link.ask(passed, lambda reply: self._reply(ask, reply, "no-station"))

    def _is_of_now(self, seq: Any) -> bool:
        age_s = self._link.age_s(seq) if isinstance(seq, int) else None
        return age_s is not None and age_s <= FRESH_S

    def _reply(self, ask: str, reply: dict[str, Any] | None, otherwise: str) -> None:
        if reply is None:
            reply = {"kind": "reply", "ask": ask, "ok": False, "text": self._words[otherwise]}
        self._replies.append(json.dumps(reply, ensure_ascii=False))
        self._wake.set()

    async def _send(self) -> None:
        while True:
            await self._wake.wait()
            self._wake.clear()
            while self._replies:
                await self._socket.send_text(self._replies.popleft())
            newest = self._link.newest
            if self._seen and newest is not None and newest is not self._sent:
                self._seen, self._sent = False, newest
                await self._socket.send_text(newest.text)
