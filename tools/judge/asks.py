"""What a controller may ask, and the bytes of questions and answers. Lengths and fields after AP 6.1-6.21.

An ``Ask`` is one entry of a poll list or one command; a use of it gives a request body, and an answer body with it.
The common functions are made many at once, the rare ones one by one.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from judge.codes import Bytes, Ints, places, starts_of
from judge.payloads import USUAL, Style, fill

PUBLIC = frozenset((1, 2, 3, 4, 5, 6, 7, 8, 11, 12, 15, 16, 17, 20, 21, 22, 23, 24, 43))
USER_DEFINED = (*range(65, 73), *range(100, 111))  # AP 5.1
OTHERS = (9, 10, 13, 14, 18, 19, 25, 40, 44, 50, 64, 73, 90, 99, 111, 126)  # neither public nor user-defined
BITS, WORDS, ECHOED, ACKNOWLEDGED = (1, 2), (3, 4), (5, 6, 22), (15, 16)
COMMON = (*BITS, *WORDS, *ECHOED, *ACKNOWLEDGED, 23)
EXCEPTION_CODES = (1, 2, 3, 4, 5, 6, 8, 10, 11)  # AP 7


@dataclass(frozen=True, slots=True)
class Ask:
    """One thing a controller asks.

    sent, got: payload bytes of functions outside the public ones. fresh: registers and numbers differ each use.
    wobbles: the lengths of such functions differ each use. misses: share of tries without an answer.
    """

    device: int
    function: int
    register: int = 0
    count: int = 1
    written_register: int = 0
    written: int = 1
    sent: int = 0
    got: int = 1
    style: Style = Style.SLOW
    fresh: bool = False
    wobbles: bool = False
    misses: float = 0.0
    exceptions: float = 0.0
    silent: bool = False  # it never is answered, and needs no answer: AP 6.8, sub-function 4


@dataclass(frozen=True, slots=True)
class Uses:
    """Uses of asks as columns, one row each."""

    ask: Ints
    device: Ints
    function: Ints
    register: Ints
    count: Ints
    written_register: Ints
    written: Ints
    sent: Ints
    got: Ints
    style: Ints


def random_ask(rng: np.random.Generator, devices: list[int], function: int, *, misses: float, errors: float) -> Ask:
    """Return an ask of a function with everything else by chance: mostly few registers, sometimes many."""
    device = int(rng.choice(devices))
    style = Style(int(rng.choice(USUAL)))
    if function not in PUBLIC and rng.random() < 0.04:
        style = Style.TUNNEL
    few = rng.random() < 0.8
    if function in BITS:
        count = int(rng.integers(1, 40) if few else rng.integers(40, 2001))
    elif function == 15:
        count = int(rng.integers(1, 33) if few else rng.integers(33, 1969))
    elif function == 16:
        count = int(rng.integers(1, 9) if few else rng.integers(9, 124))
    else:
        count = int(rng.integers(1, 13) if few else rng.integers(13, 126))
    register = int(rng.integers(0, 2000) if rng.random() < 0.9 else rng.integers(0, 65_000))
    if function in BITS and rng.random() < 0.25:  # the answer has the form of a request and the other way round
        register, count = int(rng.integers(0x300, 0x400)), int(rng.integers(17, 25))
        style = Style(int(rng.choice((Style.SMALL, Style.ZEROS, Style.ZEROS_AND_ONES, Style.NOISE))))
    written = int(rng.integers(1, 9) if few else rng.integers(9, 122))
    ask = Ask(device, function, register, count, int(rng.integers(0, 2000)), written, style=style)
    if function not in PUBLIC:
        long = rng.random() < 0.15
        ask = replace(
            ask,
            sent=int(rng.integers(0, 12) if not long else rng.integers(12, 120)),
            got=int(rng.integers(0, 40) if not long else rng.integers(40, 252)),
            wobbles=bool(rng.random() < 0.3),
        )
    return replace(ask, misses=misses, exceptions=errors)


def uses_of(rng: np.random.Generator, asks: list[Ask], order: Ints) -> Uses:
    """Return the uses of asks in an order of their places."""

    def column(name: str) -> Ints:
        return np.array([getattr(ask, name) for ask in asks], dtype=np.int64)[order]

    uses = Uses(order, *(column(name) for name in Uses.__slots__[1:]))
    fresh = np.flatnonzero(column("fresh"))
    uses.register[fresh] = rng.integers(0, 2000, len(fresh))
    short = fresh[~np.isin(uses.function[fresh], ACKNOWLEDGED)]
    uses.count[short] = rng.integers(1, 30, len(short))
    wobbling = np.flatnonzero(column("wobbles"))
    uses.sent[wobbling] = rng.integers(0, 40, len(wobbling))
    uses.got[wobbling] = rng.integers(0, 100, len(wobbling))
    return uses


def _put16(pool: Bytes, at: Ints, value: Ints) -> None:
    pool[at], pool[at + 1] = value >> 8 & 0xFF, value & 0xFF


def _copy(pool: Bytes, at: Ints, source: Bytes, start: Ints, length: Ints) -> None:
    piece, place = places(length)
    pool[at[piece] + place] = source[start[piece] + place]


def request_bodies(rng: np.random.Generator, uses: Uses, walk: Ints) -> tuple[Bytes, Ints, Ints]:
    """Return the request bodies of uses, joined, with their starts and lengths."""
    function = uses.function
    payload = np.zeros(len(function), dtype=np.int64)
    payload[function == 15] = (uses.count[function == 15] + 7) // 8
    payload[function == 16] = 2 * uses.count[function == 16]
    payload[function == 23] = 2 * uses.written[function == 23]
    others = ~np.isin(function, list(PUBLIC))
    payload[others] = uses.sent[others]
    head = np.full(len(function), 2, dtype=np.int64)
    head[np.isin(function, (*BITS, *WORDS, 5, 6))] = 6
    head[np.isin(function, ACKNOWLEDGED)] = 7
    head[function == 22] = 8
    head[function == 23] = 11
    lengths = head + payload
    rare = np.flatnonzero(~others & ~np.isin(function, COMMON))
    made = [_rare_request(rng, uses, int(row)) for row in rare]
    lengths[rare] = [len(body) for body in made]
    starts = starts_of(lengths)
    pool = np.zeros(int(lengths.sum()), dtype=np.uint8)
    pool[starts], pool[starts + 1] = uses.device, function
    at = np.isin(function, (*BITS, *WORDS, *ECHOED, *ACKNOWLEDGED, 23))
    _put16(pool, starts[at] + 2, uses.register[at])
    at = np.isin(function, (*BITS, *WORDS, *ACKNOWLEDGED, 23))
    _put16(pool, starts[at] + 4, uses.count[at])
    at = function == 5
    _put16(pool, starts[at] + 4, np.where(rng.random(int(at.sum())) < 0.5, 0xFF00, 0))
    at = function == 6
    steady = np.isin(uses.style[at], (Style.STILL, Style.ZEROS, Style.ONES))
    value = np.where(steady, uses.ask[at] * 77 % 1000, rng.integers(0, 65_536, int(at.sum())))
    _put16(pool, starts[at] + 4, value)
    at = function == 22
    _put16(pool, starts[at] + 4, rng.integers(0, 65_536, int(at.sum())))
    _put16(pool, starts[at] + 6, rng.integers(0, 65_536, int(at.sum())))
    at = np.isin(function, ACKNOWLEDGED)
    pool[starts[at] + 6] = payload[at]
    at = function == 23
    _put16(pool, starts[at] + 6, uses.written_register[at])
    _put16(pool, starts[at] + 8, uses.written[at])
    pool[starts[at] + 10] = payload[at]
    octets, first = fill(rng, uses.style, payload, uses.ask, walk)
    _copy(pool, starts + head, octets, first, payload)
    for row, body in zip(rare.tolist(), made, strict=True):
        pool[starts[row] : starts[row] + len(body)] = np.frombuffer(body, dtype=np.uint8)
    return pool, starts, lengths


def answer_bodies(
    rng: np.random.Generator, uses: Uses, walk: Ints, refused: NDArray[np.bool_], asked: tuple[Bytes, Ints, Ints]
) -> tuple[Bytes, Ints, Ints]:
    """Return the answer bodies of uses. refused: an exception is the answer. asked: their request bodies."""
    function = uses.function
    payload, head = np.zeros(len(function), dtype=np.int64), np.full(len(function), 2, dtype=np.int64)
    at = np.isin(function, BITS)
    payload[at] = (uses.count[at] + 7) // 8
    at = np.isin(function, (*WORDS, 23))
    payload[at] = 2 * uses.count[at]
    counted = np.isin(function, (*BITS, *WORDS, 23))
    head[counted] = 3
    others = ~np.isin(function, list(PUBLIC))
    payload[others] = uses.got[others]
    echo = np.zeros(len(function), dtype=np.int64)
    echo[np.isin(function, (5, 6, *ACKNOWLEDGED))] = 6
    at = np.isin(function, (8, 21, 22))
    echo[at] = asked[2][at]
    rare = np.flatnonzero(np.isin(function, (7, 11, 12, 17, 20, 24, 43)) & ~refused)
    made = [_rare_answer(rng, uses, int(row), asked) for row in rare]
    payload[refused], echo[refused], head[refused] = 0, 0, 3
    lengths = np.maximum(head + payload, echo)
    lengths[rare] = [len(body) for body in made]
    starts = starts_of(lengths)
    pool = np.zeros(int(lengths.sum()), dtype=np.uint8)
    pool[starts], pool[starts + 1] = uses.device, np.where(refused, function | 0x80, function)
    pool[starts[refused] + 2] = rng.choice(EXCEPTION_CODES, int(refused.sum()))
    at = counted & ~refused
    pool[starts[at] + 2] = payload[at]
    octets, first = fill(rng, uses.style, payload, uses.ask, walk)
    bits = np.flatnonzero(np.isin(function, BITS) & (payload > 0))
    octets[first[bits] + payload[bits] - 1] &= (0xFF >> (-uses.count[bits] % 8)).astype(np.uint8)  # AP 6.1: zero pad
    _copy(pool, starts + head, octets, first, payload)
    _copy(pool, starts, asked[0], asked[1], echo)
    for row, body in zip(rare.tolist(), made, strict=True):
        pool[starts[row] : starts[row] + len(body)] = np.frombuffer(body, dtype=np.uint8)
    return pool, starts, lengths


def _rare_request(rng: np.random.Generator, uses: Uses, row: int) -> bytes:
    function, register, count = int(uses.function[row]), int(uses.register[row]), int(uses.count[row])
    head = bytes((int(uses.device[row]), function))
    if function == 8:
        if uses.sent[row] == 4:
            return head + b"\x00\x04\x00\x00"
        if uses.sent[row] == 0:  # return query data: any even number of bytes
            return head + b"\x00\x00" + rng.bytes(2 * (1 + count % 8))
        return head + int(uses.sent[row]).to_bytes(2, "big") + b"\x00\x00"
    if function in (20, 21):
        groups = 1 + count % 3
        parts = b""
        for group in range(groups):
            words = 1 + (count + group) % 12
            part = b"\x06" + (1 + group).to_bytes(2, "big") + (register % 10_000).to_bytes(2, "big")
            parts += part + words.to_bytes(2, "big") + (rng.bytes(2 * words) if function == 21 else b"")
        return head + bytes((len(parts),)) + parts
    if function == 24:
        return head + register.to_bytes(2, "big")
    if function == 43:
        return head + b"\x0e" + bytes((1 + count % 4, register % 7))
    return head  # 7, 11, 12, 17


def _rare_answer(rng: np.random.Generator, uses: Uses, row: int, asked: tuple[Bytes, Ints, Ints]) -> bytes:
    function, count, ask = int(uses.function[row]), int(uses.count[row]), int(uses.ask[row])
    head = bytes((int(uses.device[row]), function))
    if function == 7:
        return head + rng.bytes(1)
    if function == 11:
        return head + (b"\xff\xff" if rng.random() < 0.5 else b"\x00\x00") + rng.bytes(2)
    if function == 12:
        events = int(rng.integers(0, 65))
        return head + bytes((6 + events,)) + b"\x00\x00" + rng.bytes(4 + events)
    if function == 17:
        text = bytes(65 + (ask * 31 + place * 7) % 26 for place in range(1 + ask % 20))
        return head + bytes((len(text) + 1,)) + text + b"\xff"
    if function == 24:
        words = int(rng.integers(0, 32))
        return head + (2 + 2 * words).to_bytes(2, "big") + words.to_bytes(2, "big") + rng.bytes(2 * words)
    if function == 20:
        start = int(asked[1][row])
        request = asked[0][start : start + int(asked[2][row])].tobytes()
        parts = b""
        for at in range(3, len(request), 7):
            words = request[at + 6]
            parts += bytes((1 + 2 * words, 6)) + rng.bytes(2 * words)
        return head + bytes((len(parts),)) + parts
    request_code = 1 + count % 4
    objects = b""
    for number in range(1 if request_code == 4 else 3):
        text = bytes(65 + (ask * 13 + number * 5 + place * 3) % 26 for place in range(3 + (ask + 5 * number) % 12))
        objects += bytes((number, len(text))) + text
    number = 1 if request_code == 4 else 3
    return head + b"\x0e" + bytes((request_code, 0x83, 0, 0, number)) + objects
