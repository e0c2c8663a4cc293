"""A station made of nothing but its socket: it sends the snapshots that a test sets, and keeps what it is asked."""

from __future__ import annotations

import asyncio
import contextlib
import copy
import json
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

Document = dict[str, Any]
PUSH_S = 0.2


def vessel(tag: str, **changes: Any) -> Document:
    names = {"T1": ("North Round", "32-0-0"), "T2": ("South Round", "28-0-0"), "T3": ("Long Barrow", "10-34-0")}
    levels = {"T1": ("11 ft 5 in", "60,371 gal", 0.476), "T2": ("14 ft 2 1/8 in", "84,760 gal", 0.709)}
    text, volume, share = levels.get(tag, ("8 ft 1 15/16 in", "21,576 gal", 0.815))
    trip, low, high = {"T1": (0.082, 0.137, 0.943), "T2": (0.098, 0.164, 0.935)}.get(tag, (0.23, 0.312, 0.902))
    made = {
        "tag": tag, "name": names[tag][0], "product": names[tag][1], "level_01mm": 34800, "level_text": text,
        "volume_text": volume, "share": share, "quality": "good", "reason": "", "age_ms": 400, "was": None,
        "high_share": high, "low_share": low, "trip_share": trip, "tripped": False, "top_text": "24 ft 0 in",
        "rate": None, "to_trip_ms": None, "watch_text": "", "frozen": False,
        "drawn": False, "bypass_ms": 900_000, "bypass": None,
    }  # fmt: skip
    return {**made, **changes}


def unusable(tag: str, **changes: Any) -> Document:
    nothing = {
        "level_01mm": None, "level_text": None, "volume_text": None, "share": None, "quality": "old", "age_ms": 6200,
        "reason": "no fresh level for 5 s", "was": {"level_text": "3.480 m", "local": "10:21:07"},
    }  # fmt: skip
    return vessel(tag, **{**nothing, **changes})


def valve(tag: str, **changes: Any) -> Document:
    made = {
        "tag": tag, "vessel": f"T{tag[1:]}", "command": False, "locked_out": False, "closed": True, "open": False,
        "on_ticket": True, "may_open": True, "blocks": [], "open_ms": 0, "left_ms": 575_000, "limit_ms": 575_000,
    }  # fmt: skip
    return {**made, **changes}


def ticket(**changes: Any) -> Document:
    made = {
        "number": 12, "person": "Tobias Quell", "opened_local": "10:05:11", "vessels": ["T1", "T2"],
        "interrupted": False, "account_share": 0.0, "openings": 0, "openings_left": 2,
    }  # fmt: skip
    return {**made, **changes}


def bay(**changes: Any) -> Document:
    why = [{"text": "the ticket does not name T3", "remedy": "open a ticket that names T3"}]
    made = {
        "tag": "B", "name": "Road", "state": "closed", "choice": "B1", "ticket": ticket(),
        "valves": [valve("B1"), valve("B2"), valve("B3", on_ticket=False, may_open=False, blocks=why)],
        "last_close": None, "selector": "AUTO", "hose": True, "panel_age_ms": 300, "texts": None,
    }  # fmt: skip
    return {**made, **changes}


def snapshot(**changes: Any) -> Document:
    made = {
        "kind": "snapshot", "seq": 0, "utc": "2026-03-02T16:21:07Z", "local": "10:21:07",
        "site": "Tarn Hollow Growers' Co-op", "scheme_hash": "5f0c" * 16, "simulated": True,
        "override": None,
        "vessels": [vessel("T1"), vessel("T2"), vessel("T3")], "bays": [bay()], "alarms": [], "headline": None,
        "people": [
            {"name": "Ines Varga", "role": "lead"}, {"name": "Tobias Quell", "role": "operator"},
            {"name": "Mara Odhiambo", "role": "operator"}, {"name": "R. Achterberg", "role": "engineer"},
            {"name": "P. Linde", "role": "approver"},
        ],
    }  # fmt: skip
    return {**made, **changes}


class FakeStation:
    """Listens on a Unix socket in a thread of its own, until stopped."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.reset()
        self._seq = 0
        self._lock = threading.Lock()
        self._writers: set[asyncio.StreamWriter] = set()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def reset(self) -> None:
        """Be as if new, but for the number of the next snapshot."""
        self.asks: list[Document] = []
        self.refusal: str | None = None  # set: asks other than alive and close are refused with it
        self.mute = False  # neither shows nor replies: a station that hangs, its socket open
        self.answers = True
        self.repeats = False  # shows the same number again and again: a station whose scans stand still
        self._shown = snapshot()

    def show(self, document: Document) -> None:
        with self._lock:
            self._shown = copy.deepcopy(document)

    @property
    def seq(self) -> int:
        return self._seq

    def asked(self, name: str) -> list[Document]:
        return [a for a in list(self.asks) if a.get("ask") == name]

    def stop(self) -> None:
        if self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._serving.cancel)
            self._thread.join(5)

    def _run(self) -> None:
        self._serving = self._loop.create_task(self._serve())
        with contextlib.suppress(asyncio.CancelledError):
            self._loop.run_until_complete(self._serving)
        self._loop.close()

    async def _serve(self) -> None:
        server = await asyncio.start_unix_server(self._talk, path=str(self.path))
        try:
            while True:
                if not self.mute:
                    with self._lock:
                        self._seq += 0 if self.repeats else 1
                        self._shown["seq"] = self._seq
                        line = json.dumps(self._shown).encode() + b"\n"
                    for writer in tuple(self._writers):
                        writer.write(line)
                await asyncio.sleep(PUSH_S)
        finally:
            server.close()
            for writer in tuple(self._writers):
                writer.transport.abort()
            await asyncio.sleep(0)

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.add(writer)
        try:
            while line := await reader.readline():
                message = json.loads(line)
                number = message.pop("n")
                self.asks.append(message)
                if self.mute or not self.answers:
                    continue
                refused = self.refusal if message["ask"] not in ("alive", "close") else None
                reply = {
                    "kind": "reply",
                    "ask": message["ask"],
                    "ok": refused is None,
                    "text": refused or "",
                    "n": number,
                }
                writer.write(json.dumps(reply).encode() + b"\n")
        except (OSError, ValueError, asyncio.CancelledError):
            pass
        finally:
            self._writers.discard(writer)
            writer.close()


@contextlib.contextmanager
def fake_station(path: Path) -> Iterator[FakeStation]:
    station = FakeStation(path)
    wait_until(path.exists)
    try:
        yield station
    finally:
        station.stop()


def wait_until(condition: Any, within_s: float = 10.0) -> None:
    end = time.monotonic() + within_s
    while not condition():
        if time.monotonic() > end:
            raise AssertionError("it did not come true")
        time.sleep(0.01)
