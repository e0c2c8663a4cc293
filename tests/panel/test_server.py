"""The server over HTTP and WebSocket, without a browser: what is let in, what goes out, what piles up."""

from __future__ import annotations

import asyncio
import contextlib
import json
import signal
import socket
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest
from fake_station import FakeStation, bay, snapshot, wait_until
from panel_process import FACTS
from panel_runner import PanelProcess
from starlette.applications import Starlette
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import ClientConnection, connect
from websockets.typing import Origin

from sidetap.errors import BadInput
from sidetap.panel import create_app, is_loopback, serve
from sidetap.panel.app import load_words
from sidetap.panel.guard import host_name

ROUTES = ["", "screen.css", "static/panel.css", "static/main.js", "static/words.en.json", "static/nothing-here"]


def dial(panel: PanelProcess, origin: str | None = "") -> ClientConnection:
    """Return a connection; origin: the panel's own unless given."""
    sent = None if origin is None else Origin(origin or panel.address.rstrip("/"))
    return connect(panel.address.replace("http", "ws") + "live", origin=sent, proxy=None)


@pytest.fixture
def talk(panel: PanelProcess) -> Iterator[ClientConnection]:
    with dial(panel) as connection:
        yield connection


def receive(connection: ClientConnection, kind: str = "snapshot") -> dict[str, Any]:
    while True:
        document: dict[str, Any] = json.loads(connection.recv(timeout=10))
        if document["kind"] == kind:
            return document


def say(connection: ClientConnection, message: object) -> None:
    connection.send(json.dumps(message))


def test_every_answer_carries_a_policy_without_inline_and_eval(panel: PanelProcess) -> None:
    # Content Security Policy Level 3 (W3C): nothing but our own files, and no frame around them
    for route in ROUTES:
        answer = httpx.get(panel.address + route)
        policy = answer.headers["content-security-policy"]
        assert "default-src 'self'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "connect-src 'self'" in policy
        assert "unsafe" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["cache-control"] == "no-store"


def test_the_page_needs_no_inline_style_or_script(panel: PanelProcess) -> None:
    text = httpx.get(panel.address).text
    assert "style=" not in text
    assert "<style" not in text
    assert text.count("<script") == text.count('<script type="module" src="/static/') == 1
    assert " on" not in text.replace(" on the post", "").replace(" one", "")


def test_the_page_says_not_live_before_any_script_runs(panel: PanelProcess) -> None:
    text = httpx.get(panel.address).text
    assert '<body class="not-live"' in text
    assert "NOT LIVE" in text
    assert '<html lang="en">' in text


async def fetch(app: Starlette) -> httpx.Response:
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://localhost") as client:
        return await client.get("/")


def test_names_and_words_of_the_site_are_text_not_markup(tmp_path: Path) -> None:
    hostile = replace(FACTS, bay_name="<script>alert(1)</script>", stop='"><img src=x>')
    app = create_app(tmp_path / "s", "B", hostile)
    answer = asyncio.run(fetch(app))
    text = answer.text
    assert "<script>alert" not in text
    assert "<img" not in text


@pytest.mark.parametrize("host", ["evil.example", "evil.example:80", "127.0.0.1.evil.example", ""])
def test_a_foreign_name_for_this_host_is_refused(panel: PanelProcess, host: str) -> None:
    assert httpx.get(panel.address, headers={"host": host}).status_code in (400, 421)


@pytest.mark.parametrize("origin", [None, "http://evil.example", "null", "https://127.0.0.1", "http://127.0.0.1:1"])
def test_a_page_of_another_origin_gets_no_connection(panel: PanelProcess, station: FakeStation, origin: Any) -> None:
    with pytest.raises(InvalidStatus) as refusal, dial(panel, origin=origin):
        pass
    assert refusal.value.response.status_code == 403


def test_origin_must_be_of_the_very_name_that_was_called(panel: PanelProcess) -> None:
    with pytest.raises(InvalidStatus), dial(panel, origin=f"http://localhost:{panel.port}"):
        pass


def test_host_name() -> None:
    assert [host_name(h) for h in ("a:1", "[::1]:1", "[::1]", "a", "")] == ["a", "::1", "::1", "a", ""]


