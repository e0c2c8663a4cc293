"""Round trips over bits: exchanges -> characters -> levels -> a receiver -> chunks with flags -> rows.

The line and its receivers are the simulated yard's. Both models of a receiver with the wrong parity: one that waits
for rest after a low stop bit hears every byte, and only flags tell; one that takes it for the next start loses nearly
all. Frames follow the MODBUS Application Protocol V1.1b3.
"""

from dataclasses import dataclass
from typing import Literal

import fastcrc
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from judge.agreement import incremental, offline

from sidetap.line import Batch, Chunk, Noise, Outcome, Settings, Transaction, listen
from sidetap.yard import Framing, LineSettings, Receiver
from sidetap.yard.uart import UNDRIVEN, character_bits, receive

DEVICE, WORD = st.integers(1, 247), st.integers(0, 0xFFFF)


def framed(body: bytes) -> bytes:
    return body + fastcrc.crc16.modbus(body).to_bytes(2, "little")


def line(text: str, baud: int = 19200) -> LineSettings:
    return LineSettings(baud, Framing.parse(text))


@dataclass(frozen=True)
class Exchange:
    request: bytes
    response: bytes


@st.composite
def exchanges(draw: st.DrawFn) -> Exchange:
    """Draw a question and its answer, without check bytes."""
    device, function = draw(DEVICE), draw(st.sampled_from((1, 2, 3, 4, 5, 6, 15, 16, 22, 23)))
    head, register = bytes((device, function)), draw(WORD).to_bytes(2, "big")
    count = draw(st.integers(1, 20))
    words = draw(st.binary(min_size=2 * count, max_size=2 * count))
    request = {
        5: head + register + draw(st.sampled_from((b"\x00\x00", b"\xff\x00"))),
        6: head + register + words[:2],
        15: head + register + (8 * count).to_bytes(2, "big") + bytes((count,)) + words[:count],
        16: head + register + count.to_bytes(2, "big") + bytes((2 * count,)) + words,
        22: head + register + draw(st.binary(min_size=4, max_size=4)),
        23: head + register + count.to_bytes(2, "big") + register + b"\x00\x01\x02" + words[:2],
    }.get(function, head + register + (8 * count if function < 3 else count).to_bytes(2, "big"))
    response = {
        1: head + bytes((count,)) + words[:count],
        2: head + bytes((count,)) + words[:count],
        15: request[:6],
        16: request[:6],
        5: request,
        6: request,
        22: request,
    }.get(function, head + bytes((2 * count,)) + words)
    if draw(st.integers(0, 9)) == 0:
        response = bytes((device, function | 0x80, draw(st.sampled_from((1, 2, 3, 4, 6)))))
    return Exchange(request, response)


def levels(talks: list[Exchange], sender: LineSettings) -> list[tuple[int, int]]:
    """Return the line: each answer 12 ms after its request, 25 ms from exchange to exchange."""
    segments: list[tuple[int, int]] = []
    bits, now_ns = character_bits(sender.framing), 1_000_000
    for talk in talks:
        for body, pause_ns in ((talk.request, 12_000_000), (talk.response, 25_000_000)):
            for byte in framed(body):
                segments += [(now_ns + sender.bits_ns(n), bit) for n, bit in enumerate(bits[byte])]
                now_ns += sender.characters_ns(1)
            segments.append((now_ns, UNDRIVEN))
            now_ns += pause_ns
    return segments


