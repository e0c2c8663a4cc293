"""Any bytes: both runners and every reader, on what was never meant for them. tools/fuzz.py goes on without end."""

import sys
from pathlib import Path
from types import FrameType
from typing import Any

import fastcrc
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from judge.agreement import incremental
from judge.anything import line, mutated, targets
from judge.samples import samples

from sidetap.line import Batch, Chunk

TURNS = {"line": 20, "site": 15}
TORN = 4  # pieces of each good input, besides the whole
NAMES = ("line", "csv", "bin", "pcapng", "edges-csv", "edges-vcd", "readings", "events", "site")


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[bytes]]:
    return samples(tmp_path_factory.mktemp("samples"))


@pytest.mark.parametrize("name", NAMES)
def test_good_inputs_and_torn_ones(name: str, good: dict[str, list[bytes]], tmp_path: Path) -> None:
    target = targets(tmp_path)[name]
    for data in good[name]:
        target(data)
        for part in range(0, len(data), max(1, len(data) // TORN)):
            target(data[:part])


@pytest.mark.parametrize("name", NAMES)
def test_mutated_inputs(name: str, good: dict[str, list[bytes]], tmp_path: Path) -> None:
    target, rng = targets(tmp_path)[name], np.random.default_rng(NAMES.index(name))
    for _ in range(TURNS.get(name, 60)):
        data = good[name][int(rng.integers(0, len(good[name])))]
        target(mutated(rng, data))


@pytest.mark.parametrize("name", NAMES)
def test_bytes_by_chance(name: str, tmp_path: Path) -> None:
    target, rng = targets(tmp_path)[name], np.random.default_rng(NAMES.index(name))
    for size in (0, 1, 3, 4, 5, 30, 300, 1000):
        target(rng.bytes(size))
        target(bytes(size))
        target(b"\xff" * size)


def framed(body: bytes) -> bytes:
    return body + fastcrc.crc16.modbus(body).to_bytes(2, "little")


PIECES = st.one_of(
    st.binary(max_size=12),
    st.builds(framed, st.binary(min_size=2, max_size=20)),
    st.builds(
        lambda device, function, register, count: framed(bytes((device, function, 0, register, 0, count))),
        st.integers(0, 255),
        st.integers(0, 255),
        st.integers(0, 255),
        st.integers(0, 8),
    ),
    st.builds(
        lambda device, function, words: framed(bytes((device, function, len(words))) + words),
        st.integers(0, 255),
        st.integers(0, 255),
        st.binary(max_size=16),
    ),
    st.builds(
        lambda body: b":" + (body + bytes((-sum(body) & 255,))).hex().upper().encode() + b"\r\n",
        st.binary(min_size=2, max_size=12),
    ),
)


@settings(max_examples=50, deadline=None)
@given(st.binary(min_size=4, max_size=4), st.lists(PIECES, max_size=25))
def test_frames_of_any_kind_in_any_order(control: bytes, pieces: list[bytes]) -> None:
    line(control + b"".join(pieces))


READ, ANSWER, WRITE = (
    framed(bytes.fromhex("0B0300640003")),
    framed(bytes.fromhex("0B03020D98")),
    framed(b"\x0b\x06\0\1\0\2"),
)
HOSTILE = {
    "zeros": b"\0",
    "ones": b"\xff",
    "colons": b":",
    "requests": READ,
    "answers": ANSWER,
    "writes": WRITE,
    "exchanges": READ + ANSWER,
    "torn requests": READ[:-1],
    "heads of long answers": b"\x0b\x03\xfa",
    "heads of long writes": b"\x0b\x10\0\0\0\x7b\xf6",
    "function 43": b"\x0b\x2b\x0e\1",
    "digits": b":0B03",
    "unknown": framed(b"\x0b\x41\1\2"),
    "FFFF0000": b"\xff\xff\0\0",
}


def work(data: bytes) -> int:
    """Return how many lines of Python run to parse data: a measure that no neighbour of this machine changes."""
    lines = 0

    def count(frame: FrameType, event: str, arg: Any) -> Any:
        nonlocal lines
        lines += 1
        return count

    batch = Batch.of([Chunk(None, data[at : at + 64]) for at in range(0, len(data), 64)])
    before = sys.gettrace()
    sys.settrace(count)
    try:
        incremental(batch, None)
    finally:
        sys.settrace(before)
    return lines


@pytest.mark.parametrize("name", HOSTILE)
def test_more_bytes_are_no_more_work_each(name: str) -> None:
    """Of three like stretches of 600 bytes the third costs what the second one did."""
    piece = HOSTILE[name]
    first, second, third = (work((piece * 1800)[:size]) for size in (600, 1200, 1800))
    assert third - second <= 1.3 * (second - first) + 3000
