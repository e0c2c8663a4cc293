"""Values -> registers, for made-up devices: in come whole numbers or floats, out go words as a device sends them.

Written from the standards with numpy's own byte handling; shares no code with what reads registers. Sources: IEEE 754
binary32 and binary64; high byte of a register first (MODBUS Application Protocol V1.1b3, 4.2). Word order, exchanged
bytes, BCD and modulo 10,000: common practice, no source.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Words = NDArray[np.uint16]
Floats = NDArray[np.float64]

HIGH_FIRST, LOW_FIRST = "high-word-first", "low-word-first"
SWAPPED = "-swapped"
ORDERS = (HIGH_FIRST, LOW_FIRST, HIGH_FIRST + SWAPPED, LOW_FIRST + SWAPPED)

_WIDTHS = {"uint16": 1, "int16": 1, "bcd16": 1, "bits16": 1, "uint32": 2, "int32": 2, "float32": 2, "mod10k32": 2}
_WIDTHS["float64"] = 4
_LIMITS: dict[str, tuple[float, float]] = {
    "uint16": (0, 0xFFFF),
    "int16": (-0x8000, 0x7FFF),
    "bcd16": (0, 9999),
    "bits16": (0, 0xFFFF),
    "uint32": (0, 0xFFFFFFFF),
    "int32": (-0x80000000, 0x7FFFFFFF),
    "mod10k32": (0, 99_999_999),
    "float32": (-3.4e38, 3.4e38),
    "float64": (-1.7e308, 1.7e308),
}


def width_of(kind: str) -> int:
    """Return how many registers a value of a kind ("uint16", "float32" ..., without its order) takes."""
    return _WIDTHS[kind]


def limits_of(kind: str) -> tuple[float, float]:
    """Return the least and the greatest value of a kind."""
    return _LIMITS[kind]


def spelled(kind: str, order: str) -> str:
    """Return the encoding as the contract spells it; a float64 has no exchanged bytes."""
    if width_of(kind) == 1:
        return kind
    return f"{kind}-{order.removesuffix(SWAPPED) if kind == 'float64' else order}"


def arranged(encoding: str, plain: Words) -> Words:
    """Return the words [answers, width] of values given high word first, in the order the encoding names."""
    words = plain[:, ::-1] if LOW_FIRST in encoding else plain
    return np.ascontiguousarray(words.byteswap() if encoding.endswith(SWAPPED) else words)


def encoded(encoding: str, values: ArrayLike) -> tuple[Words, Floats]:
    """Return the words [answers, width] of values, and what they mean once rounded and kept within the limits.

    encoding: as the contract spells it, any but text.
    """
    kind = encoding.split("-")[0]
    least, greatest = limits_of(kind)
    wanted = np.clip(np.asarray(values, dtype=np.float64), least, greatest)
    if kind == "float32":
        single = wanted.astype(">f4")
        return arranged(encoding, _cut(single.tobytes(), 2)), single.astype(np.float64)
    if kind == "float64":
        return arranged(encoding, _cut(wanted.astype(">f8").tobytes(), 4)), wanted
    whole = np.rint(wanted).astype(np.int64)
    truth = whole.astype(np.float64)
    if kind == "bcd16":
        digits = sum((whole // 10**place % 10) << (4 * place) for place in range(4))
        return np.asarray(digits, dtype=np.uint16)[:, None], truth
    if width_of(kind) == 1:
        return whole.astype(np.uint16)[:, None], truth
    if kind == "mod10k32":
        plain = np.stack([whole // 10_000, whole % 10_000], axis=1).astype(np.uint16)
    else:
        plain = _cut((whole & 0xFFFFFFFF).astype(">u4").tobytes(), 2)
    return arranged(encoding, plain), truth


def raw(encoding: str, pattern: int) -> Words:
    """Return the words [width] of a bit pattern, for example of a not-a-number, in the order the encoding names."""
    width = width_of(encoding.split("-")[0])
    return np.asarray(arranged(encoding, _cut(pattern.to_bytes(2 * width, "big"), width))[0])


def text_words(text: str, registers: int, fill: str = "\0") -> Words:
    """Return the words [registers] of an ASCII text, two letters a register, the first in the high byte."""
    return np.asarray(_cut(text.ljust(2 * registers, fill)[: 2 * registers].encode("ascii"), registers)[0])


def _cut(data: bytes, width: int) -> Words:
    return np.frombuffer(data, dtype=">u2").astype(np.uint16).reshape(-1, width)
