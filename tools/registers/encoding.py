"""Values -> registers and back, whole records at once: a second hand beside `sidetap.line`, which is not used here.

Names are the contract's. float32 and float64: IEEE 754 binary32 and binary64; high byte of a register first: MODBUS
Application Protocol V1.1b3, 4.2. Word order, exchanged bytes, BCD and modulo 10,000: common practice, no source.
"""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Words = NDArray[np.uint16]

ORDERS = ("high-word-first", "low-word-first", "high-word-first-swapped", "low-word-first-swapped")
_SIXTEEN = ("uint16", "bits16", "int16", "bcd16")
_WIDTHS = {**dict.fromkeys(_SIXTEEN, 1), "uint32": 2, "int32": 2, "float32": 2, "mod10k32": 2, "float64": 4}
_TYPES = {"float32": ">f4", "float64": ">f8", "uint32": ">u4", "int32": ">i4"}


def split(encoding: str) -> tuple[str, str]:
    """Return the kind and the order of an encoding; no order for one register.

    >>> split("float32-low-word-first-swapped")
    ('float32', 'low-word-first-swapped')
    """
    kind, _, order = encoding.partition("-")
    return kind, order


def width(encoding: str) -> int:
    """Return how many registers a value takes. Not for text."""
    return _WIDTHS[split(encoding)[0]]


def encode(encoding: str, values: Floats) -> Words:
    """Return the registers of each value [values, registers]; whole numbers are rounded and must fit their range."""
    kind, order = split(encoding)
    if kind.startswith("float"):
        raw = values.astype(_TYPES[kind])
    else:
        whole = np.rint(values).astype(np.int64)
        low, high = integer_range(encoding)
        if ((whole < low) | (whole > high)).any():
            raise ValueError(f"{encoding} holds {low} to {high}")
        if kind == "bcd16":
            whole = sum((whole // 10**digit % 10) << 4 * digit for digit in range(4))
        if kind == "mod10k32":
            whole = whole // 10_000 << 16 | whole % 10_000
        raw = whole.astype(">u2" if _WIDTHS[kind] == 1 else ">u4")
    return _ordered(np.ascontiguousarray(raw).view(">u2").reshape(len(values), -1).astype(np.uint16), order)


def decode(encoding: str, words: Words) -> Floats:
    """Return the value of each row of registers [values]; NaN where it holds none. Not for text."""
    kind, order = split(encoding)
    plain = _ordered(words, order)
    if kind in _TYPES:
        with np.errstate(invalid="ignore", over="ignore"):
            value = (
                np.ascontiguousarray(plain.astype(">u2")).view(_TYPES[kind]).reshape(len(words)).astype(np.float64)
            )
            return np.where(np.isfinite(value), value, np.nan)
    whole = plain.astype(np.int64)
    if kind == "mod10k32":
        sound = (whole <= 9999).all(axis=1)
        return np.where(sound, whole[:, 0] * 10_000.0 + whole[:, 1], np.nan)
    if kind == "bcd16":
        digits = whole[:, 0, None] >> np.array([12, 8, 4, 0]) & 15
        return np.where((digits <= 9).all(axis=1), digits @ np.array([1000.0, 100.0, 10.0, 1.0]), np.nan)
    if kind == "int16":
        return np.where(whole[:, 0] < 0x8000, whole[:, 0], whole[:, 0] - 0x10000).astype(np.float64)
    if kind in ("uint16", "bits16"):
        return whole[:, 0].astype(np.float64)
    raise ValueError(f"no encoding {encoding!r}")


def integer_range(encoding: str) -> tuple[int, int]:
    """Return the least and the greatest whole number that an encoding holds. Not for floats."""
    return {
        "uint16": (0, 0xFFFF),
        "bits16": (0, 0xFFFF),
        "int16": (-0x8000, 0x7FFF),
        "bcd16": (0, 9999),
        "uint32": (0, 2**32 - 1),
        "int32": (-(2**31), 2**31 - 1),
        "mod10k32": (0, 99_999_999),
    }[split(encoding)[0]]


def text_words(text: str) -> Words:
    """Return the registers of a text [registers], its end filled with a blank."""
    data = text.encode("ascii")
    return np.frombuffer(data + b" " * (len(data) % 2), dtype=">u2").astype(np.uint16)


def text_of(words: Words) -> str:
    """Return the text of registers, without what fills its end; any byte is a character."""
    return words.astype(">u2").tobytes().decode("latin-1").rstrip("\x00 ")


def _ordered(words: Words, order: str) -> Words:
    """Return registers put from high word first into an order, or back: either way is its own inverse."""
    swapped = words.byteswap() if order.endswith("swapped") else words
    return swapped[:, ::-1] if order.startswith("low") else swapped
