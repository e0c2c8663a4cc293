"""Numbers to 16-bit words and back, in the contract's encodings, for made-up yards and for who judges by function.

Written from the contract's table alone: the judged code has encoders and decoders of its own. Values out of an
encoding's range are an error, not a wrap.
"""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Words = NDArray[np.uint16]

SINGLE = {"uint16": "u2", "int16": "i2"}
DOUBLE = {"uint32": ">u4", "int32": ">i4", "float32": ">f4"}
ORDERS = ("high-word-first", "low-word-first", "high-word-first-swapped", "low-word-first-swapped")
LARGEST_DIGITS = 9999  # of four decimal digits: a bcd16, or a word of a mod10k32


def width_of(encoding: str) -> int:
    """Return how many registers a number takes."""
    base = encoding.partition("-")[0]
    return {"float64": 4}.get(base, 2 if base in DOUBLE or base == "mod10k32" else 1)


def encode(values: Floats, encoding: str) -> Words:
    """Return the words [values, registers]; whole numbers are rounded to the nearest."""
    base, _, order = encoding.partition("-")
    if base.startswith("float"):
        high_first = values.astype(f">f{int(base[5:]) // 8}").reshape(-1, 1).view(">u2").astype(np.uint16)
        return _ordered(high_first, order)
    whole = _fitting(np.rint(values).astype(np.int64), encoding)
    if base in SINGLE:
        return whole.astype(SINGLE[base]).reshape(-1, 1).view(np.uint16)
    if base in DOUBLE:
        return _ordered(whole.astype(DOUBLE[base]).reshape(-1, 1).view(">u2").astype(np.uint16), order)
    if base == "mod10k32":
        both = np.stack([whole // (LARGEST_DIGITS + 1), whole % (LARGEST_DIGITS + 1)], axis=1)
        return _ordered(both.astype(np.uint16), order)
    if base == "bcd16":
        return np.array([[int(str(n), 16)] for n in whole.tolist()], dtype=np.uint16).reshape(-1, 1)
    raise ValueError(encoding)


def decode(words: Words, encoding: str) -> Floats:
    """Return the values of words [answers, registers]; NaN where they are no number in this encoding."""
    base, _, order = encoding.partition("-")
    if base in SINGLE:
        return np.ascontiguousarray(words[:, 0]).view(SINGLE[base]).astype(np.float64)
    if base == "bcd16":
        digits = (words[:, :1].astype(np.int64) >> np.array([12, 8, 4, 0])) & 15
        return np.where((digits > 9).any(axis=1), np.nan, digits @ np.array([1000, 100, 10, 1])).astype(np.float64)
    high_first = _ordered(words, order)
    if base == "mod10k32":
        value = high_first.astype(np.float64) @ np.array([LARGEST_DIGITS + 1.0, 1.0])
        return np.where((high_first > LARGEST_DIGITS).any(axis=1), np.nan, value)
    kind = np.dtype(DOUBLE.get(base, ">f8"))
    with np.errstate(invalid="ignore"):  # a signalling NaN is no number either
        raw = np.ascontiguousarray(high_first.astype(">u2")).view(kind)[:, 0].astype(np.float64)
    return np.where(np.isfinite(raw), raw, np.nan)


def _ordered(words: Words, order: str) -> Words:
    """Return words, high one first, in an order; the same turns them back."""
    turned = words[:, ::-1] if order.startswith("low-word-first") else words
    return np.ascontiguousarray(turned.byteswap() if order.endswith("-swapped") else turned)


def range_of(encoding: str) -> tuple[float, float]:
    """Return the least and the greatest number that an encoding can carry."""
    base = encoding.partition("-")[0]
    if base.startswith("float"):
        return -np.inf, np.inf
    if base == "bcd16":
        return 0.0, LARGEST_DIGITS
    if base == "mod10k32":
        return 0.0, (LARGEST_DIGITS + 1.0) ** 2 - 1
    limits = np.iinfo(np.dtype((SINGLE | DOUBLE)[base]))
    return float(limits.min), float(limits.max)


def _fitting(whole: NDArray[np.int64], encoding: str) -> NDArray[np.int64]:
    least, greatest = range_of(encoding)
    if whole.size and (whole.min() < least or whole.max() > greatest):
        raise ValueError(f"{whole.min()}..{whole.max()} does not fit {encoding}")
    return whole
