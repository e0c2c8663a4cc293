"""Situations that mislead listeners, told one by one, and what the contract makes of each. Both runners must say so.

Forms and lengths after the MODBUS Application Protocol V1.1b3 (AP) and MODBUS over Serial Line V1.02 (SL).
"""

import random
from collections.abc import Callable

import fastcrc
import pytest
from judge.agreement import incremental, offline

from sidetap.line import Batch, Chunk, Noise, Settings, Transaction, listen

LINE = Settings.parse("19200 8E1")
MS = 1_000_000
RUNNERS: dict[str, Callable[[Batch], list[Transaction | Noise]]] = {
    "offline": lambda batch: offline(listen([batch], LINE)),
    "incremental": lambda batch: incremental(batch, LINE),
}


def framed(text: str) -> bytes:
    body = bytes.fromhex(text)
    return body + fastcrc.crc16.modbus(body).to_bytes(2, "little")


def told(events: list[Transaction | Noise]) -> list[str]:
    """Return the outcome of each row, an R behind it where it is a retry."""
    rows = [event for event in events if isinstance(event, Transaction)]
    return [row.outcome.value + (" R" if row.retry else "") for row in rows]


POLLS = [
    (framed("0B0300640003"), framed("0B03060D98000100B7")),
    (framed("0C0300000002"), framed("0C030400010002")),
    (framed("0D0400080004"), framed("0D040841D8CCCD41933333")),
]