def test_a_page_that_does_not_keep_up_gets_the_newest_and_nothing_piles_up(
    talk: ClientConnection, station: FakeStation
) -> None:
    first = receive(talk)
    asked = len(station.asks)
    for _ in range(6):  # six rounds to the station and back; snapshots go on meanwhile
        say(talk, {"ask": "alive"})
        receive(talk, "reply")
    seq_now = station.seq
    wait_until(lambda: station.seq > seq_now + 3)
    assert len(station.asks) == asked + 6
    say(talk, {"seen": first["seq"]})
    second = receive(talk)
    assert second["seq"] > first["seq"] + 3
    say(talk, {"seen": first["seq"]})  # an old receipt opens nothing
    seq_now = station.seq
    wait_until(lambda: station.seq > seq_now + 3)
    say(talk, {"ask": "alive"})
    assert json.loads(talk.recv(timeout=10))["kind"] == "reply"


def test_asks_reach_the_station_for_this_bay_only(talk: ClientConnection, station: FakeStation) -> None:
    seen = receive(talk)
    say(talk, {"ask": "open", "valve": "B1", "bay": "A", "seq": seen["seq"], "more": 1})
    assert receive(talk, "reply") == {"kind": "reply", "ask": "open", "ok": True, "text": ""}
    assert station.asks == [{"ask": "open", "bay": "B", "valve": "B1"}]


@pytest.mark.parametrize("seq", [None, "1", -1, 10**9, True])
def test_an_open_on_no_recent_snapshot_goes_no_further(
    talk: ClientConnection, station: FakeStation, seq: Any
) -> None:
    receive(talk)
    say(talk, {"ask": "open", "valve": "B1", "seq": seq})
    reply = receive(talk, "reply")
    assert (reply["ok"], reply["text"]) == (False, load_words()["late-press"])
    assert station.asked("open") == []


def test_close_goes_through_whatever_else_is_wrong(talk: ClientConnection, station: FakeStation) -> None:
    station.answers = False
    for junk in ("{", "[]", '{"ask": 3}', '{"seen": []}', '{"ask": "open"}', "[" * 2000):
        talk.send(junk)
    say(talk, {"ask": "close"})
    wait_until(lambda: station.asked("close") == [{"ask": "close", "bay": "B"}])


def test_without_a_station_the_answer_says_so(tmp_path: Path) -> None:
    panel = PanelProcess(tmp_path / "nobody")
    try:
        with dial(panel) as talk:
            say(talk, {"ask": "close"})
            reply = receive(talk, "reply")
            assert (reply["ok"], reply["text"]) == (False, load_words()["no-station"])
    finally:
        panel.end()


def test_a_message_too_long_ends_the_connection(talk: ClientConnection, station: FakeStation) -> None:
    def until_closed() -> None:
        while True:
            talk.recv(timeout=10)

    talk.send("x" * 100_000)
    with pytest.raises(ConnectionClosed):
        until_closed()


def test_twenty_pages_see_the_same_snapshot(panel: PanelProcess, station: FakeStation) -> None:
    station.show(snapshot(bays=[bay(name="everyone's")]))
    with contextlib.ExitStack() as stack:
        for connection in [stack.enter_context(dial(panel)) for _ in range(20)]:
            document = receive(connection)
            while document["bays"][0]["name"] != "everyone's":
                say(connection, {"seen": document["seq"]})
                document = receive(connection)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_an_open_page_does_not_keep_the_server_from_ending(mortal: PanelProcess, number: int) -> None:
    with dial(mortal) as talk:
        receive(talk)
        assert mortal.end(number) in (0, -number)


def test_a_page_that_hangs_does_not_keep_the_server_from_ending(mortal: PanelProcess) -> None:
    # the opening handshake of RFC 6455, 1.2, and then silence: no answer to the closing either
    with socket.create_connection(("127.0.0.1", mortal.port)) as hung:
        lines = [
            "GET /live HTTP/1.1",
            f"Host: 127.0.0.1:{mortal.port}",
            f"Origin: http://127.0.0.1:{mortal.port}",
            "Upgrade: websocket",
            "Connection: Upgrade",
            "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==",
            "Sec-WebSocket-Version: 13",
        ]
        hung.sendall(("\r\n".join(lines) + "\r\n\r\n").encode())
        assert hung.recv(12) == b"HTTP/1.1 101"
        assert mortal.end(signal.SIGTERM) in (0, -signal.SIGTERM)


def test_a_taken_port_is_one_plain_error(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(BadInput, match="can't listen there"):
            serve(create_app(tmp_path / "s", "B", FACTS), "127.0.0.1", port, lambda _: None)


def test_what_is_loopback() -> None:
    assert all(map(is_loopback, ("127.0.0.1", "127.9.9.9", "::1", "localhost")))
    assert not any(map(is_loopback, ("0.0.0.0", "192.168.1.5", "::", "panel.example", "")))
