"""A seeded line for the tests: a controller, its devices and what goes wrong, with the truth beside the bytes.

The check codes are fastcrc's, not ours. Lengths follow the MODBUS Application Protocol V1.1b3, 6.1-6.17.
"""

import random
from collections.abc import Iterable
from dataclasses import dataclass, field

import fastcrc

from sidetap.line import Chunk, Noise, Parser, Settings, Transaction

CHARACTER_S = 11 / 19200
LATENCY_NS = 16_000_000


def framed(pdu_with_address: bytes) -> bytes:
    return pdu_with_address + fastcrc.crc16.modbus(pdu_with_address).to_bytes(2, "little")


@dataclass
class Told:
    """One try as it truly was; spans are offsets in the bytes before anything was damaged."""

    request: bytes
    answer: bytes | None
    request_span: tuple[int, int]
    answer_span: tuple[int, int] | None
    intact: bool = True


@dataclass
class SyntheticLine:
    """Bytes, when each was on the wire, and the truth. Damage is done afterwards."""

    data: bytearray = field(default_factory=bytearray)
    times_s: list[float] = field(default_factory=list)
    told: list[Told] = field(default_factory=list)
    now_s: float = 0.0

    def put(self, frame: bytes) -> tuple[int, int]:
        start = len(self.data)
        for byte in frame:
            self.now_s += CHARACTER_S
            self.data.append(byte)
            self.times_s.append(self.now_s)
        return start, len(self.data)

    def chunks(self, latency_ns: int = LATENCY_NS) -> list[Chunk]:
        """Cut as an adapter with a latency timer delivers: late, glued, frames over several pieces."""
        pieces: dict[int, bytearray] = {}
        for byte, time_s in zip(self.data, self.times_s, strict=True):
            pieces.setdefault(-int(-time_s * 1e9 // latency_ns) * latency_ns, bytearray()).append(byte)
        return [Chunk(t_ns, bytes(piece)) for t_ns, piece in pieces.items()]

    def flip_bits(self, rate: float, seed: int) -> None:
        """Flip single bits at this rate a bit and mark the tries that were hit."""
        chance = random.Random(seed)
        hit = [0] * (len(self.data) + 1)
        for at in range(len(self.data)):
            if chance.random() < 8 * rate:
                self.data[at] ^= 1 << chance.randrange(8)
                hit[at] = 1
        for told in self.told:
            end = told.request_span[1] if told.answer_span is None else told.answer_span[1]
            if any(hit[told.request_span[0] : end]):
                told.intact = False

    def insert_glitches(self, rate: float, seed: int) -> None:
        """Put stray bytes between tries: 00, FF or anything, as line drivers leave them when they turn around."""
        chance = random.Random(seed)
        for told in reversed(self.told):
            if chance.random() < rate:
                at = told.request_span[0]
                stray = bytes(chance.choice((0, 255, chance.randrange(256))) for _ in range(chance.randint(1, 3)))
                self.data[at:at] = stray
                self.times_s[at:at] = [self.times_s[at]] * len(stray)


def make(tries: int, seed: int) -> SyntheticLine:
    """Return a line with mixed functions, exceptions, dead devices with retries, and broadcasts."""
    chance = random.Random(seed)
    line = SyntheticLine()
    devices = chance.sample(range(1, 31), 8)
    reads = [
        (device, chance.choice((3, 3, 3, 4, 4, 1, 2)), chance.randrange(2000), chance.randint(1, 24))
        for device in devices
        for _ in range(3)
    ]
    dead = devices[0]
    turn = 0
    while len(line.told) < tries:
        roll = chance.random()
        if roll < 0.75:
            device, function, register, count = reads[turn]
            turn = (turn + 1) % len(reads)
        else:
            device, register = chance.choice(devices), chance.randrange(65_000)
            count = chance.randint(1, 20)
            function = chance.choice((3, 5, 6, 6, 15, 16, 16, 22, 23))
        if roll > 0.985 and function in (5, 6, 15, 16):
            device = 0
        request = _request(chance, device, function, register, count)
        answer = _answer(chance, request, count)
        if device == dead or chance.random() < 0.01:
            for _ in range(2):
                span = line.put(framed(request))
                line.told.append(Told(request, None, span, None))
                line.now_s += 0.1
            continue
        span = line.put(framed(request))
        if device == 0:
            line.told.append(Told(request, None, span, None))
            line.now_s += 0.05
            continue
        if chance.random() < 0.02:
            answer = bytes((device, function | 0x80, chance.randint(1, 6)))
        line.now_s += 0.010
        answer_span = line.put(framed(answer))
        line.told.append(Told(request, answer, span, answer_span))
        line.now_s += 0.002
    return line


def _request(chance: random.Random, device: int, function: int, register: int, count: int) -> bytes:
    head = bytes((device, function)) + register.to_bytes(2, "big")
    if function <= 4:
        return head + count.to_bytes(2, "big")
    if function == 5:
        return head + chance.choice((b"\x00\x00", b"\xff\x00"))
    if function == 6:
        return head + chance.randbytes(2)
    if function == 22:
        return head + chance.randbytes(4)
    if function == 15:
        size = (count + 7) // 8
        return head + count.to_bytes(2, "big") + bytes((size,)) + chance.randbytes(size)
    if function == 16:
        return head + count.to_bytes(2, "big") + bytes((2 * count,)) + _registers(chance, count)
    written = chance.randint(1, 5)
    tail = register.to_bytes(2, "big") + written.to_bytes(2, "big") + bytes((2 * written,))
    return head + count.to_bytes(2, "big") + tail + _registers(chance, written)


def _answer(chance: random.Random, request: bytes, count: int) -> bytes:
    function = request[1]
    if function in (1, 2):
        size = (count + 7) // 8
        return request[:2] + bytes((size,)) + chance.randbytes(size)
    if function in (3, 4, 23):
        return request[:2] + bytes((2 * count,)) + _registers(chance, count)
    return request if function in (5, 6, 22) else request[:6]


def _registers(chance: random.Random, count: int) -> bytes:
    """Registers as lines carry them: noise, small numbers, zeros, all ones."""
    style = chance.randrange(4)
    if style == 0:
        return chance.randbytes(2 * count)
    if style == 1:
        return b"".join(chance.randrange(300).to_bytes(2, "big") for _ in range(count))
    return (b"\x00\x00" if style == 2 else chance.choice((b"\xff\xff", b"\x00\x00"))) * count


def events(chunks: Iterable[Chunk], settings: Settings | None = None) -> list[Transaction | Noise]:
    """Everything a parser makes of the chunks, the end of the input included."""
    parser = Parser(settings)
    found = []
    for chunk in chunks:
        parser.receive(chunk)
        while (event := parser.next_event()) is not None:
            found.append(event)
    parser.close()
    while (event := parser.next_event()) is not None:
        found.append(event)
    return found


def parsed(chunks: Iterable[Chunk], settings: Settings | None = None) -> list[Transaction]:
    """The rows alone."""
    return [event for event in events(chunks, settings) if isinstance(event, Transaction)]
