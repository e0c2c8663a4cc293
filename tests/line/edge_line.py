"""Edges of a line that was never there, for tests: settings and bytes in, moments and levels out.

Written from the standards' drawing of a character (Modbus over Serial Line V1.02, 2.5.1 and 2.5.2): a start bit that
is low, the data bits with the lowest first, a parity bit over them if there is one, stop bits that are high, rest
that is high. Shares nothing with the decoder.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FRAMINGS = ("7E1", "7O1", "7N2", "8N1", "8N2", "8E1", "8O1")
BAUDS = (1200, 2400, 4800, 9600, 14400, 19200, 28800, 38400, 57600, 76800, 115200)


@dataclass(frozen=True)
class Sent:
    """A capture as it would be: times in s, the level from each on, and what it was made of."""

    t_s: NDArray[np.float64]
    levels: NDArray[np.int64]


def drawn(value: int, framing: str) -> list[int]:
    """The bits of one character in the order in which they go over the line."""
    size = int(framing[0])
    bits = [value >> place & 1 for place in range(size)]
    if framing[1] == "E":
        parity = [sum(bits) % 2]
    elif framing[1] == "O":
        parity = [(sum(bits) + 1) % 2]
    else:
        parity = []
    return [0, *bits, *parity, *[1] * int(framing[2])]


def send(
    data: Sequence[int],
    gaps: Sequence[float],
    baud: float,
    framing: str,
    *,
    inverted: bool = False,
    jitter: float = 0.0,
    gaussian: bool = False,
    resolution_s: float = 0.0,
    rng: np.random.Generator | None = None,
    lead_bits: float = 20.0,
    silence_level: int = 1,
) -> Sent:
    """Draw characters, each followed by so many bit times of rest; every edge moves by up to jitter bit times.

    silence_level: where the line rests between characters that are more than 12 bits apart.
    """
    now = lead_bits
    level = silence_level
    at: list[float] = []
    to: list[int] = []

    def go(new: int, when: float) -> None:
        nonlocal level
        if new != level:
            at.append(when)
            to.append(new)
            level = new

    for value, gap in zip(data, gaps, strict=True):
        for bit in drawn(value, framing):
            go(bit, now)
            now += 1
        if gap > 12:
            go(silence_level, now)
        now += gap
    times = np.array(at)
    if jitter and rng is not None:
        times = times + (rng.normal(0, jitter, len(at)) if gaussian else rng.uniform(-jitter, jitter, len(at)))
    times = times / baud
    if resolution_s:
        times = np.round(times / resolution_s) * resolution_s
    return Sent(times, np.array(to, dtype=np.int64) ^ int(inverted))
