"""Transactions are believed a little late, so that none of a backlog ever is."""

from __future__ import annotations

from station_bench import poll

from sidetap.line import Chunk, Settings
from sidetap.quantity import NS_PER_MS
from sidetap.station.listening import HOLD_NS, Listener

CYCLE = poll(11, 3, 100, [3480, 1, 183])  # 19 bytes, 11 ms of line time
START_NS = 10**9


def test_a_transaction_is_handed_out_once_and_in_order() -> None:
    listener = Listener(Settings(19200, "8E1"))
    listener.receive(Chunk(START_NS, CYCLE + poll(12, 3, 0, [1, 2])))
    assert listener.take(START_NS + HOLD_NS - 1) == []
    assert [t.device for t in listener.take(START_NS + HOLD_NS)] == [11, 12]
    assert listener.take(START_NS + 2 * HOLD_NS) == []


def test_a_delivery_in_time_is_no_backlog() -> None:
    listener = Listener(Settings(19200, "8E1"))
    for n in range(20):
        listener.receive(Chunk(START_NS + n * 1000 * NS_PER_MS, CYCLE))
    taken = listener.take(START_NS + 30_000 * NS_PER_MS)
    assert len(taken) == 20
    assert not any(t.backlog for t in taken)


def test_no_part_of_a_backlog_is_fresh_however_it_is_cut() -> None:
    for packet, gap_ns in ((62, NS_PER_MS), (62, 16 * NS_PER_MS), (19, 0), (4096, 0)):
        listener = Listener(Settings(19200, "8E1"))
        held = CYCLE * 200
        taken = []
        now_ns = START_NS
        for at in range(0, len(held), packet):
            listener.receive(Chunk(now_ns, held[at : at + packet]))
            taken += listener.take(now_ns)  # a scan after every packet: the worst moment there is
            now_ns += gap_ns
        taken += listener.take(now_ns + HOLD_NS)
        assert len(taken) == 200
        assert all(t.backlog for t in taken), (packet, gap_ns)
