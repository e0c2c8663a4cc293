"""Registers -> values, by the encodings of the contract. Never the other way: nothing here makes a register.

The 32-bit encodings come in four orders: which register of the two is the high word, and whether the two bytes of
every register are exchanged. They are named in words, since the trade's letters for byte order are used both ways.
Source of the plain layouts: IEEE 754 binary32 and binary64; high byte of a register first (MODBUS Application
Protocol V1.1b3, 4.2). Word order, exchanged bytes, BCD and modulo 10,000: common practice, no source.
"""

from collections.abc import Callable, Sequence
from fractions import Fraction
from functools import cache
from math import isfinite
from struct import Struct

import numpy as np
import numpy.typing as npt

_ORDERS = ("high-word-first", "low-word-first", "high-word-first-swapped", "low-word-first-swapped")
_ONE_WORD = ("uint16", "int16", "bcd16", "bits16")
_TWO_WORDS = tuple(f"{kind}-{order}" for kind in ("uint32", "int32", "float32", "mod10k32") for order in _ORDERS)
_FOUR_WORDS = ("float64-high-word-first", "float64-low-word-first")

ENCODINGS: tuple[str, ...] = (*_ONE_WORD, "text", *_TWO_WORDS, *_FOUR_WORDS)
ARRAY_ENCODINGS: tuple[str, ...] = tuple(name for name in ENCODINGS if name != "text")

_FIRST_REFERENCE = {"coil": 0, "discrete-input": 100_000, "input-register": 300_000, "holding-register": 400_000}


def width(encoding: str, registers: int | None = None) -> int:
    """Return how many registers a value takes; text takes ``registers``. ValueError for an unknown encoding."""
    if encoding == "text":
        if registers is None or registers < 1:
            raise ValueError("text needs the number of its registers")
        return registers
    if encoding in _ONE_WORD:
        return 1
    if encoding in _TWO_WORDS:
        return 2
    if encoding in _FOUR_WORDS:
        return 4
    raise ValueError(f"no encoding {encoding!r}; there are {' '.join(ENCODINGS)}")


def decode(encoding: str, words: Sequence[int]) -> int | float | str | None:
    """Return the value of the registers; None when they hold none (NaN, infinity, a nibble over 9, control bytes).

    >>> decode("float32-low-word-first", [0xCCCD, 0x404C])
    3.200000047683716
    """
    if len(words) != width(encoding, len(words)):
        raise ValueError(f"{encoding} takes {width(encoding)} registers, not {len(words)}")
    if encoding == "text":
        return _text(words)
    if any(not 0 <= word <= 0xFFFF for word in words):
        raise ValueError(f"registers are 0 to 65535, not {list(words)}")
    return decoder(encoding)(words)


@cache
def decoder(encoding: str) -> Callable[[Sequence[int]], int | float | None]:
    """Return a quick ``decode`` for one encoding but text, made once; it takes exactly as many registers, unchecked.

    ValueError for an unknown encoding.
    """
    count = width(encoding)
    if encoding in ("uint16", "bits16"):
        return _first
    # struct reads a register's bytes in either order; which register is the high one is the order they are packed in
    pack = Struct(f"{'<' if encoding.endswith('-swapped') else '>'}{count}H").pack
    step = -1 if "low-word-first" in encoding else 1
    kind = encoding.partition("-")[0]
    if kind == "bcd16":
        return lambda words: int(digits) if (digits := f"{words[0]:04x}").isdecimal() else None
    code = {"int16": ">h", "uint32": ">I", "int32": ">i", "float32": ">f", "float64": ">d", "mod10k32": ">HH"}[kind]
    unpack = Struct(code).unpack
    if kind == "mod10k32":

        def modulo(words: Sequence[int]) -> int | None:
            high, low = unpack(pack(*words[::step]))
            return high * 10_000 + low if high <= 9999 and low <= 9999 else None

        return modulo
    if kind in ("float32", "float64"):

        def real(words: Sequence[int]) -> float | None:
            number: float = unpack(pack(*words[::step]))[0]
            return number if isfinite(number) else None

        return real

    def whole(words: Sequence[int]) -> int:
        number: int = unpack(pack(*words[::step]))[0]
        return number

    return whole


def decode_exact(encoding: str, words: Sequence[int]) -> Fraction | None:
    """Return the value as an exact fraction; None when there is none. ValueError for text, which is no number.

    >>> decode_exact("float32-high-word-first", [0x3FC0, 0])
    Fraction(3, 2)
    """
    value = decode(encoding, words)
    if isinstance(value, str) or encoding == "text":
        raise ValueError("text is no number")
    return None if value is None else Fraction(value)


def decode_array(encoding: str, words: npt.NDArray[np.integer]) -> npt.NDArray[np.int64] | npt.NDArray[np.float64]:
    """Return one value per row of words, an array of shape (rows, width).

    For ARRAY_ENCODINGS only. Whole numbers come as int64; floats as float64 with NaN and infinity left in; bcd16 and
    mod10k32 as float64 with NaN where the registers hold no such number.
    """
    if encoding not in ARRAY_ENCODINGS:
        raise ValueError(f"no arrays of {encoding!r}; there are {' '.join(ARRAY_ENCODINGS)}")
    if words.ndim != 2 or words.shape[1] != width(encoding):
        raise ValueError(f"{encoding} takes rows of {width(encoding)} registers, not an array {words.shape}")
    registers = words.astype(np.int64)
    if encoding.endswith("-swapped"):
        registers = registers >> 8 | (registers & 0xFF) << 8
    if "low-word-first" in encoding:
        registers = registers[:, ::-1]
    if encoding == "bcd16":
        digits = registers >> np.array([12, 8, 4, 0]) & 0xF
        return np.where((digits <= 9).all(axis=1), digits @ np.array([1000, 100, 10, 1]), np.nan)
    if encoding.startswith("mod10k32"):
        return np.where((registers <= 9999).all(axis=1), registers @ np.array([10_000, 1]), np.nan)
    raw = registers[:, 0]
    for column in registers.T[1:]:
        raw = raw << 16 | column
    if encoding.startswith("float"):
        with np.errstate(invalid="ignore"):
            if len(registers.T) == 4:
                return raw.view(np.float64)
            return raw.astype(np.uint32).view(np.float32).astype(np.float64)
    if encoding.startswith("int"):
        bits = 16 * width(encoding)
        raw = np.where(raw >= 1 << (bits - 1), raw - (1 << bits), raw)
    return raw


def reference(table: str, register: int) -> str:
    """Return the 1-based reference in six digits of a 0-based register.

    >>> reference("holding-register", 100)
    '400101'
    """
    return f"{_FIRST_REFERENCE[table] + register + 1:06d}"


def _first(words: Sequence[int]) -> int:
    return words[0]


def _text(words: Sequence[int]) -> str | None:
    data = b"".join(word.to_bytes(2, "big") for word in words)
    try:
        text = data.rstrip(b"\x00 ").decode("ascii")
    except UnicodeDecodeError:
        return None
    return text if text.isprintable() else None
