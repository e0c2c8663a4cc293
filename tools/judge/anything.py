"""Any bytes at all, and what must hold of them: targets for fuzzing, in the suite for a moment, in tools/fuzz.py on.

Each target takes bytes and returns quietly, or raises what should not have happened. What must hold: nothing raises
but SidetapError; every byte of a line is in exactly one event, in order, however it was cut; a recording gives as
many bytes as it says it holds, and the same in a second pass.
"""

import contextlib
from collections.abc import Callable
from pathlib import Path

import numpy as np

from judge.agreement import incremental, offline
from judge.scoring import Rows
from sidetap.errors import SidetapError
from sidetap.line import Batch, Chunk, Noise, Settings, Transaction, edges, listen, recording
from sidetap.site import load
from sidetap.survey import read, read_events

Target = Callable[[bytes], None]
CONTROL = 4  # bytes at the front of an input that say how the others are cut and dated
SETTINGS = Settings(9600, "8E1")


def chunks_of(data: bytes) -> list[Chunk]:
    """Return chunks: the first bytes say how long each is, how far apart they are, whether they have times."""
    control, line = data[:CONTROL], data[CONTROL:]
    if len(control) < CONTROL:
        return []
    longest, apart_ms, how, seed = control
    rng = np.random.default_rng(seed)
    chunks, t_ns, at = [], 0, 0
    while at < len(line):
        size = 1 + int(rng.integers(0, 1 + longest))
        t_ns += int(rng.integers(-apart_ms if how & 8 else 0, 1 + apart_ms)) * 1_000_000
        piece = line[at : at + size]
        flags = "".join(".pfb"[int(n)] for n in rng.integers(0, 4, len(piece))) if how & 2 else None
        chunks.append(Chunk(t_ns if how & 1 else None, piece, flags))
        at += size
    return chunks


def line(data: bytes) -> None:
    """Listen to bytes of a line by both runners, in one batch and in several."""
    chunks = chunks_of(data)
    if not chunks:
        return
    settings = SETTINGS if data[2] & 4 else None
    batch = Batch.of(chunks)
    parts = list(listen([batch], settings))
    whole = Rows.of(parts)
    for events in (offline(parts), incremental(batch, settings)):
        joined = b"".join(event.raw for event in events)
        if joined != data[CONTROL:]:
            raise AssertionError(f"{len(joined)} bytes came out of {len(data) - CONTROL}, or others")
        for event in events:
            _sound(event)
    middle = len(chunks) // 2
    if middle:
        cut = [Batch.of(chunks[:middle]), Batch.of(chunks[middle:])]
        if batch.t_ns is not None or all(part.t_ns is None for part in cut):
            again = Rows.of(listen(cut, settings))
            if not whole.same(again):
                raise AssertionError("other rows when cut in two")


def _sound(event: Transaction | Noise) -> None:
    """Raise when an event contradicts itself."""
    if not event.raw:
        raise AssertionError("an event of no bytes")
    if isinstance(event, Noise):
        return
    if event.request is None and event.response is None:
        raise AssertionError("a row without a frame")
    if event.request is not None and (event.request[0], event.request[1]) != (event.device, event.function):
        raise AssertionError("a row of another device or function than its request")
    _ = event.words, event.bits, event.written, event.exception_code


def file_target(use: Callable[[Path], None], path: Path) -> Target:
    """Return a target that puts bytes into a file and uses it."""

    def target(data: bytes) -> None:
        path.write_bytes(data)
        with contextlib.suppress(SidetapError):
            use(path)

    return target


def use_recording(path: Path) -> None:
    """Read a recording twice."""
    found = recording.read(path)
    passes = []
    for _ in range(2):
        data = bytearray()
        for batch in found.batches:
            data += batch.data.tobytes()
            if batch.t_ns is not None and len(batch.t_ns) != len(batch.ends):
                raise AssertionError("times of another number than chunks")
            if batch.flags is not None and len(batch.flags) != len(batch.data):
                raise AssertionError("flags of another number than bytes")
        passes.append(bytes(data))
    if passes[0] != passes[1] or len(passes[0]) != found.byte_count or not found.byte_count:
        raise AssertionError("a recording of another length than it says, or another one each time")
    if found.format == "bin" and passes[0] != path.read_bytes():
        raise AssertionError("bare bytes that are not the file's")


def use_edges(path: Path) -> None:
    """Read a capture of edges and look for its settings."""
    edges.identify(edges.read(path))


def use_site(path: Path) -> None:
    """Read a site file: problems are told, not raised."""
    load(path)


def targets(folder: Path) -> dict[str, Target]:
    """Return all targets by name; files go into folder."""
    return {
        "line": line,
        "csv": file_target(use_recording, folder / "any.csv"),
        "bin": file_target(use_recording, folder / "any.bin"),
        "pcapng": file_target(use_recording, folder / "any.pcapng"),
        "edges-csv": file_target(use_edges, folder / "edges.csv"),
        "edges-vcd": file_target(use_edges, folder / "edges.vcd"),
        "readings": file_target(lambda path: (read(path), None)[1], folder / "readings.csv"),
        "events": file_target(lambda path: (read_events(path), None)[1], folder / "events.csv"),
        "site": file_target(use_site, folder / "site.toml"),
    }


def mutated(rng: np.random.Generator, data: bytes) -> bytes:
    """Return data with a few changes: bits turned, bytes gone, put in, doubled, made hostile, or torn."""
    body = bytearray(data)
    for _ in range(int(rng.integers(1, 6))):
        if not body:
            break
        at, size = int(rng.integers(0, len(body))), int(rng.integers(1, 9))
        what = int(rng.integers(0, 7))
        if what == 0:
            body[at] ^= 1 << int(rng.integers(0, 8))
        elif what == 1:
            del body[at : at + size]
        elif what == 2:
            body[at:at] = rng.bytes(size)
        elif what == 3:
            body[at:at] = body[at : at + size * 8]
        elif what == 4:
            hostile = (b"\x00" * 4, b"\xff" * 4, b"nan", b"-1", b"1e999", b'"', b"\n", b",", b"\x80", b"9" * 25)
            body[at : at + size] = hostile[int(rng.integers(0, len(hostile)))]
        elif what == 5:
            del body[at:]
        else:
            body[at : at + 1] = bytes((int(rng.integers(0, 256)),))
    return bytes(body)
