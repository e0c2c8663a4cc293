"""The offline runner: plain, compiled and incremental give the same rows however a line is cut; mending; ASCII.

The lines and their check codes are the tests' own (`synthetic_line`, whose CRC is fastcrc's). The LRC follows MODBUS
over Serial Line V1.02 (2006), 6.2.1.
"""

import random
import subprocess
import sys

import numpy as np
import pytest
from synthetic_line import events, framed, make

from sidetap.line import Batch, Chunk, Mode, Noise, Outcome, Parser, Settings, Transaction, listen, mode_of, offline
from sidetap.line.ascii import Retelling

MS = 1_000_000
LINE = Settings.parse("19200 8E1")
READ, LEVEL = framed(bytes.fromhex("0B0300640003")), framed(bytes.fromhex("0B03060D98000100B7"))
OTHER_READ, OTHER = framed(bytes.fromhex("0D0400080004")), framed(bytes.fromhex("0D040841D8CCCD41933333"))


def heard(chunks: list[Chunk], cuts: int = 0, *, repair: bool = False, seed: int = 0) -> list[Transaction | Noise]:
    places = sorted(random.Random(seed).sample(range(1, len(chunks)), cuts)) if cuts else []
    batches = [Batch.of(chunks[a:b]) for a, b in zip([0, *places], [*places, len(chunks)], strict=True)]
    return [event for columns in listen(batches, LINE, repair=repair) for event in columns.events()]


def hit_line(seed: int) -> list[Chunk]:
    line = make(700, seed=seed)
    line.flip_bits(1e-3, seed=seed + 1)
    line.insert_glitches(0.02, seed=seed + 2)
    return line.chunks()


