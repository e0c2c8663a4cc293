"""The link against a small server on a real Unix socket, in one event loop; no test waits for a clock."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest

from sidetap.panel.link import BACKLOG_LIMIT_BYTES, WAITING_LIMIT, StationLink

Document = dict[str, Any]


class Peer:
    """A station's socket without a station; one connection at a time."""

    def __init__(self) -> None:
        self.heard: asyncio.Queue[Document] = asyncio.Queue()
        self.connected = asyncio.Event()
        self.reads = True
        self.writer: asyncio.StreamWriter | None = None

    async def talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.writer = writer
        self.connected.set()
        if not self.reads:
            return
        with contextlib.suppress(OSError):
            while line := await reader.readline():
                self.heard.put_nowait(json.loads(line))
        writer.close()

    def say(self, *documents: Document) -> None:
        assert self.writer is not None
        for document in documents:
            self.writer.write(json.dumps(document).encode() + b"\n")

    def hang_up(self) -> None:
        assert self.writer is not None
        self.connected.clear()
        self.writer.transport.abort()


@contextlib.asynccontextmanager
async def linked(path: Path, reads: bool = True) -> AsyncIterator[tuple[StationLink, Peer, list[float]]]:
    peer, now = Peer(), [100.0]
    peer.reads = reads
    server = await asyncio.start_unix_server(peer.talk, path=str(path))
    link = StationLink(path, clock=lambda: now[0])
    task = asyncio.create_task(link.run())
    await peer.connected.wait()
    await until(lambda: asks_now(link))
    try:
        yield link, peer, now
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        server.close()
        if peer.writer is not None:
            peer.writer.transport.abort()
        await asyncio.sleep(0)


def asks_now(link: StationLink) -> bool:
    return link._writer is not None


async def until(true: Callable[[], bool]) -> None:
    async with asyncio.timeout(10):
        while not true():
            await asyncio.sleep(0.001)


def run(scenario: Callable[[Path], Awaitable[None]], path: Path) -> None:
    asyncio.run(scenario(path))  # type: ignore[arg-type]


def frame(seq: int) -> Document:
    return {"kind": "snapshot", "seq": seq}


def test_the_newest_snapshot_wins_and_is_passed_word_for_word(tmp_path: Path) -> None:
    async def scenario(path: Path) -> None:
        async with linked(path) as (link, peer, now):
            woken: list[int] = []
            stop = link.listen(lambda: woken.append(1))
            assert link.newest is None
            peer.say(frame(1), frame(2), frame(3))
            await until(lambda: link.newest is not None and link.newest.seq == 3)
            assert link.newest is not None
            assert json.loads(link.newest.text) == frame(3)
            assert len(woken) == 3
            stop()
            now[0] = 101.5
            peer.say(frame(4))
            await until(lambda: link.newest is not None and link.newest.seq == 4)
            assert len(woken) == 3
            assert (link.age_s(3), link.age_s(4), link.age_s(9)) == (1.5, 0.0, None)

    run(scenario, tmp_path / "s")


def test_a_snapshot_that_is_said_again_gets_no_younger(tmp_path: Path) -> None:
    async def scenario(path: Path) -> None:
        async with linked(path) as (link, peer, now):
            peer.say(frame(1))
            await until(lambda: link.newest is not None)
            first, now[0] = link.newest, 103.0
            peer.say(frame(1))
            await until(lambda: link.newest is not first)
            assert link.age_s(1) == 3.0

    run(scenario, tmp_path / "s")


def test_replies_find_their_asks_by_number_late_missing_and_out_of_order(tmp_path: Path) -> None:
    async def scenario(path: Path) -> None:
        async with linked(path) as (link, peer, _):
            got: list[tuple[int, object]] = []
            for i in range(4):
                link.ask({"ask": "open", "valve": "B1"}, lambda reply, i=i: got.append((i, reply)))  # type: ignore[misc]
            heard = [await peer.heard.get() for _ in range(4)]
            assert all({k: v for k, v in h.items() if k != "n"} == {"ask": "open", "valve": "B1"} for h in heard)
            for i in (3, 1, 0):  # the second is left without an answer
                peer.say({"kind": "reply", "ask": "open", "n": heard[i]["n"], "text": str(i)})
            await until(lambda: len(got) == 3)
            assert got == [(i, {"kind": "reply", "ask": "open", "text": str(i)}) for i in (3, 1, 0)]
            again = {"kind": "reply", "ask": "open", "n": heard[0]["n"]}
            peer.say(again, {"kind": "reply", "ask": "open"}, {"kind": "reply", "n": "1"}, frame(1))
            await until(lambda: link.newest is not None)
            assert len(got) == 3

    run(scenario, tmp_path / "s")