def heard(segments: list[tuple[int, int]], receiver: Receiver, latency_ns: int) -> Batch:
    """Return what an adapter delivers at its ticks, with the flags of each byte."""
    pieces: dict[int, tuple[bytearray, list[str]]] = {}
    for run in receive(segments, receiver):
        came_ns = -(-run.first_end_ns // latency_ns) * latency_ns
        data, flags = pieces.setdefault(came_ns, (bytearray(), []))
        data += run.data
        flags.append(run.flags)
    return Batch.of([Chunk(came_ns, bytes(data), "".join(flags)) for came_ns, (data, flags) in pieces.items()])


def by_both(batch: Batch, told: Settings) -> tuple[list[Transaction | Noise], list[Transaction | Noise]]:
    return offline(listen([batch], told)), incremental(batch, told)


def rows_of(events: list[Transaction | Noise]) -> list[tuple[bytes | None, bytes | None, Outcome]]:
    return [(row.request, row.response, row.outcome) for row in events if isinstance(row, Transaction)]


def truth(talks: list[Exchange]) -> list[tuple[bytes | None, bytes | None, Outcome]]:
    ends = (Outcome.ANSWERED, Outcome.EXCEPTION)
    return [(talk.request, talk.response, ends[talk.response[1] >> 7]) for talk in talks]


TALKS = st.lists(exchanges(), min_size=3, max_size=7)
LATENCY = st.sampled_from((1_000_000, 16_000_000))


@settings(max_examples=30, deadline=None)
@given(TALKS, LATENCY, st.sampled_from((("8E1", 19200), ("8N1", 9600), ("8O1", 38400), ("8N2", 115_200))))
def test_what_was_said_is_heard(talks: list[Exchange], latency_ns: int, setting: tuple[str, int]) -> None:
    sender = line(*setting)
    batch = heard(levels(talks, sender), Receiver(sender), latency_ns)
    for events in by_both(batch, Settings(setting[1], setting[0])):
        assert rows_of(events) == truth(talks)
        assert b"".join(event.raw for event in events) == batch.data.tobytes()


@settings(max_examples=15, deadline=None)
@given(TALKS, LATENCY, st.sampled_from(("8O1", "8N1")))
def test_acceptance_01_wrong_parity_hears_all_and_flags_it(
    talks: list[Exchange], latency_ns: int, wrong: str
) -> None:
    """An 8E1 line heard as 8O1, or as 8N1 by a receiver that waits: all check codes hold, so all rows are there."""
    batch = heard(levels(talks, line("8E1")), Receiver(line(wrong), after_low_stop="wait"), latency_ns)
    assert batch.flags is not None
    if wrong == "8O1":
        assert set(batch.flags.tobytes()) == {ord("p")}
    for events in by_both(batch, Settings(19200, wrong)):
        assert rows_of(events) == truth(talks)


@settings(max_examples=15, deadline=None)
@given(TALKS, LATENCY)
def test_acceptance_01_no_parity_without_waiting_invents_nothing(talks: list[Exchange], latency_ns: int) -> None:
    batch = heard(levels(talks, line("8E1")), Receiver(line("8N1"), after_low_stop="start"), latency_ns)
    said = {talk.request for talk in talks} | {talk.response for talk in talks}
    for events in by_both(batch, Settings(19200, "8N1")):
        assert b"".join(event.raw for event in events) == batch.data.tobytes()
        for request, response, outcome in rows_of(events):
            assert request is None or request in said
            assert response is None or response in said
            assert outcome is not Outcome.ANSWERED or (request, response, outcome) in truth(talks)


@pytest.mark.parametrize("after_low_stop", ["wait", "start"])
def test_a_frame_of_known_bits(after_low_stop: Literal["wait", "start"]) -> None:
    """Of the two receivers one hears the level of the demo line's first device (3480 mm), the other one does not."""
    talk = Exchange(bytes.fromhex("0B0300640003"), bytes.fromhex("0B03060D98000100B7"))
    receiver = Receiver(line("8N1"), after_low_stop=after_low_stop)
    batch = heard(levels([talk], line("8E1")), receiver, 16_000_000)
    for events in by_both(batch, Settings(19200, "8N1")):
        words = [row.words for row in events if isinstance(row, Transaction) and row.words is not None]
        assert words == ([(3480, 1, 183)] if after_low_stop == "wait" else [])
