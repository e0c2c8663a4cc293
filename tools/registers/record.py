"""Made-up devices on one line, as a recording: request and answer frames at 19200 8E1, delivered in lumps.

In come `Unit`s and a path; out goes a .csv as the contract describes it, or a .pcapng with link type USER0 (147). All
units share one line: a frame waits until the line is free. Own frames and own check codes, made for whole columns of
equal frames at once. Sources: CRC-16 and frames, a character of 11 bits, t3.5: MODBUS over Serial Line V1.02 (2.5.1);
requests and answers of FC 3 and 4: MODBUS Application Protocol V1.1b3 (6.3, 6.4).
"""

import struct
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from registers.form import Unit

Bytes = NDArray[np.uint8]

_BAUD, _BITS = 19_200, 11
_CHARACTER_NS = 1_000_000_000 * _BITS // _BAUD
_GAP_NS = 2_005_208  # 3.5 characters
_TURN_NS = 12_000_000  # from the end of a request to the start of its answer
_LUMP_NS = 16_000_000  # what a USB adapter holds back at most (common practice, no source)
_FUNCTIONS = {"holding-register": 3, "input-register": 4}


def record(units: Sequence[Unit], path: Path, *, shift_s: int = 0, lump_ns: int = _LUMP_NS) -> None:
    """Write the line of some units to path; shift_s is added to all times.

    lump_ns: the adapter delivers at multiples of it what came until then; 0: every frame at its end. ValueError for
    two units with one address, or a suffix that is none of .csv and .pcapng.
    """
    if len({unit.device for unit in units}) < len(units):
        raise ValueError("units on one line need addresses of their own")
    lumps = _lumps(_on_the_line(units), lump_ns)
    delivered = [(when + shift_s * 1_000_000_000, data) for when, data in lumps]
    if path.suffix == ".csv":
        path.write_text(_csv(delivered))
    elif path.suffix == ".pcapng":
        path.write_bytes(_pcapng(delivered))
    else:
        raise ValueError(f"{path}: .csv or .pcapng")


def with_check(bodies: Bytes) -> Bytes:
    """Return frames [frames, length + 2] from bodies [frames, length]: the CRC comes behind, its low byte first."""
    code = np.full(len(bodies), 0xFFFF, dtype=np.uint16)
    for octet in bodies.T:
        code ^= octet
        for _ in range(8):
            code = np.where(code & 1, (code >> 1) ^ 0xA001, code >> 1).astype(np.uint16)
    check = np.stack([code & 0xFF, code >> 8], axis=1).astype(np.uint8)
    return np.concatenate([bodies, check], axis=1)


def _frames(unit: Unit) -> tuple[bytes, Bytes]:
    """Return the request of a unit, always the same, and its answers [answers, bytes]."""
    count = unit.words.shape[1]
    function = _FUNCTIONS[unit.table]
    request = np.frombuffer(struct.pack(">BBHH", unit.device, function, unit.register, count), dtype=np.uint8)
    data = np.frombuffer(unit.words.astype(">u2").tobytes(), dtype=np.uint8).reshape(len(unit.words), 2 * count)
    heads = np.tile(np.array([unit.device, function, 2 * count], dtype=np.uint8), (len(data), 1))
    return with_check(request[None])[0].tobytes(), with_check(np.concatenate([heads, data], axis=1))


def _on_the_line(units: Sequence[Unit]) -> Iterator[tuple[int, bytes]]:
    """Yield frames in order, each with the time of its end."""
    frames = [_frames(unit) for unit in units]
    due = sorted((int(t), n, row) for n, unit in enumerate(units) for row, t in enumerate(unit.t_ns))
    free_ns = -(1 << 62)
    for t_ns, n, row in due:
        request, answers = frames[n]
        answer = answers[row].tobytes()
        both_ns = (len(request) + len(answer)) * _CHARACTER_NS + _TURN_NS
        start_ns = max(t_ns - both_ns, free_ns + _GAP_NS)
        yield start_ns + len(request) * _CHARACTER_NS, request
        free_ns = start_ns + both_ns
        yield free_ns, answer


def _lumps(frames: Iterable[tuple[int, bytes]], lump_ns: int) -> Iterator[tuple[int, bytes]]:
    """Yield what an adapter delivers: each frame at its end, or what has come since the last moment of delivery.

    A frame that is under way at such a moment is cut in two there.
    """
    if lump_ns == 0:
        yield from frames
        return
    held, due_ns = b"", -(1 << 62)
    for end_ns, data in frames:
        first_ns = end_ns - (len(data) - 1) * _CHARACTER_NS
        for n in range(len(data)):
            here_ns = first_ns + n * _CHARACTER_NS
            if held and here_ns > due_ns:
                yield due_ns, held
                held = b""
            if not held:
                due_ns = -(-here_ns // lump_ns) * lump_ns
            held += data[n : n + 1]
    if held:
        yield due_ns, held


def _csv(lumps: Iterable[tuple[int, bytes]]) -> str:
    rows = [f"{'-' * (when < 0)}{abs(when) // 10**9}.{abs(when) % 10**9:09d},{data.hex()}" for when, data in lumps]
    return "\n".join(["# settings 19200 8E1", "time_s,hex", *rows, ""])


def _pcapng(lumps: Iterable[tuple[int, bytes]]) -> bytes:
    """Return the file; block types and options from the IETF draft "PCAP Now Generic", little-endian."""
    description = b"19200 8E1"
    options = struct.pack("<HHBxxx", 9, 1, 9) + _option(3, description) + struct.pack("<HH", 0, 0)
    blocks = [
        _block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1)),
        _block(1, struct.pack("<HHI", 147, 0, 0) + options),
    ]
    for when, data in lumps:
        high, low = divmod(when & 0xFFFFFFFFFFFFFFFF, 1 << 32)
        blocks.append(_block(6, struct.pack("<IIIII", 0, high, low, len(data), len(data)) + _padded(data)))
    return b"".join(blocks)


def _option(code: int, value: bytes) -> bytes:
    return struct.pack("<HH", code, len(value)) + _padded(value)


def _padded(data: bytes) -> bytes:
    return data + bytes(-len(data) % 4)


def _block(kind: int, body: bytes) -> bytes:
    length = struct.pack("<I", len(body) + 12)
    return struct.pack("<I", kind) + length + body + length