class Wire:
    """Frames and pauses, as chunks: 0.573 ms a character (SL 2.5.1.1), one chunk a frame, at its end."""

    def __init__(self) -> None:
        self.now_ns = 0
        self.chunks: list[Chunk] = []
        for _ in range(6):  # what the line is like, before what is tried on it
            self.poll()

    def poll(self, number: int | None = None) -> None:
        """Two ordinary polls, answered after 12 ms."""
        for request, response in POLLS if number is None else POLLS[number : number + 1]:
            self.say(request, 5)
            self.say(response, 12)

    def say(self, frame: bytes, after_ms: float) -> None:
        self.now_ns += round(after_ms * MS) + len(frame) * LINE.character_ns
        self.chunks.append(Chunk(self.now_ns, frame))

    def batch(self, *, lumps: bool = False) -> Batch:
        if not lumps:
            return Batch.of(self.chunks)
        pieces: dict[int, bytearray] = {}
        for chunk in self.chunks:
            begins = (chunk.t_ns or 0) - len(chunk.data) * LINE.character_ns
            for place in range(len(chunk.data)):
                came = -(-(begins + (place + 1) * LINE.character_ns) // (16 * MS)) * 16 * MS
                pieces.setdefault(came, bytearray()).append(chunk.data[place])
        return Batch.of([Chunk(came, bytes(data)) for came, data in pieces.items()])


BEFORE = ["answered"] * 18


def both(wire: Wire, expected: list[str]) -> list[Transaction]:
    """Let the line go on a little, hear it both ways, in frames and in lumps; return the rows of what was tried."""
    for _ in range(3):
        wire.poll()
    rows: list[Transaction] = []
    for lumps in (False, True):
        for name, runner in RUNNERS.items():
            events = runner(wire.batch(lumps=lumps))
            assert told(events)[18:-9] == expected, (name, lumps)
            assert told(events) == [*BEFORE, *expected, *["answered"] * 9], (name, lumps)
            found = [event for event in events if isinstance(event, Transaction)][18:-9]
            assert not any(row.repaired for row in found)
            rows = rows or found
    return rows


WRITE = framed("0F0600C80007")


def test_a_write_and_its_echo_many_times() -> None:
    wire = Wire()
    for _ in range(5):
        wire.say(WRITE, 5)
        wire.say(WRITE, 12)
    both(wire, ["answered"] * 5)


def test_a_write_that_is_answered_at_the_second_try() -> None:
    wire = Wire()
    wire.say(WRITE, 5)
    wire.say(WRITE, 300)
    wire.say(WRITE, 12)
    both(wire, ["unanswered", "answered R"])


def test_a_write_to_a_dead_device_three_times() -> None:
    wire = Wire()
    for _ in range(3):
        wire.say(WRITE, 300)
    wire.now_ns += 300 * MS
    both(wire, ["unanswered", "unanswered R", "unanswered R"])


def test_a_read_without_an_answer_and_its_retry() -> None:
    wire = Wire()
    dead = framed("1C0300000001")
    wire.say(dead, 5)
    wire.say(dead, 100)
    wire.now_ns += 100 * MS
    both(wire, ["unanswered", "unanswered R"])


def test_a_damaged_answer_and_the_retry() -> None:
    wire = Wire()
    request, response = POLLS[0]
    broken = response[:5] + bytes((response[5] ^ 0x41, response[6] ^ 0x14)) + response[7:]
    wire.say(request, 5)
    wire.say(broken, 12)
    wire.say(request, 100)
    wire.say(response, 12)
    both(wire, ["damaged", "answered R"])


def test_a_torn_answer() -> None:
    wire = Wire()
    request, response = POLLS[1]
    wire.say(request, 5)
    wire.say(response[:-3], 12)
    wire.now_ns += 100 * MS
    both(wire, ["damaged"])


def test_bits_that_look_like_a_request_for_address_03xx() -> None:
    """AP 6.2: an answer with three bytes of bits has eight bytes, like a request for 0x0300, 16 of them."""
    wire = Wire()
    for _ in range(4):
        wire.say(framed("110200C40016"), 5)
        wire.say(framed("110203030010"), 12)
    both(wire, ["answered"] * 4)


def test_a_request_for_address_03xx_and_its_answer() -> None:
    wire = Wire()
    for _ in range(4):
        wire.say(framed("110203030011"), 5)
        wire.say(framed("110203030008"), 12)
    for row in both(wire, ["answered"] * 4):
        assert (row.register, row.count) == (0x0303, 0x11)


@pytest.mark.parametrize("written", [1, 5])
def test_write_and_read_whose_lengths_collide(written: int) -> None:
    """AP 6.17: a request that writes one word is as long as an answer of five."""
    wire = Wire()
    words = "00010002000300040005"[: 4 * written]
    for _ in range(3):
        wire.say(framed(f"11170003000500 0E{written:04X}{2 * written:02X}{words}".replace(" ", "")), 5)
        wire.say(framed("11170A" + "00010002000300040005"), 12)
    both(wire, ["answered"] * 3)


def test_a_frame_within_a_payload_of_a_function_of_its_own() -> None:
    inner = POLLS[0][0].hex() + POLLS[0][1].hex()
    wire = Wire()
    for _ in range(3):
        wire.say(framed("1141" + "0102"), 5)
        wire.say(framed("1141" + inner + "00"), 12)
    rows = both(wire, ["answered"] * 3)
    assert {(row.device, row.function) for row in rows} == {(0x11, 0x41)}


def test_a_frame_within_registers() -> None:
    inner = POLLS[1][0].hex() + POLLS[1][1].hex() + "00"
    assert len(inner) == 36
    wire = Wire()
    for _ in range(3):
        wire.say(framed("110300000009"), 5)
        wire.say(framed("110312" + inner), 12)
    both(wire, ["answered"] * 3)


def test_registers_of_ones_and_zeros_and_zeros_behind_a_frame() -> None:
    """A CRC frame followed by what its own check code makes of it stays valid at other lengths too."""
    wire = Wire()
    for words in ("FFFF0000" * 6, "00000000" * 6, "FFFFFFFF" * 6):
        wire.say(framed("11030000000C"), 5)
        wire.say(framed("110318" + words) + b"\0", 12)
    both(wire, ["answered"] * 3)


def test_broadcasts_have_no_answer() -> None:
    """SL 2.2: address 0 is for all, and nobody answers it."""
    wire = Wire()
    for _ in range(2):
        wire.say(framed("000600010003"), 5)
        wire.now_ns += 100 * MS
    wire.say(framed("00100001000102000A"), 5)
    wire.now_ns += 100 * MS
    rows = both(wire, ["broadcast"] * 3)
    assert not any(row.retry for row in rows)


def test_a_device_told_to_be_silent_does_not_answer() -> None:
    """AP 6.8: sub-function 4, force listen only mode: no response is returned."""
    wire = Wire()
    wire.say(framed("110800040000"), 5)
    wire.now_ns += 300 * MS
    both(wire, ["unanswered"])


@pytest.mark.parametrize("function", ["41", "48", "64", "6E", "5A"])
def test_functions_of_a_makers_own(function: str) -> None:
    chance = random.Random(int(function, 16))
    wire = Wire()
    for size in (0, 1, 2, 7, 30, 100, 252):
        wire.say(framed("11" + function + "01020304"), 5)
        wire.say(framed("11" + function + chance.randbytes(size).hex()), 12)
    wire.say(framed("11" + function + "01020304"), 5)
    wire.say(framed(f"11{int(function, 16) | 0x80:02X}01"), 12)
    rows = both(wire, ["answered"] * 7 + ["exception"])
    assert [len(row.response or b"") for row in rows] == [2, 3, 4, 9, 32, 102, 254, 3]


def test_the_longest_frames() -> None:
    """AP 4.1: an ADU has at most 256 bytes."""
    chance = random.Random(1)
    wire = Wire()
    wire.say(framed("11030000007D"), 5)
    wire.say(framed("1103FA" + chance.randbytes(250).hex()), 12)
    wire.say(framed("11100000007BF6" + chance.randbytes(246).hex()), 5)
    wire.say(framed("11100000007B"), 12)
    wire.say(framed("1101000007D0"), 5)
    wire.say(framed("1101FA" + chance.randbytes(250).hex()), 12)
    wire.say(framed("110F000007B0F6" + chance.randbytes(246).hex()), 5)
    wire.say(framed("110F000007B0"), 12)
    wire.say(framed("111801F4"), 5)
    wire.say(framed("11180040001F" + chance.randbytes(62).hex()), 12)
    both(wire, ["answered"] * 5)


@pytest.mark.parametrize(
    ("request_text", "response_text"),
    [
        ("11030000007E", "1103FC" + "00" * 252),  # 126 registers: AP 6.3 allows 125
        ("110300000000", "110300"),
        ("111000000001030001", "111000000001"),  # the byte count is not twice the count
    ],
)
def test_what_the_standard_forbids_is_no_answer(request_text: str, response_text: str) -> None:
    wire = Wire()
    for _ in range(3):
        wire.say(framed(request_text), 5)
        wire.say(framed(response_text), 12)
    for runner in RUNNERS.values():
        rows = [event for event in runner(wire.batch()) if isinstance(event, Transaction)]
        assert not any(row.outcome.value == "answered" for row in rows if row.device == 0x11)


@pytest.mark.parametrize("request_text", ["110300000000", "11030000007E", "110500001234"])
def test_what_a_device_refuses_with_exception_03_is_told(request_text: str) -> None:
    """AP 6.3 and 6.5, state diagrams: a quantity or value out of range is answered by exception 03."""
    wire = Wire()
    for _ in range(3):
        wire.say(framed(request_text), 5)
        wire.say(framed(f"11{int(request_text[2:4], 16) | 0x80:02X}03"), 12)
    both(wire, ["exception"] * 3)


def test_stray_bytes_between_request_and_answer_and_before_them() -> None:
    wire = Wire()
    for stray in (b"\0", b"\xff", b"\xff\0\x55", b"\x0b", b"\x0b\x03"):
        wire.say(stray, 3)
        wire.say(POLLS[0][0], 3)
        wire.say(stray, 5)
        wire.say(POLLS[0][1], 6)
    both(wire, ["answered"] * 5)


def test_an_answer_whose_request_was_broken() -> None:
    wire = Wire()
    request, response = POLLS[0]
    wire.say(bytes((request[0] ^ 0x30, request[1] ^ 0x0C)) + request[2:], 5)
    wire.say(response, 12)
    rows = both(wire, ["unpaired-response"])
    assert (rows[0].function, rows[0].register, rows[0].table, rows[0].count) == (3, None, None, None)


def test_a_whole_frame_that_nothing_supports_is_no_row() -> None:
    wire = Wire()
    wire.say(framed("F7" + "6A" + "0102030405"), 50)
    wire.now_ns += 300 * MS
    both(wire, [])


def test_exceptions_and_what_follows_is_no_retry() -> None:
    wire = Wire()
    for _ in range(3):
        wire.say(framed("100300280002"), 5)
        wire.say(framed("108302"), 12)
    rows = both(wire, ["exception"] * 3)
    assert {row.exception_code for row in rows} == {2}


def test_two_masters_ask_alike() -> None:
    """The same poll by two masters in turn is no retry: each was answered."""
    wire = Wire()
    for _ in range(3):
        wire.poll(0)
        wire.poll(0)
    both(wire, ["answered"] * 6)


def ascii_frame(text: str) -> bytes:
    body = bytes.fromhex(text)
    return b":" + (body + bytes((-sum(body) & 0xFF,))).hex().upper().encode() + b"\r\n"


@pytest.mark.parametrize("runner", RUNNERS)
def test_ascii_with_stray_and_torn_frames(runner: str) -> None:
    """SL 2.5.2: a colon begins a frame anew, whatever came before."""
    request, response = ascii_frame("0B0300640003"), ascii_frame("0B03060D98000100B7")
    chunks, now_ns = [], 0
    for piece in (
        *(request, response) * 6,
        request[:9],  # torn, and begun anew
        request,
        response,
        b"\0\xff:",
        request,
        response,
        request,
        response.replace(b"0D98", b"0D99"),
        request,
        response,
    ):
        now_ns += 30 * MS
        chunks.append(Chunk(now_ns, piece))
    events = RUNNERS[runner](Batch.of(chunks))
    assert told(events) == ["answered"] * 8 + ["damaged", "answered R"]
    assert b"".join(event.raw for event in events) == b"".join(chunk.data for chunk in chunks)
    words = {row.words for row in events if isinstance(row, Transaction) and row.outcome.value == "answered"}
    assert words == {(3480, 1, 183)}


def test_an_answer_after_the_time_out_goes_to_the_retry() -> None:
    """The device is slow, the controller asks again, and then both answers come: one has no request left."""
    wire = Wire()
    request, response = POLLS[0]
    wire.say(request, 5)
    wire.say(request, 200)
    wire.say(response, 3)
    wire.say(response, 20)
    wire.now_ns += 50 * MS
    both(wire, ["unanswered", "answered R", "unpaired-response"])


def test_batches_and_chunks_without_a_byte_change_nothing() -> None:
    wire = Wire()
    plain = offline(listen([wire.batch()], LINE))
    nothing = Batch.of([])
    assert list(listen([], LINE)) == []
    assert offline(listen([nothing, wire.batch(), nothing], LINE)) == plain
    assert offline(listen([nothing], LINE)) == []
    airy = [part for chunk in wire.chunks for part in (Chunk(chunk.t_ns, b""), chunk, Chunk(chunk.t_ns, b""))]
    assert offline(listen([Batch.of(airy)], LINE)) == plain
    assert incremental(Batch.of(airy), LINE) == plain