@pytest.fixture
def compiled(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(offline, "LARGE", 0)
    monkeypatch.setattr(offline, "VERY_LARGE", 0)


@pytest.mark.parametrize("seed", [31, 32, 33])
@pytest.mark.parametrize("timed", [True, False], ids=["timed", "bytes-alone"])
def test_the_runners_agree(seed: int, timed: bool, compiled: None) -> None:
    chunks = hit_line(seed) if timed else [Chunk(None, chunk.data) for chunk in hit_line(seed)]
    parser = Parser(LINE, repair=True)
    one_by_one = []
    for chunk in chunks:
        parser.receive(chunk)
        while (event := parser.next_event()) is not None:
            one_by_one.append(event)
    parser.close()
    while (event := parser.next_event()) is not None:
        one_by_one.append(event)
    assert heard(chunks, repair=True) == one_by_one
    assert heard(chunks, cuts=25, repair=True, seed=seed) == one_by_one
    assert any(isinstance(event, Transaction) and event.repaired for event in one_by_one)


def test_the_plain_runner_hands_over_to_the_compiled_one(monkeypatch: pytest.MonkeyPatch) -> None:
    chunks = hit_line(41)
    plain = heard(chunks, repair=True)
    monkeypatch.setattr(offline, "VERY_LARGE", sum(len(chunk.data) for chunk in chunks) // 2)
    assert heard(chunks, cuts=9, repair=True) == plain


def test_rows_do_not_depend_on_the_cut_even_where_a_backlog_begins() -> None:
    chunks = [Chunk(n * 20 * MS, READ + LEVEL) for n in range(60)]
    chunks += [Chunk(3_000 * MS, (READ + LEVEL) * 10) for _ in range(9)]
    chunks += [Chunk((4_000 + n * 20) * MS, READ + LEVEL) for n in range(60)]
    whole = heard(chunks)
    assert any(isinstance(event, Transaction) and event.backlog for event in whole)
    for seed in range(6):
        assert heard(chunks, cuts=20, seed=seed) == whole


def test_small_records_load_no_compiler() -> None:
    code = (
        "import sys, numpy as np; from sidetap.line import Batch, Chunk, listen;"
        "list(listen([Batch.of([Chunk(0, bytes(100_000))])])); print('numba' in sys.modules)"
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert result.stdout.strip() == "False"


def flipped(frame: bytes, bit: int) -> bytes:
    return (int.from_bytes(frame, "big") ^ 1 << bit).to_bytes(len(frame), "big")


CYCLE = READ + LEVEL + OTHER_READ + OTHER


@pytest.mark.parametrize("bit", range(0, 8 * (len(LEVEL) - 3), 5))
def test_a_single_flipped_bit_of_an_answer_is_mended_and_marked(bit: int) -> None:
    rows = heard([Chunk(None, 4 * CYCLE + READ + flipped(LEVEL, bit) + CYCLE)], repair=True)
    assert [type(row) for row in rows] == [Transaction] * 11
    assert [row.repaired for row in rows if isinstance(row, Transaction)] == [n == 8 for n in range(11)]
    assert isinstance(rows[8], Transaction)
    assert rows[8].words == (3480, 1, 183)
    assert rows[8].raw == READ + flipped(LEVEL, bit)  # the bytes stay as they came


def test_a_flipped_bit_of_a_polled_request_and_one_of_its_answer_are_mended() -> None:
    rows = heard([Chunk(None, 4 * CYCLE + flipped(READ, 20) + flipped(LEVEL, 33) + OTHER_READ + OTHER)], repair=True)
    assert isinstance(rows[8], Transaction)
    assert (rows[8].request, rows[8].response, rows[8].repaired) == (READ[:-2], LEVEL[:-2], True)


@pytest.mark.parametrize(
    "damaged",
    [
        LEVEL[:4] + LEVEL[5:],  # a byte lost
        LEVEL[:4] + b"\x55" + LEVEL[4:],  # a byte added
        flipped(flipped(LEVEL, 20), 44),  # two bits flipped
        LEVEL[:3] + LEVEL[4:6] + b"\x77" + LEVEL[6:],  # one lost, one added
    ],
    ids=["lost", "added", "two-bits", "slipped"],
)
def test_what_no_single_bit_explains_is_not_mended(damaged: bytes) -> None:
    rows = heard([Chunk(None, 4 * CYCLE + READ + damaged + CYCLE)], repair=True)
    assert isinstance(rows[8], Transaction)
    assert rows[8].outcome is Outcome.DAMAGED
    assert not any(row.repaired for row in rows if isinstance(row, Transaction))


def test_a_request_that_nobody_polls_is_not_mended() -> None:
    rare = framed(bytes.fromhex("0B0300700003"))
    rows = heard([Chunk(None, 4 * CYCLE + flipped(rare, 20) + LEVEL + CYCLE)], repair=True)
    assert not any(isinstance(row, Transaction) and row.repaired for row in rows)


def test_what_controls_hears_no_mended_frame() -> None:
    parser = Parser(LINE)
    parser.receive(Chunk(0, 4 * CYCLE + READ + flipped(LEVEL, 40) + CYCLE))
    parser.close()
    rows = []
    while (event := parser.next_event()) is not None:
        rows.append(event)
    assert not any(isinstance(row, Transaction) and row.repaired for row in rows)


def in_ascii(frame: bytes) -> bytes:
    message = frame[:-2]
    return b":" + (message + bytes((-sum(message) & 0xFF,))).hex().upper().encode() + b"\r\n"


def test_an_ascii_line_tells_what_an_rtu_line_tells() -> None:
    frames = [READ, LEVEL, OTHER_READ, OTHER, READ, READ, LEVEL]
    characters = b"".join(in_ascii(frame) for frame in frames)
    rtu = events([Chunk(None, b"".join(frames))])
    for size in (1, 7, 1000):
        chunks = [Chunk(None, characters[at : at + size]) for at in range(0, len(characters), size)]
        parser = Parser(mode=Mode.ASCII)
        rows = []
        for chunk in chunks:
            parser.receive(chunk)
        parser.close()
        while (event := parser.next_event()) is not None:
            rows.append(event)
        for found in (rows, heard(chunks)):
            assert [(r.request, r.response, r.outcome, r.retry) for r in found if isinstance(r, Transaction)] == [
                (r.request, r.response, r.outcome, r.retry) for r in rtu if isinstance(r, Transaction)
            ]
            assert b"".join(row.raw for row in found) == characters


def test_columns_of_an_ascii_line_read_its_words() -> None:
    (columns,) = listen(
        [Batch.of([Chunk(None, in_ascii(READ) + in_ascii(LEVEL) + in_ascii(READ) + in_ascii(LEVEL))])]
    )
    assert columns.mode is Mode.ASCII
    assert columns.answer_words(np.arange(2), 3).tolist() == [[3480, 1, 183]] * 2


def test_the_lrc_of_the_guide() -> None:
    """6.2.1 in words: add all bytes, throw away the carry, take the two's complement: 02 + 07 = 09 -> F7."""
    (piece,) = Retelling().take(b":0207F7\r\n")
    assert piece.told == framed(b"\x02\x07")
    assert [piece.told for piece in Retelling().take(b":0207F6\r\n")] == [b"\xff" * 9]


def test_the_mode_is_told_from_messages() -> None:
    assert mode_of(CYCLE * 10) is Mode.RTU
    assert mode_of(in_ascii(READ)) is Mode.ASCII
    assert mode_of(b"\x00\xff" * 500 + in_ascii(READ) + b"\x81" + in_ascii(LEVEL)) is Mode.ASCII
    assert mode_of(random.Random(3).randbytes(5000)) is Mode.RTU
    assert mode_of(b"") is Mode.RTU


@pytest.mark.parametrize(
    ("text", "messages"),
    [
        (":1103006B00037E\r\n:1107E8\r\n", 2),
        (":1103006B00037F\r\n:1107E8\r\n", 1),
        (":1107E8\r", 0),
        (":1107E8\n", 0),
        (":11EF\r\n", 0),
        ("1107E8\r\n", 0),
        (":11:1107E8\r\n", 1),
    ],
)
def test_ascii_messages_by_form_and_check(text: str, messages: int) -> None:
    """Requests of AP V1.1b3, p. 15 and 22, with the LRC of SL V1.02, 2.5.2.2: -(0x11 + 0x03 + 0x6B + 0x03) = 0x7E."""
    retelling = Retelling()
    pieces = [*retelling.take(text.encode()), *retelling.close()]
    assert sum(piece.told.strip(b"\xff") != b"" for piece in pieces) == messages
    assert sum(piece.length for piece in pieces) == len(text)
