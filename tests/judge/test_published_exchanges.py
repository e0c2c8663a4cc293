"""Every published frame through both runners: alone with its answer, and in every order with the others."""

import random
from collections.abc import Callable

import fastcrc
import pytest
from judge.agreement import incremental, offline
from published_frames import EXCHANGES, MADE_BODIES

from sidetap.line import Batch, Chunk, Noise, Outcome, Settings, Transaction, listen

LINE = Settings.parse("19200 8E1")
MS = 1_000_000
Runner = Callable[[Batch], list[Transaction | Noise]]
RUNNERS: dict[str, Runner] = {
    "offline": lambda batch: offline(listen([batch], LINE)),
    "incremental": lambda batch: incremental(batch, LINE),
}


def framed(body: bytes) -> bytes:
    return body + fastcrc.crc16.modbus(body).to_bytes(2, "little")


def as_ascii(body: bytes) -> bytes:
    """MODBUS over Serial Line V1.02, 2.5.2: colon, two digits a byte, LRC, CR LF."""
    return b":" + (body + bytes((-sum(body) & 0xFF,))).hex().upper().encode() + b"\r\n"


ALL = EXCHANGES + [(framed(request), framed(response)) for request, response in MADE_BODIES]
IDS = [f"{request[1]:02x}-{response[1]:02x}" for request, response in ALL]
FUNCTIONS = {1, 2, 3, 4, 5, 6, 7, 8, 11, 12, 15, 16, 17, 20, 21, 22, 23, 24, 43}


def test_every_public_function_is_here_with_good_check_bytes() -> None:
    assert {request[1] for request, _ in ALL} == FUNCTIONS
    for pair in ALL:
        for frame in pair:
            assert framed(frame[:-2]) == frame


def exchanges_as_batch(pairs: list[tuple[bytes, bytes]], *, timed: bool = True) -> Batch:
    """Return exchanges one after the other, 20 ms from frame to frame and 200 ms from exchange to exchange."""
    chunks = []
    for number, (request, response) in enumerate(pairs):
        for place, frame in enumerate((request, response)):
            chunks.append(Chunk((200 * number + 20 * place) * MS if timed else None, frame))
    return Batch.of(chunks)


def check(
    pairs: list[tuple[bytes, bytes]], events: list[Transaction | Noise], bodies: list[tuple[bytes, bytes]]
) -> None:
    assert b"".join(event.raw for event in events) == b"".join(request + response for request, response in pairs)
    rows = [event for event in events if isinstance(event, Transaction)]
    assert [(row.request, row.response) for row in rows] == bodies
    for row, (request, response) in zip(rows, bodies, strict=True):
        assert row.outcome is (Outcome.EXCEPTION if response[1] & 0x80 else Outcome.ANSWERED)
        assert (row.device, row.function) == (0x11, request[1])
        assert not row.retry
        assert not row.repaired


def bodies_of(pairs: list[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes]]:
    return [(request[:-2], response[:-2]) for request, response in pairs]


@pytest.mark.parametrize("runner", RUNNERS)
@pytest.mark.parametrize("pair", ALL, ids=IDS)
@pytest.mark.parametrize("timed", [True, False])
def test_alone_with_its_answer(pair: tuple[bytes, bytes], runner: str, timed: bool) -> None:
    check([pair], RUNNERS[runner](exchanges_as_batch([pair], timed=timed)), bodies_of([pair]))


@pytest.mark.parametrize("runner", RUNNERS)
@pytest.mark.parametrize("timed", [True, False])
@pytest.mark.parametrize("seed", range(8))
def test_in_any_order_with_the_others(runner: str, timed: bool, seed: int) -> None:
    pairs = ALL * 2
    random.Random(seed).shuffle(pairs)
    check(pairs, RUNNERS[runner](exchanges_as_batch(pairs, timed=timed)), bodies_of(pairs))


@pytest.mark.parametrize("runner", RUNNERS)
@pytest.mark.parametrize("seed", range(4))
def test_in_pieces_of_any_size(runner: str, seed: int) -> None:
    chance = random.Random(seed)
    pairs = chance.sample(ALL, len(ALL))
    data = b"".join(request + response for request, response in pairs)
    chunks = []
    while data:
        size = chance.randint(1, 40)
        chunks.append(Chunk(None, data[:size]))
        data = data[size:]
    check(pairs, RUNNERS[runner](Batch.of(chunks)), bodies_of(pairs))


@pytest.mark.parametrize("runner", RUNNERS)
@pytest.mark.parametrize("timed", [True, False])
def test_the_same_in_ascii_mode(runner: str, timed: bool) -> None:
    bodies = bodies_of(ALL)
    pairs = [(as_ascii(request), as_ascii(response)) for request, response in bodies]
    check(pairs, RUNNERS[runner](exchanges_as_batch(pairs, timed=timed)), bodies)


@pytest.mark.parametrize("runner", RUNNERS)
def test_fields_of_the_published_requests(runner: str) -> None:
    """Table, first register and count, read off the field tables beside each example (AP 6.1-6.17)."""
    wanted = {
        0x01: ("coil", 0x13, 0x13),
        0x02: ("discrete-input", 0xC4, 0x16),
        0x03: ("holding-register", 0x6B, 3),
        0x04: ("input-register", 8, 1),
        0x05: ("coil", 0xAC, 1),
        0x06: ("holding-register", 1, 1),
        0x0F: ("coil", 0x13, 10),
        0x10: ("holding-register", 1, 2),
        0x16: ("holding-register", 4, 1),
        0x17: ("holding-register", 3, 6),
    }
    pairs = [pair for pair in ALL if not pair[1][1] & 0x80]
    rows = [row for row in RUNNERS[runner](exchanges_as_batch(pairs)) if isinstance(row, Transaction)]
    told = {row.function: (row.table, row.register, row.count) for row in rows}
    assert told == {function: wanted.get(function, (None, None, None)) for function in FUNCTIONS}
    values = {row.function: row.words for row in rows}
    assert values[0x03] == (555, 0, 100)
    assert values[0x04] == (10,)
    assert values[0x17] == (254, 2765, 1, 3, 13, 255)
    written = {row.function: row.written for row in rows}
    assert written[0x06] == (1, (3,))
    assert written[0x10] == (1, (10, 258))
    assert written[0x17] == (14, (255, 255, 255))
    inputs = next(row for row in rows if row.function == 2).bits
    assert inputs is not None
    assert sum(bit << place for place, bit in enumerate(inputs)) == 0x35DBAC
