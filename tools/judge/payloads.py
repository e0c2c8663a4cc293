"""What registers carry, many rows at once: zeros, all ones, slow words, floats, noise, frames within frames."""

from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from judge.codes import Bytes, Ints, crc, places, starts_of


class Style(IntEnum):
    """How the bytes of a payload come about. Invented; those that are hard to tell from frames are among them."""

    ZEROS = 0
    ONES = 1
    ZEROS_AND_ONES = 2
    SLOW = 3
    FLOATS = 4
    NOISE = 5
    STILL = 6
    SMALL = 7
    TUNNEL = 8


USUAL = (
    Style.ZEROS,
    Style.ONES,
    Style.ZEROS_AND_ONES,
    Style.SLOW,
    Style.FLOATS,
    Style.NOISE,
    Style.STILL,
    Style.SMALL,
)


def _hash(first: Ints, second: Ints) -> Ints:
    """Return numbers from 0 to 32767 that hang on both and look like any."""
    mixed = (first * 7919 + second * 104_729 + 12_345) * 2_654_435_761
    return mixed >> 16 & 0x7FFF


def fill(rng: np.random.Generator, styles: Ints, lengths: Ints, owners: Ints, walk: Ints) -> tuple[Bytes, Ints]:
    """Return payloads, joined, and where each starts. owners: whose values. walk: how far those have moved."""
    row, place = places(lengths)
    style, owner, moved = styles[row], owners[row], walk[row]
    word, low = place >> 1, place & 1
    octets = np.zeros(len(row), dtype=np.uint8)
    octets[style == Style.ONES] = 0xFF
    chance: NDArray[np.bool_] = rng.random(len(row) // 2 + 1) < 0.3
    some = (style == Style.ZEROS_AND_ONES) & chance[(np.arange(len(row)) - low) >> 1]
    octets[some] = 0xFF

    def words(where: NDArray[np.bool_], value: Ints) -> None:
        octets[where] = np.where(low[where], value & 0xFF, value >> 8 & 0xFF)

    at = style == Style.SLOW
    words(at, _hash(owner[at], word[at]) + moved[at] // (1 + word[at] % 4))
    at = style == Style.SMALL
    words(at, (_hash(owner[at], word[at]) + moved[at] // 7) % 300)
    at = style == Style.FLOATS
    seed = _hash(owner[at], place[at] >> 2)
    values = (10.0 ** (seed % 4)) * (1 + seed / 32768) + moved[at] * 0.001 * (seed % 3)
    order = np.where(owner[at] & 1, place[at] & 3, (place[at] & 3) ^ 2)
    octets[at] = values.astype(">f4").view(np.uint8).reshape(-1, 4)[np.arange(len(values)), order]
    at = style == Style.STILL
    octets[at] = _hash(owner[at], place[at]) & 0xFF
    at = (style == Style.NOISE) | (style == Style.TUNNEL)
    octets[at] = rng.integers(0, 256, int(at.sum()))
    starts = starts_of(lengths)
    for tunnelled in np.flatnonzero((styles == Style.TUNNEL) & (lengths >= 10)):
        _tunnel(rng, octets, int(starts[tunnelled]), int(lengths[tunnelled]))
    return octets, starts


def _tunnel(rng: np.random.Generator, octets: Bytes, start: int, length: int) -> None:
    """Put a whole request somewhere into a payload, and an answer behind it where there is room for both."""
    device, count = int(rng.integers(1, 31)), int(rng.integers(1, 5))
    request = bytes((device, 3, 0, int(rng.integers(0, 200)), 0, count))
    frames = request + crc(request)
    answer = bytes((device, 3, 2 * count)) + rng.bytes(2 * count)
    if length >= len(frames) + len(answer) + 2 and rng.random() < 0.25:
        frames += answer + crc(answer)
    at = start + int(rng.integers(0, length - len(frames) + 1))
    octets[at : at + len(frames)] = np.frombuffer(frames, dtype=np.uint8)
