"""Code lengths: how many bits a series of whole numbers costs when told as a start and the changes from then on.

Counts in, bits out. Nothing here knows what a register means. All ways of reading the same raw words are coded by the
same law, so that their code lengths can be compared: the shorter the code, the better the reading explains the words
(minimum description length).
"""

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

SYMBOLS = 140  # sign and power of two of any 64-bit number, with room: 2 × power, 1 more below zero
_POWER = np.arange(SYMBOLS) // 2
_NOT_A_NUMBER = 60.0  # bits: a start value that is no number is all but refused
_KINDS = 3.0  # bits: for each symbol that comes at all
_ZERO = 4.0
_BINARY = 4.0  # bits: that a mantissa is short
_SMALLEST, _LARGEST = 1e-60, 1e60  # beyond them all sizes are as unlikely


def bit_length(values: Ints | Floats) -> Ints:
    """Return the number of bits that the size of each value needs; 0 for 0."""
    return np.frexp(np.abs(values).astype(np.float64))[1].astype(np.int64)


def wrapped(differences: Ints, width: int) -> Ints:
    """Return differences of unsigned numbers of so many bits taken the short way round."""
    half = 1 << (width - 1)
    return ((differences + half) & ((1 << width) - 1)) - half


def binary_entropy(part: Floats | Ints, whole: Floats | Ints) -> Floats:
    """Return the bits that tell which `part` of `whole` events were so, up to the cost of `part` itself."""
    k = np.asarray(part, dtype=np.float64)
    n = np.maximum(np.asarray(whole, dtype=np.float64), 1.0)
    rest = n - k
    inside = (k > 0) & (rest > 0)
    bits = -(k * np.log2(np.maximum(k, 1) / n) + rest * np.log2(np.maximum(rest, 1) / n))
    return np.where(inside, bits, 0.0)


def symbols(values: Ints) -> Ints:
    """Return the sign and the power of two of each value as one number below SYMBOLS; 0 is 0."""
    # sign and exponent of a float64 are its highest 12 bits
    found: Ints = _SYMBOL_OF[values.astype(np.float64).view(np.uint64) >> np.uint64(52)]
    return found


def _symbol_table() -> Ints:
    exponent = np.arange(1 << 11)
    power = np.clip(exponent - 1022, 0, SYMBOLS // 2 - 1)
    return np.concatenate([2 * power, 2 * power + 1])


_SYMBOL_OF = _symbol_table()


def counted_bits(counts: Ints) -> Floats:
    """Return the bits of each series [columns, SYMBOLS]: an adaptive code of the symbols, the rest of each raw."""
    seen = counts.astype(np.float64)
    n = seen.sum(axis=1)
    entropy = n * np.log2(np.maximum(n, 1)) - (seen * np.log2(np.maximum(seen, 1))).sum(axis=1)
    kinds = (counts > 0).sum(axis=1)
    bits: Floats = entropy + 0.5 * np.log2(n + 1) * np.maximum(kinds - 1, 0) + _KINDS * kinds
    return bits + seen @ np.maximum(_POWER - 1, 0).astype(np.float64)


def integer_bits(values: Ints, width: int) -> Floats:
    """Return the bits of each value as the start of a series of so many bits: small ones are likelier, 0 and 1 most.

    >>> integer_bits(np.array([1, 3480]), 16)
    array([ 2., 15.])
    """
    power = bit_length(values)
    return np.where(power <= 1, 2.0, np.log2(width) + np.maximum(power - 1, 0))


def _trailing_zeros(values: Floats, mantissa_bits: int) -> Ints:
    """Return how many zeros end the mantissa of each float, of so many bits: many where a converter's steps are."""
    whole = np.ldexp(np.frexp(values)[0], mantissa_bits + 1).astype(np.int64)
    return bit_length(whole & -whole) - 1


def float_bits(values: Floats, mantissa_bits: int) -> Floats:
    """Return the bits of each value as the start of a float: middling sizes and short decimals are likelier."""
    finite = np.isfinite(values)
    zero = values == 0
    size = np.abs(np.where(finite & ~zero, values, 1.0)).clip(_SMALLEST, _LARGEST)
    power = np.log10(size)
    magnitude = 4.75 + 2 * np.clip(np.maximum(-3 - power, power - 5), 0, 40) + 2 * (values < 0)
    mantissa = np.full(values.shape, float(mantissa_bits))
    for decimals in range(5):
        scaled = size * 10.0**decimals
        whole = np.rint(scaled)
        # so close to a short decimal, it is that decimal
        short = (np.abs(scaled - whole) <= scaled * 2.0 ** (1 - mantissa_bits)) & (whole >= 1)
        bits = np.maximum(0, np.log2(whole + 1) - 2) + 1.5 * decimals
        mantissa = np.minimum(mantissa, np.where(short, bits, float(mantissa_bits)))
    mantissa = np.minimum(mantissa, _BINARY + mantissa_bits - _trailing_zeros(size, mantissa_bits))
    bits = np.where(finite, magnitude + mantissa, _NOT_A_NUMBER)
    return np.where(zero, _ZERO, bits)
