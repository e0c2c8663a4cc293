"""Code lengths: how many bits a series of whole numbers costs when told as a start, a law and its errors.

Columns of integers in, one number of bits per column out. Nothing here knows what a register means. All ways of
reading the same raw words are coded by these same few laws, so that their code lengths can be compared: the shorter
the code, the better the reading explains the words (minimum description length).

The laws for the errors (differences from one answer to the next, mostly):
  buckets   an adaptive code of the sign and the size of each error in powers of two, the rest of its bits raw
  geometric moved or not, then a geometric size
  uniform   moved or not, then every bit raw
The cheapest law counts, for every hypothesis alike.
"""

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

_SYMBOLS = 140  # sign and power of two of any 64-bit error, with room: 2 × power, 1 more below zero
_POWER = np.arange(_SYMBOLS) // 2
_BELOW_ZERO = np.arange(_SYMBOLS) % 2
_NOT_A_NUMBER = 60.0  # bits: a start value that is no number is all but refused
_DENSEST_ULP = 2.0**-22  # a float32 this close to a short decimal is that decimal


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


def _symbols(residuals: Ints) -> Floats:
    """Return how often each sign and power of two comes in each column [columns, symbols]."""
    columns = residuals.shape[1]
    # sign and exponent of a float64 are its highest 12 bits
    head = residuals.astype(np.float64).view(np.uint64) >> np.uint64(52)
    symbol = _SYMBOL_OF[head] + np.arange(columns) * _SYMBOLS
    counts = np.bincount(symbol.ravel(), minlength=_SYMBOLS * columns)
    return counts.reshape(columns, _SYMBOLS).astype(np.float64)


def _symbol_table() -> Ints:
    exponent = np.arange(1 << 11)
    power = np.clip(exponent - 1022, 0, _SYMBOLS // 2 - 1)
    return np.concatenate([2 * power, 2 * power + 1])


_SYMBOL_OF = _symbol_table()


def residual_bits(residuals: Ints, width: int) -> Floats:
    """Return the bits of each column of residuals [n, columns] under the cheapest law; width: bits of a raw one."""
    n, columns = residuals.shape
    total = np.abs(residuals).sum(axis=0)
    counts = _symbols(residuals)
    entropy = n * np.log2(max(n, 1)) - (counts * np.log2(np.maximum(counts, 1))).sum(axis=1)
    kinds = (counts > 0).sum(axis=1)
    cost = 0.5 * np.log2(n + 1)
    buckets = entropy + cost * (kinds - 1) + 3 * kinds + counts @ np.maximum(_POWER - 1, 0)

    moved = n - counts[:, 0]
    up = moved - counts @ _BELOW_ZERO
    mean = np.where(moved > 0, total / np.maximum(moved, 1), 1.0)
    beyond = np.maximum(mean - 1, 1e-9)
    each = np.where(mean > 1, np.log2(mean) + (mean - 1) * np.log2(mean / beyond), 0.0)
    which = binary_entropy(moved, np.full(columns, n))
    geometric = which + moved * each + binary_entropy(up, moved) + 3 * cost + 3
    uniform = which + moved * float(width) + cost
    result: Floats = np.minimum(np.minimum(buckets, geometric), uniform)
    return result


def integer_bits(values: Ints, width: int) -> Floats:
    """Return the bits of each value as the start of a series of so many bits: small ones are likelier, 0 and 1 most.

    >>> integer_bits(np.array([1, 3480]), 16)
    array([ 2., 15.])
    """
    power = bit_length(values)
    return np.where(power <= 1, 2.0, np.log2(width) + np.maximum(power - 1, 0))


def series_bits(series: Ints, width: int, *, wraps: bool) -> Floats:
    """Return the bits of each column after its first value: by difference, trend, slope or level.

    series [n, columns] of numbers of `width` bits; wraps: differences are taken the short way round.
    """
    if len(series) < 2:
        return np.zeros(series.shape[1])
    difference = np.diff(series, axis=0)
    middle = np.median(series, axis=0).astype(np.int64)
    from_middle = series[1:] - middle
    if wraps:
        difference, from_middle = wrapped(difference, width), wrapped(from_middle, width)
    trend = np.median(difference, axis=0).astype(np.int64)
    by_difference = residual_bits(difference, width)
    by_trend = residual_bits(difference - trend, width) + integer_bits(trend, width)
    by_level = residual_bits(from_middle, width) + 2
    best = np.minimum(np.minimum(by_difference, by_trend), by_level)
    bend = difference[1:] - difference[:-1]
    by_slope = residual_bits(wrapped(bend, width) if wraps else bend, width) + integer_bits(difference[0], width)
    return np.minimum(best, by_slope + 1)


def flag_bits(words: Ints) -> Floats:
    """Return the bits of each column of words as a set of flags: when it changed, and which flags turned over."""
    n = len(words)
    turned = np.bitwise_xor(words[1:], words[:-1])
    changes = (turned != 0).sum(axis=0)
    flags = np.zeros(words.shape[1])
    for bit in range(16):
        flags += ((turned >> bit) & 1).sum(axis=0)
    when = binary_entropy(changes, np.full(words.shape[1], n))
    return np.where(changes > 0, when + 4 * flags + 0.5 * np.log2(n) + 2, 3.0)


def jump_bits(words: Ints) -> Floats:
    """Return the bits of each column of 16-bit words when every change is told raw."""
    n = len(words)
    moved = (np.diff(words, axis=0) != 0).sum(axis=0)
    when = binary_entropy(moved, np.full(words.shape[1], n))
    return np.where(moved > 0, when + 16.0 * moved + 0.5 * np.log2(n), 3.0)


def float_bits(values: Floats) -> Floats:
    """Return the bits of each value as the start of a float: middling sizes and short decimals are likelier."""
    finite = np.isfinite(values)
    size = np.abs(np.where(finite, values, 1.0))
    zero = size == 0
    size = np.where(zero, 1.0, size)
    power = np.log10(size)
    magnitude = 4.75 + 2 * np.clip(np.maximum(-3 - power, power - 5), 0, 40) + 2 * (values < 0)
    mantissa = np.full(values.shape, 23.0)
    for decimals in range(5):
        scaled = size * 10.0**decimals
        whole = np.rint(scaled)
        short = (np.abs(scaled - whole) <= scaled * _DENSEST_ULP) & (whole >= 1)
        bits = np.maximum(0, np.log2(whole + 1) - 2) + 1.5 * decimals
        mantissa = np.minimum(mantissa, np.where(short, bits, 23.0))
    bits = np.where(finite, magnitude + mantissa, _NOT_A_NUMBER)
    return np.where(finite & zero, 4.0, bits)
