"""The panel's end of the station's Unix socket: lines in, the newest snapshot and replies out; asks in, lines out.

Theory of operation. One connection for the whole panel. A snapshot replaces the one before it: nobody ever gets
an old one because he was slow. Every ask carries a number, and the reply carries it back: a reply that comes late, or
never, can't be taken for that to another ask. When the connection is lost, every open ask is told so, and the link
dials again for ever. An ask is written at once or refused at once, never
kept for later: a press that arrives late is worse than none.

It never changes a snapshot, never makes one up, and never repeats an ask.
"""

from __future__ import annotations

import asyncio
import itertools
import json
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

REDIAL_S = 0.25
LINE_LIMIT_BYTES = 1 << 20  # a snapshot of the biggest yard is some 100 kB
BACKLOG_LIMIT_BYTES = 1 << 14  # more than this unsent: the station isn't reading, and asks are refused
WAITING_LIMIT = 256  # asks without an answer that are remembered; the oldest is given up first
RECENT = 32  # snapshots whose time of arrival is remembered

Document = dict[str, Any]
OnReply = Callable[[Document | None], None]


@dataclass(frozen=True, slots=True)
class Frame:
    """A snapshot as the station wrote it, and when it came in by the monotonic clock."""

    seq: int
    text: str
    at_s: float


class StationLink:
    """Keeps one connection to the station; `run` it as a task, then read `newest` and call `ask`."""

    def __init__(self, socket_path: Path, clock: Callable[[], float] = time.monotonic) -> None:
        self._recent: deque[Frame] = deque(maxlen=RECENT)
        self._path = socket_path
        self._clock = clock
        self._writer: asyncio.StreamWriter | None = None
        self._waiting: dict[int, OnReply] = {}  # by number, oldest first
        self._numbers = itertools.count(1)
        self._listeners: set[Callable[[], None]] = set()

    async def run(self) -> None:
        """Connect, read until the connection ends, and dial again, until cancelled."""
        while True:
            try:
                reader, writer = await asyncio.open_unix_connection(str(self._path), limit=LINE_LIMIT_BYTES)
            except OSError:
                await asyncio.sleep(REDIAL_S)
                continue
            self._writer = writer
            try:
                await self._read(reader)
            finally:
                self._hang_up()
            await asyncio.sleep(REDIAL_S)

    def listen(self, wake: Callable[[], None]) -> Callable[[], None]:
        """Call wake after every new snapshot; returns the function that stops it."""
        self._listeners.add(wake)
        return lambda: self._listeners.discard(wake)

    @property
    def newest(self) -> Frame | None:
        """The newest snapshot; None before the first."""
        return self._recent[-1] if self._recent else None

    def age_s(self, seq: int) -> float | None:
        """Return how long ago the snapshot of that number first came in; None when it is not a recent one."""
        return next((self._clock() - frame.at_s for frame in self._recent if frame.seq == seq), None)

    def ask(self, message: Document, on_reply: OnReply) -> None:
        """Write message to the station now; on_reply gets the reply, or None when there can't be one."""
        writer = self._writer
        if writer is None or writer.is_closing() or writer.transport.get_write_buffer_size() > BACKLOG_LIMIT_BYTES:
            on_reply(None)
            return
        number = next(self._numbers)
        self._waiting[number] = on_reply
        writer.write(json.dumps({**message, "n": number}, ensure_ascii=False).encode() + b"\n")
        if len(self._waiting) > WAITING_LIMIT:
            self._waiting.pop(next(iter(self._waiting)))(None)

    async def _read(self, reader: asyncio.StreamReader) -> None:
        while True:
            try:
                line = await reader.readline()
            except (OSError, ValueError):  # reset by the peer; a line over the limit
                return
            if not line.endswith(b"\n"):  # the end, or a torn last line
                return
            try:
                text = line.decode()
                document = json.loads(text)
            except ValueError:
                return  # not our station: dial again rather than guess where the next line starts
            if isinstance(document, dict):
                self._take(document, text)

    def _take(self, document: Document, text: str) -> None:
        kind, seq = document.get("kind"), document.get("seq")
        if kind == "snapshot" and isinstance(seq, int):
            self._recent.append(Frame(seq, text.rstrip("\n"), self._clock()))
            for wake in tuple(self._listeners):
                wake()
        elif kind == "reply":
            self._answer(document)

    def _answer(self, reply: Document) -> None:
        number = reply.pop("n", None)
        on_reply = self._waiting.pop(number, None) if isinstance(number, int) else None
        if on_reply is not None:
            on_reply(reply)

    def _hang_up(self) -> None:
        if self._writer is not None:
            self._writer.close()
            self._writer = None
        self._recent.clear()
        waiting, self._waiting = self._waiting, {}
        for on_reply in waiting.values():
            on_reply(None)