def test_asks_that_get_no_answer_are_given_up_oldest_first(tmp_path: Path) -> None:
    async def scenario(path: Path) -> None:
        async with linked(path) as (link, _, _now):
            given_up: list[int] = []
            for i in range(WAITING_LIMIT + 2):
                link.ask({"ask": "alive"}, lambda reply, i=i: given_up.append(i))  # type: ignore[misc]
            assert given_up == [0, 1]

    run(scenario, tmp_path / "s")


def test_without_a_station_an_ask_is_refused_at_once_and_not_kept(tmp_path: Path) -> None:
    got: list[object] = []
    StationLink(tmp_path / "nobody").ask({"ask": "close"}, got.append)
    assert got == [None]


def test_a_lost_connection_answers_every_ask_forgets_what_was_shown_and_dials_again(tmp_path: Path) -> None:
    async def scenario(path: Path) -> None:
        async with linked(path) as (link, peer, _):
            got: list[object] = []
            peer.say(frame(7))
            await until(lambda: link.newest is not None)
            link.ask({"ask": "open"}, got.append)
            link.ask({"ask": "close"}, got.append)
            await peer.heard.get()
            peer.hang_up()
            await until(lambda: len(got) == 2)
            assert got == [None, None]
            assert link.newest is None
            await peer.connected.wait()
            await until(lambda: asks_now(link))
            link.ask({"ask": "alive"}, got.append)
            heard = [(await peer.heard.get())["ask"]]
            while heard[-1] != "alive":
                heard.append((await peer.heard.get())["ask"])
            assert "open" not in heard  # not repeated on the new connection

    run(scenario, tmp_path / "s")


@pytest.mark.parametrize("noise", [b"{not json\n", b"\xff\xfe\n", b"x" * (1 << 21)])
def test_a_peer_that_does_not_speak_our_lines_is_hung_up_on(noise: bytes, tmp_path: Path) -> None:
    async def scenario(path: Path) -> None:
        async with linked(path) as (link, peer, _):
            assert peer.writer is not None
            peer.connected.clear()
            peer.writer.write(noise)
            await peer.connected.wait()  # dialled again
            assert link.newest is None

    run(scenario, tmp_path / "s")


def test_documents_that_are_neither_snapshot_nor_reply_are_passed_over(tmp_path: Path) -> None:
    async def scenario(path: Path) -> None:
        async with linked(path) as (link, peer, _):
            assert peer.writer is not None
            peer.writer.write(
                b'[1]\n"x"\n{"kind":"snapshot"}\n{"kind":"snapshot","seq":"3"}\n{"kind":"other","seq":1}\n'
            )
            peer.say(frame(5))
            await until(lambda: link.newest is not None)
            assert link.newest is not None
            assert link.newest.seq == 5

    run(scenario, tmp_path / "s")


def test_a_station_that_does_not_read_gets_no_growing_queue(tmp_path: Path) -> None:
    async def scenario(path: Path) -> None:
        async with linked(path, reads=False) as (link, _, _now):
            refused: list[object] = []
            for _ in range(2000):
                link.ask({"ask": "ticket", "person": "x" * 200, "vessels": ["y" * 200] * 60}, refused.append)
                await asyncio.sleep(0)
            assert refused
            assert set(refused) == {None}
            assert link._writer is not None
            assert link._writer.transport.get_write_buffer_size() < 2 * BACKLOG_LIMIT_BYTES + 13_000
            assert len(link._waiting) <= WAITING_LIMIT

    run(scenario, tmp_path / "s")
